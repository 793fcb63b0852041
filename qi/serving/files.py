"""Which person's sessions hold which file under /media: a link that is passed on opens nothing for anybody else.

Streamlit keeps this in tables of its own, which are internals: requirements.txt holds the release, and tests/serving the behaviour.
"""

import logging
from collections import OrderedDict
from collections.abc import Callable

from streamlit.runtime import Runtime, exists
from streamlit.runtime.media_file_storage import MediaFileStorageError

from qi.serving.errors import said

MOST = 4096  # files made at a click that are remembered; the oldest are forgotten first
_LOG = logging.getLogger(__name__)


class MadeAtAClick:
    """Whose session had a file made, by the file's name; Streamlit remembers it only for files that were there before the click."""

    def __init__(self) -> None:
        """Nothing made yet."""
        self._by: OrderedDict[str, set[str]] = OrderedDict()

    def keep(self, file: str, subject: str) -> None:
        """Remember one."""
        self._by.setdefault(file, set()).add(subject)
        self._by.move_to_end(file)
        while len(self._by) > MOST:
            self._by.popitem(last=False)

    def has(self, file: str, subject: str) -> bool:
        """Whether a person had it made."""
        return subject in self._by.get(file, ())


MADE = MadeAtAClick()


def watch() -> None:
    """From now on, remember whose click made which file, and tell the browser nothing of why one could not be made."""
    manager = Runtime.instance().media_file_mgr
    inner: Callable[[str], str] = manager.execute_deferred

    def made(placeholder: str) -> str:
        entry = manager._deferred_callables.get(placeholder)
        subject = _subjects().get(entry["session_id"], "") if entry else ""
        try:
            address = inner(placeholder)
        except MediaFileStorageError as error:
            _LOG.error("A file could not be made: %s", said(error.__cause__ or error))
            raise MediaFileStorageError("The file could not be made.") from None
        MADE.keep(_name(address), subject)
        return address

    manager.execute_deferred = made  # type: ignore[assignment, method-assign]


def holds(subject: str, file: str) -> bool:
    """Whether an open session of this person has a file, or had it made.

    Parameters: subject, of the sign-in; file, its name under /media/.
    """
    if not subject or not exists():
        return False
    wanted, held = _name(file), Runtime.instance().media_file_mgr._files_by_session_and_coord
    shown = any(wanted in held.get(session, {}).values() for session, whose in _subjects().items() if whose == subject)
    return shown or MADE.has(wanted, subject)


def _subjects() -> dict[str, str]:
    """Whose each open session is."""
    sessions = Runtime.instance()._session_mgr.list_active_sessions()
    return {info.session.id: str(info.session._user_info.get("sub") or "") for info in sessions}


def _name(address: str) -> str:
    return address.rpartition("/")[2].partition(".")[0]
