"""Trend table of one measure: a row a month or quarter, or a row a case, always with n. Charts are made from these rows."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from itertools import pairwise

import numpy as np
import pandas as pd

from qi.model.tables import Column, make
from qi.trends.dates import CASE, MONTH, label, periods
from qi.trends.medians import median_ranks
from qi.trends.proportions import wilson

PERIODS = (
    Column("label", "text", "", "month or quarter", may_lack=False),
    Column("start", "text", "", "its first day, YYYY-MM-DD", may_lack=False),
    Column("cases", "float", "", "cases of the period", may_lack=False),
    Column("n", "float", "", "cases with a value", may_lack=False),
    Column("median", "float", "", "median of the cases' values"),
    Column("median_low", "float", "", "lower end of its 95 % interval; missing below 6 values"),
    Column("median_high", "float", "", "upper end of its 95 % interval"),
    Column("mean", "float", "", "mean of the cases' values"),
    Column("sd", "float", "", "their standard deviation; missing below 2 values"),
    Column("judged", "float", "", "cases judged against the limit: met and not met", may_lack=False),
    Column("met", "float", "", "cases that met it", may_lack=False),
    Column("share", "float", "", "share of the judged that met it, 0 to 1"),
    Column("share_low", "float", "", "lower end of its 95 % interval (Wilson)"),
    Column("share_high", "float", "", "upper end of its 95 % interval"),
)


@dataclass(frozen=True, eq=False)
class Calendar:
    """The cases of a table in their months or quarters, put in order once for all of its measures.

    every, month or quarter; first, first day of the first period; kept, places of the cases that count, in the order of the table;
    rows, places of those of them that have a day, period after period, in each as in the table; edges, period i holds
    rows[edges[i] : edges[i + 1]].
    """

    every: str
    first: date
    kept: np.ndarray
    rows: np.ndarray
    edges: np.ndarray

    def __len__(self) -> int:
        """How many periods there are, those without a case among them."""
        return len(self.edges) - 1

    @cached_property
    def days(self) -> pd.DataFrame:
        """label and start of each period."""
        days = list(periods(self.first, _months_on(self.first, len(self) - 1, self.every), self.every)) if len(self) else []
        named = {"label": [label(day, self.every) for day in days], "start": [label(day, CASE) for day in days]}
        return pd.DataFrame({name: pd.array(words, dtype="str") for name, words in named.items()})

    @cached_property
    def numbers(self) -> np.ndarray:
        """The period of each of the rows, from 0."""
        return np.repeat(np.arange(len(self)), np.diff(self.edges))

    def part(self, chosen: np.ndarray) -> "Calendar":
        """Some of the cases alone, from the first period to the last that holds one of them.

        Parameters: chosen, flags, one a row of the table.
        """
        inside = chosen[self.rows]
        return _calendar(self.every, self.first, self.kept[chosen[self.kept]], self.rows[inside], self.numbers[inside])

    def sums(self, values: np.ndarray) -> np.ndarray:
        """The sum of each period.

        Parameters: values, one a row of the table, none of them missing.
        """
        return np.bincount(self.numbers, weights=values[self.rows], minlength=len(self)) if len(self) else np.zeros(0)

    def table(self, columns: Mapping[str, np.ndarray]) -> pd.DataFrame:
        """A row a period with label, start and the sums of some columns, each as in `sums`."""
        return self.days.assign(**{name: self.sums(values) for name, values in columns.items()})

    def known(self, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """The values that are not missing, period after period, and the edges between the periods.

        Parameters: values, one a row of the table.
        """
        ordered = values[self.rows]
        there = ~np.isnan(ordered)
        return ordered[there], np.concatenate([[0], np.cumsum(there)])[self.edges]


def calendar(days: Iterable[object], every: str, kept: np.ndarray | None = None) -> Calendar:
    """The months or quarters that cases fall in.

    Parameters: days by the clocks of the place, missing ones among them; every, month or quarter; kept, flags of the cases that
    count, all where none are given.
    Returns: Calendar from the first to the last period of a case that counts.
    """
    day = pd.to_datetime(days if isinstance(days, pd.Series) else pd.Series(list(days), dtype=object), utc=False)
    counted = np.arange(len(day)) if kept is None else np.flatnonzero(kept)
    rows = counted[day.notna().to_numpy()[counted]]
    if not len(rows):
        return Calendar(every, date(1, 1, 1), counted, rows, np.zeros(1, dtype=int))
    step = 1 if every == MONTH else 3
    number = ((day.dt.year * 12 + day.dt.month - 1).to_numpy()[rows] // step).astype(int)
    months = int(number.min()) * step
    order = np.argsort(number, kind="stable")
    first = date(months // 12, months % 12 + 1, 1)
    return _calendar(every, first, counted, rows[order], number[order] - number.min())


def _calendar(every: str, first: date, kept: np.ndarray, rows: np.ndarray, numbers: np.ndarray) -> Calendar:
    """Rows in order of their periods, cut where a new one begins; numbers count from `first`."""
    if not len(rows):
        return Calendar(every, first, kept, rows, np.zeros(1, dtype=int))
    edges = np.searchsorted(numbers, np.arange(numbers[0], numbers[-1] + 2))
    return Calendar(every, _months_on(first, int(numbers[0]), every), kept, rows, edges)


def _months_on(first: date, count: int, every: str) -> date:
    months = first.year * 12 + first.month - 1 + count * (1 if every == MONTH else 3)
    return date(months // 12, months % 12 + 1, 1)


def trend(when: Calendar, values: np.ndarray, met: np.ndarray, failed: np.ndarray) -> pd.DataFrame:
    """Trend table of cases in their months or quarters.

    Parameters: when; values, NaN where the measure is not measurable, and flags of the cases that met their limit and that did
    not, one a row of the calendar's table.
    Returns: PERIODS table from the first to the last period, those without a case included; cases without a day are left out.
    """
    if not len(when):
        return make(PERIODS)
    known, edges = when.known(values)
    n = np.diff(edges)
    ranks = [median_ranks(int(count)) or (0, 0) for count in n]
    middle = _sorted(known, edges)
    ends = [[middle[a + rank[end] - 1] if rank[end] else np.nan for a, rank in zip(edges, ranks, strict=False)] for end in (0, 1)]
    shares = share_points(when, met, failed)
    around = np.array([wilson(count, of) for count, of in zip(shares["count"], shares["n"], strict=True)])
    return make(
        PERIODS,
        **when.days,
        cases=np.diff(when.edges),
        n=n,
        median=_middles(middle, edges),
        median_low=ends[0],
        median_high=ends[1],
        **_means(known, edges),
        judged=shares["n"],
        met=shares["count"],
        share=shares["value"],
        share_low=around[:, 0],
        share_high=around[:, 1],
    )


def median_points(when: Calendar, values: np.ndarray) -> pd.DataFrame:
    """Points for charts of medians.

    Parameters: when; values, one a row of the calendar's table, NaN where the measure is not measurable.
    Returns: a row a period: label, start, n (cases with a value), value.
    """
    known, edges = when.known(values)
    return when.days.assign(n=np.diff(edges).astype(float), value=_middles(_sorted(known, edges), edges))


def mean_points(when: Calendar, values: np.ndarray) -> pd.DataFrame:
    """Points for charts of means: label, start, n, mean, sd, value; parameters as in median_points."""
    known, edges = when.known(values)
    found = when.days.assign(n=np.diff(edges).astype(float), **_means(known, edges))
    return found.assign(value=found["mean"])


def share_points(when: Calendar, met: np.ndarray, failed: np.ndarray) -> pd.DataFrame:
    """Points for charts of the share that met the limit.

    Parameters: when; flags of the cases that met it and that did not, one a row of the calendar's table.
    Returns: a row a period: label, start, count, n (judged), value.
    """
    counted = when.table({"count": met, "n": met | failed})
    return counted.assign(value=counted["count"] / counted["n"].where(counted["n"] > 0))


def _sorted(known: np.ndarray, edges: np.ndarray) -> np.ndarray:
    """The values of each period in order of size."""
    found = known.copy()
    for a, b in pairwise(edges):
        found[a:b].sort()
    return found


def _middles(ordered: np.ndarray, edges: np.ndarray) -> np.ndarray:
    """The median of each period, missing where it has no value; its values stand in order of size."""
    n = np.diff(edges)
    found = np.full(len(n), np.nan)
    there = n > 0
    first, count = edges[:-1][there], n[there]
    found[there] = (ordered[first + (count - 1) // 2] + ordered[first + count // 2]) / 2.0
    return found


def _means(known: np.ndarray, edges: np.ndarray) -> dict[str, list[float]]:
    """Mean of each period, and standard deviation from two values on."""
    parts = [known[a:b] for a, b in pairwise(edges)]
    return {
        "mean": [part.mean() if len(part) else np.nan for part in parts],
        "sd": [part.std(ddof=1) if len(part) > 1 else np.nan for part in parts],
    }


def by_case(names: Iterable[str], days: Iterable[object], values: Iterable[float]) -> pd.DataFrame:
    """Points of single cases in order of time, for charts of cases.

    Parameters: names, labels of the cases; days; values, NaN where the measure is not measurable.
    Returns: table of points with label, start, n (1) and value; cases without a day or value are left out.
    """
    day = pd.to_datetime(pd.Series(list(days)))
    table = pd.DataFrame({"label": list(names), "day": day, "value": np.asarray(list(values), float)})
    table = table[table["day"].notna() & table["value"].notna()].sort_values("day", kind="stable")
    starts = [label(one.date(), CASE) for one in table["day"]]
    return pd.DataFrame({"label": table["label"].to_numpy(), "start": starts, "n": 1.0, "value": table["value"].to_numpy()})
