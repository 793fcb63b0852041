"""Everything that can be corrected as a table, for whoever looks for words rather than for a place on the waveform."""

from collections.abc import Callable
from typing import Any, Literal

import pandas as pd
import streamlit as st

from qi.desk import correcting
from qi.model.review import Review
from qi.screens import remembered
from qi.screens.on_desk import OnDesk
from qi.screens.shown_time import since


def show(desk: OnDesk, review: Review, *, editable: bool) -> None:
    """Pauses, shocks, arrest and every charted event, folded away; a chosen row can be corrected in the form beside the journal."""
    things = remembered.of(review, "things", lambda: correcting.things(review))
    with st.expander(f"Everything found and charted, as a table ({len(things)})"):
        if things.empty:
            st.caption("Nothing was found or charted.")
            return
        if editable:
            st.caption("Choose a row to correct it: the form stands under the waveforms.")
        key = desk.field(f"things-{desk.revision}")
        selected: Literal["ignore"] | Callable[[], None] = (lambda: pick(things, key)) if editable else "ignore"
        st.dataframe(
            _table(review, things),
            hide_index=True,
            key=key,
            on_select=selected,
            selection_mode="single-row",
            height=min(320, 38 + 35 * len(things)),
            column_config={
                "at": st.column_config.TextColumn(width=64),
                "lasts": st.column_config.TextColumn(width=70),
                "what": st.column_config.TextColumn(width=160),
                "told by": st.column_config.TextColumn(width=170),
            },
            alt="Everything found and charted, in order of time",
        )


def pick(things: pd.DataFrame, key: str) -> None:
    """What is chosen in the table is picked as if it had been on the waveforms."""
    rows = st.session_state[key]["selection"]["rows"]
    if not rows:
        st.session_state.pop("picked", None)
        return
    row: Any = things.iloc[rows[0]]
    end = None if pd.isna(row["end_s"]) else float(row["end_s"])
    words = " ".join(part for part in (correcting.label(row["subject"]), str(row["value"]).replace("_", " ")) if part)
    st.session_state["picked"] = {
        "subject": row["subject"],
        "start_s": float(row["start_s"]),
        "end_s": end,
        "value": row["value"] or None,
        "words": words,
        "person": bool(row["by_person"]),
    }
    st.query_params["t"] = f"{row['start_s']:.1f}"


def _table(review: Review, things: pd.DataFrame) -> pd.DataFrame:
    lasts = things["end_s"] - things["start_s"]
    return pd.DataFrame(
        {
            "at": [since(review, start) for start in things["start_s"]],
            "lasts": [f"{seconds:.1f} s" if seconds > 0 else "" for seconds in lasts],
            "what": [correcting.label(subject) for subject in things["subject"]],
            "value": [str(value).replace("_", " ") for value in things["value"]],
            "told by": [
                "a reviewer" if person else source for person, source in zip(things["by_person"], things["source"], strict=True)
            ],
            "words": things["text"].to_numpy(),
        }
    )
