"""Out: the case as files that others can open, with or without identity. Made when asked for."""

from collections.abc import Callable

import streamlit as st

from qi.desk import out
from qi.model.people import may
from qi.model.review import Review
from qi.screens.beside import beside
from qi.screens.on_desk import OnDesk, person
from qi.screens.taken import logged
from qi.serving.given import Given


def show(desk: OnDesk, review: Review) -> None:
    """One button a file, of those that the person may take out."""
    asking = person()
    if not may(asking, "export"):
        return
    with st.expander("Take the case out as files"):
        st.caption(
            "With identity: for use inside the agency. Without: elapsed time and year only, no free text, a new random number."
        )
        name, banner = review.case.id, desk.library.settings.banner

        def given(made: Callable[[], bytes], what: str, act: str = "export_identity") -> Given:
            return logged(desk.library, made, what, act=act, case=desk.key)

        places = list(beside(2))
        if may(asking, "export_identity"):
            with places.pop(0):
                st.markdown("**With identity**")
                _file(
                    "Waveforms and events, EDF+",
                    given(lambda: out.edf(review, banner=banner), "edf+, with identity"),
                    f"{name}.edf",
                    "application/octet-stream",
                )
                _file(
                    "Measures and events, CSV and Parquet, with a codebook",
                    given(lambda: out.tables(review, banner=banner), "tables, with identity"),
                    f"{name}-tables.zip",
                    "application/zip",
                )
                _file(
                    "Measures, FHIR R4 bundle",
                    given(lambda: out.fhir(review, banner=banner), "fhir, masked"),
                    f"{name}-fhir.json",
                    "application/fhir+json",
                )
        with places.pop(0):  # the first place, where nothing stands in it
            st.markdown("**Without identity**")
            st.caption("A rare event in a small place can still be known again: look at what you share.")
            _file(
                "The case, to be shared",
                given(lambda: out.shareable(review, banner=banner), "shared case, without identity", "export"),
                "shared-case.zip",
                "application/zip",
            )


def _file(label: str, made: Given, name: str, mime: str) -> None:
    st.download_button(
        label, made, file_name=name, mime=mime, on_click="ignore", type="tertiary", icon=":material/download:", key=f"out-{label}"
    )
