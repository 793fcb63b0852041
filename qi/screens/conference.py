"""Conference: one case or three for teaching rounds, masked, in large type, shown part by part so that the room can think first.

Nothing on this page, in its address or in what is sent to the browser for it names a case, day, crew, unit, station or place: it is
made of qi.desk.conference alone, and what goes wrong is said without the words of an error.
"""

from functools import partial

import streamlit as st

from qi.desk import conference
from qi.desk.conference import Taught
from qi.model.errors import QiError
from qi.model.journal import version_of
from qi.screens import cautions, conference_parts, held, pages, remembered
from qi.screens.on_desk import on_desk
from qi.screens.theme import is_dark

LETTERS = ("Case A", "Case B", "Case C")
TOGETHER = "Side by side"
PARTS = ("Picture", "Words", "Measures", "Pauses", "Questions")
_KEPT = "conference-cases"  # keys of the cases on the wall, kept while the presenter is on another page


@pages.guarded("teach")
def show() -> None:
    """The cases that the address names."""
    st.set_page_config(initial_sidebar_state="collapsed")
    keys = _keys()
    if not keys:
        _how()
    else:
        _cases(keys)
    cautions.show()


def _keys() -> list[str]:
    """The library's own keys of the cases, as the address says them; else those of before."""
    asked = st.query_params.get("cases")
    given = asked if asked is not None else ",".join(st.session_state.get(_KEPT, []))
    keys = list(dict.fromkeys(key for key in (part.strip() for part in given.split(",")) if key))[: conference.MOST]
    st.session_state[_KEPT] = keys
    if keys and asked != ",".join(keys):
        st.query_params["cases"] = ",".join(keys)
    return keys


def _how() -> None:
    st.header("Conference", anchor=False)
    st.write(
        "One case, or three beside one another, without anything that names patient, crew, day or place. Choose them in the "
        "worklist before the room can see the screen, then press “Show masked, for teaching”."
    )
    pages.link("worklist", "Choose in the worklist")


def _cases(keys: list[str]) -> None:
    found: dict[str, Taught] = {}
    open_, gone = [], []
    for letter, key in zip(LETTERS, keys, strict=False):
        try:
            desk = on_desk(key, seen_in="conference view")
            review = desk.review()
            found[letter] = remembered.of(review, "for teaching", partial(conference.taught, review))
        except QiError:  # its words may name the case
            gone.append(letter)
            continue
        if not version_of(desk.lines)[1]:
            open_.append(letter)
    if found:
        shown, parts = _asked(found)
        _show(shown, parts)
        _signed([letter for letter in open_ if letter in shown])
    for letter in gone:
        st.error(f"{letter} cannot be shown: it is not in the library, or cannot be read.")


def _asked(found: dict[str, Taught]) -> tuple[dict[str, Taught], list[str]]:
    """Which cases and which parts of them the room sees."""
    with st.container(horizontal=True, vertical_alignment="bottom"):
        shown = found
        if len(found) > 1:
            choice = st.segmented_control("Cases", [TOGETHER, *found], key="conference-which", default=TOGETHER, required=True)
            shown = {choice: found[choice]} if choice in found else found
        parts = st.pills("Show", PARTS, selection_mode="multi", default=PARTS[:1], key="conference-parts")
    return shown, [part for part in PARTS if part in parts]


def _show(cases: dict[str, Taught], parts: list[str]) -> None:
    """The chosen parts in the order of the story; whatever is not chosen is not sent to the browser."""
    dark = is_dark()
    made = {
        "Picture": lambda: conference_parts.pictures_of(cases, dark=dark),
        "Words": lambda: conference_parts.words_of(cases),
        "Measures": lambda: conference_parts.measures_of(cases, held.SHAPES),
        "Pauses": lambda: conference_parts.pauses_of(cases, dark=dark),
        "Questions": lambda: conference_parts.questions_of(cases),
    }
    heads = [] if "Picture" in parts else [conference_parts.heading(letter, case) for letter, case in cases.items()]
    st.html(conference_parts.whole(*heads, *(made[part]() for part in parts)))


def _signed(open_: list[str]) -> None:
    said = "Times run from the first compression."
    if open_:
        said += f" Not signed yet, so that numbers may still change: {', '.join(open_)}."
    st.caption(said)
