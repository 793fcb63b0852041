"""What every screen works on: the library, the reviewer, the case on the desk and its review, kept in memory by revision."""

import getpass
import os
from dataclasses import dataclass
from pathlib import Path

import streamlit as st

from qi.desk import opened, samples
from qi.desk.opened import Opened
from qi.library import place
from qi.library.library import Library
from qi.library.outcomes import outcomes_of
from qi.library.worklist import Entry
from qi.model.clock_proposal import ClockSetting
from qi.model.journal import FIRST, SECOND, Line, version_of
from qi.model.review import Review

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
    """The library of this machine; on the first start, with the invented sample cases in it.

    Raises: QiError where it cannot be opened.
    """
    folder = place.library_folder()
    return _library(str(folder.resolve()), place.database_url(folder))


def who() -> str:
    """The reviewer's name, as typed in the sidebar; the machine's own name for the person where nothing was typed."""
    typed = st.session_state.get("who", st.session_state.get("reviewer"))
    return str(typed or "").strip() or os.environ.get("QI_REVIEWER") or _machine_name()


def _machine_name() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "reviewer"


def on_desk(key: str) -> OnDesk:
    """A case of the library with its journal as it stands now.

    Raises: NoSuchCase; UnreadableFile where it cannot be read any more.
    """
    shelf = library()
    entry, lines = shelf.about(key), tuple(shelf.lines(key))
    settings = opened.clock_settings(lines)
    reading = SECOND if st.query_params.get("reading") == "2" else FIRST
    return OnDesk(shelf, entry, lines, reading, _opened(str(shelf.folder), key, settings, _files(lines), shelf))


def _files(lines: tuple[Line, ...]) -> int:
    """Number of the last line by which files came."""
    return max((line.number for line in lines if line.kind == "files"), default=0)


@st.cache_resource(max_entries=6, show_spinner="Opening the case …")
def _opened(folder: str, key: str, settings: tuple[ClockSetting, ...], files: int, _shelf: Library) -> Opened:
    return opened.open_case(_shelf, key, settings)


@st.cache_resource(max_entries=12, show_spinner=False)
def _reviewed(key: str, _desk: OnDesk, _as_found: bool) -> Review:  # noqa: FBT001 - a cached function's argument
    return opened.review_of(_desk.opened, _desk.lines, reading=_desk.reading, as_found=_as_found)
