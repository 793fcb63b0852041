"""Capture: how much of what happened was recorded, and by what; beside every trend as a line, and in full."""

from functools import partial

import pandas as pd
import streamlit as st

from qi.charts import capture as drawn
from qi.model.errors import NotMeasurable
from qi.screens import over_said, over_tables
from qi.screens.over_exports import Shared
from qi.screens.theme import is_dark
from qi.trends import columns_used as use
from qi.trends.averages import CASE_SHARE
from qi.trends.capture import Capture, by_sensor, capture, sensors_across

_MONTHS = {
    "month": "month",
    "known": "known",
    "recorded": "recorded",
    "measurable": "measurable",
    "recorded_share": "share recorded",
    "measurable_share": "share measurable",
    "elsewhere": "only in a list",
}
_BY_MONTH = "Arrests known, recorded and measurable by month."
_SENSORS = {"month": "month", "sensor": "sensor", "cases": "cases", "measurable": "measurable", "known": "known in the month"}


def strip(table: pd.DataFrame, known: pd.DataFrame | None, why: str = "") -> None:
    """What was recorded, as a line and a small picture, to stand beside a trend.

    Parameters: table, filtered cohort table with what is no measure's, excluded cases too; known, arrests of a list from dispatch
    or care records over the same choice of cases, None or empty where there is none; why a list that is kept is not counted.
    """
    found = _found(table, known, why)
    if found is None:
        return
    with st.container(horizontal=True, vertical_alignment="center"):
        with st.container(width="stretch"):
            st.caption(f"{found.in_short()} By month: outlined known, hatched recorded, filled measurable.")
        with st.container(width=260):
            st.plotly_chart(
                drawn.strip(found.months, dark=is_dark()), key="capture-strip", config={"displayModeBar": False}, alt=found.words()
            )


def show(table: pd.DataFrame, known: pd.DataFrame | None, why: str = "") -> None:
    """Recorded and measurable by month, kinds of sensors by month, and whether these changed across a day.

    Parameters: as strip.
    """
    found = _found(table, known, why)
    if found is None:
        st.write("No arrest is known, so that nothing can be said of how many were recorded.")
        return
    st.write(found.words())
    sensors = by_sensor(table)
    figure = partial(drawn.figure, found.months, sensors)
    st.plotly_chart(figure(dark=is_dark()), key="capture", config={"displayModeBar": False}, alt=found.words())
    st.caption(
        f"{CASE_SHARE} A case with two kinds of sensors counts under both. Excluded cases count here: they happened. Where a kind "
        "of sensor comes or goes, a change in a trend can be the equipment's alone."
    )
    _across(table)
    over_tables.show(
        "Recorded and measurable by month",
        found.months,
        says=f"{_BY_MONTH} {found.words()} {CASE_SHARE}",
        shared=Shared(f"{_BY_MONTH} {CASE_SHARE}"),
        key="capture-months",
        picture=figure,
        named=_MONTHS,
        percent=("recorded_share", "measurable_share"),
    )
    over_tables.show(
        "Kinds of sensors by month",
        sensors,
        says=f"Cases by month and kind of sensor; a case with two kinds counts under both. {CASE_SHARE}",
        key="capture-sensors",
        named=_SENSORS,
    )


def _found(table: pd.DataFrame, known: pd.DataFrame | None, why: str) -> Capture | None:
    """What was recorded; None where no arrest is known. An empty list is no list."""
    try:
        return capture(table, known if known is not None and len(known) else None, why)
    except NotMeasurable:
        return None


def _across(table: pd.DataFrame) -> None:
    """Kinds of sensors before and after a day."""
    days = use.included(table)[use.CALL_DAY].dropna()
    if not len(days):
        return
    since = st.date_input(
        "Sensors before and after",
        value=None,
        min_value=days.min().date(),
        max_value=days.max().date(),
        key="capture-since",
        format="YYYY-MM-DD",
        width=220,
    )
    if since is None:
        return
    shifts, warning = sensors_across(table, since)
    st.write(warning)
    over_said.bullets(one.words().replace("_", " ") for one in shifts)
