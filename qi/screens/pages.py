"""The app's pages, each for those who may do its act, by name, so that one can lead to another. app.py says which there are."""

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import wraps
from typing import Literal

import streamlit as st
from streamlit.navigation.page import Page

from qi.model.errors import QiError
from qi.model.people import ACTS, NOBODY, ROLES, may
from qi.screens import banner, cautions, entrance, on_desk


@dataclass(frozen=True)
class Named:
    """A page: name, which is its address too; its title and symbol; what shows it; the act (of qi.model.people.ACTS) it is for."""

    name: str
    title: str
    icon: str
    show: Callable[[], None]
    act: str


def navigate(named: Sequence[Named]) -> None:
    """Run the page that was asked for, under the agency's banner; without a sign-in, where one is needed, the way to it.

    Only pages that the person may see stand in the list. The others are there all the same, and say that they are not for them:
    that a page is not listed refuses nothing.

    Parameters: named, the first of them the app's first page.
    """
    banner.show()
    try:
        person = on_desk.person()
    except QiError as error:
        st.error(f"The app cannot be used. {error}")
        return
    if person != NOBODY and not person.one_person and st.session_state.get("came-in") != person.subject:
        st.session_state["came-in"] = person.subject
        on_desk.note("signed in", who=person.name, what=", ".join(ROLES[role] for role in sorted(person.roles)) or "no role")
    allowed = [one for one in named if may(person, one.act)]
    instead = entrance.show if person == NOBODY else None if allowed else entrance.without_roles
    found = {one.name: _page(one, instead, listed=one in allowed, first=one is named[0]) for one in named}
    st.session_state["pages"] = {one.name: found[one.name] for one in allowed}
    if allowed and allowed[0] is not named[0]:  # the app's first page is not for them
        found[named[0].name] = _page(named[0], lambda: go(allowed[0].name), listed=False, first=True)
    asked = st.navigation(list(found.values()), position="hidden" if instead else "sidebar")
    if not instead and not person.one_person:
        entrance.name_and_way_out(person)
    asked.run()


def _page(one: Named, instead: Callable[[], None] | None, *, listed: bool, first: bool) -> Page:
    visibility: Literal["visible", "hidden"] = "visible" if listed else "hidden"
    show = instead or guarded(one.act)(one.show)
    return st.Page(show, title=one.title, icon=one.icon, url_path=one.name, default=first, visibility=visibility)


def guarded(act: str) -> Callable[[Callable[[], None]], Callable[[], None]]:
    """Mark a screen as one for those who may do something: for others it shows a refusal, however they came to it.

    Parameters: act, of qi.model.people.ACTS.
    """
    ACTS[act]

    def keep(show: Callable[[], None]) -> Callable[[], None]:
        @wraps(show)
        def shown() -> None:
            try:
                on_desk.must(act)
            except QiError as error:
                _refused(error)
                return
            show()

        return shown

    return keep


def _refused(error: QiError) -> None:
    """The whole page, for somebody who may not see it."""
    with suppress(QiError):
        on_desk.note("refused", who=on_desk.person().name, what="page")
    st.header("Not for this account", anchor=False)
    st.error(f"This is not shown: {error}.")
    cautions.show()


def link(name: str, label: str, **query: str) -> None:
    """A link to another page; nothing where a screen is shown alone, or where that page is not for the person."""
    page = st.session_state.get("pages", {}).get(name)
    if page is not None:
        st.page_link(page, label=label, query_params=query or None)


def go(name: str, **query: str) -> None:
    """Go to another page at once."""
    page = st.session_state.get("pages", {}).get(name)
    if page is not None:
        st.switch_page(page, query_params=query)
