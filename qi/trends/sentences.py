"""Signals in plain English, dated; what they do not say is said too. A pattern is never given a cause here."""

from collections.abc import Sequence

import pandas as pd

from qi.model.words import amount, many
from qi.trends.chart import Chart
from qi.trends.dates import CASE, counted, named
from qi.trends.intervals import COUNTS_BELOW
from qi.trends.medians import Shift
from qi.trends.rules import RULES
from qi.trends.runs import FEWEST_USEFUL
from qi.trends.signals import BEYOND_LIMITS, FEW_CROSSINGS, LONG_RUN, Signal

_EVENTS = ("g", "t")
PER_MINUTE_OF_CPR = "per min of CPR"  # unit of events over the minutes of the cases
CHOSEN = (
    "The interval takes the day of the phase as given. Where it was chosen since the chart showed a change there, the difference "
    "looks surer than it is."
)
TOO_FEW_POINTS = "too few points for a signal"
ON_THE_CENTRE = "too many points on the centre"
ON_ONE_SIDE = "too many points on one side of the centre"
NOT_LOOKED_FOR = (TOO_FEW_POINTS, ON_THE_CENTRE, ON_ONE_SIDE)
MOST_POINTS = 3  # beyond the limits that have a sentence each; more of them share one


def in_words(chart: Chart, found: Sequence[Signal]) -> tuple[str, ...]:
    """Signals of a chart as sentences.

    Parameters: chart; found, its signals as qi.trends.signals.signals gives them.
    Returns: one sentence a signal; without any, what may be said of that.
    """
    if found:
        many = [signal for signal in found if signal.rule == BEYOND_LIMITS]
        alone = [signal for signal in found if signal.rule != BEYOND_LIMITS or len(many) <= MOST_POINTS]
        return tuple(_sentence(chart, signal) for signal in alone) + (_many(chart, many) if len(many) > MOST_POINTS else ())
    if not (any(section.runs for section in chart.sections) or chart.points["high"].notna().any()):
        return ("No signal can be looked for: the points are too few, or too many of them lie on the centre.",)
    return ("No signal: nothing here is unlikely by chance. That does not show that nothing changed.",)


def in_short(chart: Chart, found: Sequence[Signal]) -> str:
    """The newest signal of a chart in a few words, for a small one; runs before crossings, crossings before single points."""
    if not found:
        looked = any(section.runs for section in chart.sections) or chart.points["high"].notna().any()
        return "no signal" if looked else _unlooked(chart)
    runs = [one for one in found if one.rule == LONG_RUN]
    if runs:
        one = max(runs, key=lambda run: run.last)
        where = "above" if one.above else "below"
        first = chart.points["label"].iloc[one.first]
        return f"{one.count} in a row {where} since {first}" if one.ongoing else f"{one.count} in a row {where} from {first}"
    if crossings := next((one for one in found if one.rule == FEW_CROSSINGS), None):
        return _crosses(chart, crossings)
    last = found[-1]
    side = {True: "above the upper limit", False: "below the lower limit", None: last.rule}[last.above]
    return f"{side} in {chart.points['label'].iloc[last.last]}" if last.rule == BEYOND_LIMITS else last.rule


def _unlooked(chart: Chart) -> str:
    """Why no signal is looked for: too few points with a value, or enough of them that lie on the centre or on one side of it."""
    counts = chart.points.groupby("phase")[["judged", "useful"]].sum()
    if (counts["useful"] >= FEWEST_USEFUL).any():
        return ON_ONE_SIDE
    return ON_THE_CENTRE if (counts["judged"] >= FEWEST_USEFUL).any() else TOO_FEW_POINTS


def count_in_words(n: float, unit: str, cases: float | None = None) -> str:
    """What a point rests on: its cases, and on charts of events per exposure the minutes of CPR too.

    Parameters: n, of the point; unit, of the chart; cases behind the point where n is not that.
    """
    if unit != PER_MINUTE_OF_CPR:
        return f"n {n:g}"
    return f"{n:.0f} min of CPR" + (f", n {many(int(cases), 'case')}" if cases is not None else "")


def shift_in_words(change: Shift, unit: str, *, since: str, reason: str) -> str:
    """How far the values of a phase lie from those of the phase before it, as a sentence.

    Parameters: change, as qi.trends.medians.shift gives it; unit of the values; since, when the phase begins, as in "in March
    2031"; reason, that a person gave.
    Returns: the sentence; it says that values differ, never why. Below 10 cases on either side it has counts only.
    """
    n = f"n {change.before} before, {change.after} after"
    lead = f"Since the phase begun {since} for the reason “{reason.strip().rstrip('.')}”"
    if min(change.before, change.after) < COUNTS_BELOW:
        return f"{lead}: too few cases to say how far it lies from the phase before ({n})."
    if not change.value:
        said = "a case typically has the same value as one of the phase before"
    else:
        way = "higher" if change.value > 0 else "lower"
        said = f"a case typically lies {_apart(change.value, unit)} {way} than one of the phase before"
    ends = f"{_signed_apart(change.low, unit)} to {_signed_apart(change.high, unit)}"
    tail = "No difference at all is within that" if change.holds_zero else "It is a difference, not its cause"
    return f"{lead}: {said} (median of all differences; 95 % interval {ends}; {n}). {tail}."


def _sentence(chart: Chart, signal: Signal) -> str:
    text = {LONG_RUN: _run, FEW_CROSSINGS: _crossings, BEYOND_LIMITS: _beyond}.get(signal.rule, _rule)(chart, signal)
    if len(chart.sections) > 1:
        return f"Phase {signal.phase}: {text}"
    return text if text.startswith(str(chart.points["label"].iloc[signal.first])) else text[0].upper() + text[1:]


def _noun(chart: Chart) -> str:
    return "event" if chart.kind in _EVENTS else chart.every


def _when(chart: Chart, row: int) -> str:
    """A point by its date; a case by its label too."""
    point = chart.points.iloc[row]
    day = named(point["start"], chart.every)
    return f"{point['label']} ({day})" if chart.every == CASE else day


def _run(chart: Chart, signal: Signal) -> str:
    where = "above" if signal.above else "below"
    many = counted(signal.count or 0, _noun(chart))
    first, last = _when(chart, signal.first), _when(chart, signal.last)
    lead = f"since {first} {many} in a row are" if signal.ongoing else f"from {first} to {last} {many} in a row were"
    skipped = f" ({signal.skipped} between them did not count)" if signal.skipped else ""
    return (
        f"{lead} {where} the {chart.centre_name}{skipped}: unlikely by chance. Among {signal.of} useful points a run of up to "
        f"{signal.allowed} is no signal; one this long or longer comes about in {_percent(signal.chance)} of series in which "
        "nothing changes."
    )


def _crossings(chart: Chart, signal: Signal) -> str:
    return (
        f"from {_when(chart, signal.first)} to {_when(chart, signal.last)} the line {_crosses(chart, signal)}: "
        f"unlikely by chance. Among {signal.of} useful points {signal.allowed} or more are no signal; so few come about in "
        f"{_percent(signal.chance)} of series in which nothing changes."
    )


def _crosses(chart: Chart, signal: Signal) -> str:
    if not signal.count:
        return f"never crosses the {chart.centre_name}"
    times = {1: "once", 2: "twice"}.get(signal.count, f"{signal.count} times")
    return f"crosses the {chart.centre_name} only {times}"


def _beyond(chart: Chart, signal: Signal) -> str:
    point = chart.points.iloc[signal.first]
    limit, side = (point["high"], "above the upper") if signal.above else (point["low"], "below the lower")
    n = f", {count_in_words(point['n'], chart.unit)}" if pd.notna(point["n"]) and chart.every != CASE else ""
    value = _size(point["value"], chart.unit)
    where = f"{_when(chart, signal.first)} ({value}{n}) lies {side} limit of {_size(limit, chart.unit)}"
    return f"{where}: rare by chance for any one point."


def _many(chart: Chart, found: Sequence[Signal]) -> tuple[str, ...]:
    """Many points beyond the limits, a sentence for each side and phase."""
    sides = dict.fromkeys((signal.phase, signal.above) for signal in found)
    said = []
    for phase, above in sides:
        rows = [signal.first for signal in found if (signal.phase, signal.above) == (phase, above)]
        where = f"Phase {phase}: " if len(chart.sections) > 1 else ""
        many = counted(len(rows), _noun(chart))
        side = "above the upper" if above else "below the lower"
        verb = "lies" if len(rows) == 1 else "lie"
        names = ", ".join(str(chart.points["label"].iloc[row]) for row in rows)
        text = f"{where}{many} {verb} {side} limit ({names}): rare by chance for any one point."
        said.append(text[0].upper() + text[1:])
    return tuple(said)


def _rule(chart: Chart, signal: Signal) -> str:
    return f"{RULES[signal.rule].words}, up to {_when(chart, signal.last)} ({signal.rule})."


def _size(value: float, unit: str) -> str:
    """A value with its unit, with a digit more than a single case has where that is needed to tell a limit from it."""
    return f"{value * 100:.1f}\u00a0%" if unit == "1" else amount(value, unit)


def _apart(difference: float, unit: str) -> str:
    """The size of a difference; one of shares in percentage points."""
    return f"{abs(difference) * 100:.1f} percentage points" if unit == "1" else _size(abs(difference), unit)


def _signed_apart(difference: float, unit: str) -> str:
    return f"{'−' if difference < 0 else ''}{_apart(difference, unit)}"


def _percent(chance: float | None) -> str:
    if chance is None:
        return "few"
    return "fewer than 0.1 %" if chance < 0.001 else f"{chance * 100:.1f} %"
