"""Light or dark, as the person's browser shows the page."""

import streamlit as st


def is_dark() -> bool:
    """Whether the page is shown dark."""
    return st.context.theme.type == "dark"
