"""The app's pages by name, so that one screen can lead to another. app.py says which there are."""

from collections.abc import Mapping

import streamlit as st
from streamlit.navigation.page import Page


def are(named: Mapping[str, Page]) -> list[Page]:
    """Remember the pages of this run.

    Returns: them, for the navigation.
    """
    st.session_state["pages"] = dict(named)
    return list(named.values())


def link(name: str, label: str, **query: str) -> None:
    """A link to another page; nothing where a screen is shown alone."""
    page = st.session_state.get("pages", {}).get(name)
    if page is not None:
        st.page_link(page, label=label, query_params=query or None)


def go(name: str, **query: str) -> None:
    """Go to another page at once."""
    page = st.session_state.get("pages", {}).get(name)
    if page is not None:
        st.switch_page(page, query_params=query)
