"""One case from a folder of files, or from a single file."""

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from qi.intake import wfdb_record
from qi.intake.clocks import assemble
from qi.intake.header import NAME, Given, Header, SourceHeader, read_header
from qi.intake.map_form import Map
from qi.intake.one_file import read_file
from qi.model.case import Case, Note, Part
from qi.model.errors import UnreadableFile

_QUIET_ENDS = (".answers.json",)


def read_case(path: Path, *, maps: Sequence[Map] = (), given: Given | None = None) -> Case:
    """Read the case that a folder, or a single file, holds.

    Parameters: path, of the folder or file; files are recognised by content, hidden ones, a README and known answers passed over;
    maps, of the agency, for what case.toml and the vocabulary do not know; given, id and zone where case.toml has none.
    Returns: Case; a file that cannot be read is an error note, and the rest of the case loads.
    Raises: UnreadableFile where the path does not exist, or nothing in it could be read.
    """
    if not path.exists():
        raise UnreadableFile(path, "does not exist; give a case folder or one file")
    header = read_header(path, given)
    notes: list[Note] = []
    files = unlike(list(files_of(path, notes)), notes)
    parts: list[Part] = []
    samples = samples_of(files)
    for file in files:
        if file.name not in samples:
            found = read_file(file, said_of(header, file), maps)
            parts += found.parts
            notes += found.notes
    notes += _not_there(header, {file.name for file in files})
    if not parts:
        why = "; ".join(f"{note.where}: {note.text}" for note in (*header.notes, *notes)) or "it is empty"
        raise UnreadableFile(path, f"nothing in it could be read ({why})")
    return assemble(parts, header, notes=notes)


def said_of(header: Header, file: Path) -> SourceHeader:
    """What the header says of one file."""
    return replace(header.sources.get(file.name, SourceHeader(file=file.name)), zone=header.zone)


def samples_of(files: Sequence[Path]) -> dict[str, str]:
    """Files that hold the samples of a record whose header is another file, and that file."""
    return {name: file.name for file in files if wfdb_record.recognises(file) for name in wfdb_record.companions(file)}


def files_of(path: Path, notes: list[Note]) -> Iterator[Path]:
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


def unlike(files: list[Path], notes: list[Note]) -> list[Path]:
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


def _not_there(header: Header, names: set[str]) -> list[Note]:
    """Notes on files that the header names and the folder does not hold."""
    return [
        Note("warning", NAME, f"names “{name}”, which is not in the folder (there: {', '.join(sorted(names)) or 'none'})")
        for name in header.sources
        if name.partition("#")[0] not in names and name not in names
    ]
