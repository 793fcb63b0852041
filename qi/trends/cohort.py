"""Many cases as one table: a row for each, with every measure, its bounds and verdict, and what is known of patient and crew.

Signed or machine-measured, and which of the two, stands in `source`. Columns: qi.trends.cohort_columns; files: cohort_store.
"""

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from qi.model.errors import BadTable
from qi.trends import cohort_store as store
from qi.trends.cohort_columns import (
    ANSWER_NAMES,
    ANSWERS,
    BY_MACHINE,
    COHORT,
    NOT_IN_THE_ROW,
    PARTS,
    TABLES,
    answer_name,
)
from qi.trends.cohort_store import Filters

_SINGLE_DOSES = "epinephrine_interval_s"
COMPARISON = ("measure", "cases", "changed", "fresh", "lost", "median_change", "largest_change", "verdicts_changed")


def read(folder: Path, columns: Sequence[str] | None = None, filters: Filters | None = None) -> pd.DataFrame:
    """Columns of the cohort table, in order of the calls; only what is asked for is read from disk.

    Parameters: folder, of the table; columns, names of COHORT, None for all; filters, all of which must hold, as
    ("station", "==", "2") or ("year", ">=", 2030).
    Returns: one row a case, excluded ones too (`excluded` says why).
    Raises: UnreadableFile where there is no table; KeyError for a column that there is not.
    """
    return store.read(folder, "cases", columns, filters)


def read_events(folder: Path, table: str, columns: Sequence[str] | None = None, filters: Filters | None = None) -> pd.DataFrame:
    """The events of all cases: pauses or shocks, one row each.

    Parameters: folder; table, pauses or shocks; columns and filters as in read, year and month of the case among them.
    Raises: see read.
    """
    return store.read(folder, table, columns, filters)


def row(about: Mapping[str, Any], answers: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """One case as a row.

    Parameters: about, values of the columns that are no measure's; answers, of every measure, as records with id, of, from,
    value, low, high, error, coverage, n, verdict and status.
    Returns: a value for each column that the case has one for. A measure's only answer, without a value, stands for every
    answer of that measure.
    Raises: BadTable for an answer that has no column.
    """
    told: dict[str, list[Mapping[str, Any]]] = {}
    for answer in answers:
        told.setdefault(answer["id"], []).append(answer)
    result = dict(about)
    for id_, given in told.items():
        if id_ in NOT_IN_THE_ROW:
            continue
        if id_ not in ANSWERS:
            raise BadTable(f"the measure {id_} has no column in the cohort table; add it to qi.trends.cohort_columns")
        for name, answer in _placed(id_, given):
            result |= {name + part: answer.get(part.removeprefix("__") or "value") for part in PARTS}
    return result


def _placed(id_: str, given: Sequence[Mapping[str, Any]]) -> Iterable[tuple[str, Mapping[str, Any]]]:
    """The column of each answer of one measure."""
    alone = len(given) == 1 and given[0].get("value") is None and not given[0].get("of")
    if alone:
        yield from ((answer_name(id_, suffix), given[0]) for suffix in ANSWERS[id_] if suffix not in BY_MACHINE)
        return
    for answer in given:
        suffix = ".".join(str(answer[part]) for part in ("of", "from") if answer.get(part))
        if id_ == _SINGLE_DOSES and suffix:
            continue
        if suffix not in ANSWERS[id_]:
            raise BadTable(f"the answer {answer_name(id_, suffix)} has no column in the cohort table")
        yield answer_name(id_, suffix), answer


def cases_table(rows: Iterable[Mapping[str, Any]]) -> pd.DataFrame:
    """Rows as a table (COHORT)."""
    return store.made(rows, COHORT)


def events_table(rows: Iterable[Mapping[str, Any]], table: str) -> pd.DataFrame:
    """Rows of pauses or shocks as a table."""
    return store.made(rows, TABLES[table])


def compare(old: pd.DataFrame, new: pd.DataFrame) -> pd.DataFrame:
    """What other definitions changed: each measure of the same cases, before and after.

    Parameters: old and new, cohort tables with key and the columns of the measures to be compared (all, or some).
    Returns: COMPARISON, one row a measure in both, those that changed most cases first: cases in both tables, cases whose value
    changed, those with a value only now (fresh) and only then (lost), median and largest change of the changed ones (new less
    old, by size with its sign), and cases whose verdict is another.
    """
    before, after = (table.set_index("key") for table in (old, new))
    keys = before.index.intersection(after.index)
    before, after = before.loc[keys], after.loc[keys]
    names = [name for name in ANSWER_NAMES if name in before and name in after]
    rows = [_compared(name, before, after) for name in names]
    made = pd.DataFrame(rows, columns=list(COMPARISON))
    weight = made["changed"] + made["fresh"] + made["lost"] + made["verdicts_changed"]
    return made.loc[weight.sort_values(ascending=False, kind="stable").index].reset_index(drop=True)


def _compared(name: str, before: pd.DataFrame, after: pd.DataFrame) -> tuple[Any, ...]:
    old, new = before[name].to_numpy(float), after[name].to_numpy(float)
    had, has = ~np.isnan(old), ~np.isnan(new)
    by = (new - old)[had & has]
    by = by[by != 0]
    verdict = f"{name}__verdict"
    others = 0
    if verdict in before and verdict in after:
        others = int((before[verdict].astype("str").fillna("") != after[verdict].astype("str").fillna("")).sum())
    median, largest = (float(np.median(by)), float(by[np.abs(by).argmax()])) if len(by) else (np.nan, np.nan)
    return name, len(old), len(by), int((has & ~had).sum()), int((had & ~has).sum()), median, largest, others
