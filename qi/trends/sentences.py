"""Signals in plain English, dated; what they do not say is said too. A pattern is never given a cause here."""

from collections.abc import Sequence

import pandas as pd

from qi.model.words import amount
from qi.trends.chart import Chart
from qi.trends.dates import CASE, counted, named
from qi.trends.medians import Shift
from qi.trends.rules import RULES
from qi.trends.signals import BEYOND_LIMITS, FEW_CROSSINGS, LONG_RUN, Signal

_EVENTS = ("g", "t")
TOO_FEW_POINTS = "too few points for a signal"
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
        return "no signal" if looked else TOO_FEW_POINTS
    runs = [one for one in found if one.rule == LONG_RUN]
    if runs:
        one = max(runs, key=lambda run: run.last)
        where = "above" if one.above else "below"
        first = chart.points["label"].iloc[one.first]
        return f"{one.count} in a row {where} since {first}" if one.ongoing else f"{one.count} in a row {where} from {first}"
    if crossings := next((one for one in found if one.rule == FEW_CROSSINGS), None):
        times = {0: "never", 1: "once", 2: "twice"}.get(crossings.count or 0, f"only {crossings.count} times")
        return f"crosses the {chart.centre_name} {times}"
    last = found[-1]
    side = {True: "above the upper limit", False: "below the lower limit", None: last.rule}[last.above]
    return f"{side} in {chart.points['label'].iloc[last.last]}" if last.rule == BEYOND_LIMITS else last.rule


def shift_in_words(change: Shift, unit: str) -> str:
    """How far the values of two phases lie apart, as a sentence.

    Parameters: change, as qi.trends.medians.shift gives it; unit of the values.
    Returns: the sentence; it says that values differ, never why.
    """
    n = f"n {change.before} before, {change.after} after"
    if pd.isna(change.value):
        return f"Before and after cannot be compared: {n}."
    way = "higher" if change.value >= 0 else "lower"
    lead = f"After it, values lie typically {_size(abs(change.value), unit)} {way} than before"
    if pd.isna(change.low):
        return f"{lead}; too few cases for an interval ({n})."
    ends = f"{_signed(change.low, unit)} to {_signed(change.high, unit)}"
    tail = "no difference at all is within that" if change.holds_zero else "this says that they differ, not why"
    return f"{lead} (95 % interval {ends}; {n}); {tail}."


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
    times = {0: "never", 1: "once", 2: "twice"}.get(signal.count or 0, f"{signal.count} times")
    return (
        f"from {_when(chart, signal.first)} to {_when(chart, signal.last)} the line crosses the {chart.centre_name} only {times}: "
        f"unlikely by chance. Among {signal.of} useful points {signal.allowed} or more are no signal; so few come about in "
        f"{_percent(signal.chance)} of series in which nothing changes."
    )


def _beyond(chart: Chart, signal: Signal) -> str:
    point = chart.points.iloc[signal.first]
    limit, side = (point["high"], "above the upper") if signal.above else (point["low"], "below the lower")
    n = f", n {point['n']:g}" if pd.notna(point["n"]) and chart.every != CASE else ""
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


def _signed(value: float, unit: str) -> str:
    return f"{'−' if value < 0 else ''}{_size(abs(value), unit)}"


def _percent(chance: float | None) -> str:
    if chance is None:
        return "few"
    return "fewer than 0.1 %" if chance < 0.001 else f"{chance * 100:.1f} %"
