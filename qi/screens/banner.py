"""The head of every page: the agency's own confidentiality wording, where library.toml has one."""

from contextlib import suppress

import streamlit as st

from qi.library import place, settings
from qi.model.errors import QiError


def show() -> None:
    """Write the banner as plain text; nothing where there is none.

    It is read from the settings' file itself, so that it stands over a page too that says why the library cannot be opened.
    """
    said = ""
    with suppress(QiError, OSError):  # what is wrong with the file is said on the page
        said = settings.read(place.library_folder()).banner
    if said:
        with st.container(border=True, horizontal_alignment="center", key="banner"):
            st.text(said, width="content")
