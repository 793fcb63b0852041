"""What goes out of the page over time for sharing: by quarter, each with its small cells hidden, and the words beside it.

Of one measure only quarters are shared: a quarter less the months that are shown would give the hidden ones back.
"""

from collections.abc import Collection, Sequence
from dataclasses import replace

import pandas as pd

from qi.desk import board, chart_told
from qi.desk.charted import Cell, Charted, charted, wall
from qi.trends.averages import CASE_SHARE
from qi.trends.baselines import Plan
from qi.trends.board_tables import FEW, Hiding, outcomes_table
from qi.trends.dates import QUARTER
from qi.trends.hidden_cells import HIDDEN, MOST_HIDDEN, hide
from qi.trends.hidden_shapes import PERIODS
from qi.trends.outcomes import NOT_WHY
from qi.trends.series import MEDIANS, Subject, View, trend_table

Made = tuple[pd.DataFrame, str]
_HIDING = Hiding(sharing=True)


def by_quarter(cases: pd.DataFrame, one: Charted, plan: Plan, *, rules: Collection[str] = ()) -> Charted:
    """A chart as it is shared: by quarter.

    Parameters: cases, of the chart; one; plan, what people set on its chart by quarter; rules, as in qi.desk.charted.charted.
    Raises: NotMeasurable where quarters have no such chart.
    """
    if one.view.every == QUARTER:
        return one
    return charted(cases, one.subject, replace(one.view, every=QUARTER), plan, rules=rules)


def points(one: Charted, words: str) -> Made:
    """The points of a chart by quarter, and what goes into the file beside them.

    Parameters: one; words, which cases are looked at, empty for all.
    Raises: BadTable where a point is a single case.
    """
    said = [line for line in chart_told.says(one, words).splitlines() if line != chart_told.INTERVALS]
    return chart_told.rows_shared(one, board.for_sharing(one, _HIDING).points), "\n".join(said)


def trend(cases: pd.DataFrame, one: Charted, words: str) -> Made:
    """Median, mean and share of each quarter, and what goes into the file beside them; parameters as points, with the cases."""
    quarters = replace(one, view=replace(one.view, every=QUARTER, sort=MEDIANS))
    table = trend_table(cases, one.subject, QUARTER)
    rest = {name: one.looked_at - table[name].sum() for name in ("n", "judged")}
    return hide(table, PERIODS, rest=rest), chart_told.says_of_trend(quarters, words)


def small_charts(cases: pd.DataFrame, subjects: Sequence[Subject], plans: dict[str, Plan], words: str) -> Made:
    """The points of several measures by quarter, each as its own chart shares them, and what goes into the file beside them.

    Parameters: cases; subjects; plans, what people set on their charts by quarter, by column; words, as in points.
    """
    made, _ = wall(cases, subjects, View(QUARTER), plans)
    averaged = " ".join(dict.fromkeys(one.averaged for one in made))
    return board.points_table(made, _HIDING), f"By quarter. {f'Cases: {words}. ' if words else ''}{averaged}"


def outcomes(cases: pd.DataFrame) -> Made:
    """Outcomes by Utstein group as the report to the board prints them for sharing: in one table, for each holds the next.

    Parameters: cases, with what qi.trends.board_tables.outcomes_table reads.
    """
    printed = outcomes_table(cases, _HIDING)
    says = f"Outcomes by Utstein group, of the cases whose outcome is known. {FEW} few cases: the interval is wide. {CASE_SHARE}"
    return pd.DataFrame(printed.rows, columns=list(printed.columns)), f"{says} {NOT_WHY}"


def words_of(cell: Cell) -> str:
    """What the chart of one measure in one group says, without how many cases there are; hidden where they are few."""
    if cell.charted is None:
        return cell.words
    if min(cell.cases, cell.charted.chart.points["n"].sum()) <= MOST_HIDDEN:
        return HIDDEN
    return f"{'◆ ' if cell.charted.signals else ''}{cell.charted.short}"
