"""People: who may use the app, with which roles, and whose crew numbers they have; somebody is added and ended, never deleted."""

from collections.abc import Callable, Sequence

import pandas as pd
import streamlit as st

from qi.library.library import Library
from qi.library.people import Listed
from qi.model.errors import QiError
from qi.model.people import ROLES
from qi.screens import at_rest, cautions, pages
from qi.screens.on_desk import library, person, who

PLACE = "people-said"  # what the last act was answered, kept over the run that follows it


@pages.guarded("manage_people")
def show() -> None:
    """The list, a form to add somebody, and the ways to end an entry and to say of which agency a crew number is."""
    st.header("People", anchor=False)
    at_rest.show()
    try:
        _page(library())
    except QiError as error:
        st.error(f"The list cannot be used. {error}")
    cautions.show()


def _page(shelf: Library) -> None:
    read = shelf.settings.sign_in
    if person().one_person:
        st.write("The app serves you alone, at this machine. Whoever is listed here may sign in once it serves others (README.md).")
    if read.roles_claim:
        st.info(f"Roles come from the sign-in itself (claim “{read.roles_claim}”, library.toml); roles listed here do not count.")
    for text in st.session_state.pop(PLACE, []):
        st.error(text)
    for text in shelf.people.doubts(read):
        st.warning(text)
    listed, agencies = shelf.people.all(), shelf.people.agencies()
    in_force = [one for one in listed if one.ended_at is None]
    _table(listed)
    left, right = st.columns(2)
    with left:
        _add(shelf, agencies)
    with right:
        _end(shelf, in_force)
        _bind(shelf, [one for one in in_force if one.crew_ids], agencies)


def _table(listed: Sequence[Listed]) -> None:
    if not listed:
        st.caption("Nobody is listed yet.")
        return
    rows = [
        {
            "entry": one.number,
            "name": one.name,
            "signs in as": one.subject,
            "roles": ", ".join(ROLES[role] for role in one.roles),
            "crew number": ", ".join(one.crew_ids),
            "of agency": one.agency,
            "since": f"{one.added_at:%d %b %Y}, by {one.added_by}",
            "ended": f"{one.ended_at:%d %b %Y}, by {one.ended_by}" if one.ended_at else "",
        }
        for one in listed
    ]
    st.dataframe(pd.DataFrame(rows), hide_index=True, key="people", height=min(600, 38 + 35 * len(rows)), alt="People and roles")


def _add(shelf: Library, agencies: Sequence[str]) -> None:
    st.subheader("Add somebody", anchor=False)
    with st.form("add-person", clear_on_submit=False):
        name = st.text_input("Name", max_chars=80, help="Stands under what they write.")
        subject = st.text_input("E-mail, or subject of the sign-in", max_chars=255)
        roles = st.multiselect("Roles", list(ROLES), format_func=ROLES.__getitem__)
        numbers = st.text_input("Crew numbers", max_chars=255, help="As care records have them, commas between; for crew only.")
        agency = _agency(agencies, "add-agency")
        if st.form_submit_button("Add"):
            given = numbers.split(",")
            _done(lambda: shelf.people.add(subject, name=name, roles=roles, crew_ids=given, agency=agency, who=who()))


def _end(shelf: Library, listed: Sequence[Listed]) -> None:
    st.subheader("End an entry", anchor=False)
    if not listed:
        st.caption("Nobody to end.")
        return
    names = {one.subject: f"{one.name} ({one.subject})" for one in listed}
    subject = st.selectbox("Whose", list(names), format_func=names.__getitem__, key="end-whose")
    st.caption("From their next act on they may do nothing. What they wrote stays under their name.")
    if st.button(f"End the entry of {names[subject]}", key="end"):
        _done(lambda: shelf.people.end(subject, who=who()))


def _bind(shelf: Library, listed: Sequence[Listed], agencies: Sequence[str]) -> None:
    if not listed:
        return
    st.subheader("Agency of a crew number", anchor=False)
    names = {one.subject: f"{one.name} ({', '.join(one.crew_ids)})" for one in listed}
    with st.form("bind"):
        subject = st.selectbox("Whose number", list(names), format_func=names.__getitem__, key="bind-whose")
        agency = _agency(agencies, "bind-agency")
        st.caption("The entry ends, and one that says the agency takes its place.")
        if st.form_submit_button("Keep the agency"):
            _done(lambda: shelf.people.bind(subject, agency=agency, who=who()))


def _agency(agencies: Sequence[str], key: str) -> str:
    """Of which agency crew numbers are: one that the library knows, or another; empty for none."""
    chosen = st.selectbox(
        "Agency of the crew numbers",
        list(agencies),
        index=None,
        accept_new_options=True,
        placeholder="needed as soon as the library knows several",
        help="Written as the cases have it: two agencies may use the same numbers, and the crew see sheets of their own alone.",
        key=key,
    )
    return chosen or ""


def _done(act: Callable[[], object]) -> None:
    """Do what was asked for; a refusal is told at the head of the page."""
    try:
        act()
    except QiError as error:
        st.session_state[PLACE] = [f"Not done: {error}"]
    st.rerun()
