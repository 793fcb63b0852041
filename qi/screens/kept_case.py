"""The case and the reading that a person is at, put back into the address: Streamlit's list of pages leaves them out of it."""

import streamlit as st

from qi.model.errors import QiError
from qi.screens import on_desk

OF_ONE, OF_SEVERAL = "case", "cases"  # what the address of a page names its case or cases by
_LAST, _READING, _ON_THE_WALL = "case-of-address", "reading-of-address", "conference-cases"  # keys of the session's memory
_CHOICE = "case-choice"  # the field of the sidebar


def put_back(named_by: str) -> None:
    """Put the case that the person was at into the address of a page of a case that names none; with its reading.

    Cases that stand on the wall of a conference stay there.
    Parameters: named_by, OF_ONE or OF_SEVERAL; empty for a page that is not about a case.
    """
    if not named_by:
        return
    if named_by in st.query_params:
        if named_by == OF_ONE:
            st.session_state[_READING] = (st.query_params[OF_ONE], st.query_params.get("reading", ""))
        return
    key = st.session_state.get(_LAST, "")
    if not key or not _is_there(key):
        return
    if named_by == OF_SEVERAL:
        if not st.session_state.get(_ON_THE_WALL):
            st.query_params[OF_SEVERAL] = key
        return
    st.query_params[OF_ONE] = key
    case, reading = st.session_state.get(_READING, ("", ""))
    if reading and case == key:
        st.query_params["reading"] = reading
    st.session_state[_CHOICE] = key  # nothing is forgotten for it: a run may be broken off here and begin again without the case


def _is_there(key: str) -> bool:
    """Whether a case can still be opened: it may have been deleted meanwhile."""
    try:
        on_desk.library().about(key)
    except QiError:
        return False
    return True
