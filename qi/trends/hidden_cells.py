"""Small cells hidden for sharing: counts of 1 to 10 patients are neither shown nor can they be worked out from what is shown.

A count that is hidden takes with it every value that tells of it, and, where a total or a part would give it away, another count
(complementary suppression). 0 may be shown.
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from qi.model.errors import BadTable

# Cells of 1 to 10 are not shown nor derivable, 0 is allowed: cell-size rule of the Centers for Medicare & Medicaid Services (USA),
# read in a secondary copy. An agency's own rule may ask for more: the threshold is an argument everywhere.
MOST_HIDDEN = 10
HIDDEN = "hidden"
_EDGE = 1e-9

Cell = tuple[int, int]


@dataclass(frozen=True)
class Sum:
    """A row that is the sum of others, by their places in the table from 0; total is None where the sum stands elsewhere."""

    total: int | None
    rows: Sequence[int]


@dataclass(frozen=True)
class Shape:
    """What the columns of a table are to each other.

    counts, columns that count patients, those first that are most wanted; derived, for other columns the counts they tell of;
    within, for a count the counts that it is a part of; adds, for a count the counts that it is the sum of; running, columns that
    add up over the rows; across, columns of words (a month, a group) by which sums of the rows may stand elsewhere; rounded,
    columns that are given with so many digits behind the point, since with all their digits a count behind them could be worked
    out; always, counts that are hidden in every row, since tables of other measures have the same ones and may show what is hidden
    here; days, the column that says of which month (2031-03, or its first day) or quarter (2031 Q1) a row is, by whose quarters and
    years sums of the rows may stand elsewhere. What is in none of these holds no number of patients, nor anything made of one.
    """

    counts: Sequence[str]
    derived: Mapping[str, Sequence[str]] = field(default_factory=dict)
    within: Mapping[str, Sequence[str]] = field(default_factory=dict)
    adds: Mapping[str, Sequence[str]] = field(default_factory=dict)
    running: Sequence[str] = ()
    across: Sequence[str] = ()
    rounded: Mapping[str, int] = field(default_factory=dict)
    always: Sequence[str] = ()
    days: str = ""


def hide(
    table: pd.DataFrame,
    shape: Shape,
    *,
    totals: Collection[Sum] | None = None,
    rest: Mapping[str, float] | None = None,
    most_hidden: int = MOST_HIDDEN,
) -> pd.DataFrame:
    """A table for sharing, with small cells hidden.

    Parameters: table; shape, of its columns; totals, rows that are sums of others; None where the rows do not overlap and sums of
    them may stand elsewhere, as the number of all cases does, or that of a month or station; rest, for a count how many of all
    patients, whose number is known, are in none of the rows, where totals is None; most_hidden, the largest count that is hidden.
    Returns: the table with missing values where a cell is hidden, and one more column, `hidden`, that names the hidden cells of
    each row; what is missing and not named there was missing before.
    Raises: BadTable where a column is missing, a count is no whole number from 0, or a value is given without any of the counts
    that it tells of: a row without a known count may be a single patient.
    References: MOST_HIDDEN; how the second cell is chosen is ours: the least wanted, of a column the smallest that is shown.
    """
    named = {*shape.counts, *shape.derived, *shape.running, *shape.across, *([shape.days] if shape.days else [])}
    if lacks := sorted(named - set(table.columns)):
        raise BadTable(f"a table whose small cells are to be hidden lacks {', '.join(lacks)}")
    counts = _counts(table, shape)
    if totals is not None:
        return _blanked(table, shape, _Cells(counts, shape, totals, most_hidden).hidden())
    others = np.array([(rest or {}).get(name, 0.0) for name in shape.counts])
    cells = _Cells(counts, shape, _sums_elsewhere(table, shape), most_hidden, others)
    return _blanked(table, shape, cells.hidden()[: len(table)])


def _counts(table: pd.DataFrame, shape: Shape) -> np.ndarray:
    counts = table[list(shape.counts)].astype(float).to_numpy().reshape(len(table), len(shape.counts))
    known = counts[~np.isnan(counts)]
    if (known < 0).any() or (known != np.round(known)).any():
        raise BadTable(f"counts of patients are whole numbers from 0: {', '.join(shape.counts)}")
    for name, of in shape.derived.items():
        if (table[name].notna() & table[list(of)].isna().all(axis=1)).any():
            raise BadTable(f"{name} is given where no count of patients behind it is known: {', '.join(of)}")
    return counts


def _sums_elsewhere(table: pd.DataFrame, shape: Shape) -> Collection[Sum]:
    """Sums that other tables may show: of the rows that share a word (a month, a group), of a quarter and of a year.

    A row alone is no sum: what is hidden in it is hidden in that sum.
    """
    found: list[Sum] = []
    for words in [table[name].astype("str") for name in shape.across] + _quarters_and_years(table, shape):
        places = pd.Series(range(len(table))).groupby(words.to_numpy())
        found += [Sum(None, list(rows)) for _, rows in places if len(rows) > 1]
    return found


def _quarters_and_years(table: pd.DataFrame, shape: Shape) -> list[pd.Series]:
    """The quarter of each row that is a month, and the year of each row."""
    if not shape.days:
        return []
    said = table[shape.days].astype("str")
    found = said.str.extract(r"^(\d{4})-(\d{2})")
    quarter = found[0] + " Q" + ((found[1].astype(float) + 2) // 3).astype("str")
    return [quarter.where(found[1].notna(), said), said.str[:4]]


def _blanked(table: pd.DataFrame, shape: Shape, hidden: np.ndarray) -> pd.DataFrame:
    """The table without what is hidden, with the names of what is."""
    gone = pd.DataFrame(hidden, columns=list(shape.counts), index=table.index)
    some = bool(gone.drop(columns=list(shape.always)).any(axis=None))
    for name, of in shape.derived.items():
        gone[name] = gone[list(of)].any(axis=1)
    for name in shape.running:
        gone[name] = some
    shown = table.assign(**{name: table[name].astype(float).round(digits) for name, digits in shape.rounded.items()})
    for name in gone.columns:
        kept = shown[name].astype(float) if pd.api.types.is_numeric_dtype(shown[name]) else shown[name].astype(object)
        shown[name] = kept.where(~gone[name])
    names = [", ".join(name for name in gone.columns if row[name]) for row in gone.to_dict("records")]
    return shown.assign(**{HIDDEN: pd.array(names, dtype="str")})


class _Cells:
    """The counts of a table, which of them are hidden, and the sums that tie them together.

    rest holds for each count how many of all patients are in no row, None where the sum of all rows is not known. Few of them are a
    small cell of a last row, which is never shown: then neither the sum of all rows may be told, nor all sums that make it up.
    """

    def __init__(
        self, counts: np.ndarray, shape: Shape, totals: Collection[Sum], most: int, rest: np.ndarray | None = None
    ) -> None:
        self._value = np.nan_to_num(counts if rest is None else np.vstack([counts, rest]))
        self._most = most
        self._crossed = bool(shape.across or shape.adds)
        self._off = self._small(self._value)
        at = {name: i for i, name in enumerate(shape.counts)}
        self._off[:, [at[name] for name in shape.always]] = True
        self._pairs = [(at[part], at[whole]) for part, wholes in shape.within.items() for whole in wholes]
        rows, columns = range(len(counts)), range(len(at))
        few = np.zeros(len(at), dtype=bool) if rest is None else self._small(rest)
        self._lines: list[tuple[Cell | None, list[Cell]]] = [
            ((row, at[whole]), [(row, at[part]) for part in parts]) for whole, parts in shape.adds.items() for row in rows
        ]
        sums = [
            (None if one.total is None else (one.total, column), [(row, column) for row in one.rows])
            for one in totals
            for column in columns
            if not few[column]
        ]
        of_all = [] if rest is None else [[(row, column) for row in range(len(counts) + few[column])] for column in columns]
        all_: list[tuple[Cell | None, list[Cell]]] = [(None, cells) for cells in of_all if len(cells) > 1]
        # What is hidden in a quarter serves its year and the sum of all too; of groups the sum of all goes first.
        self._lines += [*sums, *all_] if shape.days else [*all_, *sums]

    def hidden(self) -> np.ndarray:
        """Hide until nothing small can be worked out."""
        while self._by_parts() or self._by_sums() or self._by_all_together() or (self._crossed and self._by_bounds()):
            pass
        return self._off

    def _small(self, value: np.ndarray) -> np.ndarray:
        return (value > _EDGE) & (value <= self._most + _EDGE)

    def _by_parts(self) -> bool:
        """A part and its whole, both shown, with a small rest: the less wanted of the two goes."""
        changed = False
        for part, whole in self._pairs:
            rest = self._small(self._value[:, whole] - self._value[:, part])
            told = rest & ~self._off[:, part] & ~self._off[:, whole]
            self._off[told, max(part, whole)] = True
            changed |= bool(told.any())
        return changed

    def _by_sums(self) -> bool:
        """A sum with one hidden cell, or whose hidden parts make a small number together: one more goes."""
        changed = False
        for total, parts in self._lines:
            while self._told(total, parts) and self._one_more([*parts, *([total] if total else [])]):
                changed = True
        return changed

    def _told(self, total: Cell | None, parts: Sequence[Cell]) -> bool:
        off = [cell for cell in parts if self._off[cell]]
        if total is not None and self._off[total]:
            return not off
        return len(off) == 1 or bool(off and self._small(np.array(sum(self._value[cell] for cell in off))))

    def _one_more(self, cells: Sequence[Cell]) -> bool:
        """Hide the least wanted cell that is shown, of a column the smallest, one of 0 last; False where there is none."""
        shown = [cell for cell in cells if not self._off[cell]]
        if not shown:
            return False
        self._off[min(shown, key=lambda cell: (self._value[cell] == 0, -cell[1], self._value[cell], cell))] = True
        return True

    def _by_all_together(self) -> bool:
        """A hidden cell that all sums together still determine: one more of the sums that it is in goes."""
        for cell in self._determined():
            tied = [one for total, parts in self._lines for one in (parts if total is None else [total, *parts])]
            near = [line for line in self._each_line() if cell in line]
            if self._one_more([one for line in near for one in line]) or self._one_more(tied):
                return True
        return False

    def _by_bounds(self) -> bool:
        """A hidden small cell that no two whole numbers fit, as none is below 0 and no part above its whole: one more goes.

        Asked where sums cross (of rows and of columns, of groups and of their parts): there one such bound can meet another.
        """
        changed = False
        for cells, span in self._spans():
            if span < 1.0 - _EDGE:
                near = [one for line in self._each_line() for one in line if any(cell in line for cell in cells)]
                changed |= self._one_more(near) or self._one_more([cell for line in self._each_line() for cell in line])
        return changed

    def _spans(self) -> list[tuple[Sequence[Cell], float]]:
        """Each small hidden cell, and each part and whole with a small rest: how far its least and greatest value lie apart."""
        from scipy.optimize import linprog  # takes a quarter of a second, and only a table that is shared needs it

        unknown = [(int(row), int(column)) for row, column in np.argwhere(self._off)]
        place = {cell: i for i, cell in enumerate(unknown)}

        def row_of(plus: Sequence[Cell], minus: Sequence[Cell]) -> tuple[np.ndarray, float]:
            row, known = np.zeros(len(unknown)), 0.0
            for sign, cells in ((1.0, plus), (-1.0, minus)):
                for cell in cells:
                    if cell in place:
                        row[place[cell]] += sign
                    else:
                        known += sign * float(self._value[cell])
            return row, known

        equal, right = [], []
        for total, parts in self._lines:
            row, known = row_of(parts, [total] if total else [])
            whole = 0.0 if total else sum(float(self._value[cell]) for cell in parts)
            equal.append(row)
            right.append(whole - known)
        within = [((row, part), (row, whole)) for part, whole in self._pairs for row in range(len(self._value))]
        most = [row_of([part], [whole]) for part, whole in within]
        limits = {"A_eq": np.array(equal), "b_eq": np.array(right), "bounds": (0, None), "method": "highs"}
        if most:
            limits |= {"A_ub": np.array([row for row, _ in most]), "b_ub": np.array([-known for _, known in most])}
        asked: list[tuple[Sequence[Cell], np.ndarray]] = [
            ((cell,), row_of([cell], [])[0]) for cell in unknown if self._small(self._value[cell])
        ]
        asked += [
            ((whole, part), row_of([whole], [part])[0])
            for part, whole in within
            if self._small(self._value[whole] - self._value[part]) and (part in place or whole in place)
        ]
        found: list[tuple[Sequence[Cell], float]] = []
        for cells, row in asked:
            ends = [linprog(sign * row, **limits) for sign in (1.0, -1.0)]
            found.append((cells, np.inf if any(one.status != 0 for one in ends) else -ends[1].fun - ends[0].fun))
        return found

    def _each_line(self) -> Iterator[list[Cell]]:
        for total, parts in self._lines:
            yield [*parts, *([total] if total else [])]

    def _determined(self) -> list[Cell]:
        """Hidden cells with one value only that fits all sums and all that is shown."""
        unknown = [(int(row), int(column)) for row, column in np.argwhere(self._off)]
        place = {cell: i for i, cell in enumerate(unknown)}
        rows = []
        for total, parts in self._lines:
            row = np.zeros(len(unknown))
            for cell in parts:
                if cell in place:
                    row[place[cell]] += 1.0
            if total in place:
                row[place[total]] -= 1.0
            if row.any():
                rows.append(row)
        if not rows:
            return []
        _, sizes, turned = np.linalg.svd(np.array(rows), full_matrices=True)
        free = turned[int((sizes > _EDGE).sum()) :]
        fixed = (np.abs(free) < 1e-7).all(axis=0)
        return [cell for cell in unknown if fixed[place[cell]]]
