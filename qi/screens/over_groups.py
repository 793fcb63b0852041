"""A measure by station, shift, unit and more: small multiples on one scale and a funnel of shares; nobody is ranked."""

from collections.abc import Callable, Sequence
from functools import partial

import pandas as pd
import streamlit as st

from qi.charts import groups as drawn
from qi.desk.charted import accent_of
from qi.desk.over_time import Shown
from qi.model.errors import NotMeasurable
from qi.screens import over_said, over_tables
from qi.screens.theme import is_dark
from qi.trends import columns_used as use
from qi.trends.averages import CASE_SHARE
from qi.trends.during_arrest import WHY, groupings, why_outcome
from qi.trends.funnel import Funnel, expected_next_of, funnel, needed_of
from qi.trends.grouping import WAYS, full_name
from qi.trends.groups import keys_of, met_by, multiples
from qi.trends.series import Subject
from qi.trends.shrinkage import DRAWN_IN

NOUNS = {
    use.STATION: "stations",
    use.SHIFT: "shifts",
    use.UNIT: "units",
    use.AIRWAY_KIND: "kinds of airway",
    use.FIRST_RHYTHM: "first rhythms",
    use.DEVICE_USED: "groups with and without the device",
    use.HOUR: "times of day",
    use.SENSORS: "kinds of sensors",
}
_ROWS = {
    "group": "group",
    "cases": "cases",
    "known": "with a number",
    "missing": "without",
    "median": "median",
    "low": "low (95 %)",
    "high": "high (95 %)",
    "drawn_in": "drawn in",
    "reliability": "can be relied on",
    "shown": "shown",
}
_FUNNEL = {
    "group": "group",
    "count": "met",
    "n": "judged",
    "missing": "not judged",
    "value": "share",
    "low": "low (95 %)",
    "high": "high (95 %)",
    "lies": "where it lies",
    "reliability": "can be relied on",
    "expected": "drawn in",
}


def show(
    _: Shown, table: pd.DataFrame, subject: Subject, every: str, *, open_cases: Callable[[Sequence[str]], None] | None = None
) -> None:
    """A choice of groups, their panels and their funnel.

    Parameters: table, filtered cohort table with the measure, its verdict and what is no measure's; subject, the measure; every,
    month or quarter; open_cases, called with the keys of the cases of a group that a person chose in the funnel.
    """
    if use.included(table).empty:
        st.write("There is no case to group.")
        return
    offered = groupings(subject.column, WAYS)
    if st.session_state.get("groups-by", use.STATION) not in offered:
        st.session_state["groups-by"] = use.STATION
    by = st.segmented_control(
        "Groups by",
        offered,
        format_func=lambda way: WAYS[way].label,
        key="groups-by",
        default=use.STATION,
        required=True,
        wrap=True,
    )
    by = by or use.STATION
    if refused := [WAYS[one].label.lower() for one in WAYS if one not in offered]:
        st.caption(f"Not offered, since {why_outcome(subject.column)}: {', '.join(refused)}. {WHY}")
    if subject.yes_or_no:
        st.caption("Each case answers yes or no: a median would say little, so that the groups are compared by their shares alone.")
    why_said = not subject.yes_or_no and _multiples(table, subject, by, every)
    if found := _shares(table, subject, by):
        _funnel(table, subject, by, found, open_cases, why_said=why_said)


def _multiples(table: pd.DataFrame, subject: Subject, by: str, every: str) -> bool:
    """The panels; True where they say already why values are drawn in."""
    found = multiples(table, subject.column, by, every=every)
    rows, months = (_named(one, by) for one in (found.rows, found.months))
    accent = accent_of(subject.column)
    figure = partial(drawn.multiples, rows, months, found.scale, unit=subject.unit, accent=accent)
    st.plotly_chart(
        figure(dark=is_dark()),
        key=f"multiples-{subject.column}-{by}-{every}",
        config={"displayModeBar": False},
        alt=f"{subject.label} by {found.by.label.lower()}, a panel a group on one scale: {', '.join(rows['group'])}.",
    )
    st.caption(
        f"A point is the median of a {every}; the line across is the group's median over all its cases, shaded its 95 % interval; "
        f"dotted the median drawn in; hollow and grey where a group has few cases. {' '.join(found.notes)}"
    )
    over_tables.show(
        f"{subject.label} by {found.by.label.lower()}",
        rows,
        says=f"{subject.label} ({drawn.axis_unit(subject.unit)}). {found.averaged}",
        key=f"multiples-{subject.column}-{by}",
        picture=figure,
        named=_ROWS,
        percent=("median", "low", "high", "drawn_in", "reliability") if subject.unit == "1" else ("reliability",),
    )
    return DRAWN_IN in found.notes


def _shares(table: pd.DataFrame, subject: Subject, by: str) -> Funnel | None:
    """The funnel of the share that met the limit; where there is none, the words why."""
    counted = _named(met_by(table, subject.column, by, yes_or_no=subject.yes_or_no), by)
    what = "yes" if subject.yes_or_no else f"meeting the limit{f' ({subject.limit})' if subject.limit else ''}"
    st.markdown(f"**Share {what}, by number of cases**")
    if not counted["n"].sum():
        st.write("No case was judged: the protocol sets no limit for it, or the cases cannot show it.")
        return None
    widened = st.toggle(
        "Limits that allow for scatter beyond chance",
        key="funnel-widened",
        help="Groups differ in more than chance: these limits name only those that stand out among groups that differ anyway.",
    )
    try:
        return funnel(counted, noun=NOUNS[by], widened=widened)
    except NotMeasurable as why:
        st.write(f"Not drawn: {why}.")
        over_tables.show(
            f"{subject.label}, met by {NOUNS[by]}",
            counted,
            says=f"{subject.label}: cases that met the limit. {CASE_SHARE}",
            key=f"counts-{subject.column}-{by}",
            named={name: words for name, words in _FUNNEL.items() if name in counted},
        )
    return None


def _funnel(
    table: pd.DataFrame,
    subject: Subject,
    by: str,
    found: Funnel,
    open_cases: Callable[[Sequence[str]], None] | None,
    *,
    why_said: bool,
) -> None:
    """The funnel and its table; why_said, that it stands above already why values are drawn in."""
    key = f"funnel-{subject.column}-{by}"
    points = expected_next_of(found)
    figure = partial(drawn.funnel, points, found.lines, found.centre, cases="judged cases", accent=accent_of(subject.column))
    picked = st.plotly_chart(
        figure(dark=is_dark()),
        key=key,
        config={"displayModeBar": False},
        on_select="rerun" if open_cases else "ignore",
        selection_mode="points",
        alt=f"Funnel of {NOUNS[by]}. {' '.join(found.sentences)}",
    )
    st.caption(
        f"{CASE_SHARE} ◆ beyond the 99.8 % limits, ■ beyond the 95 % limits, hollow and grey with 10 to 29 cases."
        + (" Choose a point to see its cases." if open_cases else "")
    )
    over_said.bullets(found.sentences)
    st.caption(" ".join([*([] if why_said else [DRAWN_IN]), needed_of(found, NOUNS[by])]))
    over_tables.show(
        f"{subject.label}, share met by {NOUNS[by]}",
        points,
        says=f"{subject.label}: share of the judged cases that met the limit, with funnel limits. {CASE_SHARE} {DRAWN_IN}",
        key=key,
        picture=figure,
        named=_FUNNEL,
        percent=("value", "low", "high", "reliability", "expected"),
    )
    if open_cases and (chosen := _chosen(picked)):
        open_cases(keys_of(table, by, chosen))


def _named(rows: pd.DataFrame, by: str) -> pd.DataFrame:
    """The rows with the groups' names as they are said."""
    return rows.assign(group=[full_name(by, group) for group in rows["group"]])


def _chosen(picked: object) -> str:
    """The group of which the point was chosen; empty where none is."""
    points = picked["selection"]["points"] if picked else []  # type: ignore[index]
    told = next((point.get("customdata") for point in points if point.get("curve_number") == 0), "")
    return str(told[0] if isinstance(told, list) and told else told or "")
