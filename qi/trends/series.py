"""One measure over time: its points by month, quarter or case as any chart needs them, and the cases behind a point."""

from collections.abc import Callable, Collection
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from qi.model.errors import NotMeasurable, UnknownWord
from qi.trends import columns_used as use
from qi.trends.averages import CASE_MEAN, CASE_MEDIAN, FRACTION, KNOWN_TIME, TIME_POOLED, known_arrest_s
from qi.trends.baselines import NO_PLAN, Plan
from qi.trends.chart import Chart
from qi.trends.dates import CASE, MONTH, QUARTER
from qi.trends.incidence import CENSORED, DONE, NEVER
from qi.trends.kinds import KINDS, choose, sorts_of
from qi.trends.periods import Calendar, by_case, calendar, mean_points, median_points, share_points, trend
from qi.trends.proportions import wilson
from qi.trends.rare_events import cases_between, days_between
from qi.trends.sentences import PER_MINUTE_OF_CPR
from qi.trends.shuffled import BETWEEN_DAYS, BETWEEN_GAPS, MEAN, MEDIAN, RATE, SHARE, SINGLE, CasesBehind
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
OWN = "what each case's own protocol asks"  # in place of a limit, where the cases' protocols ask different things


@dataclass(frozen=True)
class Subject:
    """A measure as charts over time show it: its column, label and unit, and what the protocol asks.

    low and high are the limit's edges, None where open or where there is no limit; limit says it in words, empty where there is
    none; goal is the goal's upper edge, if it has one; yes_or_no, each case answers with 0 or 1 alone. protocols are those of the
    cases, by whose limits these were set; where they ask different things, limit is OWN, the edges are open, and own_times holds
    the time that counts as in time by each [s], for a time to an event.
    """

    column: str
    label: str
    unit: str
    limit: str = ""
    low: float | None = None
    high: float | None = None
    goal: float | None = None
    yes_or_no: bool = False
    protocols: tuple[str, ...] = ()
    own_times: tuple[tuple[str, float], ...] = ()

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

    def within_of(self, table: pd.DataFrame) -> np.ndarray:
        """The time that counts as in time for each case of a table [s], by its own protocol; missing where that is not known.

        Parameters: table, with protocol where protocols ask different things.
        """
        if not self.own_times:
            return np.full(len(table), self.within_s)
        own = dict(self.own_times)
        codes, names = pd.factorize(use.need(table, ("protocol",))["protocol"])
        return np.array([*(own.get(str(name), np.nan) for name in names), np.nan])[codes]

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
    more = KNOWN_TIME if subject.column in (_COUNTED, FRACTION) else ()
    done = subject.done.needed if subject.done else ()
    return tuple(dict.fromkeys((subject.column, use.part(subject.column, "verdict"), *more, *done)))


def trend_table(table: pd.DataFrame, subject: Subject, every: str) -> pd.DataFrame:
    """The measure by month or quarter: cases, n, median and mean, share that met the limit, with intervals (PERIODS).

    Parameters: table, with call_day, excluded and `needed`; subject; every, month or quarter.
    """
    return trend(calendar_of(table, every), _values(table, subject), *judged(table, subject))


def calendar_of(table: pd.DataFrame, every: str) -> Calendar:
    """The months or quarters of the cases that count, worked out once for the charts of several measures.

    Parameters: table, with call_day and excluded; every, month or quarter.
    """
    return calendar(table[use.CALL_DAY], every, use.counting(table))


def chart_of(table: pd.DataFrame, subject: Subject, view: View, plan: Plan = NO_PLAN, *, when: Calendar | None = None) -> Chart:
    """The process-behaviour chart of a measure.

    Parameters: table, as in trend_table, with key and case_id; subject; view; plan, what people set; when, calendar_of the table
    or a part of it, where it is at hand: the chart is of its cases alone.
    Returns: Chart. A chart of case values holds the latest MOST_CASES.
    Raises: NotMeasurable where no case has a day and a value, or no point of the kind; UnknownWord for a sort that is not known.
    """
    view = view.settled(subject)
    when = calendar_of(table, view.every) if when is None else when
    points = _MAKERS[view.sort](table, subject, when)
    if points.empty or points["value"].notna().sum() == 0:
        raise NotMeasurable("no case with a known day has a number for it")
    kind = KINDS[view.kind]
    chart = kind.maker(points, plan, unit=unit_of(subject, view.sort), every=CASE if view.sort in _BY_CASE else view.every)
    if chart.points["value"].isna().all():
        raise NotMeasurable(_LACKS.get(view.kind, "none of its points has a value"))
    return chart if view.kind == "run" else replace(chart, cases=_behind(table, subject, view.sort, when, points))


def unit_of(subject: Subject, sort: str) -> str:
    """The unit of the points: a share, a rate, days or the measure's own."""
    if sort in (SHARES, POOLED, IN_TIME):
        return "1"
    return {PER_MINUTE: PER_MINUTE_OF_CPR, BETWEEN_CASES: "cases", BETWEEN_TIMES: _DAYS}.get(sort, subject.unit)


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
    when = calendar_of(table, view.every)
    if view.sort in _BY_CASE:
        cases = _cases(table, subject, when)
        return cases.loc[(_names(cases) == label).to_numpy(), use.KEY].tolist()
    labels = when.days["label"].tolist()
    return table[use.KEY].iloc[when.rows[when.numbers == labels.index(label)]].tolist() if label in labels else []


def _cases(table: pd.DataFrame, subject: Subject, when: Calendar) -> pd.DataFrame:
    """The cases that count, with the columns that are asked for alone: a wide table takes long to cut."""
    names = [use.KEY, use.CASE_ID, use.CALL_DAY, use.EXCLUDED, *needed(subject)]
    return table[[name for name in dict.fromkeys(names) if name in table.columns]].iloc[when.kept]


def _values(table: pd.DataFrame, subject: Subject) -> np.ndarray:
    return table[subject.column].to_numpy(dtype=float)


def judged(table: pd.DataFrame, subject: Subject) -> tuple[np.ndarray, np.ndarray]:
    """Whether each case met the limit, and whether it did not; a yes counts as met.

    Parameters: table, as in trend_table, excluded cases among them.
    """
    if subject.yes_or_no:
        values = _values(table, subject)
        return values > 0, values <= 0
    verdict = table[use.part(subject.column, "verdict")]
    return use.is_one_of(verdict, "met"), use.is_one_of(verdict, "not met")


def _names(cases: pd.DataFrame) -> pd.Series:
    """The cases' numbers as labels; one that stands twice carries its key too."""
    names = cases[use.CASE_ID].astype("str")
    return names.where(~names.duplicated(keep=False), names + " (" + cases[use.KEY].astype("str") + ")")


def _case_values(table: pd.DataFrame, subject: Subject, when: Calendar) -> pd.DataFrame:
    cases = _cases(table, subject, when)
    kept = cases[cases[use.CALL_DAY].notna() & cases[subject.column].notna()]
    kept = kept.sort_values(use.CALL_DAY, kind="stable").tail(MOST_CASES)
    return by_case(_names(kept), kept[use.CALL_DAY], kept[subject.column])


def _in_time(table: pd.DataFrame, subject: Subject, when: Calendar) -> pd.DataFrame:
    """Cases that had it in time, of all that are known to have had it, or to have gone so long, or to the end, without."""
    return share_points(when, *had_in_time(table, subject, when.kept))


def had_in_time(table: pd.DataFrame, subject: Subject, kept: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Whether each case had it in time, and whether it is known that it did not.

    Parameters: table, as in trend_table, of a subject with `done`; kept, places or flags of the cases that count.
    Raises: UnknownWord where the measure is no time to an event.
    """
    if subject.done is None:
        raise UnknownWord("time to an event", subject.column, [*_TIMES, f"{_DEVICE}…"])
    told = subject.done.told(use.need(table, subject.done.needed)[[*dict.fromkeys(subject.done.needed)]].iloc[kept])
    time, code = told["time_s"].to_numpy(dtype=float), told["code"].to_numpy(dtype=float)
    done, known = np.zeros(len(table), dtype=bool), np.zeros(len(table), dtype=bool)
    within = subject.within_of(table)
    asked = within[kept]
    done[kept] = (code == DONE) & (time <= asked)
    known[kept] = (code == DONE) | (code == NEVER) | ((code == CENSORED) & (time > asked))
    return done, known & ~done & ~np.isnan(within)


def in_time_table(table: pd.DataFrame, subject: Subject, every: str) -> pd.DataFrame:
    """How many had it in time, by month or quarter.

    Parameters: as in trend_table, of a subject with `done`.
    Returns: label, start, count (had it within the time), n, value (their share), low and high (Wilson).
    """
    found = _in_time(table, subject, calendar_of(table, every))
    around = [wilson(count, n) for count, n in zip(found["count"], found["n"], strict=True)]
    return found.assign(low=[low for low, _ in around], high=[high for _, high in around])


def as_in_time(table: pd.DataFrame, subject: Subject) -> tuple[pd.DataFrame, Subject]:
    """A time to an event as a question of yes and no: was it done in time. For groups, where a median of those who had it misleads.

    Parameters: table, as in trend_table, of a subject with `done`.
    Returns: the table with 1, 0 or missing in the measure's column, and the measure as such a question.
    """
    told = times_to(table, subject.done) if subject.done else pd.DataFrame()
    time, code = told["time_s"].to_numpy(dtype=float), told["code"].to_numpy(dtype=float)
    answer = np.full(len(told), np.nan)
    within = pd.Series(subject.within_of(table), index=table.index).reindex(told.index).to_numpy()
    answer[((code == NEVER) & ~np.isnan(within)) | (time > within)] = 0.0
    answer[(code == DONE) & (time <= within)] = 1.0
    found = pd.Series(answer, index=told.index).reindex(table.index)
    return table.assign(**{subject.column: found}), replace(subject, unit="1", limit="", low=None, high=None, yes_or_no=True)


def _rates(table: pd.DataFrame, subject: Subject, when: Calendar) -> pd.DataFrame:
    """Events over minutes of known arrest, those of cases without an event among them; cases without either count in neither."""
    minutes = known_arrest_s(table).to_numpy(dtype=float) / 60.0
    count = _values(table, subject)
    known = ~np.isnan(minutes) & ~np.isnan(count)
    summed = when.table({"count": np.where(known, count, 0.0), "exposure": np.where(known, minutes, 0.0)})
    return summed.assign(n=summed["exposure"], value=summed["count"] / summed["exposure"].where(summed["exposure"] > 0))


def _pooled(table: pd.DataFrame, subject: Subject, when: Calendar) -> pd.DataFrame:
    """A share of all known seconds of a period together."""
    seconds = known_arrest_s(table).to_numpy(dtype=float)
    share = _values(table, subject)
    known = ~np.isnan(seconds) & ~np.isnan(share)
    parts = {"done": np.where(known, seconds * share, 0.0), "all": np.where(known, seconds, 0.0), "n": known.astype(float)}
    summed = when.table(parts)
    return summed.assign(value=summed["done"] / summed["all"].where(summed["all"] > 0))[["label", "start", "n", "value"]]


def in_order(table: pd.DataFrame, subject: Subject, when: Calendar) -> pd.DataFrame:
    """The judged cases in order of time, with whether each was not met.

    Parameters: table, as in chart_of; when, calendar_of the table.
    Returns: key, label, day, failed.
    """
    cases = _cases(table, subject, when)
    met, failed = judged(cases, subject)
    found = pd.DataFrame({"key": cases[use.KEY], "label": _names(cases), "day": cases[use.CALL_DAY], "failed": failed})
    return found[(met | failed) & found["day"].notna().to_numpy()].sort_values("day", kind="stable")


def _between_cases(table: pd.DataFrame, subject: Subject, when: Calendar) -> pd.DataFrame:
    found = in_order(table, subject, when)
    return cases_between(found["label"].tolist(), found["day"].dt.strftime("%Y-%m-%d").tolist(), found["failed"].tolist())


def _behind(table: pd.DataFrame, subject: Subject, sort: str, when: Calendar, points: pd.DataFrame) -> CasesBehind:
    """The cases behind the points, from which the chance of a false signal is reckoned."""
    none = np.zeros(0)
    if sort == CASES:
        return CasesBehind(SINGLE, points["value"].to_numpy(dtype=float), none, np.arange(len(points) + 1))
    if sort in (BETWEEN_CASES, BETWEEN_TIMES):
        found = in_order(table, subject, when)
        days = found["day"].to_numpy(dtype="datetime64[s]").astype(float) / 86400.0
        return CasesBehind(BETWEEN_GAPS if sort == BETWEEN_CASES else BETWEEN_DAYS, found["failed"].to_numpy(), days, none)
    if sort in (SHARES, IN_TIME):
        met, failed = judged(table, subject) if sort == SHARES else had_in_time(table, subject, when.kept)
        return _of_periods(SHARE, when, met | failed, met)
    values = _values(table, subject)
    if sort in (MEDIANS, MEANS):
        return _of_periods(MEDIAN if sort == MEDIANS else MEAN, when, ~np.isnan(values), values)
    minutes = known_arrest_s(table).to_numpy(dtype=float) / 60.0
    events = values if sort == PER_MINUTE else values * minutes
    return _of_periods(RATE, when, ~np.isnan(events) & ~np.isnan(minutes), events, minutes)


def cases_behind(table: pd.DataFrame, subject: Subject, view: View, when: Calendar | None = None) -> np.ndarray | None:
    """How many cases each point rests on, where its n is minutes; None where n is the cases.

    Parameters: as chart_of, view settled.
    """
    if view.sort != PER_MINUTE:
        return None
    when = calendar_of(table, view.every) if when is None else when
    return _behind(table, subject, view.sort, when, pd.DataFrame()).sizes


def cases_with_value(table: pd.DataFrame, subject: Subject, when: Calendar) -> np.ndarray:
    """How many cases of each month or quarter have a value, whatever their chart shows of them.

    Parameters: table and subject as chart_of; when, calendar_of the table or a part of it.
    """
    return np.diff(when.known(_values(table, subject))[1])


def _of_periods(way: str, when: Calendar, known: np.ndarray, first: np.ndarray, second: np.ndarray | None = None) -> CasesBehind:
    """The cases behind months or quarters; known, those that count in a point, first and second as CasesBehind, one a row each."""
    there = known[when.rows]
    chosen = when.rows[there]
    edges = np.concatenate([[0], np.cumsum(there)])[when.edges]
    return CasesBehind(way, first[chosen], np.zeros(0) if second is None else second[chosen], edges)


def _between_times(table: pd.DataFrame, subject: Subject, when: Calendar) -> pd.DataFrame:
    found = in_order(table, subject, when)
    found = found[found["failed"]]
    return days_between(found["label"].tolist(), [one.to_pydatetime() for one in found["day"]])


_MAKERS: dict[str, Callable[[pd.DataFrame, Subject, Calendar], pd.DataFrame]] = {
    MEDIANS: lambda table, subject, when: median_points(when, _values(table, subject)),
    CASES: _case_values,
    MEANS: lambda table, subject, when: mean_points(when, _values(table, subject)),
    SHARES: lambda table, subject, when: share_points(when, *judged(table, subject)),
    IN_TIME: _in_time,
    PER_MINUTE: _rates,
    POOLED: _pooled,
    BETWEEN_CASES: _between_cases,
    BETWEEN_TIMES: _between_times,
}
_LACKS = {
    "mr": "a moving range chart needs two points in a row that have a value, in one phase and not left out",
    "s": "a chart of spread needs a period with two cases or more",
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
