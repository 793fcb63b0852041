"""For the crew: the sheet as they will get it, its words to be changed, sent; who has read it and what they answered."""

from collections.abc import Mapping

import streamlit as st

from qi.desk import sheets
from qi.feedback.sheet import ADDED, SECTIONS, Sheet, edited
from qi.feedback.three_errors import NAMES
from qi.library.journal import Version
from qi.library.library import Library
from qi.library.sheets import KeptSheet
from qi.model.errors import QiError
from qi.model.journal import FIRST, version_of
from qi.model.review import Review
from qi.screens import caches, case_choice, cautions, mailing, pages
from qi.screens.on_desk import has_opened, library, who
from qi.screens.taken import logged

SAID = "for-the-crew-said"  # what the last act was answered, kept over the run that follows it


@pages.guarded("send_feedback")
def show() -> None:
    """The sheet of the chosen case."""
    key = case_choice.show()
    st.header("For the crew", anchor=False)
    try:
        if key is None:
            st.write("The library holds no case yet.")
        else:
            _case(library(), key)
    except QiError as error:
        st.error(f"The sheet cannot be shown. {error}")
    cautions.show()


def _case(shelf: Library, key: str) -> None:
    versions = [one for one in shelf.versions(key) if one.reading == FIRST]
    if not versions:
        st.info("This case is not signed yet. A sheet is made from a signed case: what the crew reads must have been looked at.")
        pages.link("walkthrough", "Go to the case", case=key)
        return
    for text in st.session_state.pop(SAID, []):
        st.error(text)
    version = versions[-1]
    review, fresh = _made(key, str(shelf.folder), version.version, shelf)
    has_opened(shelf, key, "feedback")
    kept = shelf.sheets(key)
    last = kept[-1] if kept and kept[-1].version == version.version else None
    sheet, is_sent = (sheets.read(last), last.sent_at is not None) if last else (fresh, False)
    _standing(shelf, key, version, kept)
    _acts(shelf, key, sheet, review, version, is_sent=is_sent)
    mailing.about(shelf)
    st.html(_page(shelf, sheet, review).part())
    _answers(shelf, [one for one in kept if one.sent_at])
    _words(shelf, key, sheet, review, version, is_kept=last is not None)


@caches.of_cases
@st.cache_resource(max_entries=6, show_spinner="Writing the sheet …")
def _made(key: str, folder: str, version: int, _shelf: Library) -> tuple[Review, Sheet]:
    """The signed case and a fresh sheet of it; folder and version say which."""
    review, _ = sheets.signed(_shelf, key)
    return review, sheets.feedback.sheet(review, sheets.agency_of(_shelf, key, review))


def _page(shelf: Library, sheet: Sheet, review: Review) -> sheets.Page:
    """The sheet with the agency's banner, on its paper."""
    settings = shelf.settings
    return sheets.Page(sheet, sheets.picture(review), settings.banner, settings.paper)


def _standing(shelf: Library, key: str, version: Version, kept: list[KeptSheet]) -> None:
    """What the sheet is made of, and what was sent before."""
    said = [f"Made of version {version.version}, signed by {version.signed_by} on {version.signed_at:%d %b %Y}."]
    if not version_of(shelf.lines(key))[1]:
        said.append("The case was reopened since: changes come into the sheet when it is signed again.")
    sent = [one for one in kept if one.sent_at]
    if sent:
        said.append(
            f"Sheet {sent[-1].number} was sent on {sent[-1].sent_at:%d %b %Y} and stays as it was; this would be a new one."
        )
    st.caption(" ".join(said))


def _acts(shelf: Library, key: str, sheet: Sheet, review: Review, version: Version, *, is_sent: bool) -> None:
    """Download, and send what was not sent yet."""
    page = _page(shelf, sheet, review)
    now = shelf.now()
    members = review.case.facts.members
    with st.container(horizontal=True, gap="small", vertical_alignment="center"):
        st.download_button(
            "PDF",
            logged(shelf, lambda: page.pdf(at=now), "sheet, pdf", act="send_feedback", case=key),
            file_name=f"sheet-{review.case.id}.pdf",
            mime="application/pdf",
            on_click="ignore",
            icon=":material/download:",
            key="sheet-pdf",
        )
        st.download_button(
            "Web page",
            logged(shelf, lambda: page.html().encode(), "sheet, html", act="send_feedback", case=key),
            file_name=f"sheet-{review.case.id}.html",
            mime="text/html",
            on_click="ignore",
            icon=":material/download:",
            key="sheet-html",
        )
        if is_sent:
            return
        if st.button("Send to the crew", key="send-sheet", type="primary", icon=":material/send:"):
            _done(lambda: mailing.mail(shelf, sheets.send(shelf, key, sheet, review, version, who=who())))
        st.caption(
            f"{len(members)} crew members will find it under “My sheets”; none of them is named on it."
            if members
            else "The record names no crew: sending says that the sheet was handed over, on paper or in person."
        )


def _words(shelf: Library, key: str, sheet: Sheet, review: Review, version: Version, *, is_kept: bool) -> None:
    """Every sentence to be changed or left out, and room for more."""
    with st.expander("Change the words"):
        st.caption("A sentence in your words is marked as yours. The cautions, and the three errors, stay on the sheet.")
        with st.form(f"words-{key}-{version.version}", border=False):
            changes: dict[str, str | None] = {}
            added: dict[str, list[str]] = {}
            for name, title in SECTIONS.items():
                st.markdown(f"**{title}**")
                for said in getattr(sheet, name):
                    left, right = st.columns([6, 1], vertical_alignment="center")
                    label = NAMES.get(said.key, title)
                    text = left.text_area(label, said.text, key=f"text-{said.key}", height=68, label_visibility="collapsed")
                    left.caption(sheets.rests_on(said))
                    out = said.key not in NAMES and right.checkbox("Leave out", key=f"out-{said.key}")
                    if out or text.strip() != said.text:
                        changes[said.key] = None if out else text
                more = st.text_area("Add", key=f"add-{name}", height=68, placeholder="A sentence of your own, one a line")
                if more.strip():
                    added[name] = [line for line in more.splitlines() if line.strip()][:ADDED]
            if st.form_submit_button("Keep these words", type="primary"):
                _keep(shelf, key, sheet, review, version, changes, added)
        if is_kept and st.button("Write it afresh from the case", key="afresh"):
            _forget_fields()
            _done(
                lambda: sheets.keep(
                    shelf, key, _made(key, str(shelf.folder), version.version, shelf)[1], review, version, who=who()
                )
            )


def _keep(
    shelf: Library,
    key: str,
    sheet: Sheet,
    review: Review,
    version: Version,
    changes: Mapping[str, str | None],
    added: Mapping[str, list[str]],
) -> None:
    def keep() -> None:
        sheets.keep(shelf, key, edited(sheet, changes, added), review, version, who=who())
        _forget_fields()

    _done(keep)


def _forget_fields() -> None:
    """The fields show the sheet as it is kept from now on, and none of what was typed before."""
    for name in [str(name) for name in st.session_state]:
        if name.startswith(("text-", "out-", "add-")):
            del st.session_state[name]


def _done(act: object) -> None:
    """Do what a button asked for; a refusal is said on the page that follows."""
    try:
        if callable(act):
            act()
    except QiError as error:
        st.session_state[SAID] = [str(error)]
    st.rerun()


def _mail(shelf: Library, sheet: KeptSheet) -> None:
    if asked := mailing.show(shelf, sheet):
        _done(lambda: mailing.mail(shelf, sheet, again=asked == "again"))


def _answers(shelf: Library, sent: list[KeptSheet]) -> None:
    """Of each sheet that was sent, who has read it and what they answered; nobody is named."""
    if not sent:
        return
    st.subheader("Sent, read, answered", anchor=False)
    for one in reversed(sent):
        names = sheets.masked(one)
        with st.container(border=True):
            st.markdown(f"**Sheet {one.number}**, sent on {one.sent_at:%d %b %Y, %H:%M} UTC by {one.sent_by}")
            read = [f"{names[crew]} on {at:%d %b %Y}" for crew, at in one.crew.items() if at]
            if one.crew:
                st.caption(f"Read by {len(read)} of {len(one.crew)}{': ' + ', '.join(read) if read else ''}.")
            else:
                st.caption("Handed over by other means: the record names no crew.")
            _mail(shelf, one)
            for answer in one.answers:
                st.caption(f"{names.get(answer.crew, 'crew member')}, {answer.at:%d %b %Y, %H:%M} UTC")
                st.text(answer.text)
