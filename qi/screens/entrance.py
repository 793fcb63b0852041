"""The way in and out: signing in, who is signed in, and what somebody sees whose account has no role here."""

import streamlit as st

from qi.model.people import ROLES, Person
from qi.screens import cautions, on_desk
from qi.serving import standing


def show() -> None:
    """What is shown to nobody in particular: what this is, and the way in. A sign-in that has ended is taken back first."""
    told = st.user.to_dict()
    if told.get("is_logged_in"):
        on_desk.note("signed out", who=str(told.get("name") or told.get("email") or told.get("sub") or "")[:80], what="expired")
        st.logout()
        st.stop()
    st.header("Arrest review", anchor=False)
    st.write("Review of resuscitations after the event. What is in here is for those whom the agency lets in.")
    for provider in standing.now().providers:
        label = f"Sign in with {provider}" if provider else "Sign in"
        if st.button(label, type="primary", key=f"sign-in-{provider}"):
            st.login(provider or None)
    cautions.show()


def without_roles() -> None:
    """What somebody sees who signed in and has no role here."""
    st.header("No role here", anchor=False)
    told = st.user.to_dict()
    st.write("This account has no role here. Ask the agency's administrator to add it to the list of people.")
    st.text(f"E-mail: {told.get('email') or 'not told'}. Subject: {told.get('sub') or 'not told'}.")
    _way_out()
    cautions.show()


def name_and_way_out(person: Person) -> None:
    """Who is signed in, as what, and the way out; in the sidebar."""
    with st.sidebar, st.container(horizontal=True, vertical_alignment="center"):
        st.text(f"{person.name}\n{', '.join(ROLES[role] for role in sorted(person.roles))}")
        _way_out()


def _way_out() -> None:
    if st.button("Sign out", key="sign-out", icon=":material/logout:"):
        on_desk.note("signed out", who=on_desk.person().name, what="")
        on_desk.sign_out()
        st.logout()
