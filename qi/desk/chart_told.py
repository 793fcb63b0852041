"""What a measure's chart is made of, for its table, its files and the words under it: the chart's own points and its notes."""

import pandas as pd

from qi.charts import chart_svg
from qi.charts.process_behaviour import Drawn
from qi.desk import limits
from qi.desk.charted import Charted
from qi.model.cautions import LONG, SHORT
from qi.trends.averages import CASE_MEAN, CASE_MEDIAN, CASE_SHARE, TIME_POOLED
from qi.trends.dates import CASE
from qi.trends.hidden_cells import HIDDEN
from qi.trends.series import IN_TIME, MEDIANS, OWN, PER_MINUTE, POOLED, SHARES, averaged

MARKS = "◆ part of a run that is unlikely by chance, ■ beyond the limits, ○ left out by a person."
INTERVALS = "The upright lines are 95 % intervals."
_SHOWN = {
    "label": "point",
    "n": "n",
    "minutes": "minutes of CPR",
    "cases": "n (cases)",
    "count": "count",
    "value": "value",
    "value_low": "95 % from",
    "value_high": "to",
    "centre": "centre",
    "limit_low": "lower limit",
    "limit_high": "upper limit",
    "phase": "phase",
    "baseline": "in the baseline",
    "left_out": "left out",
    "reason": "reason",
}
_HIDDEN_AS = {"n": "n", "x": "count", "value": "value", "centre": "centre", "low": "limit_low", "high": "limit_high"}
_SCALED = ("value", "value_low", "value_high", "centre", "limit_low", "limit_high")


def rows(one: Charted) -> pd.DataFrame:
    """The chart's own points, a row a point, as they are drawn.

    Returns: label, start, n (or minutes and cases, for events per minute; none where a point is a case), count (of a share, or
    events), value and its interval where it has one, centre, limits, phase and why it began, baseline, left_out and reason.
    """
    points = one.chart.points
    made = points[["label", "start"]].copy()
    if one.view.sort == PER_MINUTE:
        made = made.assign(minutes=points["n"], cases=one.behind)
    elif one.chart.every != CASE:
        made["n"] = points["n"]
    if one.view.sort in (SHARES, IN_TIME, PER_MINUTE):
        made["count"] = (points["value"] * points["n"]).round()
    made["value"] = points["value"]
    if one.drawn.around is not None:
        made["value_low"], made["value_high"] = one.drawn.around
    begun = {section.number: section.reason for section in one.chart.sections}
    return made.assign(
        centre=points["centre"],
        limit_low=points["low"],
        limit_high=points["high"],
        phase=points["phase"],
        phase_begun=points["phase"].map(begun),
        baseline=points["baseline"],
        left_out=points["excluded"],
        reason=points["why"],
    )


def rows_shared(one: Charted, points: pd.DataFrame) -> pd.DataFrame:
    """The chart's own points for sharing, without their intervals, which a small count could be worked out of.

    Parameters: one; points, with small cells hidden and the column `hidden` (qi.desk.board.for_sharing).
    Returns: label, start, n, count (of a share), value, centre, limits, phase and why it began, baseline, left_out, reason, hidden.
    """
    whole, hidden = rows(one), {name: points[name].to_numpy() for name in _HIDDEN_AS}
    made = whole[["label", "start"]].assign(**{words: hidden[name] for name, words in _HIDDEN_AS.items()})
    kept = whole[["phase", "phase_begun", "baseline", "left_out", "reason"]]
    names = [[_HIDDEN_AS[name] for name in row.split(", ") if name in _HIDDEN_AS] for row in points[HIDDEN]]
    return pd.concat([made, kept], axis=1).assign(**{HIDDEN: [", ".join(row) for row in names]})


def as_read(table: pd.DataFrame, one: Charted) -> pd.DataFrame:
    """The rows of `rows` with words a person reads, shares as percent, and no more digits than the values have."""
    unit = "%" if one.chart.unit == "1" else one.chart.unit
    shown = {}
    for name, words in _SHOWN.items():
        if name in table and not (name in ("limit_low", "limit_high", "reason") and table[name].isna().all()):
            values = table[name] * one.drawn.scale if name in _SCALED else table[name]
            digits = 3 if one.view.sort == PER_MINUTE and name in _SCALED else 1
            shown[f"{words} [{unit}]" if name in _SCALED else words] = (
                values.round(digits) if pd.api.types.is_float_dtype(values) else values
            )
    return pd.DataFrame(shown)


def notes(one: Charted) -> list[str]:
    """What must be known to read the chart, a sentence or two each: averages, limit asked for, baselines, left-out points."""
    found = [one.averaged, *one.chart.notes]
    if one.drawn.limit[2] or one.subject.limit == OWN:
        found.insert(1, limits.whose(one.subject))
    if one.drawn.around is not None:
        found.insert(1, INTERVALS)
    return [note if note.endswith((".", "!", "?")) else f"{note}." for note in found]


def under_a_picture(one: Charted, drawn: Drawn, *, width: float) -> list[str]:
    """What stands under a picture of the chart that stands alone: what is asked for, marks, notes and the cautions.

    Parameters: one; drawn, the chart as it is in the picture, small cells hidden where it is for sharing; width, of the picture.
    """
    asked = f"{drawn.limit[2][0].upper()}{drawn.limit[2][1:]}" if drawn.limit[2] else ""
    if asked:
        asked += ", dotted." if chart_svg.in_scale(drawn) else ", outside the scale at least in part."
    what = "Minutes of CPR stand" if drawn.n_name != "n" else "n stands"
    place = chart_svg.under_which(chart_svg.n_every(drawn, width)).replace("it", "each point", 1)
    counts = f"{what} under {place}." if one.chart.every != CASE else "A point is a case."
    said = [note for note in notes(one) if note != INTERVALS]
    across = f"The line across is the {drawn.centre_name}; limits are dashed."
    if drawn.points["centre"].isna().all():
        across = f"The {drawn.centre_name} and limits are not drawn: they would tell of the points that are hidden."
    lines = f"{across} {counts} {MARKS}"
    return [*([asked] if asked else []), lines, *said, SHORT, *LONG]


def says(one: Charted, cases: str = "") -> str:
    """What goes into a file of the chart's own points.

    Parameters: one; cases, which are looked at, in words; empty for all.
    """
    lines = [f"{one.drawn.name}, by {one.chart.every}: the points of the {one.view.kind} chart", *notes(one)]
    if one.drawn.limit[2]:
        lines.append(f"{one.drawn.limit[2][0].upper()}{one.drawn.limit[2][1:]}.")
    return "\n".join([*lines, *([f"Cases: {cases}."] if cases else [])])


def says_of_trend(one: Charted, cases: str = "") -> str:
    """What goes into a file of the medians, means and shares of each month or quarter, whatever the chart's points are.

    Parameters: as says.
    """
    lead = f"{one.subject.label}, by {one.view.every}: of all cases their median, mean and share that met the limit"
    ways = [
        averaged(one.subject, MEDIANS).replace(CASE_MEDIAN, f"median: {CASE_MEDIAN}"),
        f"mean: {CASE_MEAN}",
        f"share: {CASE_SHARE}",
    ]
    ways += [f"time_pooled: {TIME_POOLED}"] if one.view.sort == POOLED else []
    return "\n".join([lead, *ways, *([f"Cases: {cases}."] if cases else [])])
