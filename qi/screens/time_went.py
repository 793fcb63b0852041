"""Where the time went: pauses by cause, and the longest of them, whose cause a reviewer sets in the table."""

import pandas as pd
import streamlit as st

from qi.charts import pause_cost
from qi.desk.correcting import correction
from qi.exports import csv_text
from qi.model.journal import REVIEWER
from qi.model.people import may
from qi.model.review import Review
from qi.model.vocabulary import PAUSE_CAUSES
from qi.model.words import amount
from qi.screens import correcting as correcting_screen
from qi.screens import remembered
from qi.screens.beside import beside
from qi.screens.on_desk import OnDesk, person
from qi.screens.shown_time import since
from qi.screens.taken import logged
from qi.screens.theme import is_dark

WHY = "cause given in the table of pauses"


def show(desk: OnDesk, review: Review, *, editable: bool) -> None:
    """The chart, what holding the pauses would have given, and a table of the listed pauses."""
    pauses = review.findings.pauses
    limit_s = review.protocol.values["long_pause_s"]
    listed = pauses[pauses["seconds"] >= review.protocol.values["listed_pause_s"]].sort_values("seconds", ascending=False)
    left, right = beside(2)
    with left:
        dark = is_dark()
        figure = remembered.of(review, f"pause cost, dark {dark}", lambda: pause_cost.figure(pauses, limit_s=limit_s, dark=dark))
        said = remembered.of(review, "pause cost, in words", lambda: _said(pauses, limit_s))
        st.plotly_chart(figure, key="pause-cost", config={"displayModeBar": False}, alt=said)
        _gain(review)
    with right:
        if listed.empty:
            st.write(f"No pause of {review.protocol.values['listed_pause_s']:g} s or more was seen.")
            return
        _causes(desk, review, listed, editable=editable)
        if may(person(), "export_identity"):
            banner = desk.library.settings.banner
            st.download_button(
                "All pauses as CSV",
                logged(
                    desk.library,
                    lambda: csv_text.pauses(review, banner=banner),
                    "events, csv, with identity",
                    act="export_identity",
                    case=desk.key,
                ),
                file_name=f"{review.case.id}-pauses.csv",
                mime="text/csv",
                on_click="ignore",
                type="tertiary",
                icon=":material/download:",
            )


def _causes(desk: OnDesk, review: Review, listed: pd.DataFrame, *, editable: bool) -> None:
    """The listed pauses, the longest first; a cause that is changed here becomes a correction at once."""
    if editable:
        st.caption("A cause can be changed in the table: click twice on it.")
    correcting_screen.refusal(correcting_screen.PAUSES)
    tries = st.session_state.get("pauses-anew", 0)  # a refused change must not stay in the table
    key = desk.field(f"pauses-{desk.revision}" + (f"-{tries}" if tries else ""))
    st.data_editor(
        _table(review, listed),
        hide_index=True,
        num_rows="fixed",
        height=min(320, 38 + 35 * len(listed)),
        key=key,
        disabled=["at", "seconds", "also near", "told by"] if editable else True,
        column_config={
            "at": st.column_config.TextColumn(width=64),
            "seconds": st.column_config.NumberColumn(width=72, format="%.1f"),
            "cause": st.column_config.SelectboxColumn(options=[_plain(cause) for cause in PAUSE_CAUSES], required=True, width=130),
        },
        on_change=_changed,
        args=(desk, review, listed, key),
        alt="Pauses, the longest first, with their causes",
    )


def _changed(desk: OnDesk, review: Review, listed: pd.DataFrame, key: str) -> None:
    """Each changed cause as a correction of its pause."""
    made = []
    for row, cells in st.session_state[key]["edited_rows"].items():
        pause = listed.iloc[int(row)]
        cause = str(cells.get("cause", "")).replace(" ", "_")
        if cause and cause != pause["cause"]:
            start, end = float(pause["start_s"]), float(pause["end_s"])
            made.append(correction(review, "relabel", "pause", start, end, why=WHY, value=cause))
    if made and not correcting_screen.write(desk, *made, place=correcting_screen.PAUSES):
        st.session_state["pauses-anew"] = st.session_state.get("pauses-anew", 0) + 1


def _plain(cause: str) -> str:
    return cause.replace("_", " ")


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
            "cause": [_plain(cause) for cause in listed["cause"]],
            "told by": ["a reviewer" if by == REVIEWER else "found" for by in listed["cause_by"]],
            "also near": [_plain(", ".join(causes.split(" ")[1:])) for causes in listed["causes"]],
        }
    )
