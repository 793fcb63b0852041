"""Signal quality of the case on the desk, worked out once for as long as its sensors are believed alike."""

import pandas as pd
import streamlit as st

from qi import pipeline
from qi.model.review import Review
from qi.screens import caches
from qi.screens.on_desk import OnDesk


def quality_of(desk: OnDesk, review: Review) -> pd.DataFrame:
    """QUALITY table of the case."""
    marked = tuple((one.number, one.span) for one in review.corrections if one.subject == "artefact")
    return _quality(f"{desk.opened.token}|{marked}", review)


@caches.of_cases
@st.cache_data(max_entries=8, show_spinner=False)
def _quality(key: str, _review: Review) -> pd.DataFrame:
    return pipeline.quality(_review)
