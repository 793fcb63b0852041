"""Out: the case as files that others can open, with or without identity. Made when asked for."""

from collections.abc import Callable

import streamlit as st

from qi.desk import out
from qi.model.review import Review
from qi.screens.beside import beside
from qi.screens.on_desk import OnDesk


def show(desk: OnDesk, review: Review) -> None:
    """One button a file."""
    with st.expander("Take the case out as files"):
        st.caption(
            "With identity: for use inside the agency. Without: elapsed time and year only, no free text, a new random number."
        )
        name = review.case.id
        left, right = beside(2)
        with left:
            st.markdown("**With identity**")
            _file("Waveforms and events, EDF+", lambda: out.edf(review), f"{name}.edf", "application/octet-stream")
            _file(
                "Measures and events, CSV and Parquet, with a codebook",
                lambda: out.tables(review),
                f"{name}-tables.zip",
                "application/zip",
            )
            _file("Measures, FHIR R4 bundle", lambda: out.fhir(review), f"{name}-fhir.json", "application/fhir+json")
        with right:
            st.markdown("**Without identity**")
            st.caption("A rare event in a small place can still be known again: look at what you share.")
            _file("The case, to be shared", lambda: out.shareable(review), "shared-case.zip", "application/zip")


def _file(label: str, made: Callable[[], bytes], name: str, mime: str) -> None:
    st.download_button(
        label, made, file_name=name, mime=mime, on_click="ignore", type="tertiary", icon=":material/download:", key=f"out-{label}"
    )
