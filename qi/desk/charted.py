"""A measure's chart with its signals, as it is drawn and as it is said."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from qi.charts.process_behaviour import Drawn
from qi.model.errors import NotMeasurable
from qi.model.words import amount, clock, many
from qi.trends import chance, sentences
from qi.trends import columns_used as use
from qi.trends import signals as looked_for
from qi.trends.baselines import NO_PLAN, Plan
from qi.trends.chart import Chart
from qi.trends.dates import CASE
from qi.trends.intervals import COUNTS_BELOW, GREY_BELOW
from qi.trends.periods import Calendar
from qi.trends.series import (
    IN_TIME,
    MEDIANS,
    PER_MINUTE,
    SHARES,
    Subject,
    View,
    averaged,
    calendar_of,
    cases_behind,
    cases_with_value,
    chart_of,
    in_time_table,
    trend_table,
)
from qi.trends.signals import FEW_CROSSINGS, LONG_RUN, Signal

SPREADS = ("mr", "s")  # kinds that show how far values lie apart: what is asked of a value is no limit of theirs
ACCENT = {
    "compression": "chest",
    "no_flow": "chest",
    "longest": "chest",
    "pauses": "chest",
    "final": "chest",
    "fraction": "chest",
    "rate_in": "chest",
    "depth": "chest",
    "released": "chest",
    "fully": "chest",
    "compressor": "chest",
    "pre_shock": "shock",
    "post_shock": "shock",
    "peri_shock": "shock",
    "first_shock": "shock",
    "shock": "shock",
    "ventilation": "breath",
    "over_": "breath",
    "under_": "breath",
    "breath": "breath",
    "long_breath": "breath",
    "two_breath": "breath",
    "positive": "breath",
    "etco2": "breath",
    "waveform": "breath",
    "time_to_device": "device",
    "device": "device",
    "recoil": "device",
    "seal": "device",
    "time_to_epi": "drug",
    "epinephrine": "drug",
    "interval_s.rosc": "circulation",
}


@dataclass(frozen=True, eq=False)
class Charted:
    """A chart, its signals, the same in sentences and in a few words, and how it is drawn.

    behind holds the cases of each point where its n is minutes, else None. valued is how many cases of each point have a value,
    None where a point is a case or counts those too that never had what is timed. looked_at is how many cases the chart is of,
    those without a value or a day among them.
    """

    subject: Subject
    view: View
    chart: Chart
    signals: Sequence[Signal]
    sentences: Sequence[str]
    short: str
    drawn: Drawn
    behind: np.ndarray | None = None
    valued: np.ndarray | None = None
    looked_at: int = 0

    @property
    def averaged(self) -> str:
        """How the cases of a point were put together."""
        return averaged(self.subject, self.view.sort)


def charted(
    table: pd.DataFrame,
    subject: Subject,
    view: View,
    plan: Plan = NO_PLAN,
    *,
    rules: Collection[str] = (),
    small: bool = False,
    when: Calendar | None = None,
) -> Charted:
    """A measure's chart, read and said.

    Parameters: table, subject, view, plan and when as in qi.trends.series.chart_of; rules, names of qi.trends.rules.RULES; small,
    to be drawn on the wall, without the interval of each point.
    Raises: NotMeasurable where no case has a value.
    """
    view = view.settled(subject)
    when = calendar_of(table, view.every) if when is None else when
    chart = chart_of(table, subject, view, plan, when=when)
    found = looked_for.signals(chart, rules=rules)
    short = sentences.in_short(chart, found)
    around = None if small else _around(table, subject, view)
    behind = cases_behind(table, subject, view, when)
    drawn = _drawn(subject, view, chart, found, short, around, _counts(chart, behind))
    valued = None if chart.every == CASE or view.sort == IN_TIME else cases_with_value(table, subject, when)
    return Charted(subject, view, chart, found, sentences.in_words(chart, found), short, drawn, behind, valued, len(when.kept))


def wall(
    table: pd.DataFrame, subjects: Sequence[Subject], view: View, plans: Mapping[str, Plan]
) -> tuple[list[Charted], list[tuple[Subject, str]]]:
    """The charts of several measures.

    Parameters: table; subjects; view, with the usual sort and kind of each; plans, by column.
    Returns: the charts in order, and the measures that have none, each with the reason.
    """
    made: list[Charted] = []
    without: list[tuple[Subject, str]] = []
    when = calendar_of(table, view.every)
    for subject in subjects:
        try:
            made.append(charted(table, subject, view, plans.get(subject.column, NO_PLAN), small=True, when=when))
        except NotMeasurable as why:
            without.append((subject, str(why)))
    return made, without


@dataclass(frozen=True, eq=False)
class Cell:
    """One measure in one group: its chart, or why there is none."""

    subject: Subject
    group: str
    cases: int
    charted: Charted | None

    @property
    def words(self) -> str:
        """What the chart says, in a few words."""
        if self.charted is None:
            return "–"
        if self.cases < COUNTS_BELOW:
            return f"{many(self.cases, 'case')}: counts only"
        few = ", few" if self.cases < GREY_BELOW else ""
        return f"{'◆ ' if self.charted.signals else ''}n {self.cases:,}{few}: {self.charted.short}"


def by_group(
    table: pd.DataFrame,
    subjects: Sequence[Subject],
    view: View,
    column: str,
    *,
    most: int,
    plans: Mapping[str, Plan] | None = None,
) -> tuple[list[Cell], list[str]]:
    """The charts of several measures in each group, so that a change in one place is seen where all together do not show it.

    Parameters: table; subjects; view; column, of the groups; most, groups that are looked at, those with the most cases;
    plans, what people set on the measures' charts, by column: they hold in every group.
    Returns: cells, a row of groups after another; and the groups in order of their names, never of their values. A group below
    COUNTS_BELOW cases has no chart judged.
    """
    groups = _largest(table[column], most)
    chosen = {group: use.is_one_of(table[column], group) for group in groups}
    whole = calendar_of(table, view.every)
    when = {group: whole.part(rows) for group, rows in chosen.items()}
    cells = []
    for subject in subjects:
        known = table[subject.column].notna().to_numpy()
        for group in groups:
            count = int((known & chosen[group]).sum())
            try:
                plan = (plans or {}).get(subject.column, NO_PLAN)
                made = charted(table, subject, view, plan, small=True, when=when[group]) if count else None
            except NotMeasurable:
                made = None
            cells.append(Cell(subject, group, count, made))
    return cells, groups


def _largest(words: pd.Series, most: int) -> list[str]:
    """The words that most cases have, in order of their names."""
    codes, names = pd.factorize(words)
    sizes = np.bincount(codes[codes >= 0], minlength=len(names))
    found = [str(names[at]) for at in np.argsort(-sizes, kind="stable") if names[at] != ""]
    return sorted(found[:most])


def by_chance(charts: Sequence[Charted], *, rules: Collection[str] = ()) -> str:
    """How often charts like these signal where nothing changes, as the page prints it."""
    return chance.false_signals([one.chart for one in charts], rules=rules).words


def _drawn(
    subject: Subject,
    view: View,
    chart: Chart,
    found: Sequence[Signal],
    short: str,
    around: tuple[list[float], list[float]] | None,
    counts: Sequence[str],
) -> Drawn:
    percent = chart.unit == "1"
    points = chart.points
    useful = points["useful"].to_numpy()
    runs = {row for one in found if one.rule == LONG_RUN for row in range(one.first, one.last + 1) if useful[row]}
    beyond = {one.last for one in found if one.rule not in (LONG_RUN, FEW_CROSSINGS)}
    limit: tuple[float | None, float | None, str] = (None, None, "")
    drawn = subject.low is not None or subject.high is not None
    if drawn and chart.unit == subject.unit and view.sort != SHARES and view.kind not in SPREADS:
        limit = (subject.low, subject.high, f"asked for: {subject.limit}")
    return Drawn(
        name=_title(subject, view),
        latest=_latest(chart, counts),
        signal=short,
        accent=accent_of(subject.column),
        unit=_axis(chart.unit),
        scale=100.0 if percent else 1.0,
        points=points,
        hover=_hovers(chart, counts),
        runs=frozenset(runs),
        beyond=frozenset(beyond),
        sections=[(one.first, one.last, one.reason) for one in chart.sections],
        centre_name=chart.centre_name,
        limit=limit,
        around=around,
        n_name="min of CPR" if view.sort == PER_MINUTE else "n",
    )


def _around(table: pd.DataFrame, subject: Subject, view: View) -> tuple[list[float], list[float]] | None:
    """The 95 % interval of each point, where the sort has one."""
    names = {MEDIANS: ("median_low", "median_high"), SHARES: ("share_low", "share_high")}.get(view.sort)
    if view.sort == IN_TIME:
        shares = in_time_table(table, subject, view.every)
        return shares["low"].tolist(), shares["high"].tolist()
    if names is None:
        return None
    made = trend_table(table, subject, view.every)
    return made[names[0]].tolist(), made[names[1]].tolist()


def accent_of(column: str) -> str:
    """The accent (of qi.charts.colours.ACCENTS) that a measure is drawn in."""
    fitting = [start for start in ACCENT if column.startswith(start)]
    return ACCENT[max(fitting, key=len)] if fitting else "other"


def _title(subject: Subject, view: View) -> str:
    """The measure, with the time that it is held to where a share of cases is drawn."""
    if view.sort != IN_TIME:
        return subject.label
    within = f"within {clock(subject.within_s)} min" if subject.within_s >= 60 else f"within {subject.within_s:g} s"
    within = "in the time that its own protocol asks for" if subject.own_times else within
    return f"{subject.label.removeprefix('Time to ').capitalize()}, {within}".replace("itd", "ITD").replace("Device, ITD", "ITD on")


def _axis(unit: str) -> str:
    return {"1": "%", "count": "count a case", "1/min": "per min"}.get(unit, unit)


def _said(value: float, unit: str) -> str:
    return "–" if pd.isna(value) else f"{value * 100:.0f} %" if unit == "1" else amount(float(value), unit)


def _counts(chart: Chart, behind: np.ndarray | None) -> list[str]:
    """What each point rests on, in words; empty where it is a case, or n is not known.

    Parameters: chart; behind, cases of each point where n is minutes.
    """
    known = chart.points["n"].tolist()
    cases = [None] * len(known) if behind is None else behind.tolist()
    return [
        "" if pd.isna(n) or chart.every == CASE else f", {sentences.count_in_words(n, chart.unit, of)}"
        for n, of in zip(known, cases, strict=True)
    ]


def _latest(chart: Chart, counts: Sequence[str]) -> str:
    """The newest point with a value, and what it rests on."""
    value = chart.points["value"].to_numpy()
    last = np.flatnonzero(~np.isnan(value))[-1]
    return f"{_said(value[last], chart.unit)}{counts[last]} ({chart.points['label'].iloc[last]})"


def _hovers(chart: Chart, counts: Sequence[str]) -> list[str]:
    """What stands beside each point when it is pointed at."""
    columns = (chart.points[name].tolist() for name in ("label", "value", "excluded", "why"))
    said = []
    for label, value, excluded, why, count in zip(*columns, counts, strict=True):
        said.append(f"{label}: {_said(value, chart.unit)}{count}{f'<br>left out: {why}' if excluded else ''}")
    return said
