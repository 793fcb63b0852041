"""The cases that a point of a chart counts, and what is said of each: who went without a time among them, where they count."""

import numpy as np
import pandas as pd

from qi.trends import columns_used as use
from qi.trends.averages import known_arrest_s
from qi.trends.incidence import CENSORED, NEVER
from qi.trends.series import (
    BETWEEN_CASES,
    BETWEEN_TIMES,
    IN_TIME,
    PER_MINUTE,
    POOLED,
    SHARES,
    Subject,
    View,
    calendar_of,
    had_in_time,
    in_order,
    judged,
    keys_at,
)


def counted_at(table: pd.DataFrame, subject: Subject, view: View, label: str) -> list[str]:
    """The cases that a point counts, by their keys: those of its n.

    Parameters: as keys_at.
    Returns: of a month or quarter, the cases that its value is made of, those that went without a time among them where they count;
    of cases between events, the cases since the event before, then the event's; of days between events, the two events' cases.
    """
    view = view.settled(subject)
    if view.sort in (BETWEEN_CASES, BETWEEN_TIMES):
        return _interval(in_order(table, subject, calendar_of(table, view.every)), view.sort, label)
    inside = set(keys_at(table, subject, view, label))
    return [key for key in table.loc[counted(table, subject, view.sort), use.KEY] if key in inside]


def counted(table: pd.DataFrame, subject: Subject, sort: str) -> np.ndarray:
    """Whether each case counts in a point of a sort; excluded cases count in none.

    Parameters: table, as in chart_of; subject; sort, of subject.sorts.
    """
    counting = use.counting(table)
    if sort == IN_TIME:
        had, had_not = had_in_time(table, subject, counting)
        return had | had_not
    if sort in (SHARES, BETWEEN_CASES, BETWEEN_TIMES):
        met, failed = judged(table, subject)
        return counting & (met | failed)
    known = counting & table[subject.column].notna().to_numpy()
    return known & ~np.isnan(known_arrest_s(table).to_numpy(dtype=float)) if sort in (PER_MINUTE, POOLED) else known


def told_of(table: pd.DataFrame, subject: Subject, sort: str) -> pd.DataFrame:
    """What is said of each case beside a value, on the table's index.

    Parameters: as counted.
    Returns: went, how a case went that has no time to an event (ended without it, record ends), empty for all others; in_time, yes
    or no where it is asked how many had it in time and the case counts, else empty.
    """
    went, in_time = np.full(len(table), "", dtype=object), np.full(len(table), "", dtype=object)
    if subject.done is not None:
        code = subject.done.told(table)["code"].to_numpy(dtype=float)
        went[code == NEVER], went[code == CENSORED] = "ended without it", "record ends"
    if sort == IN_TIME:
        had, had_not = had_in_time(table, subject, use.counting(table))
        in_time[had], in_time[had_not] = use.YES, use.NO
    return pd.DataFrame({"went": went, "in_time": in_time}, index=table.index)


def _interval(cases: pd.DataFrame, sort: str, label: str) -> list[str]:
    """The cases of an interval between events: from after the event before, or these two alone."""
    events = np.flatnonzero(cases["failed"])
    place = next((one for one in range(1, len(events)) if cases["label"].iloc[events[one]] == label), 0)
    if not place:
        return []
    before, at = events[place - 1], events[place]
    return cases[use.KEY].iloc[[before, at] if sort == BETWEEN_TIMES else range(before + 1, at + 1)].tolist()
