"""Whether anybody else can read the library: a warning where it is so, for those who can do something about it."""

import streamlit as st

from qi.library import at_rest, database_place, place
from qi.model.people import may
from qi.screens.on_desk import person


def show() -> None:
    """One warning for each thing that lets others in; nothing where all is well.

    Its sentences name folders of this machine: for administrators, and for the one person of an app that nobody else can reach.
    """
    if not may(person(), "manage_people"):
        return
    folder = place.library_folder()
    for sentence in at_rest.warnings(folder, database_place.database_url(folder)):
        st.warning(sentence, icon=":material/lock_open:")
