"""Which person's sessions hold which file under /media: a link that is passed on opens nothing for anybody else.

Streamlit keeps this in tables of its own, which are internals: requirements.txt holds the release, and tests/serving the behaviour.
"""

import logging
from collections import OrderedDict
from collections.abc import Callable, Iterable
from threading import Lock
from typing import Any

from streamlit.runtime import Runtime, exists
from streamlit.runtime.media_file_storage import MediaFileStorageError

from qi.serving.errors import said
from qi.serving.given import Asked, Given

MOST = 4096  # files made at a click that are remembered; the oldest are forgotten first
_LOG = logging.getLogger(__name__)


class MadeAtAClick:
    """Whose session had a file made, and what must hold for whoever has it, by the file's name.

    Streamlit remembers the session only for files that were there before the click.
    """

    def __init__(self) -> None:
        """Nothing made yet."""
        self._by: OrderedDict[str, set[tuple[str, Asked]]] = OrderedDict()
        self._lock = Lock()

    def keep(self, file: str, subject: str, asked: Asked) -> None:
        """Remember one."""
        with self._lock:
            self._by.setdefault(file, set()).add((subject, asked))
            self._by.move_to_end(file)
            while len(self._by) > MOST:
                self._by.popitem(last=False)

    def knows(self, file: str) -> bool:
        """Whether anybody had it made."""
        return file in self._by

    def asked(self, file: str, subject: str) -> frozenset[Asked]:
        """What must hold for a person who had it made, for any of the ways in which they did; empty where they did not."""
        with self._lock:
            return frozenset(asked for whose, asked in self._by.get(file, ()) if whose == subject)

    def forget(self, gone: Callable[[str], bool]) -> list[str]:
        """Forget the files of cases that are gone.

        Returns: the names of those files.
        """
        with self._lock:
            cases = {asked.case for made in self._by.values() for _, asked in made if asked.case}
            over = {case for case in cases if gone(case)}
            found = [file for file, made in self._by.items() if any(asked.case in over for _, asked in made)]
            for file in found:
                del self._by[file]
        return found


MADE = MadeAtAClick()


def watch() -> None:
    """From now on, remember whose click made which file, and tell the browser nothing of why one could not be made."""
    manager = Runtime.instance().media_file_mgr
    inner: Callable[[str], str] = manager.execute_deferred

    def made(placeholder: str) -> str:
        entry = manager._deferred_callables.get(placeholder)
        subject = _subjects().get(entry["session_id"], "") if entry else ""
        given = entry["callable"] if entry else None
        if not isinstance(given, Given) or given.subject != subject:  # nobody says whose it is, or whose page it was has gone
            _LOG.error("A file was not made: it is nobody's.")
            raise MediaFileStorageError("The file could not be made.")
        try:
            address = inner(placeholder)
        except MediaFileStorageError as error:
            _LOG.error("A file could not be made: %s", said(error.__cause__ or error))
            raise MediaFileStorageError("The file could not be made.") from None
        MADE.keep(_name(address), subject, given.asked)
        return address

    manager.execute_deferred = made  # type: ignore[assignment, method-assign]


def holds(subject: str, file: str, may_have: Callable[[Asked], bool]) -> bool:
    """Whether a person had a file made at a click and may still have it, or an open session of theirs shows it.

    Parameters: subject, of the sign-in; file, its name under /media/; may_have, whether the person may have what asks for that,
    as they stand now.
    """
    if not subject or not exists():
        return False
    wanted, held = _name(file), Runtime.instance().media_file_mgr._files_by_session_and_coord
    if MADE.knows(wanted):
        return any(may_have(asked) for asked in MADE.asked(wanted, subject))
    return any(wanted in held.get(session, {}).values() for session, whose in _subjects().items() if whose == subject)


def forget(stands: Callable[[str], bool]) -> None:
    """Let go of the files that were made of cases which are gone, and of what open pages would make more of them with.

    Parameters: stands, whether a case of this key is still there.
    """
    files = MADE.forget(lambda case: not stands(case))
    if not exists():
        return
    manager = Runtime.instance().media_file_mgr
    with manager._lock:
        for file in files:
            if file in manager._file_metadata:
                manager._delete_file(file)
        for placeholder in _of_no_case(manager._deferred_callables.items(), stands):
            manager._drop_deferred_id(placeholder)


def _of_no_case(deferred: Iterable[tuple[str, Any]], stands: Callable[[str], bool]) -> list[str]:
    """Which of Streamlit's deferred downloads are of cases that are gone."""
    of_cases = [(name, entry["callable"].asked.case) for name, entry in deferred if isinstance(entry["callable"], Given)]
    gone = {case for case in {case for _, case in of_cases if case} if not stands(case)}
    return [name for name, case in of_cases if case in gone]


def _subjects() -> dict[str, str]:
    """Whose each open session is."""
    sessions = Runtime.instance()._session_mgr.list_active_sessions()
    return {info.session.id: str(info.session._user_info.get("sub") or "") for info in sessions}


def _name(address: str) -> str:
    return address.rpartition("/")[2].partition(".")[0]
