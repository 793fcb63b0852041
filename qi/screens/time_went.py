"""Where the time went: pauses by cause, and the longest of them."""

import pandas as pd
import streamlit as st

from qi.charts import pause_cost
from qi.exports import csv_text
from qi.model.review import Review
from qi.model.words import amount
from qi.screens.shown_time import since
from qi.screens.theme import is_dark


def show(review: Review) -> None:
    """The chart, what holding the pauses would have given, and a table of the listed pauses."""
    pauses = review.findings.pauses
    limit_s = review.protocol.values["long_pause_s"]
    listed = pauses[pauses["seconds"] >= review.protocol.values["listed_pause_s"]].sort_values("seconds", ascending=False)
    left, right = st.columns([3, 2], gap="medium")
    with left:
        figure = pause_cost.figure(pauses, limit_s=limit_s, dark=is_dark())
        st.plotly_chart(figure, key="pause-cost", config={"displayModeBar": False}, alt=_said(pauses, limit_s))
        _gain(review)
    with right:
        if listed.empty:
            st.write(f"No pause of {review.protocol.values['listed_pause_s']:g} s or more was seen.")
            return
        st.dataframe(_table(review, listed), hide_index=True, height=min(320, 38 + 35 * len(listed)), key="pauses")
        st.download_button(
            "All pauses as CSV",
            lambda: csv_text.pauses(review),
            file_name=f"{review.case.id}-pauses.csv",
            mime="text/csv",
            on_click="ignore",
            type="tertiary",
            icon=":material/download:",
        )


def _said(pauses: pd.DataFrame, limit_s: float) -> str:
    if pauses.empty:
        return "No pause was seen"
    first = pause_cost.by_cause(pauses, limit_s=limit_s).iloc[0]
    return f"Most time without compressions went to: {str(first['cause']).replace('_', ' ')}, {first['seconds']:.0f} s"


def _gain(review: Review) -> None:
    fraction, held = review.of("compression_fraction"), review.of("fraction_if_pauses_held", "all")
    if fraction.value is None or held.value is None or not held.number.n:
        return
    st.write(
        f"Had each of the {held.number.n} long pauses been held to its limit, hands would have been on the chest "
        f"{amount(held.value, '1')} of the time instead of {amount(fraction.value, '1')} ({held.number.remark})."
    )


def _table(review: Review, listed: pd.DataFrame) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "at": [since(review, start) for start in listed["start_s"]],
            "seconds": listed["seconds"].round(1).to_numpy(),
            "cause": [cause.replace("_", " ") for cause in listed["cause"]],
            "also near": [", ".join(causes.split(" ")[1:]).replace("_", " ") for causes in listed["causes"]],
        }
    )
