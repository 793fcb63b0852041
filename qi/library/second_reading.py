"""A second reader on a sample of cases: whom the lot falls on, who may read, and how far the two agreed."""

import hashlib
from collections.abc import Mapping, Sequence
from typing import Any

import sqlalchemy as sa

from qi.library.states import READERS_WORK
from qi.library.tables import CASES
from qi.model.journal import FIRST, SECOND, Line

_FIRST_READS = READERS_WORK | {"signed", "reopened", "excluded", "included"}
_STEPS = 2**64


def drawn(key: str, *, share: float) -> bool:
    """Whether the lot falls on a case for a second reading.

    Parameters: key, of the case, which is random; share of all cases, 0 to 1.
    Returns: the same answer whoever asks and whenever, so that nobody picks; a larger share keeps the cases of a smaller one.
    """
    first = int.from_bytes(hashlib.sha256(f"second reading {key}".encode()).digest()[:8])
    return first < share * _STEPS


def refused(lines: Sequence[Line], who: str, *, reading: int, marks: frozenset[str] = frozenset()) -> str:
    """Why a person may not write in a reading: the first reader of a case is never its second reader, nor the other way.

    Parameters: lines, of the journal; who; reading, the one that the person would write in; marks of the person, none where nobody
    signs in. Where a line holds marks too, these say whether it is theirs, and else the names.
    Returns: the reason in words; empty where nothing speaks against it.
    """
    mine = [line for line in lines if _is_same(line, who, marks)]
    if reading == SECOND and any(line.reading == FIRST and line.kind in _FIRST_READS for line in mine):
        return f"{who} has read this case first; a second reading is by somebody else"
    if reading == FIRST and any(line.reading == SECOND for line in mine):
        return f"{who} is the second reader of this case; the first reading is by somebody else"
    return ""


def _is_same(line: Line, who: str, marks: frozenset[str]) -> bool:
    """Whether a person wrote a line."""
    return bool(line.marks & marks) if line.marks and marks else _plain(line.who) == _plain(who)


def _plain(name: str) -> str:
    return " ".join(name.split()).casefold()


def keep_agreement(connection: sa.Connection, key: str, record: Mapping[str, Any]) -> None:
    """Keep how far two readings agreed beside the case."""
    connection.execute(sa.update(CASES).where(CASES.c.key == key).values(agreement=dict(record)))
