"""Outcomes: Utstein groups with their intervals, observed over expected, and from a landmark; what happened, never why."""

from dataclasses import replace
from functools import partial

import pandas as pd
import streamlit as st

from qi.charts import outcomes as drawn
from qi.desk import shared
from qi.model.errors import NotMeasurable
from qi.screens import over_said, over_tables, pages
from qi.screens.over_exports import Shared
from qi.screens.theme import is_dark
from qi.trends import columns_used as use
from qi.trends import utstein
from qi.trends.averages import CASE_SHARE
from qi.trends.during_arrest import KNOWN_BEFORE, WHY
from qi.trends.effort import NEEDED as EFFORT
from qi.trends.grouping import WAYS, full_name
from qi.trends.intervals import COUNTS_ONLY
from qi.trends.landmark import FACTORS, landmark
from qi.trends.observed_expected import by_stratum, observed_expected, ratios_table, reference_of
from qi.trends.outcomes import NOT_WHY, OUTCOMES, by_utstein, columns_of, said_of_missing, shares_table
from qi.trends.registry import context, published
from qi.trends.shrinkage import DRAWN_IN, needed_of_outcome, words_of_outcome

OFFERED = tuple(by for by in WAYS if by in KNOWN_BEFORE and by != use.FIRST_RHYTHM)
REFUSED = tuple(by for by in WAYS if by not in KNOWN_BEFORE)
OWN = "all cases shown here"
COLUMNS = tuple(
    dict.fromkeys(
        (
            *(name for outcome in OUTCOMES for name in columns_of(outcome)),
            *utstein.NEEDED,
            *EFFORT,
            *(name for factor in FACTORS.values() for name in factor.needed),
        )
    )
)
_TOGETHER = "For sharing, the outcomes of the report to the board go out in one table, since each holds the next."
_ANY_MINUTE = (
    "Only for use inside the agency: a landmark can be set to any minute, and two of them side by side would tell of few cases."
)
_SHARES = {
    "label": "group",
    "count": "had it",
    "n": "known",
    "missing": "not known",
    "value": "share",
    "low": "low (95 %)",
    "high": "high (95 %)",
}
_RATIOS = {
    "label": "group",
    "n": "known",
    "observed": "observed",
    "expected": "expected",
    "value": "observed / expected",
    "low": "low (95 %)",
    "high": "high (95 %)",
    "drawn_in": "drawn in",
    "reliability": "can be relied on",
    "left_out": "left out",
}
_STRATA = {"group": "group", "stratum": "stratum", "n": "known", "observed": "observed", "expected": "expected"}


def show(table: pd.DataFrame, *, no_outcomes: str = "") -> None:
    """An outcome by Utstein group, against what is expected, and from a landmark.

    Parameters: table, filtered cohort table with COLUMNS, excluded, station, shift, unit and hour; no_outcomes, why none is shown
    of these cases (qi.desk.over_time.Which), empty where they are.
    """
    if no_outcomes:
        st.info(no_outcomes)
        return
    if use.included(table).empty:
        st.write("There is no case whose outcome could be told.")
        return
    outcome = st.selectbox(
        "Outcome", list(OUTCOMES), format_func=OUTCOMES.__getitem__, key="outcome", index=list(OUTCOMES).index(_USUAL), width=420
    )
    st.write(said_of_missing(table, outcome))
    _utstein(table, outcome)
    _expected(table, outcome)
    _landmark(table, outcome)


_USUAL = use.SURVIVED_TO_DISCHARGE


def _utstein(table: pd.DataFrame, outcome: str) -> None:
    """Every Utstein group, the comparator among them, with dated figures of a registry as context."""
    st.subheader("By Utstein group", anchor=False)
    found = by_utstein(table, outcome)
    rows = shares_table([(one.group.label, one.tally) for one in found])
    places = {one.group.key: place for place, one in enumerate(found)}
    registry = [(places[one.group], one.value, one.words()) for one in published() if one.outcome == outcome]
    said = [one.words() for one in found]
    figure = partial(drawn.shares, rows, context=registry)
    st.plotly_chart(
        figure(dark=is_dark()),
        key=f"utstein-{outcome}",
        config={"displayModeBar": False},
        alt=" ".join(said),
    )
    st.caption(f"{CASE_SHARE} Bars are 95 % intervals (Wilson); hollow and grey with 10 to 29 cases. Groups overlap. {NOT_WHY}")
    with st.expander("In words"):
        over_said.bullets(said)
    told = dict.fromkeys(sentence for one in found for sentence in context(one.group.key, outcome))
    if told:
        with st.expander("What a registry published, as context"):
            over_said.bullets(told)
    over_tables.show(
        f"{OUTCOMES[outcome]} by Utstein group",
        rows,
        says=f"{OUTCOMES[outcome]} by Utstein group, of the cases whose outcome is known. {CASE_SHARE} {NOT_WHY}",
        shared=Shared(made=lambda: shared.outcomes(table), note=_TOGETHER),
        key=f"utstein-{outcome}",
        picture=figure,
        named=_SHARES,
        percent=("value", "low", "high"),
    )


@pages.fragment("see_trends")
def _expected(table: pd.DataFrame, outcome: str) -> None:
    """Observed over expected of groups that are known before the crew's care begins."""
    st.subheader("Observed over expected", anchor=False)
    by = st.segmented_control(
        "By", OFFERED, format_func=lambda way: WAYS[way].label, key="outcomes-by", default=OFFERED[0], required=True
    )
    by = by or OFFERED[0]
    st.caption(f"Not offered: {', '.join(WAYS[one].label.lower() for one in REFUSED)}. {WHY}")
    try:
        reference = reference_of(table, outcome, name=OWN)
    except NotMeasurable as why:
        st.write(f"Not drawn: {why}.")
        return
    found = [replace(one, group=full_name(by, one.group)) for one in observed_expected(table, outcome, by, reference)]
    rows = ratios_table(found)
    said = [one.words() for one in found]
    figure = partial(drawn.ratios, rows)
    st.plotly_chart(
        figure(dark=is_dark()),
        key=f"expected-{outcome}-{by}",
        config={"displayModeBar": False},
        alt=" ".join(said),
    )
    st.caption(
        f"Expected: how many of a group's cases would have it if each Utstein stratum had the share of {OWN}, of which the group "
        f"is a part. 1 is as expected. In order of names; there is no ranking. {CASE_SHARE}"
    )
    st.caption(f"The table holds each ratio drawn in beside it. {DRAWN_IN} {needed_of_outcome(reference.overall)}")
    far = [one for one in found if one.shown != COUNTS_ONLY and one.expected and not one.exact_low <= 1.0 <= one.exact_high]
    apart = far if 0.0 < reference.overall < 1.0 else []
    with st.expander("In words", expanded=bool(apart)):
        over_said.bullets([*said, *(words_of_outcome(one.group, one.observed, one.n, reference.overall) for one in apart)])
    over_tables.show(
        f"{OUTCOMES[outcome]}, observed over expected by {WAYS[by].label.lower()}",
        rows,
        says=f"{OUTCOMES[outcome]} against the rates of {OWN} by Utstein stratum. {CASE_SHARE} {NOT_WHY}",
        key=f"expected-{outcome}-{by}",
        picture=figure,
        named=_RATIOS,
        percent=("reliability",),
        digits=2,
    )
    over_tables.show(
        f"{OUTCOMES[outcome]}, observed and expected by {WAYS[by].label.lower()} and stratum",
        by_stratum(table, outcome, by, reference).assign(stratum=lambda rows: rows["stratum"].map(utstein.STRATA)),
        says=f"{OUTCOMES[outcome]}: what the ratios are made of. {CASE_SHARE} {NOT_WHY}",
        key=f"strata-{outcome}-{by}",
        named=_STRATA,
    )


@pages.fragment("see_trends")
def _landmark(table: pd.DataFrame, outcome: str) -> None:
    """The only view of an outcome beside something done during the arrest: from a landmark time, which is named."""
    st.subheader("From a landmark", anchor=False)
    st.caption(
        "The only way in which an outcome stands here beside something done during the arrest: of the cases still in arrest at a "
        "named time, those that had it by then and those that had not."
    )
    with st.container(horizontal=True, vertical_alignment="bottom"):
        factor = st.selectbox(
            "By then", list(FACTORS), format_func=lambda one: FACTORS[one].label, key="landmark-factor", width=220
        )
        minutes = st.number_input(
            "Landmark (min after the crew's first compression)", 1.0, 60.0, 10.0, 1.0, format="%.0f", key="landmark-min", width=330
        )
    found = landmark(table, outcome, factor, at_s=minutes * 60.0)
    st.markdown(f"**{found.title}**")
    rows = shares_table([(f"With {found.factor.label} by then", found.had), ("Without it by then", found.had_not)])
    figure = partial(drawn.shares, rows)
    if found.had.cases + found.had_not.cases:
        st.plotly_chart(
            figure(dark=is_dark()),
            key=f"landmark-{outcome}-{factor}",
            config={"displayModeBar": False},
            alt=found.words(),
        )
    st.write(found.words())
    over_tables.show(
        found.title,
        rows,
        says=f"{found.words()} {CASE_SHARE}",
        shared=Shared(why_not=_ANY_MINUTE),
        key=f"landmark-{outcome}-{factor}",
        picture=figure,
        named=_SHARES,
        percent=("value", "low", "high"),
    )
