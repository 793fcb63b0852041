"""What pauses were for, over many cases: ranked by seconds and by count, which differ, with the share of which nothing is known."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from qi.model.errors import NotMeasurable
from qi.model.words import many
from qi.trends.averages import TIME_POOLED
from qi.trends.columns_used import KEY, need
from qi.trends.intervals import percent

SECONDS, CAUSE = "seconds", "cause"
BY_SECONDS, BY_COUNT = "seconds", "count"
COUNTED = "Counted together: every pause counts once, so that cases with many pauses weigh more."
LAST = ("other", "unknown")  # never ranked among causes


@dataclass(frozen=True, eq=False)
class Ranking:
    """Causes of pauses in order of seconds, or of count; other and unknown stand last.

    rows: cause, seconds, count, cases (with such a pause), share, cumulative (of what it is ranked by), largest_case (share of the
    cause's seconds that one case alone gave). seconds, count and cases are the totals.
    """

    rows: pd.DataFrame
    ranked_by: str
    seconds: float
    count: int
    cases: int

    @property
    def unknown_share(self) -> float:
        """Share of what it is ranked by in pauses whose cause is not known."""
        return float(self.rows.loc[self.rows["cause"] == "unknown", "share"].sum())

    def words(self) -> str:
        """In plain words: what leads, what is not known, and how it was put together."""
        total = f"{self.seconds:.0f} s of pauses" if self.ranked_by == BY_SECONDS else many(self.count, "pause")
        text = f"Of {total} in {many(self.cases, 'case')}, the cause of {percent(self.unknown_share)} is not known."
        named = self.rows[~self.rows["cause"].isin(LAST)]
        if len(named):
            first = named.iloc[0]
            cause = str(first["cause"]).replace("_", " ")
            text += f" Most went to: {cause}, {percent(first['share'])}, in {many(int(first['cases']), 'case')}."
            if first["largest_case"] > 0.5 and first["cases"] > 1:
                text += f" One case alone gave {percent(first['largest_case'])} of its seconds."
        return f"{text} {TIME_POOLED if self.ranked_by == BY_SECONDS else COUNTED}"


def ranking(pauses: pd.DataFrame, *, by: str) -> Ranking:
    """Pareto table of the causes of pauses.

    Parameters: pauses, a row a pause with key (of its case), seconds [s] and cause; by, seconds or count.
    Returns: Ranking; the cumulative share runs through the rows as they stand, to 1.
    Raises: NotMeasurable without pauses; ValueError for another order; BadTable for a missing column.
    References: our arithmetic; checked with a table made by hand.
    """
    if by not in (BY_SECONDS, BY_COUNT):
        raise ValueError(f"causes are ranked by {BY_SECONDS} or by {BY_COUNT}, not by {by}")
    need(pauses, (KEY, SECONDS, CAUSE))
    if pauses.empty:
        raise NotMeasurable("there are no pauses: a compression sensor would have shown them")
    rows, cases = _by_cause(pauses)
    last = [LAST.index(cause) + 1 if cause in LAST else 0 for cause in rows["cause"]]
    rows = rows.iloc[np.lexsort((rows["cause"], -rows[by].to_numpy(dtype=float), last))].reset_index(drop=True)
    total = float(rows[by].sum())
    rows["share"] = rows[by] / total if total else 0.0
    rows["cumulative"] = rows["share"].cumsum()
    columns = ["cause", "seconds", "count", "cases", "share", "cumulative", "largest_case"]
    return Ranking(rows[columns], by, float(rows["seconds"].sum()), len(pauses), cases)


def _by_cause(pauses: pd.DataFrame) -> tuple[pd.DataFrame, int]:
    """Each cause with its seconds, count, cases and the largest case's share, in order of its name; and how many cases there are.

    Counted by number of cause and case, which takes a tenth of the time of grouping by their names; the fastest where the table
    holds both as categories.
    """
    cause, names = _numbered(pauses[CAUSE])
    case, keys = _numbered(pauses[KEY])
    names = list(dict.fromkeys([*names, "unknown"]))
    cause = np.where(cause < 0, names.index("unknown"), cause)
    at, shape = cause.astype(np.int64) * len(keys) + case, (len(names), len(keys))
    count = np.bincount(at, minlength=shape[0] * shape[1]).reshape(shape)
    seconds = np.bincount(at, pauses[SECONDS].to_numpy(dtype=float), shape[0] * shape[1]).reshape(shape)
    rows = pd.DataFrame({"cause": names, "seconds": seconds.sum(axis=1), "count": count.sum(axis=1)})
    rows["cases"] = (count > 0).sum(axis=1)
    rows["largest_case"] = (seconds.max(axis=1) / rows["seconds"].where(rows["seconds"] > 0)).fillna(0.0)
    found = rows[rows["count"] > 0]
    return found, int((count.sum(axis=0) > 0).sum())


def _numbered(values: pd.Series) -> tuple[np.ndarray, list[str]]:
    if isinstance(values.dtype, pd.CategoricalDtype):
        return values.cat.codes.to_numpy(), list(values.cat.categories)
    numbers, names = pd.factorize(values)
    return numbers, list(names)


def both(pauses: pd.DataFrame) -> tuple[Ranking, Ranking]:
    """The two rankings, by seconds and by count.

    Raises: as ranking.
    """
    return ranking(pauses, by=BY_SECONDS), ranking(pauses, by=BY_COUNT)


def differing(first: Ranking, second: Ranking) -> Sequence[str]:
    """Causes that stand at another place in the second ranking, as sentences."""
    places = [list(one.rows.loc[~one.rows["cause"].isin(LAST), "cause"]) for one in (first, second)]
    return tuple(
        f"{cause.replace('_', ' ')}: place {places[0].index(cause) + 1} by {first.ranked_by}, {places[1].index(cause) + 1} by "
        f"{second.ranked_by}."
        for cause in places[0]
        if cause in places[1] and places[0].index(cause) != places[1].index(cause)
    )
