"""What the page over time reads, kept in memory for as long as the table stays as it is."""

from collections.abc import Collection, Sequence

import pandas as pd
import streamlit as st

from qi.desk import over_time
from qi.desk.known_arrests import for_capture
from qi.desk.over_time import Shown, Which
from qi.desk.plans import plan_of
from qi.library.library import Library
from qi.trends.baselines import Plan
from qi.trends.series import Subject


def table_of(shown: Shown, columns: Collection[str]) -> pd.DataFrame:
    """The cohort table with some measures' columns; to be read only.

    Raises: UnreadableFile.
    """
    return _read(shown.stamp, tuple(sorted(set(columns))), shown)


@st.cache_resource(max_entries=4, show_spinner="Reading the cases …")
def _read(stamp: str, columns: tuple[str, ...], _shown: Shown) -> pd.DataFrame:
    del stamp  # what the cache tells one state of the table from another by
    return over_time.read(_shown, columns)


def subjects_of(shelf: Library) -> dict[str, Subject]:
    """Every measure that can be drawn, by its column."""
    return over_time.subjects(shelf)


def plans_of(shelf: Library, subjects: Sequence[Subject], every: str) -> dict[str, Plan]:
    """What people set on the charts of several measures, by column."""
    kept = {one.chart for one in shelf.plans()}
    keys = {one.column: over_time.chart_key(one.column, every) for one in subjects}
    return {column: plan_of(shelf, key)[0] for column, key in keys.items() if key in kept}


def known_of(shelf: Library, cases: pd.DataFrame, which: Which) -> pd.DataFrame | None:
    """Arrests that a list from dispatch or care records knows, over the same agencies and months as the cases.

    Returns: case_id, year and month; None where there is no list, or where cases were chosen by what a list does not say.
    """
    real, _ = shelf.kinds_held()
    if not real or which.source != "all" or any(which.groups.values()):
        return None
    known = for_capture(shelf, cases)
    if known is None or known.empty:
        return None
    month = known["year"] * 100 + known["month"]
    first, last = (int(day[:4] + day[5:7]) if day else None for day in (which.first, which.last))
    inside = (month >= (first or 0)) & (month <= (last or 999912))
    return known[inside]
