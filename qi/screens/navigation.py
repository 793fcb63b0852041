"""From moment to moment: the next and the previous pause, shock, disagreement, long gap. The address says where."""

import pandas as pd
import streamlit as st

from qi.desk import moments
from qi.model.review import Review
from qi.screens import remembered
from qi.screens.shown_time import since


def moment_in_address() -> float | None:
    """The moment that the address names [s from case start]."""
    try:
        return float(st.query_params["t"])
    except (KeyError, ValueError):
        return None


def show(review: Review) -> None:
    """One kind of moment, and a step back or forward among its moments; the arrow keys with Alt do the same."""
    table = remembered.of(review, "moments", lambda: moments.moments(review))
    counts = table["kind"].value_counts()
    kinds = [kind for kind in moments.KINDS if counts.get(kind)]
    if not kinds:
        return
    here = moment_in_address()
    with st.container(horizontal=True, vertical_alignment="center", gap="small"):
        kind = st.segmented_control(
            "Go from one to the next",
            kinds,
            key="moments",
            default=kinds[0],
            required=True,
            format_func=lambda one: f"{moments.KINDS[one]} ({counts[one]})",
            label_visibility="collapsed",
        )
        before, after = (moments.beside(table, kind, here, ahead=ahead) for ahead in (False, True))
        st.button("Previous", key="previous", on_click=_go, args=(before,), disabled=before is None, shortcut="alt+left")
        st.button("Next", key="next", on_click=_go, args=(after,), disabled=after is None, shortcut="alt+right")
        st.caption(_where(review, table, kind, here))


def _where(review: Review, table: pd.DataFrame, kind: str, here: float | None) -> str:
    """The moment of that kind that the reviewer is at, in words."""
    at = table[(table["kind"] == kind) & ((table["start_s"] - (here if here is not None else -1e9)).abs() < 0.06)]
    return f"{since(review, at['start_s'].iloc[0])}: {at['words'].iloc[0]}" if len(at) else ""


def _go(to_s: float | None) -> None:
    if to_s is not None:
        st.query_params["t"] = f"{to_s:.1f}"
