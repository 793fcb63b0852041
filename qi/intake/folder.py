"""One case from a folder of files, or from a single file."""

import hashlib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from qi.intake import READERS, dispatch_csv, wfdb_record
from qi.intake.clocks import assemble
from qi.intake.header import NAME, Header, SourceHeader, read_header
from qi.model.case import Case, Note, Part
from qi.model.errors import QiError, UnreadableFile

_ZIP = (b"PK\x03\x04", b"PK\x05\x06", b"PK\x07\x08")
_QUIET_ENDS = (".answers.json",)


def read_case(path: Path) -> Case:
    """Read the case that a folder, or a single file, holds.

    Parameters: path, of the folder or file; files are recognised by content, hidden ones, a README and known answers passed over.
    Returns: Case; a file that cannot be read is an error note, and the rest of the case loads.
    Raises: UnreadableFile where the path does not exist, or nothing in it could be read.
    """
    if not path.exists():
        raise UnreadableFile(path, "does not exist; give a case folder or one file")
    header = read_header(path)
    notes: list[Note] = []
    files = _unlike(list(_files(path, notes)), notes)
    parts: list[Part] = []
    samples = {name for file in files if wfdb_record.recognises(file) for name in wfdb_record.companions(file)}
    for file in files:
        if file.name not in samples:
            about = header.sources.get(file.name, SourceHeader(file=file.name))
            parts += _read(file, replace(about, zone=header.zone), notes)
    notes += _not_there(header, {file.name for file in files})
    if not parts:
        why = "; ".join(f"{note.where}: {note.text}" for note in (*header.notes, *notes)) or "it is empty"
        raise UnreadableFile(path, f"nothing in it could be read ({why})")
    return assemble(parts, header, notes=notes)


def _files(path: Path, notes: list[Note]) -> Iterator[Path]:
    """The files of a case in order of name, without those that are no part of it."""
    if path.is_file():
        yield path
        return
    for file in sorted(path.iterdir()):
        if file.name.startswith(".") or file.name == NAME:
            if file.name == NAME and file.is_symlink():
                notes.append(Note("error", file.name, "is a symbolic link: refused"))
        elif file.is_symlink():
            notes.append(Note("error", file.name, "is a symbolic link: refused; put the file itself into the folder"))
        elif file.is_dir():
            notes.append(Note("info", file.name, "is a folder and is not looked into; each case folder holds its own files"))
        elif not file.is_file():
            notes.append(Note("error", file.name, "is no ordinary file: refused"))
        elif file.stem.casefold() != "readme" and not file.name.endswith(_QUIET_ENDS):
            yield file


def _unlike(files: list[Path], notes: list[Note]) -> list[Path]:
    """Each content once; names that differ only in case are both kept, and said."""
    sizes = [file.stat().st_size for file in files]
    seen: dict[tuple[int, str], str] = {}
    names: dict[str, str] = {}
    kept = []
    for file, size in zip(files, sizes, strict=True):
        twin = None
        if sizes.count(size) > 1 and size:
            with file.open("rb") as content:
                twin = seen.setdefault((size, hashlib.file_digest(content, "sha256").hexdigest()), file.name)
        if twin not in (None, file.name):
            notes.append(Note("warning", file.name, f"holds the same bytes as {twin}: the same file twice, used once"))
            continue
        if (other := names.setdefault(file.name.casefold(), file.name)) != file.name:
            notes.append(Note("info", file.name, f"its name differs from {other} only in case; they are kept apart"))
        kept.append(file)
    return kept


def _read(file: Path, about: SourceHeader, notes: list[Note]) -> tuple[Part, ...]:
    """The parts of one file; none, with a note, where it is of no known kind or cannot be read."""
    try:
        with file.open("rb") as content:
            first = content.read(4)
        if not first:
            raise UnreadableFile(file, "byte 0: the file is empty")
        if first in _ZIP:
            raise UnreadableFile(file, "byte 0: a zip file (or one packed as such): refused; unpack it and give the files")
        reader = next((reader for reader in READERS if reader.recognises(file)), None)
        if reader is None and dispatch_csv.recognises(file, about):
            reader = dispatch_csv  # by the columns that the header names
        if reader is None:
            kinds = ", ".join(reader.FORMAT for reader in READERS)
            notes.append(Note("warning", file.name, f"byte 0: begins with {first!r}, which is of no known kind; known are {kinds}"))
            return ()
        return reader.read(file, about)
    except QiError as error:
        notes.append(Note("error", file.name, str(error).removeprefix(f"{file.name}: ")))
    except OSError as error:
        notes.append(Note("error", file.name, f"cannot be opened: {error.strerror or error}"))
    return ()


def _not_there(header: Header, names: set[str]) -> list[Note]:
    """Notes on files that the header names and the folder does not hold."""
    return [
        Note("warning", NAME, f"names “{name}”, which is not in the folder (there: {', '.join(sorted(names)) or 'none'})")
        for name in header.sources
        if name.partition("#")[0] not in names and name not in names
    ]
