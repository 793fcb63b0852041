"""The end of the log, kept beside its key in the library's folder, so that lines cut off at the end are missed.

The file holds number and hash of the last line, and a seal over both. It is written once the lines stand in the database, and goes
on as the log does. Where the log grows from another line than the one it knows, or where there is no valid file, it says so from
then on, however long the log gets, until somebody accepts that (Library.accept_log_end). A new library has the file before its
first line; one of a release that kept none is told of as any other without it. As log.key it protects against whoever can write to
the database but not to the folder.
"""

import contextlib
import hmac
import secrets
from dataclasses import dataclass
from pathlib import Path

import sqlalchemy as sa

from qi.library.log import ACCEPT, BEFORE_THE_FIRST, head, sealed
from qi.library.originals import private_file
from qi.library.tables import CASES, LOG, METADATA, REMOVALS

FILE = "log.end"
LAST, CUT, UNKNOWN = STATES = ("last", "cut", "unknown")
_MISSED = f"or the database is a copy from before. {ACCEPT}"


@dataclass(frozen=True)
class End:
    """Where the log ended, and how sure that is.

    number and hash, of the line that was the last one; state, of STATES: CUT where the log went on from before that line, UNKNOWN
    where the file was not there or not valid when the log went on, and then number is that of the first line written since, and
    hash that of the line before it.
    """

    number: int
    hash: str
    state: str = LAST


def begin(connection: sa.Connection, folder: Path, key: bytes) -> None:
    """Give a library in which nothing was written yet its file, so that from the first line on its lack tells something.

    Parameters: connection; folder of the library; key of the seals.
    Raises: OSError where it cannot be written.
    """
    written = (connection.scalar(sa.select(sa.literal(1)).select_from(table).limit(1)) for table in METADATA.sorted_tables)
    if not (folder / FILE).exists() and not any(written):
        _write(folder, key, End(0, BEFORE_THE_FIRST))


def accept(folder: Path, key: bytes, end: tuple[int, str]) -> None:
    """Take the log as it ends now, whatever was there before.

    Parameters: folder of the library; key of the seals; end, number and hash of the last line.
    Raises: OSError where it cannot be written.
    """
    _write(folder, key, End(*end))


def keep(folder: Path, key: bytes, before: tuple[int, str], after: tuple[int, str]) -> None:
    """Write down which line is the last one now.

    Parameters: folder of the library; key of the seals; before and after, number and hash of the last line before and after lines
    were added, in one transaction.
    Raises: OSError where it can be neither read nor written.
    """
    kept = _read(folder, key)
    if kept is None:
        _write(folder, key, End(before[0] + 1, before[1], UNKNOWN))
    elif kept.state != LAST:
        return
    elif kept.number < before[0] or before == (kept.number, kept.hash):  # it may lag behind: a write that failed
        _write(folder, key, End(*after))
    elif before[0] == kept.number or after[0] > kept.number:
        _write(folder, key, End(kept.number, kept.hash, CUT))
    # else another program was quicker to write a later end; or lines are cut off, which shows as it is


def _write(folder: Path, key: bytes, end: End) -> None:
    told = f"{end.number} {end.hash} {end.state}"
    fresh = folder / f".{FILE}.{secrets.token_hex(8)}"
    try:
        with private_file(fresh) as file:
            file.write(f"{told} {sealed(key, told)}\n".encode("ascii"))
        fresh.replace(folder / FILE)
    finally:
        with contextlib.suppress(OSError):
            fresh.unlink(missing_ok=True)


def missed(connection: sa.Connection, folder: Path, key: bytes) -> list[str]:
    """What of the end that was kept is not in the log: one sentence, none where it is there.

    Parameters: connection; folder of the library; key of the seals.
    """
    number, _ = head(connection)
    try:
        kept = _read(folder, key)
    except OSError as error:
        return [f"{FILE} in the library's folder cannot be read ({error.strerror}): lines cut off at the end would not be missed."]
    if kept is None:
        held = number or any(connection.scalar(sa.select(sa.func.count()).select_from(table)) for table in (CASES, REMOVALS))
        there = "is not there" if not (folder / FILE).exists() else "is not as it was written, or the key is new"
        return [f"{FILE} {there}: lines cut off at the end of the log would not be missed. {ACCEPT}"] if held else []
    if kept.state == UNKNOWN:
        lost = f"{FILE} was not there, or not as it was written, and lines cut off would not be missed"
        return [f"Where the log ended before line {kept.number} is not known: when that was written, {lost}. {ACCEPT}"]
    if kept.state == CUT:
        return [f"The log went on from before line {kept.number}: lines up to it were cut off, as {FILE} shows, {_MISSED}"]
    if kept.number > number:
        gone = f"Line {kept.number} is" if kept.number == number + 1 else f"Lines {number + 1} to {kept.number} are"
        return [f"{gone} missing at the end: cut off, as {FILE} in the library's folder shows, {_MISSED}"]
    if kept.number and connection.scalar(sa.select(LOG.c.hash).where(LOG.c.number == kept.number)) != kept.hash:
        return [f"Line {kept.number} is another one than that which {FILE} in the library's folder knows: made anew, {_MISSED}"]
    return []


def _read(folder: Path, key: bytes) -> End | None:
    """What was kept; None where there is nothing, or its seal does not hold.

    Raises: OSError where it is there and cannot be read.
    """
    try:
        number, hash_, state, seal = (folder / FILE).read_text(encoding="ascii").split()
        whole = hmac.compare_digest(seal.encode(), sealed(key, f"{number} {hash_} {state}").encode()) and state in STATES
        return End(int(number), hash_, state) if whole else None
    except (FileNotFoundError, ValueError):
        return None
