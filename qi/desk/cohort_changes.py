"""What a row of the cohort table lacks since it was made: whether the case must be measured anew, or only said anew how it stands.

Measuring takes a second and more. Most of what is written on a case changes none of its numbers in the table: a correction counts
once it is signed, and outcomes and exclusions are columns of their own, written into the row as it stands.
"""

import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from qi.library.library import Library
from qi.library.outcomes import outcomes_of
from qi.library.worklist import Entry
from qi.model.journal import Line
from qi.trends import cohort
from qi.trends import cohort_store as store
from qi.trends.cohort_columns import CHOICES

MEASURED_ANEW = ("signed", "files")  # kinds of lines after which the numbers are others
OUTCOMES = ("any_rosc", "sustained_rosc", "survived_event", "survived_to_discharge")
SCORES = ("cpc", "mrs")
EVENTS = {"pauses": "pause_rows", "shocks": "shock_rows"}  # tables of events, each with the column that counts a case's
FAILED = "failed.json"


@dataclass(frozen=True, eq=False)
class Held:
    """What a table holds: the journal's last line of each case, by key; about is the table with key, year and month.

    lacking, cases of which another number of pauses or shocks stands in the table than was written with their row.
    """

    lines: Mapping[str, int]
    about: pd.DataFrame
    lacking: frozenset[str] = frozenset()

    def where(self, keys: Collection[str]) -> list[tuple[str, str, list[Any]]]:
        """What to ask the table for to have the rows of some cases and read few files."""
        stand = self.about[self.about["key"].isin(list(keys))]
        return [("key", "in", list(keys)), *((name, "in", stand[name].unique().tolist()) for name in ("year", "month"))]


@dataclass(frozen=True)
class Failure:
    """A case that could not be measured: its number, the last line of its journal then, and what went wrong."""

    case_id: str
    last_line: int
    said: str


def held(place: Path) -> Held:
    """What the table of a folder holds; kept in memory for as long as its files stay as they are.

    Raises: UnreadableFile where there is no table, or a file of it is damaged.
    """
    return _held(place, files_of(place))


@lru_cache(maxsize=4)
def _held(place: Path, files: tuple[tuple[str, int, int], ...]) -> Held:
    table = cohort.read(place, ["key", "last_line", "year", "month", *EVENTS.values()])
    lines = dict(zip(table["key"].tolist(), table["last_line"].tolist(), strict=True))
    lacking = frozenset(key for name, column in EVENTS.items() for key in _lacking(place, table, name, column))
    return Held(lines, table[["key", "year", "month"]], lacking)


def _lacking(place: Path, table: pd.DataFrame, name: str, column: str) -> list[str]:
    """Cases of which another number of events stands in the table than their rows say. Months that add up are not looked into."""
    told = table.groupby(["year", "month"])[column].sum()
    there = store.counts(place, name)
    unlike = [month for month, count in told.items() if count != there.get(month, 0)]
    if not unlike:
        return []
    of_month = pd.MultiIndex.from_frame(table[["year", "month"]]).isin(unlike)
    rows = table[of_month & table[column].notna().to_numpy()]
    if rows.empty:  # what was lost with a file is known already
        return []
    where = [("key", "in", rows["key"].tolist()), *((part, "in", rows[part].unique().tolist()) for part in ("year", "month"))]
    found = cohort.read_events(place, name, ["key"], where)["key"].value_counts()
    return rows.loc[(rows[column] != rows["key"].map(found).fillna(0)).to_numpy(), "key"].tolist()


def files_of(place: Path) -> tuple[tuple[str, int, int], ...]:
    """The files of a table with what changes whenever one is written: when it was, and its length [ns, bytes]."""
    files = (path for name in ("cases", *EVENTS) for path in (place / name).glob(f"year=*/month=*/{name}.parquet"))
    about = [(path, path.stat()) for path in sorted([place / "cohort.json", *files]) if path.exists()]
    return tuple((str(path), one.st_mtime_ns, one.st_size) for path, one in about)


def to_measure(lines: Sequence[Line], since: int | None) -> bool:
    """Whether the numbers of a row are others now.

    Parameters: lines, all of the case's journal; since, the last line when the row was made, None where there is no row.
    """
    if since is None or since > len(lines):
        return True
    return any(line.kind in MEASURED_ANEW for line in lines[since:])


def said_anew(
    library: Library, place: Path, entries: Sequence[Entry], held_: Held
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Rows of cases whose numbers stay: outcome, exclusion and last line as the library has them now.

    Parameters: library; place, of the table; entries, of the cases; held_, what the table holds.
    Returns: tables of cases, pauses and shocks, to be put in place of those that stand there.
    """
    by_key = {entry.key: entry for entry in entries}
    where = held_.where(by_key)
    cases = cohort.read(place, None, where)
    stand = [by_key[key] for key in cases["key"]]
    told = [{**(entry.outcome_told or {}), **outcomes_of(library.lines(entry.key))} for entry in stand]
    new: dict[str, Any] = {name: pd.Categorical([yes_no(one.get(name)) for one in told], CHOICES[name]) for name in OUTCOMES}
    new |= {name: np.array([score(one.get(name)) for one in told], dtype=float) for name in SCORES}
    new["excluded"] = pd.Categorical([entry.excluded for entry in stand])
    new["last_line"] = np.array([entry.last_line for entry in stand], dtype="int32")
    pauses, shocks = (cohort.read_events(place, name, None, where) for name in ("pauses", "shocks"))
    return cases.assign(**new), pauses, shocks


def yes_no(value: object) -> str | None:
    """A fact as the table has it."""
    return {True: "yes", False: "no", "unknown": "unknown"}.get(value) if isinstance(value, bool | str) else None


def score(value: object) -> float | None:
    """A score as the table has it; None where there is none."""
    return float(value) if isinstance(value, int | float) else None


def failures(place: Path) -> dict[str, Failure]:
    """The cases that could not be measured when a table was last brought up to date, by key."""
    try:
        kept = json.loads((place / FAILED).read_text(encoding="utf-8"))
        return {str(key): Failure(**one) for key, one in kept.items()}
    except (OSError, ValueError, TypeError, AttributeError):
        return {}


def keep_failures(place: Path, found: Mapping[str, Failure]) -> None:
    """Remember which cases could not be measured, so that they are not tried again until something changes."""
    path = place / FAILED
    if found:
        path.write_text(json.dumps({key: vars(one) for key, one in found.items()}, indent=1) + "\n", encoding="utf-8")
    else:
        path.unlink(missing_ok=True)
