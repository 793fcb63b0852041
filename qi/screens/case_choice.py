"""The sidebar: who is reviewing, and which case. The address of the page says the case, so that a link leads back."""

import streamlit as st

from qi.library.worklist import Entry
from qi.model.errors import QiError
from qi.screens.on_desk import library, person, who

MOST = 300  # cases offered in the sidebar; the worklist finds all


def reviewer() -> None:
    """Who is reviewing: every line in a journal carries this name. Who signed in has one already."""
    known = st.session_state.get("reviewer", "")  # Streamlit forgets a field with its page; the reviewer's name must not be
    with st.sidebar:
        st.markdown("**Arrest review**")
        if not person().one_person:
            return
        st.session_state["reviewer"] = st.text_input(
            "Reviewer",
            value=known,
            key="who",
            placeholder=who(),
            help="Corrections, findings and signatures are written under this name.",
        )


def show() -> str | None:
    """Let the person choose a case of the library in the sidebar.

    Returns: the key of the case, or None where the library has none.
    """
    reviewer()
    try:
        entries = offered()
    except QiError as error:
        st.error(f"The library cannot be opened. {error}")
        return None
    if not entries:
        return None
    keys = list(entries)
    asked = st.query_params.get("case")
    if asked in keys and st.session_state.get("case-of-address") != asked:  # a link came in; the person's own choice comes after
        st.session_state["case-choice"] = asked
    with st.sidebar:
        chosen = st.selectbox("Case", keys, format_func=lambda key: _label(entries[key]), key="case-choice")
        if chosen != asked:
            for name in ("t", "measure", "reading"):
                st.query_params.pop(name, None)
        st.query_params["case"] = st.session_state["case-of-address"] = chosen
        if entries[chosen].invented:
            st.caption("This case is invented. No real call, person or place is in it.")
    return chosen


def offered() -> dict[str, Entry]:
    """The cases to choose from by key: the first of the worklist, and the one that the address names."""
    shelf = library()
    entries = {entry.key: entry for entry in shelf.entries(limit=MOST)}
    asked = st.query_params.get("case")
    if asked and asked not in entries:
        entries[asked] = shelf.about(asked)
    return entries


def _label(entry: Entry) -> str:
    return f"{entry.case_id} · {entry.call_local:%d %b %Y}" if entry.call_local else entry.case_id
