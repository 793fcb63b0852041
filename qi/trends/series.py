"""One measure over time: its points by month, quarter or case as any chart needs them, and the cases behind a point."""

from collections.abc import Callable, Collection
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from qi.model.errors import NotMeasurable, UnknownWord
from qi.trends import columns_used as use
from qi.trends.averages import CASE_MEAN, CASE_MEDIAN, FRACTION, NO_FLOW, TIME_POOLED, known_arrest_s
from qi.trends.baselines import NO_PLAN, Plan
from qi.trends.chart import Chart
from qi.trends.dates import CASE, MONTH, QUARTER
from qi.trends.incidence import CENSORED, DONE, NEVER
from qi.trends.kinds import KINDS, choose, sorts_of
from qi.trends.periods import by_case, by_period, mean_points, median_points, period_numbers, periods_of, share_points
from qi.trends.proportions import wilson
from qi.trends.rare_events import cases_between, days_between
from qi.trends.time_to import EPINEPHRINE, FIRST_SHOCK, Asked, device, times_to

MEDIANS, CASES, MEANS, SHARES = "median of cases", "case values", "mean of cases", "share of cases"
POOLED, PER_MINUTE = "time-pooled share", "events per exposure"
IN_TIME = "share done in time"
BETWEEN_CASES, BETWEEN_TIMES = "cases between rare events", "time between rare events"
EVERY = (MONTH, QUARTER)
MOST_CASES = 300  # single cases drawn on one chart, the latest (our default, no source)
_BY_CASE = (CASES, BETWEEN_CASES, BETWEEN_TIMES)
_COUNTED = "pauses_over_limit"
_DAYS = "days"
IN_TIME_S = 180.0  # where the protocol sets no limit to a time, it is asked how many had it by then (our default, no source)
_TIMES = {"time_to_epinephrine_s": EPINEPHRINE, "first_shock_s": FIRST_SHOCK}
_DEVICE = "time_to_device_s."


@dataclass(frozen=True)
class Subject:
    """A measure as charts over time show it: its column, label and unit, and what the protocol asks.

    low and high are the limit's edges, None where open or where there is no limit; limit says it in words, empty where there is
    none; goal is the goal's upper edge, if it has one; yes_or_no, each case answers with 0 or 1 alone.
    """

    column: str
    label: str
    unit: str
    limit: str = ""
    low: float | None = None
    high: float | None = None
    goal: float | None = None
    yes_or_no: bool = False

    @property
    def done(self) -> Asked | None:
        """The time to an event that some never have, if that is what it is."""
        if self.column.startswith(_DEVICE):
            _, kind, zero = self.column.split(".")
            return device(kind, zero)
        return _TIMES.get(self.column)

    @property
    def within_s(self) -> float:
        """The time that counts as in time [s]: the protocol's limit, else its goal, else IN_TIME_S."""
        return next((edge for edge in (self.high, self.goal) if edge is not None), IN_TIME_S)

    @property
    def sorts(self) -> tuple[str, ...]:
        """The sorts of points that it offers, the usual one first."""
        found = list(sorts_of(self.unit, yes_or_no=self.yes_or_no, limit=bool(self.limit)))
        found += [PER_MINUTE] if self.column == _COUNTED else []
        found += [POOLED] if self.column == FRACTION else []
        found += [BETWEEN_CASES, BETWEEN_TIMES] if self.limit or self.yes_or_no else []
        return (IN_TIME, *found) if self.done else tuple(found)


@dataclass(frozen=True)
class View:
    """How a measure is looked at: every month or quarter, the sort of points, the kind of chart; empty words mean the usual one."""

    every: str = MONTH
    sort: str = ""
    kind: str = ""

    def settled(self, subject: Subject) -> "View":
        """With what fits the subject in place of what is empty or does not fit."""
        every = self.every if self.every in EVERY else MONTH
        sort = self.sort if self.sort in subject.sorts else subject.sorts[0]
        choice = choose(sort)
        return View(every, sort, self.kind if self.kind in choice.kinds else choice.first)


def needed(subject: Subject) -> tuple[str, ...]:
    """The columns of the cohort table that a measure's charts read beside those that are no measure's."""
    more = (FRACTION, NO_FLOW) if subject.column in (_COUNTED, FRACTION) else ()
    done = subject.done.needed if subject.done else ()
    return tuple(dict.fromkeys((subject.column, use.part(subject.column, "verdict"), *more, *done)))


def trend_table(table: pd.DataFrame, subject: Subject, every: str) -> pd.DataFrame:
    """The measure by month or quarter: cases, n, median and mean, share that met the limit, with intervals (PERIODS).

    Parameters: table, with call_day, excluded and `needed`; subject; every, month or quarter.
    """
    cases = _cases(table, subject)
    verdicts = _yes_as_met(cases, subject) if subject.yes_or_no else cases[use.part(subject.column, "verdict")]
    return by_period(cases[use.CALL_DAY], cases[subject.column], verdicts, every=every)


def chart_of(table: pd.DataFrame, subject: Subject, view: View, plan: Plan = NO_PLAN) -> Chart:
    """The process-behaviour chart of a measure.

    Parameters: table, as in trend_table, with key and case_id; subject; view; plan, what people set.
    Returns: Chart. A chart of case values holds the latest MOST_CASES.
    Raises: NotMeasurable where no case has a day and a value; UnknownWord for a sort that is not known.
    """
    view = view.settled(subject)
    points = _MAKERS[view.sort](_cases(table, subject), subject, view)
    if points.empty or points["value"].notna().sum() == 0:
        raise NotMeasurable("no case with a known day has a number for it")
    kind = KINDS[view.kind]
    return kind.maker(points, plan, unit=unit_of(subject, view.sort), every=CASE if view.sort in _BY_CASE else view.every)


def unit_of(subject: Subject, sort: str) -> str:
    """The unit of the points: a share, a rate, days or the measure's own."""
    if sort in (SHARES, POOLED, IN_TIME):
        return "1"
    return {PER_MINUTE: "per min of CPR", BETWEEN_CASES: "cases", BETWEEN_TIMES: _DAYS}.get(sort, subject.unit)


def averaged(subject: Subject, sort: str) -> str:
    """How the cases of a point were put together, as a sentence or two."""
    if subject.done and sort not in (IN_TIME, BETWEEN_CASES, BETWEEN_TIMES):
        return f"{_AVERAGED[sort]} Those alone who had it: whoever went without is not in this number."
    return _AVERAGED[sort]


def keys_at(table: pd.DataFrame, subject: Subject, view: View, label: str) -> list[str]:
    """The cases behind a point, by their keys: those of the period that are not excluded, or the one case.

    Parameters: table, subject and view as in chart_of; label, of the point.
    """
    view = view.settled(subject)
    cases = _cases(table, subject)
    if view.sort in _BY_CASE:
        return cases.loc[(_names(cases) == label).to_numpy(), use.KEY].tolist()
    numbers, first = period_numbers(cases[use.CALL_DAY], view.every)
    labels = periods_of(first, int(numbers.max(initial=-1)) + 1, view.every)
    return cases.loc[numbers == labels.index(label), use.KEY].tolist() if label in labels else []


def _cases(table: pd.DataFrame, subject: Subject) -> pd.DataFrame:
    """The cases that count, with the columns that are asked for alone: a wide table takes long to cut."""
    names = [use.KEY, use.CASE_ID, use.CALL_DAY, use.EXCLUDED, *needed(subject)]
    return use.included(table[[name for name in dict.fromkeys(names) if name in table.columns]])


def _yes_as_met(cases: pd.DataFrame, subject: Subject) -> np.ndarray:
    values = cases[subject.column].to_numpy(dtype=float)
    words = np.full(len(values), None, dtype=object)
    words[values > 0], words[values <= 0] = "met", "not met"
    return words


def _names(cases: pd.DataFrame) -> pd.Series:
    """The cases' numbers as labels; one that stands twice carries its key too."""
    names = cases[use.CASE_ID].astype("str")
    return names.where(~names.duplicated(keep=False), names + " (" + cases[use.KEY].astype("str") + ")")


def _medians(cases: pd.DataFrame, subject: Subject, view: View) -> pd.DataFrame:
    return median_points(trend_table(cases, subject, view.every))


def _means(cases: pd.DataFrame, subject: Subject, view: View) -> pd.DataFrame:
    return mean_points(trend_table(cases, subject, view.every))


def _shares(cases: pd.DataFrame, subject: Subject, view: View) -> pd.DataFrame:
    return share_points(trend_table(cases, subject, view.every))


def _case_values(cases: pd.DataFrame, subject: Subject, _: View) -> pd.DataFrame:
    kept = cases[cases[use.CALL_DAY].notna() & cases[subject.column].notna()]
    kept = kept.sort_values(use.CALL_DAY, kind="stable").tail(MOST_CASES)
    return by_case(_names(kept), kept[use.CALL_DAY], kept[subject.column])


def _in_time(cases: pd.DataFrame, subject: Subject, view: View) -> pd.DataFrame:
    """Cases that had it in time, of all that are known to have had it, or to have gone so long, or to the end, without."""
    return in_time_table(cases, subject, view.every)[["label", "start", "count", "n", "value"]]


def in_time_table(table: pd.DataFrame, subject: Subject, every: str) -> pd.DataFrame:
    """How many had it in time, by month or quarter.

    Parameters: as in trend_table, of a subject with `done`.
    Returns: label, start, count (had it within the time), n, value (their share), low and high (Wilson).
    """
    cases = _cases(table, subject)
    if subject.done is None:
        raise UnknownWord("time to an event", subject.column, [*_TIMES, f"{_DEVICE}…"])
    told = times_to(cases, subject.done)
    time, code = told["time_s"].to_numpy(dtype=float), told["code"].to_numpy(dtype=float)
    done = (code == DONE) & (time <= subject.within_s)
    known = (code == DONE) | (code == NEVER) | ((code == CENSORED) & (time > subject.within_s))
    summed = _summed(cases, every, {"count": done.astype(float), "n": known.astype(float)})
    around = [wilson(count, n) for count, n in zip(summed["count"], summed["n"], strict=True)]
    share = summed["count"] / summed["n"].where(summed["n"] > 0)
    return summed.assign(value=share, low=[low for low, _ in around], high=[high for _, high in around])


def as_in_time(table: pd.DataFrame, subject: Subject) -> tuple[pd.DataFrame, Subject]:
    """A time to an event as a question of yes and no: was it done in time. For groups, where a median of those who had it misleads.

    Parameters: table, as in trend_table, of a subject with `done`.
    Returns: the table with 1, 0 or missing in the measure's column, and the measure as such a question.
    """
    told = times_to(table, subject.done) if subject.done else pd.DataFrame()
    time, code = told["time_s"].to_numpy(dtype=float), told["code"].to_numpy(dtype=float)
    answer = np.full(len(told), np.nan)
    answer[(code == NEVER) | (time > subject.within_s)] = 0.0
    answer[(code == DONE) & (time <= subject.within_s)] = 1.0
    found = pd.Series(answer, index=told.index).reindex(table.index)
    return table.assign(**{subject.column: found}), replace(subject, unit="1", limit="", low=None, high=None, yes_or_no=True)


def _rates(cases: pd.DataFrame, subject: Subject, view: View) -> pd.DataFrame:
    """Events over minutes of known arrest; cases without either count in neither."""
    minutes = known_arrest_s(cases).to_numpy(dtype=float) / 60.0
    count = cases[subject.column].to_numpy(dtype=float)
    known = ~np.isnan(minutes) & ~np.isnan(count)
    summed = _summed(cases, view.every, {"count": np.where(known, count, 0.0), "exposure": np.where(known, minutes, 0.0)})
    return summed.assign(n=summed["exposure"], value=summed["count"] / summed["exposure"].where(summed["exposure"] > 0))


def _pooled(cases: pd.DataFrame, subject: Subject, view: View) -> pd.DataFrame:
    """A share of all known seconds of a period together."""
    seconds = known_arrest_s(cases).to_numpy(dtype=float)
    share = cases[subject.column].to_numpy(dtype=float)
    known = ~np.isnan(seconds) & ~np.isnan(share)
    parts = {"done": np.where(known, seconds * share, 0.0), "all": np.where(known, seconds, 0.0), "n": known.astype(float)}
    summed = _summed(cases, view.every, parts)
    return summed.assign(value=summed["done"] / summed["all"].where(summed["all"] > 0))[["label", "start", "n", "value"]]


def _summed(cases: pd.DataFrame, every: str, columns: dict[str, np.ndarray]) -> pd.DataFrame:
    numbers, first = period_numbers(cases[use.CALL_DAY], every)
    dated, count = numbers >= 0, int(numbers.max(initial=-1)) + 1
    sums = {name: np.bincount(numbers[dated], weights=values[dated], minlength=count) for name, values in columns.items()}
    labels = periods_of(first, count, every)
    starts = [f"{one[:4]}-{3 * int(one[-1]) - 2:02d}-01" if every == QUARTER else f"{one}-01" for one in labels]
    return pd.DataFrame({"label": labels, "start": starts, **sums})


def _failed(cases: pd.DataFrame, subject: Subject) -> pd.DataFrame:
    """The judged cases in order of time, with whether each was not met."""
    word = _yes_as_met(cases, subject) if subject.yes_or_no else cases[use.part(subject.column, "verdict")].to_numpy(dtype=object)
    found = pd.DataFrame({"label": _names(cases), "day": cases[use.CALL_DAY], "failed": word == "not met"})
    judged = (word == "met") | (word == "not met")
    return found[judged & found["day"].notna().to_numpy()].sort_values("day", kind="stable")


def _between_cases(cases: pd.DataFrame, subject: Subject, _: View) -> pd.DataFrame:
    found = _failed(cases, subject)
    return cases_between(found["label"].tolist(), found["day"].dt.strftime("%Y-%m-%d").tolist(), found["failed"].tolist())


def _between_times(cases: pd.DataFrame, subject: Subject, _: View) -> pd.DataFrame:
    found = _failed(cases, subject)
    found = found[found["failed"]]
    return days_between(found["label"].tolist(), [one.to_pydatetime() for one in found["day"]])


_MAKERS: dict[str, Callable[[pd.DataFrame, Subject, View], pd.DataFrame]] = {
    MEDIANS: _medians,
    CASES: _case_values,
    MEANS: _means,
    SHARES: _shares,
    IN_TIME: _in_time,
    PER_MINUTE: _rates,
    POOLED: _pooled,
    BETWEEN_CASES: _between_cases,
    BETWEEN_TIMES: _between_times,
}
_AVERAGED = {
    MEDIANS: CASE_MEDIAN,
    CASES: "Single cases, none of them averaged.",
    MEANS: CASE_MEAN,
    SHARES: "Share of the judged cases that met the limit: every case counts once, however long it was.",
    IN_TIME: "Share of the cases that had it in time; those who never had it are among the n. Every case counts once.",
    PER_MINUTE: TIME_POOLED,
    POOLED: TIME_POOLED,
    BETWEEN_CASES: "A point is a case that did not meet the limit: how many met it since the one before.",
    BETWEEN_TIMES: "A point is a case that did not meet the limit: how many days since the one before.",
}


def with_values(table: pd.DataFrame, subjects: Collection[Subject]) -> list[Subject]:
    """The subjects of which at least one case has a value.

    Raises: UnknownWord where the table lacks a subject's column.
    """
    for subject in subjects:
        if subject.column not in table.columns:
            raise UnknownWord("column", subject.column, list(table.columns))
    return [subject for subject in subjects if table[subject.column].notna().any()]
