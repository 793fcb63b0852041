"""Bundles of care over time: all-or-none, and each element beside it; what is missing is counted by itself."""

import math
from functools import partial

import pandas as pd
import streamlit as st

from qi.charts import bundles as drawn
from qi.model.errors import BadTable, NotMeasurable
from qi.screens import over_said, over_tables
from qi.screens.over_exports import BY_QUARTER, Shared
from qi.screens.theme import is_dark
from qi.trends import columns_used as use
from qi.trends import hidden_bundles
from qi.trends.averages import CASE_SHARE
from qi.trends.bundles import BundleResult, bundles, by_period, judge_bundle
from qi.trends.intervals import COUNTS_ONLY, Share

BUNDLES = {one.key: one for one in bundles()}
COLUMNS = tuple(dict.fromkeys(name for one in BUNDLES.values() for name in one.needed))
_ACCENTS = {"compressions": "chest", "shocks": "shock", "breaths": "breath", "itd": "device", "after_rosc": "circulation"}
_NAMES = {
    "label": "element",
    "period": "period",
    "count": "met",
    "n": "known",
    "missing": "missing",
    "not_asked": "not asked",
    "share": "share met",
    "low": "low (95 %)",
    "high": "high (95 %)",
}


def show(table: pd.DataFrame, every: str, *, no_outcomes: str = "") -> None:
    """A choice of bundle, its panels, and what they say.

    Parameters: table, filtered cohort table with COLUMNS, excluded, year and month; every, month or quarter; no_outcomes, why no
    outcome is shown of these cases (qi.desk.over_time.Which), empty where they are: a bundle that tells one is not shown either.
    """
    if use.included(table).empty:
        st.write("There is no case to hold a bundle against.")
        return
    key = st.segmented_control(
        "Bundle",
        list(BUNDLES),
        format_func=lambda one: BUNDLES[one].label,
        key="bundle",
        default=next(iter(BUNDLES)),
        required=True,
        wrap=True,
    )
    asked = BUNDLES[key or next(iter(BUNDLES))]
    if refused := asked.refused(no_outcomes):
        st.info(refused)
        return
    try:
        found = judge_bundle(table, asked)
    except NotMeasurable as why:
        st.write(f"Not drawn: {why}.")
        return
    except BadTable as why:
        st.write(f"Not drawn: {why}. The table of cases must be made anew to hold it.")
        return
    rows = by_period(table, found, every=every)
    st.write(found.words())
    figure = partial(drawn.figure, _parts(found), rows, accent=_ACCENTS.get(asked.key, "other"))
    st.plotly_chart(
        figure(dark=is_dark()),
        key=f"bundle-{asked.key}-{every}",
        config={"displayModeBar": False},
        alt=f"{found.words()} {' '.join(one.words() for one in found.elements)}",
    )
    st.caption(
        f"A point is a {every}; hollow and grey with 10 to 29 cases, none below 10; the line across is the share over all of them. "
        f"{CASE_SHARE} Elements: {asked.source}. Every {every} is held to the same edition, "
        f"{asked.edition}."
    )
    with st.expander("Each element in words"):
        over_said.bullets(
            one.words() + (f" In the record: {one.element.record}." if one.element.record else "") for one in found.elements
        )
    said = f"{asked.label}, edition {asked.edition}: every element asked, and each by itself. {CASE_SHARE}"
    over_tables.show(
        f"{asked.label}, by {every}",
        rows,
        says=said,
        shared=Shared(made=lambda: (hidden_bundles.quarters(table, found), said), note=BY_QUARTER),
        key=f"bundle-{asked.key}",
        picture=figure,
        named=_NAMES,
        percent=("share", "low", "high"),
    )


def _parts(found: BundleResult) -> list[drawn.Part]:
    """The whole bundle first, then its elements."""
    parts = [
        ("all", "Every element", found.all_or_none),
        *((one.element.key, one.element.label, one.share) for one in found.elements),
    ]
    return [drawn.Part(key, name, _share(one), one.n, one.missing) for key, name, one in parts]


def _share(one: Share) -> float:
    return math.nan if one.shown == COUNTS_ONLY else one.value
