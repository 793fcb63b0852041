"""Time to the device, the first shock and epinephrine: whom it was done to by when, those who never had it included."""

from datetime import date
from functools import partial

import pandas as pd
import streamlit as st

from qi.charts import incidence as drawn
from qi.model.errors import NotMeasurable
from qi.model.vocabulary import DEVICE_KINDS
from qi.screens import over_said, over_tables
from qi.screens.theme import is_dark
from qi.trends import columns_used as use
from qi.trends.averages import CASE_SHARE
from qi.trends.capture import sensors_across
from qi.trends.intervals import COUNTS_ONLY, GREY
from qi.trends.time_to import EPINEPHRINE, FIRST_SHOCK, MARKS_S, Asked, Curve, curves, device, marks_table

_ZEROS = {"first_compression": "the first compression", "patient_contact": "patient contact", "call": "the call"}
_ITD = "itd"
_OTHERS = {"first_shock": FIRST_SHOCK, "epinephrine": EPINEPHRINE}
_ACCENTS = {"first_shock": "shock", "epinephrine": "drug"}
_ASKED = {kind: {zero: device(kind, zero) for zero in _ZEROS} for kind in DEVICE_KINDS}
_ORDER = (_ITD, "first_shock", "epinephrine", *(kind for kind in DEVICE_KINDS if kind != _ITD))
COLUMNS = tuple(
    dict.fromkeys(
        name
        for asked in (*_OTHERS.values(), *(one for kinds in _ASKED.values() for one in kinds.values()))
        for name in (*asked.needed, use.DEVICE_USED, use.CALL_DAY, use.SENSORS)
    )
)
_NAMES = {
    "label": "cases",
    "n": "n",
    "done": "done",
    "never": "ended without it",
    "record_ends": "record ends first",
    **{f"by_{mark:g}_s": f"by {mark:g} s" for mark in MARKS_S},
    "median_s": "half by (s)",
    "left_out": "left out",
}


def show(table: pd.DataFrame) -> None:
    """What is asked, the curves, and what they say.

    Parameters: table, filtered cohort table with COLUMNS and excluded.
    """
    if use.included(table).empty:
        st.write("There is no case to follow.")
        return
    with st.container(horizontal=True, vertical_alignment="bottom"):
        what, asked = _what()
        since, with_device = _parted(table, asked)
    try:
        found = curves(table, asked, since=since, with_device=with_device)
    except NotMeasurable as why:
        st.write(f"Not drawn: {why}.")
        return
    figure = partial(drawn.figure, [_drawn(one) for one in found], marks_s=MARKS_S, accent=_ACCENTS.get(what, "device"))
    st.plotly_chart(
        figure(dark=is_dark()),
        key=f"times-{what}-{asked.since}",
        config={"displayModeBar": False},
        alt=" ".join(one.words() for one in found),
    )
    st.caption(
        f"Minutes from {asked.since}. From below: done. From above, hatched: the effort ended without it. What lies between is "
        "still open. Upright lines at "
        f"{', '.join(f'{mark:g}' for mark in MARKS_S)} s. {CASE_SHARE} Those who never had it count."
    )
    over_said.bullets(one.in_numbers() for one in found)
    st.caption(" ".join(dict.fromkeys(note for one in found for note in one.once)))
    if since is not None:
        st.caption(sensors_across(table, since)[1])
    over_tables.show(
        f"{asked.label} from {asked.since}",
        marks_table(found),
        says=f"{asked.label}, cumulative incidence from {asked.since}; ended without it is a competing event. {CASE_SHARE}",
        key=f"times-{what}",
        picture=figure,
        named=_NAMES,
        percent=[f"by_{mark:g}_s" for mark in MARKS_S],
        digits=0,
    )


def _what() -> tuple[str, Asked]:
    what = st.selectbox("Time to", _ORDER, format_func=_label, key="time-to", width=300)
    if what in _OTHERS:
        return what, _OTHERS[what]
    zero = st.selectbox("Counted from", list(_ZEROS), format_func=_ZEROS.__getitem__, key="time-from", width=190)
    return what, _ASKED[what][zero]


def _label(what: str) -> str:
    return _OTHERS[what].label if what in _OTHERS else _ASKED[what]["call"].label


def _parted(table: pd.DataFrame, asked: Asked) -> tuple[date | None, bool]:
    """Whether the cases are parted by a day of change, and by whether the device was used."""
    days, since = table[use.CALL_DAY].dropna(), None
    if len(days):
        since = st.date_input(
            "Before and after a change on",
            value=None,
            min_value=days.min().date(),
            max_value=days.max().date(),
            key="times-since",
            format="YYYY-MM-DD",
            width=230,
            help="First day on which the change held. What else changed on that day is not known here.",
        )
    return since, asked.by_device and st.toggle("With and without the ITD", key="times-device")


def _drawn(one: Curve) -> drawn.Curve:
    curve = one.incidence
    few, none = one.shown == GREY, one.shown == COUNTS_ONLY
    label = one.label[:1].upper() + one.label[1:]
    counted = f"n {curve.n:,}: done in {curve.done_n:,}, ended without it {curve.never_n:,}"
    counted += f", record ends {curve.censored_n:,}" if curve.censored_n else ""
    return drawn.Curve(label, counted, curve.times_s, curve.done, curve.never, curve.low, curve.high, few, none)
