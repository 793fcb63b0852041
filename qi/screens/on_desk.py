"""What every screen works on: the person, the library as they may use it, the case on the desk and its review, kept by revision."""

import getpass
import os
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import streamlit as st

from qi.desk import opened, samples
from qi.desk.opened import Opened
from qi.library import database_place, place
from qi.library.guarded import guarded
from qi.library.library import Library
from qi.library.outcomes import outcomes_of
from qi.library.worklist import Entry
from qi.model.clock_proposal import ClockSetting
from qi.model.errors import NotAllowed, QiError
from qi.model.journal import FIRST, SECOND, Line, version_of
from qi.model.people import ACTS, NOBODY, Person, at_this_machine, may, may_anything
from qi.model.review import Review
from qi.screens import caches, fields, this_run
from qi.serving import signed_in, standing

MEASURED_BY = ("correction", "undo", "clock", "outcome", "files")  # kinds of lines that change what is measured


@dataclass(frozen=True, eq=False)
class OnDesk:
    """The case that a page shows: its worklist entry, its journal as read in this run, and the reading that the person is in."""

    library: Library
    entry: Entry
    lines: tuple[Line, ...]
    reading: int
    opened: Opened

    @property
    def key(self) -> str:
        """The case's key in the library."""
        return self.entry.key

    @property
    def address(self) -> dict[str, str]:
        """What the address of a page says of this case and this reading."""
        return {"case": self.key} | ({"reading": "2"} if self.reading == SECOND else {})

    @property
    def last(self) -> int:
        """Number of the last line that the person has seen: of the page as it was when they answered it, not of this run."""
        newest = self.lines[-1].number if self.lines else 0
        key, number = st.session_state.get("seen", ("", 0))
        return min(number, newest) if key == self.key else newest

    def field(self, name: str) -> str:
        """Key of a field, button, form or table of this case in this reading, see qi.screens.fields."""
        return fields.of_case(name, self.key, self.reading)

    def is_shown(self) -> None:
        """Remember, at the end of a page, that the person sees these lines now."""
        saw(self.key, self.lines[-1].number if self.lines else 0)

    @property
    def revision(self) -> str:
        """What the shown numbers depend on, as a short text."""
        said = [line.number for line in self.lines if line.kind in MEASURED_BY]
        return f"{said[-1] if said else 0}.{self.reading}"

    @property
    def locked(self) -> str:
        """Why nothing can be written on this reading; empty where it can."""
        if not may(person(), "review"):
            return "you may look at this case, not change it"
        if self.reading == SECOND:
            done = any(line.kind == "second_signed" for line in self.lines)
            return "the second reading is signed" if done else ""
        version, signed = version_of(self.lines)
        return f"version {version} is signed; reopen it to change anything" if signed else ""

    def review(self, *, as_found: bool = False) -> Review:
        """The review with the reviewer's corrections, or as the machine found it."""
        told = sorted(outcomes_of(self.lines).items()) if as_found else self.revision
        return _reviewed(f"{self.opened.token}|{told}", self, as_found)


def saw(key: str, number: int) -> None:
    """Remember the last line of a case that the person has seen, or has just written."""
    st.session_state["seen"] = (key, number)


@st.cache_resource(show_spinner="Opening the library …")
def _library(folder: str, database: str) -> Library:
    found = Library.open(Path(folder), database=database)
    samples.bring_in_where_empty(found)
    return found


def library() -> Library:
    """The library of this machine, as the person may use it; on the first start, with the invented sample cases in it.

    Raises: QiError where it cannot be opened; what it is asked raises NotAllowed where the person may not ask it.
    """
    return guarded(_shelf(), asking())


def _shelf() -> Library:
    """The library itself."""
    folder = place.library_folder()
    return _library(str(folder.resolve()), database_place.database_url(folder))


def person() -> Person:
    """Who is using the app, as it stands at this moment: who has signed in, or the one person of an app that nobody else can reach.

    Returns: NOBODY where nobody has signed in, or too long ago.
    Raises: QiError where the library, whose settings and list tell roles, cannot be used.
    """
    return asking()()


def asking() -> Callable[[], Person]:
    """How to ask who is using the app, then and later: once in a run, and anew at a click that makes a file outside of one."""
    whom = standing.now()
    if whom.how == "one_person":
        one = at_this_machine(_typed_name())
        return lambda: one
    if whom.how != "sign_in":
        return lambda: NOBODY
    shelf, claims = _shelf(), st.user.to_dict()
    return lambda: this_run.once("person", lambda: signed_in.person(shelf, claims))


def subject() -> str:
    """By what sign-in knows whoever is using the app; empty for the one person, and for nobody."""
    return str(st.user.to_dict().get("sub") or "") if standing.now().how == "sign_in" else ""


def must(act: str) -> Person:
    """The person, who may do something.

    Parameters: act, of qi.model.people.ACTS.
    Raises: NotAllowed where they may not.
    """
    asking = person()
    if not may(asking, act):
        raise NotAllowed(f"this account may not {ACTS[act]}")
    return asking


def who() -> str:
    """The name that stands under what is written: of the person who signed in; in an app for one person, as typed in the sidebar.

    Raises: NotAllowed where nobody has signed in, or whoever has may do nothing here any more.
    """
    asked = person()
    if not asked.name:
        raise NotAllowed("nobody is signed in any more: sign in again")
    if not may_anything(asked):
        raise NotAllowed("this account may do nothing here any more")
    return asked.name


def sign_out() -> None:
    """End the sign-in of whoever is using the app, in all their tabs; the cookie is the browser's to forget."""
    signed_in.sign_out(_shelf(), st.user.to_dict())


def note(did: str, *, who: str, what: str) -> None:
    """Write into the log what somebody did who is known by name; nothing where the log cannot be written.

    Parameters: did and what, words of qi.library.log; who, by name.
    """
    if who:
        with suppress(QiError):
            _shelf().log(did, who=who, what=what)


def _typed_name() -> str:
    """The name typed in the sidebar; the machine's own name for the person where nothing was typed."""
    typed = st.session_state.get("who", st.session_state.get("reviewer"))
    return str(typed or "").strip() or os.environ.get("QI_REVIEWER") or _machine_name()


def _machine_name() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "reviewer"


def on_desk(key: str, *, seen_in: str = "") -> OnDesk:
    """A case of the library with its journal as it stands now.

    Parameters: key, of the case; seen_in, what it is opened in, a word of the log (qi.library.log), empty for the case's own pages.
    Raises: NoSuchCase; UnreadableFile where it cannot be read any more.
    """
    shelf = library()
    entry, lines = shelf.about(key), tuple(shelf.lines(key))
    settings = opened.clock_settings(lines)
    reading = SECOND if st.query_params.get("reading") == "2" and may(person(), "review") else FIRST
    found = OnDesk(shelf, entry, lines, reading, _opened(str(shelf.folder), key, settings, _files(lines), shelf))
    has_opened(shelf, key, seen_in or ("second reading" if reading == SECOND else ""))
    return found


def has_opened(shelf: Library, key: str, seen_in: str) -> None:
    """Say in the log that the person has opened a case, once a session and view.

    Parameters: shelf; key, of the case; seen_in, a word of the log (qi.library.log), empty for the case's own pages.
    """
    told = st.session_state.setdefault("opened-logged", set())
    this = (who(), key, seen_in)
    if this not in told:
        shelf.log("opened", who=who(), case=key, what=seen_in)
        told.add(this)


def follow_removals() -> None:
    """At the beginning of a run: let go of every case kept in memory where any was deleted since the last one, from anywhere.

    Raises: QiError where the library cannot be used.
    """
    caches.follow(_shelf())


def forget_cases() -> None:
    """Let go of every case that is kept in memory, so that a deleted one is not."""
    caches.forget(_shelf())


def _files(lines: tuple[Line, ...]) -> int:
    """Number of the last line by which files came."""
    return max((line.number for line in lines if line.kind == "files"), default=0)


@caches.of_cases
@st.cache_resource(max_entries=6, show_spinner="Opening the case …")
def _opened(folder: str, key: str, settings: tuple[ClockSetting, ...], files: int, _shelf: Library) -> Opened:
    return opened.open_case(_shelf, key, settings)


@caches.of_cases
@st.cache_resource(max_entries=12, show_spinner=False)
def _reviewed(key: str, _desk: OnDesk, _as_found: bool) -> Review:  # noqa: FBT001 - a cached function's argument
    return opened.review_of(_desk.opened, _desk.lines, reading=_desk.reading, as_found=_as_found)
