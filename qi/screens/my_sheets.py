"""My sheets: what a crew member gets of their own cases and of no other; to be read, marked as read, and answered."""

from collections.abc import Collection

import streamlit as st

from qi.desk import sheets
from qi.library.library import Library
from qi.library.sheets import LONGEST_ANSWER, KeptSheet
from qi.model.errors import QiError
from qi.screens import cautions, fields, pages
from qi.screens.on_desk import has_opened, library, person, who
from qi.screens.taken import logged

SAID = "my-sheets-said"  # what the last act was answered, kept over the run that follows it


@pages.guarded("read_own_sheets")
def show() -> None:
    """The sheets sent to the person who is signed in."""
    st.header("My sheets", anchor=False)
    try:
        _mine(library(), person().crew_ids)
    except QiError as error:
        st.error(f"The sheets cannot be shown. {error}")
    cautions.show()


def _mine(shelf: Library, crew: Collection[str]) -> None:
    if not crew:
        st.info(
            "No crew number is kept beside your name, or your sign-in does not say of which one agency it is, so no sheet finds "
            "you: ask whoever looks after the list of people."
        )
        return
    found = shelf.sheets_for(crew)
    if not found:
        st.write("No sheet has been sent to you yet.")
        return
    for level, text in st.session_state.pop(SAID, []):
        (st.error if level == "error" else st.success)(text)
    one = _chosen(found, crew)
    settings = shelf.settings
    page = sheets.page_of(one, settings.banner, settings.paper)
    has_opened(shelf, one.case_key, "sheet")
    st.html(page.part())
    st.download_button(
        "PDF",
        logged(shelf, lambda: page.pdf(at=one.sent_at), "sheet, pdf", act="read_own_sheets", case=one.case_key),
        file_name="sheet.pdf",
        mime="application/pdf",
        on_click="ignore",
        icon=":material/download:",
        key=_field("my-sheet-pdf", one),
    )
    _read(shelf, one, crew)
    _answer(shelf, one, crew)


def _chosen(found: list[KeptSheet], crew: Collection[str]) -> KeptSheet:
    """One of the sheets; the address names it, so that a link leads to it."""
    names = {f"{one.case_key}.{one.number}": one for one in found}
    asked = f"{st.query_params.get('case', '')}.{st.query_params.get('sheet', '')}"
    if asked in names and st.session_state.get("sheet-of-address") != asked:
        st.session_state["my-sheet"] = asked

    def label(name: str) -> str:
        one = names[name]
        unread = "" if _is_read(one, crew) else " · not read yet"
        return f"Case {one.body['case']}, sent on {one.sent_at:%d %b %Y}{unread}"

    chosen = st.selectbox("Sheet", list(names), format_func=label, key="my-sheet")
    st.query_params["case"], _, st.query_params["sheet"] = chosen.rpartition(".")
    st.session_state["sheet-of-address"] = chosen
    return names[chosen]


def _field(name: str, one: KeptSheet) -> str:
    return fields.of_case(name, one.case_key, one.number)


def _own(one: KeptSheet, crew: Collection[str]) -> set[str]:
    """Which of the numbers that a sheet went to are the person's."""
    return {name for name in one.crew if name.strip().lower() in {each.strip().lower() for each in crew}}


def _is_read(one: KeptSheet, crew: Collection[str]) -> bool:
    return any(one.crew[name] for name in _own(one, crew))


def _read(shelf: Library, one: KeptSheet, crew: Collection[str]) -> None:
    if _is_read(one, crew):
        st.caption("You have marked this sheet as read.")
    elif st.button("I have read it", key=_field("mark-read", one), type="primary"):
        _done(lambda: shelf.mark_read(one.case_key, one.number, crew, who=who()), "Thank you: marked as read.")


def _answer(shelf: Library, one: KeptSheet, crew: Collection[str]) -> None:
    """What the person has answered, and room for more; what others answered is for the reviewer alone."""
    for answer in one.answers:
        if answer.crew in _own(one, crew):
            st.caption(f"You answered on {answer.at:%d %b %Y, %H:%M} UTC")
            st.text(answer.text)
    with st.form(_field("answer", one), clear_on_submit=True, border=False):
        key = _field("answer-text", one)
        text = st.text_area("Answer the reviewer", max_chars=LONGEST_ANSWER, height=110, key=key)
        st.caption("The reviewer sees it as from one of the crew of this case. Write nothing of the patient.")
        if st.form_submit_button("Send the answer") and text.strip():
            _done(
                lambda: shelf.answer_sheet(one.case_key, one.number, crew, text, who=who()),
                "Thank you: the reviewer has your answer.",
            )


def _done(act: object, thanks: str) -> None:
    """Do what a button asked for; what came of it is said on the page that follows."""
    try:
        if callable(act):
            act()
        st.session_state[SAID] = [("success", thanks)]
    except QiError as error:
        st.session_state[SAID] = [("error", str(error))]
    st.rerun()
