"""What was read, how the clocks sit, and what a person should know of it."""

import pandas as pd
import streamlit as st

from qi.model.people import may
from qi.model.review import Review
from qi.model.words import clock
from qi.screens import pages
from qi.screens.on_desk import OnDesk, person
from qi.screens.quality import quality_of
from qi.screens.shown_time import since


def show(desk: OnDesk, review: Review) -> None:
    """Files, clocks, arrest edges and notes, folded away below the answer; opened by itself when something could not be read."""
    troubled = any(note.level == "error" for note in review.notes)
    count = sum(note.level in ("warning", "error") for note in review.notes)
    label = "What was read, and how sure the clocks are"
    with st.expander(f"{label} ({count} to look at)" if count else label, expanded=troubled):
        st.dataframe(_files(review), hide_index=True, key="files")
        pages.link("clocks", "Line up the clocks of this case", **desk.address)
        st.markdown("**How the arrest was placed in time**")
        for edge in review.findings.course.edges:
            st.write(f"{'Starts' if edge.side == 'start' else 'Ends'} at {since(review, edge.time_s)}: {edge.rule}.")
        st.markdown("**How much of each signal could be used**")
        st.dataframe(_quality(quality_of(desk, review)), hide_index=True, key="quality")
        if review.notes and may(person(), "bring_in"):  # their words may hold what stands in the files
            st.markdown("**Notes**")
            notes = [{"level": note.level, "where": note.where, "what": note.text} for note in review.notes]
            st.dataframe(
                pd.DataFrame(notes),
                hide_index=True,
                key="notes",
                column_config={"what": st.column_config.TextColumn(width="large")},
            )


def _quality(table: pd.DataFrame) -> pd.DataFrame:
    """Time of each sensor in each state, the good first."""
    if table.empty:
        return pd.DataFrame({"signal": [], "good": []})
    seconds = (table["end_s"] - table["start_s"]).groupby([table["sensor"], table["state"]]).sum().unstack(fill_value=0.0)
    states = ["good", *sorted(set(seconds.columns) - {"good"})]
    shown = {state: [clock(value) for value in seconds.get(state, pd.Series(0.0, seconds.index))] for state in states}
    return pd.DataFrame({"signal": list(seconds.index), **shown})


def _files(review: Review) -> pd.DataFrame:
    clocks = review.case.clocks
    rows = []
    for source in review.case.sources:
        told = clocks[source.clock]
        placed = (
            f"{told.offset_s:+.0f} s ± {told.uncertainty_s:.0f} s, {told.method}" if told.placed else f"not placed: {told.method}"
        )
        rows.append(
            {
                "file": source.file,
                "read as": f"{source.format}, {source.kind}",
                "covers": f"{since(review, source.start_s)} to {since(review, source.end_s)}" if told.placed else "–",
                "length": clock(source.end_s - source.start_s),
                "clock against the reference": placed,
            }
        )
    return pd.DataFrame(rows)
