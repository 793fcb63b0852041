"""The report to the board as PDF: two pages on the agency's cases, inside the agency or with small cells hidden for sharing."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime

import numpy as np
import pandas as pd

from qi.charts import svg
from qi.charts.chart_svg import n_every, process_chart_svg, under_which
from qi.charts.process_behaviour import Drawn
from qi.desk import chart_told, limits, over_time
from qi.desk.charted import Charted, wall
from qi.desk.known_arrests import over_choice
from qi.desk.over_time import Shown, Which
from qi.desk.plans import plan_of
from qi.exports import printed
from qi.library.library import Library
from qi.model.errors import BadTable, NotMeasurable, QiError
from qi.model.paper import A4
from qi.trends import board as reports
from qi.trends import columns_used as use
from qi.trends.baselines import NO_PLAN, Plan
from qi.trends.board import Board, Told
from qi.trends.board_tables import MOST_GROUPS, Hiding, needed
from qi.trends.capture import Capture, capture
from qi.trends.dates import CASE, MONTH, QUARTER
from qi.trends.hidden_cells import HIDDEN, MOST_HIDDEN
from qi.trends.hidden_shapes import BETWEEN_POINTS, CHART
from qi.trends.series import IN_TIME, SHARES, Subject, View, with_values
from qi.trends.series import needed as chart_columns

_WIDTH, _HEIGHT = 200.0, 136.0  # of a small chart
_PAGES = 2


def board_pdf(
    shown: Shown,
    which: Which,
    *,
    subjects: Mapping[str, Subject],
    plans: Mapping[str, Plan],
    known: pd.DataFrame | None = None,
    why: str = "",
    banner: str = "",
    paper: str = A4,
    sharing: bool = False,
    most_hidden: int = MOST_HIDDEN,
    at: datetime | None = None,
) -> bytes:
    """The report to the board.

    Parameters: shown, the table; which, the cases that are looked at; subjects, measures by column; plans, what people set on their
    charts, by column; known and why, arrests of a list over these cases (qi.desk.known_arrests.over_choice); banner, the agency's
    own wording; paper, a word of PAPERS; sharing, small cells hidden; most_hidden, the largest count that is then hidden; at, the
    date of the report, aware.
    Returns: PDF of two pages, tagged for screen readers.
    Raises: UnreadableFile where there is no table of cases.
    """
    main = [subjects[column] for column in reports.MAIN if column in subjects]
    table = over_time.chosen(over_time.read(shown, [*needed(), *(name for one in main for name in chart_columns(one))]), which)
    hiding, some = Hiding(sharing, most_hidden), with_values(table, main)[: reports.CHARTS]
    made, _ = wall(table, some, View(MONTH), plans)
    told = [Told(one.subject, one.view, one.chart, one.signals, one.drawn.name) for one in made]
    pauses = over_time.events(shown, "pauses", table[use.KEY])
    captured = _capture(table, known, why)
    report = reports.board(
        table,
        pauses,
        told,
        captured,
        hiding=hiding,
        filters=which.words,
        no_outcomes=which.no_outcomes,
        invented=shown.invented,
    )
    drawn = _by_quarter(table, made, plans) if sharing else made
    pictures, look = _pictures(drawn, hiding), {"banner": banner, "paper": paper}

    def with_groups(most: int) -> dict[str, object]:
        return _data(replace(report, groups=reports.groups(table, told, hiding, most=most)), drawn) | look

    return printed.pdf("board", _on_two_pages(with_groups, pictures), pictures, at=at)


def _on_two_pages(with_groups: Callable[[int], dict[str, object]], pictures: Mapping[str, str]) -> dict[str, object]:
    """The report with as many groups of a sort as two pages hold; with all of them where it is not they that take the room."""
    for most in range(MOST_GROUPS, -1, -1):
        data = with_groups(most)
        if printed.count("board", data, pictures) <= _PAGES:
            return data
    return with_groups(MOST_GROUPS)


def months(first: str, last: str) -> Which:
    """The cases from the first day of a month to the last day of another.

    Parameters: first and last, as 2031-01; empty where it is open.
    Raises: QiError for what is no month.
    """
    found = {one: _month(one) for one in (first, last) if one}
    return Which(
        first=f"{found[first].start_time:%Y-%m-%d}" if first else "", last=f"{found[last].end_time:%Y-%m-%d}" if last else ""
    )


def _month(text: str) -> pd.Period:
    try:
        return pd.Period(datetime.strptime(text, "%Y-%m"), "M")
    except ValueError as error:
        raise QiError(f"“{text}” is no month; write it as 2031-01") from error


def _by_quarter(table: pd.DataFrame, months: Sequence[Charted], plans: Mapping[str, Plan]) -> list[Charted]:
    """Charts by quarter, in which more points rest on cases enough, with what the months say.

    The cases of a month that a person left out of a chart are in none of its quarters either.
    """
    return [one for month in months for one in _quarters(table, month, plans.get(month.subject.column, NO_PLAN))]


def _quarters(table: pd.DataFrame, month: Charted, plan: Plan) -> list[Charted]:
    """The chart by quarter of one by month, if there is one."""
    out = {one.label for one in plan.excluded}
    kept = table if not out else table[~use.month_label(table).isin(out).to_numpy()].reset_index(drop=True)
    made, _ = wall(kept, [month.subject], View(QUARTER), {month.subject.column: replace(plan, excluded=())})
    said = month.drawn.signal
    return [replace(one, drawn=replace(one.drawn, signal=said, runs=frozenset(), beyond=frozenset())) for one in made]


def of_library(library: Library, which: Which, *, sharing: bool, most_hidden: int = MOST_HIDDEN) -> bytes:
    """The report to the board on the cases of a library, as the page over time shows them, today.

    Raises: UnreadableFile where there is no table of cases.
    """
    shown = over_time.shown(library)
    whole = over_time.read(shown, ())
    known, why = over_choice(library, whole, which)
    settings = library.settings
    return board_pdf(
        shown,
        which,
        subjects=over_time.subjects(library, limits.held_to(library, over_time.chosen(whole, which))),
        plans=_plans(library),
        known=known,
        why=why,
        banner=settings.banner,
        paper=settings.paper,
        sharing=sharing,
        most_hidden=most_hidden,
        at=library.now(),
    )


def _plans(library: Library) -> dict[str, Plan]:
    """What people set on the monthly charts of the report, by column; quarters take their phases and baselines by the day."""
    kept = {one.chart for one in library.plans()}
    keys = {column: over_time.chart_key(column, MONTH) for column in reports.MAIN}
    return {column: plan_of(library, key)[0] for column, key in keys.items() if key in kept}


def _capture(table: pd.DataFrame, known: pd.DataFrame | None, why: str) -> Capture | None:
    """Of the arrests known how many were recorded; None where none is known. An empty list is no list."""
    try:
        return capture(table, known if known is not None and len(known) else None, why)
    except NotMeasurable:
        return None


def _data(report: Board, made: Sequence[Charted]) -> dict[str, object]:
    point = made[0].view.every if made else MONTH
    below = under_which(max((n_every(one.drawn, _WIDTH) for one in made), default=1))
    return dict(reports.plain(report)) | {
        "title": "Resuscitation over time: report to the board",
        "charts": [f"chart {i}" for i in range(len(made))],
        "marks": f"A point is a {point}, n stands under {below}{' at least' * (below != 'it')}, the line across is the centre. "
        "◆ a run unlikely by chance, ■ beyond the limits, ○ left out by a person, dotted: what the protocol asks for.",
    }


def _pictures(made: Sequence[Charted], hiding: Hiding) -> dict[str, str]:
    return {f"chart {i}": chart_picture(one, hiding, width=_WIDTH, height=_HEIGHT) for i, one in enumerate(made)}


def chart_picture(
    one: Charted, hiding: Hiding, *, width: float = 520.0, height: float = 280.0, banner: str = "", alone: bool = False
) -> str:
    """A measure's chart as SVG, its points hidden where they rest on few cases if it is for sharing.

    Parameters: one, the chart; hiding; width and height of the picture; banner, the agency's own line, for a picture that stands
    alone; alone, it does: with the notes of the chart and the cautions under it.
    Raises: BadTable as for_sharing.
    """
    drawn = for_sharing(one, hiding)
    title = f"{drawn.name}, by {one.view.every}"
    words = f"{drawn.latest}. {drawn.signal}. {one.averaged}"
    picture = process_chart_svg(drawn, title, words=words, width=width, height=height)
    picture = svg.over_lines(picture, chart_told.under_a_picture(one, drawn, width=width)) if alone else picture
    return svg.under_a_line(picture, banner)


def for_sharing(one: Charted, hiding: Hiding) -> Drawn:
    """The chart without the points that rest on few cases, and without what would give them away.

    Raises: BadTable for a chart for sharing whose points are single cases: their numbers would stand under it.
    """
    drawn, points = one.drawn, _counted(one)
    if not hiding.sharing:
        return drawn
    if one.chart.every == CASE:
        raise BadTable(f"a chart whose points are single cases is not for sharing: {drawn.name}, {one.view.sort}")
    rest = {name: one.looked_at - points[name].sum() for name in ("of", "n") if points[name].notna().any()}
    shown = hiding.of(points, BETWEEN_POINTS if one.view.kind == "mr" else CHART, rest=rest)
    newest = points["value"].last_valid_index()
    gone = newest is not None and "value" in str(shown.loc[newest, HIDDEN]).split(", ")
    return replace(drawn, points=shown, latest=f"newest value {HIDDEN}" if gone else drawn.latest, n_name="n")


def points_table(made: Sequence[Charted], hiding: Hiding) -> pd.DataFrame:
    """Every point of several charts as one table, for files: measure, unit, label, n, count (of a share), value, centre.

    Parameters: made, the charts; hiding, where it is for sharing: each chart by itself, as in its picture, and the column `hidden`.
    Raises: BadTable as for_sharing.
    """
    parts = [
        _told(for_sharing(one, hiding).points if hiding.sharing else _counted(one)).assign(
            measure=one.drawn.name, unit=one.chart.unit
        )
        for one in made
    ]
    columns = ["measure", "unit", *_TOLD.values(), *([HIDDEN] if hiding.sharing else [])]
    return pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)


_TOLD = {"label": "label", "n": "n", "x": "count", "value": "value", "centre": "centre"}


def _told(points: pd.DataFrame) -> pd.DataFrame:
    """Points under the names of a file, and the names of what is hidden alike."""
    made = points[list(_TOLD)].rename(columns=_TOLD)
    if HIDDEN not in points:
        return made
    names = [[_TOLD[name] for name in row.split(", ") if name in _TOLD] for row in points[HIDDEN]]
    return made.assign(**{HIDDEN: [", ".join(row) for row in names]})


def _counted(one: Charted) -> pd.DataFrame:
    """The points with the cases behind each as n, the count behind a share, which it and its n would tell, and all with a value."""
    points = one.drawn.points.assign(of=np.nan if one.valued is None else one.valued)
    if one.behind is not None:
        return points.assign(n=one.behind, x=np.nan)
    if one.view.sort not in (SHARES, IN_TIME):
        return points.assign(x=np.nan)
    return points.assign(x=(points["value"] * points["n"]).round())
