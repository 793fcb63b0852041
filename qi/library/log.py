"""The log: who opened, changed, exported, sent or deleted what, and when. It only grows, and shows where somebody tampered with it.

Each line holds two things beside what it says, and each protects against something else:

hash: SHA-256 of the line and of the hash of the line before it. Anybody can work it out anew, from a printed log too. It shows a
line changed, taken out or put in, unless all lines after it were worked out anew as well. An agency that keeps the last line's hash
elsewhere (python -m qi log --verify prints it, --head holds the log against it) sees that too, and sees lines cut off at the end.
The library's folder keeps the last line's hash as well, see qi.library.log_end.

seal: HMAC-SHA-256 of the hash with the key in log.key in the library's folder, which its owner alone may read. Who can write to the
database but has no access to that folder (the keeper of a PostgreSQL server) cannot work out lines anew. Against a person who has
both, only a hash kept elsewhere helps. Without the file the hashes can be verified still, the seals cannot: back it up.

No line holds patient data: a case is named by its key in the library, which says nothing of it and is never the agency's number,
and what was done stands in words of a closed list. So a line may stay when its case is deleted. Where the list of people was
changed, number and name of the entry stand behind these words, as they were entered: neither ever changes, and no entry is deleted.
References: hash, FIPS 180-4; seal, RFC 2104 (both from memory).
"""

import hashlib
import hmac
import json
import os
import re
import secrets
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import astuple, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from qi.library.database import LOG_END
from qi.library.originals import private_file
from qi.library.rules import name_of
from qi.library.tables import CASES, LOG, PEOPLE, REMOVALS
from qi.model.errors import NoSuchCase, QiError, UnknownWord
from qi.model.journal import KINDS, Line
from qi.model.people import ACTS, ROLES

KEY_FILE = "log.key"
PEOPLE_CHANGED = "people changed"
DID = (
    "opened",
    "changed",
    "exported",
    "sent",
    "read",
    "answered",
    "deleted",
    "signed",
    "signed in",
    "signed out",
    "refused",
    "brought in",
    PEOPLE_CHANGED,
    "settings changed",
    "verified",
    "put back",
    "accepted",
)
REASONS = ("restored backup", "older release", "new key", "file lost", "moved", "looked into")  # why the log is accepted as it ends
# Words that say what it was done to; several are joined by a comma and a blank.
_WORDS = """
edf+, tables, fhir, shared case, measures, events, map, sheet, chart, chart data, table, board report, log
json, pdf, html, csv, parquet
with identity, without identity, e-mail, link, masked, by age, by hand, new case, invented, second reading, conference view
all, review, measures kept, draft, lists, originals
page, case, download, worklist, bring-in, walkthrough, clocks, protocol, trends, outcomes, people, settings, feedback, my cases
reviewer, medical director, crew, administrator, added, removed, role, crew list, signed out everywhere
agency, zone, banner, retention, mail, view, plan, known arrests, protocols, maps, expired, unknown person, no role, whole, broken
guards, lines, versions, plans
"""
WORDS = frozenset((*KINDS, *ROLES, *ACTS, *REASONS)) | frozenset(", ".join(_WORDS.strip().splitlines()).split(", "))
BEFORE_THE_FIRST = "0" * 64
ACCEPT = "Once it is known why, “python -m qi log --accept-end REASON” takes the log as it ends now, in a line of its own."
_WHOSE = "; "  # stands before the entry that was changed
_ENTRY = re.compile(r"entry ([0-9]{1,9})(, .+)?")
_KEY_OF_A_CASE = re.compile(r"[a-z0-9]{12}")  # as qi.library.draft.new_key makes them
_LOCK = 0x51494C47  # PostgreSQL: one writer at a time adds to the chain
_ALL = 1_000_000_000
_COLUMNS = (LOG.c.number, LOG.c.at, LOG.c.who, LOG.c.did, LOG.c.case_key, LOG.c.what, LOG.c.before, LOG.c.hash, LOG.c.seal)
_NAMES = tuple(column.name for column in _COLUMNS)


@dataclass(frozen=True)
class LogLine:
    """One line: its number, when (UTC), who did what to which case (its key, empty for none), what in words; hashes and seal."""

    number: int
    at: datetime
    who: str
    did: str
    case: str
    what: str
    before: str
    hash: str
    seal: str


def append_all(
    connection: sa.Connection, key: bytes, acts: Iterable[tuple[str, str, str]], *, who: str, when: datetime
) -> list[LogLine]:
    """Add lines at the end of the chain; the last thing that a transaction does, since others wait until it ends.

    Parameters: connection, in a transaction that writes; key of the seals; acts, each what was done (of DID), the key of its case
    in the library (empty for none), and to what (words of WORDS joined by comma and blank, or empty; see of_entry); who; when
    (aware).
    Returns: the lines as written.
    Raises: UnknownWord for a word that is not in the lists; NoSuchCase for a case that neither is nor was in the library; QiError
    without a name, or for an entry that is not in the list of people as it is told.
    """
    name, at = name_of(who), when.astimezone(UTC)
    told = list(acts)
    for did, case, what in told:
        _known(connection, did, case, what)
    if connection.dialect.name == "postgresql":
        connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_LOCK)))
    number, before = was = head(connection)
    made: list[LogLine] = []
    for did, case, what in told:
        number += 1
        sum_ = chained(number, at, name, did, case, what, before)
        made.append(LogLine(number, at, name, did, case, what, before, sum_, sealed(key, sum_)))
        before = sum_
    if made:
        connection.execute(sa.insert(LOG), [dict(zip(_NAMES, astuple(line), strict=True)) for line in made])
        connection.info[LOG_END] = (connection.info.get(LOG_END, (was,))[0], (number, before))
    return made


def append(connection: sa.Connection, key: bytes, did: str, *, who: str, when: datetime, case: str = "", what: str = "") -> LogLine:
    """Add one line, see append_all."""
    return append_all(connection, key, [(did, case, what)], who=who, when=when)[0]


def of_entry(words: str, *, number: int, name: str, subject: str) -> str:
    """What was done to whose entry in the list of people.

    Parameters: words of WORDS; number, name and subject of the entry. A name that is what sign-in knows them by, or an e-mail, is
    left out: the number tells whose it is.
    """
    return f"{words}{_WHOSE}entry {number}{'' if name == subject or '@' in name else f', {name}'}"


def _known(connection: sa.Connection, did: str, case: str, what: str) -> None:
    if did not in DID:
        raise UnknownWord("log", did, DID)
    if did == PEOPLE_CHANGED and _WHOSE in what:
        what = _known_entry(connection, what)
    for word in what.split(", ") if what else ():
        if word not in WORDS:
            raise UnknownWord("log, what", word, WORDS)
    if not case:
        return
    known = _KEY_OF_A_CASE.fullmatch(case) and any(
        connection.scalar(sa.select(sa.true()).where(column == case).limit(1)) for column in (CASES.c.key, REMOVALS.c.case_key)
    )
    if not known:
        raise NoSuchCase("the log names a case by its key in the library; there neither is nor was a case of the key given")


def _known_entry(connection: sa.Connection, what: str) -> str:
    """The words before an entry of the list of people, which is told as it stands there."""
    words, _, whose = what.partition(_WHOSE)
    told = _ENTRY.fullmatch(whose)
    asked = sa.select(PEOPLE.c.id, PEOPLE.c.name, PEOPLE.c.subject).where(PEOPLE.c.id == int(told[1] if told else 0))
    row = connection.execute(asked).one_or_none()
    if row is None or of_entry(words, number=row.id, name=row.name, subject=row.subject) != what:
        raise QiError("the log names an entry of the list of people by its number and name; there is none so")
    return words


def written(case: str, written_lines: Sequence[Line]) -> list[tuple[str, str, str]]:
    """What lines written into a case's journal are in the log: one act, with the kinds of the lines; none where there are none."""
    kinds = list(dict.fromkeys(line.kind for line in written_lines))
    did = "signed" if {"signed", "second_signed"} & set(kinds) else "changed"
    return [(did, case, ", ".join(kinds))] if kinds else []


def chained(number: int, at: datetime, who: str, did: str, case: str, what: str, before: str) -> str:
    """Hash of a line: SHA-256 in hexadecimal digits over its JSON list, ASCII, without blanks.

    Parameters: as in LogLine; at is written in UTC with six digits after the second, as 2031-03-01T08:15:00.000000+00:00.
    """
    told = [number, at.astimezone(UTC).isoformat(timespec="microseconds"), who, did, case, what, before]
    return hashlib.sha256(json.dumps(told, ensure_ascii=True, separators=(",", ":")).encode("ascii")).hexdigest()


def sealed(key: bytes, hash_: str) -> str:
    """Seal of a line: HMAC-SHA-256 of its hash, in hexadecimal digits."""
    return hmac.new(key, hash_.encode("ascii"), hashlib.sha256).hexdigest()


def head(connection: sa.Connection) -> tuple[int, str]:
    """Number and hash of the last line; 0 and BEFORE_THE_FIRST while there is none."""
    last = connection.execute(sa.select(LOG.c.number, LOG.c.hash).order_by(LOG.c.number.desc()).limit(1)).one_or_none()
    return (0, BEFORE_THE_FIRST) if last is None else (last.number, last.hash)


def lines(
    connection: sa.Connection,
    *,
    case: str = "",
    who: str = "",
    did: str = "",
    since: datetime | None = None,
    limit: int | None = None,
    offset: int = 0,
) -> list[LogLine]:
    """Lines that fit, the last one first.

    Parameters: case, its key; who; did; since, a moment (aware); each left empty for any; limit and offset, for pages.
    """
    asked = _fitting(sa.select(*_COLUMNS), case, who, did, since).order_by(LOG.c.number.desc())
    return [LogLine(*row) for row in connection.execute(asked.limit(_ALL if limit is None else limit).offset(offset))]


def count(connection: sa.Connection, *, case: str = "", who: str = "", did: str = "", since: datetime | None = None) -> int:
    """How many lines fit; parameters as in lines."""
    return int(connection.scalar(_fitting(sa.select(sa.func.count()).select_from(LOG), case, who, did, since)) or 0)


def names(connection: sa.Connection) -> list[str]:
    """Everybody whose name stands in the log, in order."""
    return sorted(connection.scalars(sa.select(LOG.c.who).distinct()))


def _fitting(asked: sa.Select[Any], case: str, who: str, did: str, since: datetime | None) -> sa.Select[Any]:
    for column, value in ((LOG.c.case_key, case), (LOG.c.who, who), (LOG.c.did, did)):
        if value:
            asked = asked.where(column == value)
    return asked if since is None else asked.where(LOG.c.at >= since)


def verify(connection: sa.Connection, key: bytes, *, seen: str = "") -> list[str]:
    """Work the chain out anew from its first line.

    Parameters: connection; key of the seals; seen, hash of a line that was the last one at some time, kept elsewhere.
    Returns: one sentence for each line that is not as it was written or does not follow from the one before it; none where all is
    whole.
    """
    rows = connection.execution_options(yield_per=1000).execute(sa.select(*_COLUMNS).order_by(LOG.c.number))
    said: list[str] = []
    unsealed: list[int] = []
    number, before, found = 0, BEFORE_THE_FIRST, not seen
    for line in (LogLine(*row) for row in rows):
        said += _broken(line, number, before)
        if not hmac.compare_digest(line.seal.encode(), sealed(key, line.hash).encode()):
            unsealed.append(line.number)
        found = found or line.hash == seen.strip().lower()
        number, before = line.number, line.hash
    said += [
        f"{_these(run)} not sealed with the key in {KEY_FILE}: made by other hands, or the key is new." for run in _runs(unsealed)
    ]
    if not found:
        said.append("The hash kept elsewhere is that of no line: lines were cut off at the end, or the chain was made anew.")
    return said


def doubts(connection: sa.Connection) -> list[str]:
    """One sentence for each time that guards were put back and nobody has accepted it since."""
    until = connection.scalar(sa.select(sa.func.max(LOG.c.number)).where(LOG.c.did == "accepted")) or 0
    return [
        f"Line {line.number}, {line.at:%Y-%m-%d}: the guards of {line.what.removeprefix('guards, ')} were gone, or not as made, "
        f"and were put back; until then lines could be changed or taken away. {ACCEPT}"
        for line in reversed(lines(connection, did="put back"))
        if line.number > until
    ]


def accepted(connection: sa.Connection) -> list[str]:
    """One sentence for each time that somebody took the log as it ended then."""
    return [
        f"Line {line.number}, {line.at:%Y-%m-%d}: {line.who} took the log as it ended then ({line.what}); whether lines were cut "
        "off before cannot be told any more."
        for line in reversed(lines(connection, did="accepted"))
    ]


def _broken(line: LogLine, number: int, before: str) -> Iterator[str]:
    """What is wrong with a line that stands after line `number`, whose hash is `before`."""
    if line.number != number + 1:
        gone = range(number + 1, line.number)
        yield f"{_these(gone)} missing." if gone else f"Line {line.number} has a number that no line has."
    if line.before != before:
        yield f"Line {line.number} does not follow from the line before it."
    if line.hash != chained(line.number, line.at, line.who, line.did, line.case, line.what, line.before):
        yield f"Line {line.number} is not as it was written: its hash does not fit what it says."


def _these(run: range) -> str:
    return f"Line {run[0]} is" if len(run) == 1 else f"Lines {run[0]} to {run[-1]} are"


def _runs(numbers: Iterable[int]) -> list[range]:
    """Numbers in order as runs without a gap."""
    found: list[range] = []
    for number in numbers:
        if found and found[-1].stop == number:
            found[-1] = range(found[-1].start, number + 1)
        else:
            found.append(range(number, number + 1))
    return found


def key_of(folder: Path) -> bytes:
    """The key of the seals, from the library's folder; made where it is not there.

    Raises: OSError where it can be neither read nor made.
    """
    path = folder / KEY_FILE
    try:
        return path.read_bytes()
    except FileNotFoundError:
        pass
    fresh = path.with_name(f".{KEY_FILE}.{secrets.token_hex(8)}")
    with private_file(fresh) as file:
        file.write(secrets.token_bytes(32))
    try:
        os.link(fresh, path)  # fails where another program was first, and leaves theirs
    except FileExistsError:
        pass
    except OSError:  # a disk without links
        if not path.exists():
            fresh.replace(path)
    finally:
        fresh.unlink(missing_ok=True)
    return path.read_bytes()
