"""What the page over time reads, kept in memory for as long as the table stays as it is."""

from collections.abc import Collection, Sequence

import pandas as pd
import streamlit as st

from qi.desk import limits, over_time
from qi.desk.known_arrests import over_choice
from qi.desk.over_time import Shown, Which
from qi.desk.plans import plan_of
from qi.library.library import Library
from qi.screens import caches
from qi.trends.baselines import Plan
from qi.trends.series import Subject


def table_of(shown: Shown, columns: Collection[str]) -> pd.DataFrame:
    """The cohort table with some measures' columns; to be read only.

    Raises: UnreadableFile.
    """
    return _read(shown.stamp, tuple(sorted(set(columns))), shown)


@caches.of_cases
@st.cache_resource(max_entries=4, show_spinner="Reading the cases …")
def _read(stamp: str, columns: tuple[str, ...], _shown: Shown) -> pd.DataFrame:
    del stamp  # what the cache tells one state of the table from another by
    return over_time.read(_shown, columns)


def subjects_of(shelf: Library, cases: pd.DataFrame | None = None) -> dict[str, Subject]:
    """Every measure that can be drawn, by its column, with what the protocols of the cases ask of it.

    Parameters: shelf; cases, those that are looked at; without them the limits are those of the default protocol.
    """
    return over_time.subjects(shelf, None if cases is None else limits.held_to(shelf, cases))


def plans_of(shelf: Library, subjects: Sequence[Subject], every: str) -> dict[str, Plan]:
    """What people set on the charts of several measures, by column."""
    kept = {one.chart for one in shelf.plans()}
    keys = {one.column: over_time.chart_key(one.column, every) for one in subjects}
    return {column: plan_of(shelf, key)[0] for column, key in keys.items() if key in kept}


def known_of(shelf: Library, which: Which) -> tuple[pd.DataFrame | None, str]:
    """Arrests that a list from dispatch or care records knows over a choice of cases, see qi.desk.known_arrests.over_choice."""
    if shelf.known_arrests().empty:
        return None, ""
    return over_choice(shelf, table_of(over_time.shown(shelf), ()), which)
