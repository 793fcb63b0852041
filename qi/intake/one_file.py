"""One file of a case: which reader or map reads it, and what comes of it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from types import ModuleType

from qi.intake import READERS, dispatch_csv, mapped_table
from qi.intake.delimited import head_of
from qi.intake.header import SourceHeader
from qi.intake.map_choice import Choice, applying
from qi.intake.map_form import Map
from qi.intake.signal_columns import NoTimes
from qi.model.case import Note, Part, Unknown
from qi.model.errors import QiError, UnreadableFile

_ZIP = (b"PK\x03\x04", b"PK\x05\x06", b"PK\x07\x08")
_UTF_16 = (b"\xff\xfe", b"\xfe\xff")


@dataclass(frozen=True, eq=False)
class FileRead:
    """What one file came to: its parts, and notes and what is not understood beyond those of the parts.

    format is that of the reader that knows it, None where none does; map_used the name of the map that read it as a table.
    """

    parts: tuple[Part, ...] = ()
    format: str | None = None
    notes: tuple[Note, ...] = ()
    unknown: tuple[Unknown, ...] = ()
    map_used: str | None = None


def recognised(file: Path, about: SourceHeader | None = None) -> ModuleType | None:
    """The reader that knows a file by its content; only its head is read.

    Raises: UnreadableFile for an empty file and for a zip.
    """
    with file.open("rb") as content:
        first = content.read(4)
    if not first:
        raise UnreadableFile(file, "byte 0: the file is empty")
    if first in _ZIP:
        raise UnreadableFile(file, "byte 0: a zip file (or one packed as such): refused; unpack it and give the files")
    reader = next((reader for reader in READERS if reader.recognises(file)), None)
    if reader is None and about and dispatch_csv.recognises(file, about):
        return dispatch_csv  # by the columns that the header names
    return reader


def read_file(file: Path, about: SourceHeader, maps: Sequence[Map] = ()) -> FileRead:
    """Read one file by the reader that knows it, else by a map; a table of which the reader leaves something open too.

    Parameters: file; about, what case.toml says of it, which goes before the maps; maps, of the agency.
    Returns: FileRead; a file that cannot be read is an error note in it.
    """
    choice = Choice()
    try:
        reader = recognised(file, about)
        choice = applying(maps, file)
        about = replace(about, labels=choice.labels, words=choice.words)
        found = _by_reader(reader, file, about) if reader else None
        open_ = found is None or not found.parts or any(part.unknown for part in found.parts)
        if choice.table and open_:
            found = _by_map(choice.table, file, about, found)
        if found is None:
            return FileRead(notes=(*choice.notes, _of_no_kind(file)))
        return replace(found, notes=(*choice.notes, *found.notes))
    except QiError as error:
        return FileRead(notes=(*choice.notes, _as_note(error, file)))
    except OSError as error:
        return FileRead(notes=(Note("error", file.name, f"cannot be opened: {error.strerror or error}"),))


def _by_reader(reader: ModuleType, file: Path, about: SourceHeader) -> FileRead:
    """What a reader makes of a file."""
    try:
        return FileRead(reader.read(file, about), reader.FORMAT)
    except QiError as error:
        unknown = (error.unknown,) if isinstance(error, NoTimes) else ()
        return FileRead((), reader.FORMAT, (_as_note(error, file),), unknown)


def _by_map(map_: Map, file: Path, about: SourceHeader, found: FileRead | None) -> FileRead:
    """What a map makes of a table. Where it fails, what a reader made of it stands, with a note."""
    try:
        parts = mapped_table.read(file, about, map_)
    except QiError as error:
        unknown = (error.unknown,) if isinstance(error, NoTimes) else ()
        note = _as_note(error, file)
        note = replace(note, text=f"the map “{map_.name}” does not read it: {note.text}")
        if found is None:
            return FileRead((), None, (note,), unknown, map_.name)
        return replace(found, notes=(*found.notes, note))
    return FileRead(parts, parts[0].format, map_used=map_.name)


def _as_note(error: Exception, file: Path) -> Note:
    return Note("error", file.name, str(error).removeprefix(f"{file.name}: "))


def _of_no_kind(file: Path) -> Note:
    """What to say of a file that nothing knows."""
    with file.open("rb") as content:
        first = content.read(4)
    kinds = ", ".join(reader.FORMAT for reader in READERS)
    what = f"byte 0: begins with {first!r}, which is of no known kind; known are {kinds}"
    if first[:2] in _UTF_16:
        what = f"byte 0: a text in UTF-16, which only a map reads as a table; saved as UTF-8 it may be known. Known are {kinds}"
    elif head_of(file) is not None:
        what += "; a table in text can be read through a map"
    return Note("warning", file.name, what)
