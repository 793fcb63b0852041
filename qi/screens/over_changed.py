"""What the last change of definitions did to the numbers: the earlier table is kept, and every case stands in both."""

import pandas as pd
import streamlit as st

from qi.desk import cohort
from qi.library.library import Library
from qi.screens import over_exports
from qi.screens.over_data import subjects_of
from qi.trends.series import Subject

MOST = 12  # measures shown, those first that changed in most cases


def show(shelf: Library) -> None:
    """The comparison, once somebody asks for it; nothing where definitions never changed."""
    kept = cohort.earlier(shelf)
    if not kept:
        return
    with st.expander("What the last change of definitions or protocol changed"):
        if not st.toggle("Compare", key="over-changed"):
            st.caption("Every case was measured anew. The earlier values are kept, and can be held against those shown here.")
            return
        changed = cohort.changed(shelf)
        rows = (
            pd.DataFrame()
            if changed is None
            else changed[(changed[["changed", "fresh", "lost", "verdicts_changed"]] > 0).any(axis=1)]
        )
        if rows.empty:
            st.write("No number and no verdict is another.")
            return
        st.dataframe(_named(rows.head(MOST), subjects_of(shelf)), hide_index=True, key="over-changed-table")
        if len(rows) > MOST:
            st.caption(f"{MOST} of {len(rows)} measures that changed, those in most cases first; all of them are in the file.")
        over_exports.offer(
            "changed-definitions",
            rows,
            says="Values under the definitions in force, less the earlier ones.",
            key="changed-out",
            shared=over_exports.Shared(),
        )


def _named(rows: pd.DataFrame, subjects: dict[str, Subject]) -> pd.DataFrame:
    units = [subjects[name].unit if name in subjects else "" for name in rows["measure"]]
    scale = [100.0 if unit == "1" else 1.0 for unit in units]
    return pd.DataFrame(
        {
            "measure": [subjects[name].label if name in subjects else name for name in rows["measure"]],
            "unit": ["%" if unit == "1" else unit for unit in units],
            "cases in both": rows["cases"].to_numpy(),
            "another value": rows["changed"].to_numpy(),
            "a value only now": rows["fresh"].to_numpy(),
            "only before": rows["lost"].to_numpy(),
            "median change": (rows["median_change"] * scale).round(2).to_numpy(),
            "largest change": (rows["largest_change"] * scale).round(2).to_numpy(),
            "another verdict": rows["verdicts_changed"].to_numpy(),
        }
    )
