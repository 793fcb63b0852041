"""The end of the log, kept beside its key in the library's folder, so that lines cut off at the end are missed.

The file holds number and hash of the last line, and a seal over both. It is written once the lines stand in the database, and goes
on as the log does. Where the log grows from another line than the one it knows, it says so from then on, however long the log gets.
As log.key it protects against whoever can write to the database but not to the folder.
"""

import contextlib
import hmac
import secrets
from dataclasses import dataclass, replace
from pathlib import Path

import sqlalchemy as sa

from qi.library.log import head, sealed
from qi.library.originals import private_file
from qi.library.tables import CASES, LOG, REMOVALS

FILE = "log.end"
_WORDS = {False: "last", True: "cut"}
_MISSED = "or the database is a copy from before: if that is so, and known, take the file away, and the next line makes it anew."


@dataclass(frozen=True)
class End:
    """A line that was the last one: its number and hash; cut, whether the log went on from before it."""

    number: int
    hash: str
    cut: bool = False


def keep(folder: Path, key: bytes, before: tuple[int, str], after: tuple[int, str]) -> None:
    """Write down which line is the last one now.

    Parameters: folder of the library; key of the seals; before and after, number and hash of the last line before and after lines
    were added, in one transaction.
    Raises: OSError where it cannot be written.
    """
    kept = _read(folder, key)
    if kept is None or kept.number < before[0] or before == (kept.number, kept.hash):  # it may lag behind: a write that failed
        kept = End(*after) if kept is None or not kept.cut else kept
    elif before[0] == kept.number or after[0] > kept.number:
        kept = replace(kept, cut=True)
    else:  # another program was quicker to write a later end; or lines are cut off, which shows as it is
        return
    _write(folder, key, kept)


def _write(folder: Path, key: bytes, end: End) -> None:
    told = f"{end.number} {end.hash} {_WORDS[end.cut]}"
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
    kept = _read(folder, key)
    if kept is None:
        held = number or any(connection.scalar(sa.select(sa.func.count()).select_from(table)) for table in (CASES, REMOVALS))
        there = "is not there" if not (folder / FILE).exists() else "is not as it was written, or the key is new"
        return [f"{FILE} {there}: lines cut off at the end of the log would not be missed."] if held else []
    if kept.cut:
        return [f"The log went on from before line {kept.number}: lines up to it were cut off, as {FILE} shows, {_MISSED}"]
    if kept.number > number:
        gone = f"Line {kept.number} is" if kept.number == number + 1 else f"Lines {number + 1} to {kept.number} are"
        return [f"{gone} missing at the end: cut off, as {FILE} in the library's folder shows, {_MISSED}"]
    if connection.scalar(sa.select(LOG.c.hash).where(LOG.c.number == kept.number)) != kept.hash:
        return [f"Line {kept.number} is another one than that which {FILE} in the library's folder knows: made anew, {_MISSED}"]
    return []


def _read(folder: Path, key: bytes) -> End | None:
    """What was kept; None where there is nothing, or its seal does not hold."""
    try:
        number, hash_, word, seal = (folder / FILE).read_text(encoding="ascii").split()
        whole = hmac.compare_digest(seal.encode(), sealed(key, f"{number} {hash_} {word}").encode())
        return End(int(number), hash_, word == _WORDS[True]) if whole else None
    except (OSError, ValueError):
        return None
