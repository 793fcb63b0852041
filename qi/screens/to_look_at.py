"""To look at: moments that a reviewer should see for themselves. Choosing one moves the close-up there."""

import pandas as pd
import streamlit as st

from qi import pipeline
from qi.model.review import Review
from qi.screens import remembered
from qi.screens.shown_time import since


def show(review: Review) -> None:
    """The list, or a line that says there is nothing on it."""
    moments = remembered.of(review, "to look at", lambda: pipeline.to_look_at(review))
    if moments.empty:
        st.caption("Nothing that the sensors disagree on, and nothing else that asks for a second look.")
        return
    st.caption("Choose a row to see it in the close-up. These are prompts, not verdicts.")
    shown = pd.DataFrame(
        {
            "at": [since(review, start) for start in moments["start_s"]],
            "what": moments["what"].to_numpy(),
            "why": moments["why"].to_numpy(),
        }
    )
    key = f"look-{review.case.id}"
    st.dataframe(
        shown,
        hide_index=True,
        key=key,
        on_select=lambda: _go(moments, key),
        selection_mode="single-row",
        height=38 + 35 * min(len(shown), 8),
        column_config={"what": st.column_config.TextColumn(width="medium"), "why": st.column_config.TextColumn(width="large")},
    )
    chosen = st.session_state[key]["selection"]["rows"] if key in st.session_state else []
    if chosen:
        st.write(f"{moments['what'].iloc[chosen[0]]}: {moments['why'].iloc[chosen[0]]}.")


def _go(moments: pd.DataFrame, key: str) -> None:
    rows = st.session_state[key]["selection"]["rows"]
    if rows:
        st.query_params["t"] = f"{moments['start_s'].iloc[rows[0]]:.1f}"
