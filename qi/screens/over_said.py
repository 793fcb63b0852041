"""Sentences under a chart, as a list, with names shown as they are."""

import re
from collections.abc import Iterable

import streamlit as st

_MARKUP = re.compile(r"([\\`*_\[\]$~<>|:])")


def bullets(sentences: Iterable[str]) -> None:
    """One list of sentences; signs that would be markup, as in the name of a station, stand as they are."""
    st.markdown("\n".join("- " + _MARKUP.sub(r"\\\1", one) for one in sentences))
