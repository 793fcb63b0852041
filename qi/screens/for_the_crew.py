"""For the crew: the sheet as they will get it, its words to be changed, sent; who has read it and what they answered."""

from collections.abc import Callable
from dataclasses import dataclass

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
from qi.screens import caches, case_choice, cautions, fields, mailing, pages
from qi.screens.on_desk import has_opened, library, who
from qi.screens.taken import logged

SAID = "for-the-crew-said"  # what the last act was answered, kept over the run that follows it


@dataclass(frozen=True, eq=False)
class _Shown:
    """The sheet as it stands in this run, the signed case that it was made of, and all sheets that were kept of the case."""

    shelf: Library
    key: str
    version: Version
    review: Review
    sheet: Sheet
    kept: list[KeptSheet]

    @property
    def last(self) -> KeptSheet | None:
        """The sheet as it was kept; None where none of this version was."""
        return self.kept[-1] if self.kept and self.kept[-1].version == self.version.version else None

    @property
    def is_sent(self) -> bool:
        """Whether it went to the crew."""
        return self.last is not None and self.last.sent_at is not None

    @property
    def digest(self) -> str:
        """The same as long as it is the same sheet with the same words, not sent since."""
        words = [text for said in self.sheet.sentences for text in (said.key, said.text)]
        return fields.digest(self.version.version, len(self.kept), self.is_sent, *words)

    @property
    def is_another(self) -> bool:
        """Whether it is not the sheet any more that the page last showed of this case, so that nobody pressed anything for it."""
        return st.session_state.get(self._seen, self.digest) != self.digest

    def is_seen(self) -> None:
        """Remember, at the end of a page, which sheet its fields were drawn for."""
        st.session_state[self._seen] = self.digest

    def is_done(self) -> None:
        """After an act of the person's own another sheet is what they expect, and fields without what was typed before."""
        st.session_state.pop(self._seen, None)
        st.session_state[self._acts] = st.session_state.get(self._acts, 0) + 1

    def field(self, name: str, *of: str) -> str:
        """Key of a field, button or form for this sheet."""
        number = len(self.kept) + (not self.kept or self.kept[-1].sent_at is not None)
        return fields.of_case(name, self.key, self.version.version, number, st.session_state.get(self._acts, 0), *of)

    @property
    def _seen(self) -> str:
        return fields.of_case("sheet-seen", self.key)

    @property
    def _acts(self) -> str:
        return fields.of_case("sheet-acts", self.key)


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
    of_version = bool(kept) and kept[-1].version == version.version
    shown = _Shown(shelf, key, version, review, sheets.read(kept[-1]) if of_version else fresh, kept)
    if shown.is_another:
        st.warning(_changed(shown))
    _standing(shown)
    _acts(shown)
    mailing.about(shelf)
    st.html(_page(shown).part())
    _answers(shelf, [one for one in kept if one.sent_at])
    _words(shown)
    shown.is_seen()


def _changed(shown: _Shown) -> str:
    """Who made the sheet another one since the page showed it, and that nothing was done with it as it is now."""
    last = shown.last
    if last is None:
        how = "it was made anew from the signed case"
    elif last.sent_at:
        how = f"{last.sent_by} sent it on {last.sent_at:%d %b %Y, %H:%M} UTC"
    else:
        how = f"{last.made_by} kept other words on {last.made_at:%d %b %Y, %H:%M} UTC"
    return (
        f"This sheet is not the one any more that this page showed you before: {how}. Nothing that was pressed meanwhile was done. "
        "Read it as it is now, then press again; what you typed stands only where the sentence is still the same."
    )


@caches.of_cases
@st.cache_resource(max_entries=6, show_spinner="Writing the sheet …")
def _made(key: str, folder: str, version: int, _shelf: Library) -> tuple[Review, Sheet]:
    """The signed case and a fresh sheet of it; folder and version say which."""
    review, _ = sheets.signed(_shelf, key)
    return review, sheets.feedback.sheet(review, sheets.agency_of(_shelf, key, review))


def _page(shown: _Shown) -> sheets.Page:
    """The sheet with the agency's banner, on its paper."""
    settings = shown.shelf.settings
    return sheets.Page(shown.sheet, sheets.picture(shown.review), settings.banner, settings.paper)


def _standing(shown: _Shown) -> None:
    """What the sheet is made of, and what was sent before."""
    version = shown.version
    said = [f"Made of version {version.version}, signed by {version.signed_by} on {version.signed_at:%d %b %Y}."]
    if not version_of(shown.shelf.lines(shown.key))[1]:
        said.append("The case was reopened since: changes come into the sheet when it is signed again.")
    sent = [one for one in shown.kept if one.sent_at]
    if sent:
        said.append(
            f"Sheet {sent[-1].number} was sent on {sent[-1].sent_at:%d %b %Y} and stays as it was; this would be a new one."
        )
    st.caption(" ".join(said))


def _acts(shown: _Shown) -> None:
    """Download, and send what was not sent yet."""
    shelf, key, review = shown.shelf, shown.key, shown.review
    page = _page(shown)
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
            key=shown.field("sheet-pdf"),
        )
        st.download_button(
            "Web page",
            logged(shelf, lambda: page.html().encode(), "sheet, html", act="send_feedback", case=key),
            file_name=f"sheet-{review.case.id}.html",
            mime="text/html",
            on_click="ignore",
            icon=":material/download:",
            key=shown.field("sheet-html"),
        )
        if shown.is_sent:
            return
        if st.button("Send to the crew", key=shown.field("send-sheet"), type="primary", icon=":material/send:"):
            _act(shown, lambda: _send(shown))
        st.caption(
            f"{len(members)} crew members will find it under “My sheets”; none of them is named on it."
            if members
            else "The record names no crew: sending says that the sheet was handed over, on paper or in person."
        )


def _send(shown: _Shown) -> None:
    sent = sheets.send(shown.shelf, shown.key, shown.sheet, shown.review, shown.version, who=who())
    shown.is_done()
    mailing.mail(shown.shelf, sent)


def _words(shown: _Shown) -> None:
    """Every sentence to be changed or left out, and room for more."""
    with st.expander("Change the words"):
        st.caption("A sentence in your words is marked as yours. The cautions, and the three errors, stay on the sheet.")
        with st.form(shown.field("words"), border=False):
            changes: dict[str, str | None] = {}
            added: dict[str, list[str]] = {}
            for name, title in SECTIONS.items():
                st.markdown(f"**{title}**")
                for said in getattr(shown.sheet, name):
                    left, right = st.columns([6, 1], vertical_alignment="center")
                    label, now = NAMES.get(said.key, title), fields.digest(said.text)
                    key = shown.field(f"text-{said.key}", now)
                    text = left.text_area(label, said.text, key=key, height=68, label_visibility="collapsed")
                    left.caption(sheets.rests_on(said))
                    out = said.key not in NAMES and right.checkbox("Leave out", key=shown.field(f"out-{said.key}", now))
                    if out or text.strip() != said.text:
                        changes[said.key] = None if out else text
                hint = "A sentence of your own, one a line"
                more = st.text_area("Add", key=shown.field(f"add-{name}"), height=68, placeholder=hint)
                if more.strip():
                    added[name] = [line for line in more.splitlines() if line.strip()][:ADDED]
            if st.form_submit_button("Keep these words", type="primary"):
                _keep(shown, lambda: edited(shown.sheet, changes, added))
        if shown.last and st.button("Write it afresh from the case", key=shown.field("afresh")):
            _keep(shown, lambda: _made(shown.key, str(shown.shelf.folder), shown.version.version, shown.shelf)[1])


def _keep(shown: _Shown, made: Callable[[], Sheet]) -> None:
    def keep() -> None:
        sheets.keep(shown.shelf, shown.key, made(), shown.review, shown.version, who=who())
        shown.is_done()

    _act(shown, keep)


def _act(shown: _Shown, act: Callable[[], object]) -> None:
    """Do what was pressed for the sheet that the page showed; nothing where it is another one by now, which the page has said."""
    if not shown.is_another:
        _done(act)


def _done(act: Callable[[], object]) -> None:
    """Do what a button asked for; a refusal is said on the page that follows."""
    try:
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
