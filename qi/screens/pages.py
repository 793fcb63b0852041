"""The app's pages, each for those who may do its act, by name, so that one can lead to another. app.py says which there are."""

import logging
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import wraps
from typing import Literal, ParamSpec

import streamlit as st
from streamlit.navigation.page import Page

from qi.model.errors import QiError
from qi.model.people import ACTS, NOBODY, ROLES, may
from qi.screens import banner, cautions, entrance, kept_case, on_desk

_LOG = logging.getLogger(__name__)
Given = ParamSpec("Given")


@dataclass(frozen=True)
class Named:
    """A page: name, which is its address too; its title and symbol; what shows it; the act (of qi.model.people.ACTS) it is for;
    what its address names a case by (of qi.screens.kept_case), empty for a page that is not about a case.
    """

    name: str
    title: str
    icon: str
    show: Callable[[], None]
    act: str
    case: str = ""


def navigate(named: Sequence[Named]) -> None:
    """Run the page that was asked for, under the agency's banner; without a sign-in, where one is needed, the way to it.

    Only pages that the person may see stand in the list. The others are there all the same, and say that they are not for them:
    that a page is not listed refuses nothing. The first page's name as an address leads to it.

    Parameters: named, the first of them the app's first page.
    """
    banner.show()
    try:
        person = on_desk.person()
    except QiError as error:
        _LOG.error("The app cannot be used: %s", error)
        st.error("The app cannot be used: the library or its settings cannot be read. Whoever runs it finds why in its log.")
        cautions.show()
        return
    if person != NOBODY and not person.one_person and st.session_state.get("came-in") != person.subject:
        st.session_state["came-in"] = person.subject
        told = ", ".join(ROLES[role] for role in sorted(person.roles))
        # what an account without a role calls itself is not written beside the names of those who have one
        on_desk.note("signed in", who=person.name if told else "unknown person", what=told or "no role")
    allowed = [one for one in named if may(person, one.act)]
    instead = entrance.show if person == NOBODY else None if allowed else entrance.without_roles
    found = {one.name: _page(one, instead or guarded(one.act)(one.show), listed=one in allowed) for one in named}
    first = named[0]
    home = guarded(first.act)(first.show) if first in allowed else lambda: go(allowed[0].name)  # it is not for everybody
    found[first.name] = _page(first, instead or home, listed=first in allowed, default=True)
    st.session_state["pages"] = {one.name: found[one.name] for one in allowed}
    by_name = _page(first, instead or guarded(first.act)(lambda: go(first.name)), listed=False)
    asked = st.navigation([*found.values(), by_name], position="hidden" if instead else "sidebar")
    if not instead:
        kept_case.put_back(next((one.case for one in allowed if one.name == asked.url_path), ""))
        if not person.one_person:
            entrance.name_and_way_out(person)
    asked.run()


def _page(one: Named, show: Callable[[], None], *, listed: bool, default: bool = False) -> Page:
    """A page under its name as address; the app's first page stands at the root, and its name leads there."""
    visibility: Literal["visible", "hidden"] = "visible" if listed else "hidden"
    address = "" if default else one.name
    return st.Page(show, title=one.title, icon=one.icon, url_path=address, default=default, visibility=visibility)


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
            with suppress(QiError):  # the page itself says that the library cannot be used
                on_desk.follow_removals()
            show()

        return shown

    return keep


def fragment(act: str) -> Callable[[Callable[Given, None]], Callable[Given, None]]:
    """Mark a part of a page that runs by itself: where the person may not see it any more, the whole page follows and refuses.

    Parameters: act, of qi.model.people.ACTS, that the page is for.
    """
    ACTS[act]

    def keep(show: Callable[Given, None]) -> Callable[Given, None]:
        @st.fragment
        @wraps(show)
        def shown(*given: Given.args, **named: Given.kwargs) -> None:
            try:
                on_desk.must(act)
            except QiError:
                st.rerun()  # the whole page, which says why
            show(*given, **named)

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
