"""What a person sees before bringing files in: each file with what it was recognised as, what was read, what was not, and why."""

import hashlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from qi.intake.delimited import fits, head_of
from qi.intake.folder import files_of, said_of, samples_of, unlike
from qi.intake.header import NAME, Header, SourceHeader, read_header
from qi.intake.map_form import Map
from qi.intake.one_file import FileRead, read_file, recognised
from qi.model.case import Note, Part, Unknown
from qi.model.errors import QiError, UnreadableFile
from qi.model.words import clock

# How deep case folders may lie, and how many folders are looked into (our default, no source).
DEEPEST, MOST_FOLDERS = 20, 100_000
EXPORTED = (".bdf", ".csv", ".edf", ".hea", ".parquet", ".tsv", ".xml")  # how names of monitor exports and records end
NOT_CASES = ("protocols", "maps")
COHORT_TABLE = "cohort.json"  # a folder that holds it is a table of many cases (qi.trends.cohort_store), and no case

_OF_CARE = ("record", "device")  # a map has nothing to say of a care record


@dataclass(frozen=True)
class FileReport:
    """One file as a person sees it.

    recognised_as is its format, None where nothing knows it; read says in words what was read of it; unknown is what is not
    understood; notes are (level, text). map_used is the map that read it as a table; needs_map says that nothing knows it and it
    looks like a table, or that a channel, unit, event word or time of it is not understood.
    """

    name: str
    bytes: int
    sha256: str
    recognised_as: str | None = None
    read: str = ""
    unknown: tuple[Unknown, ...] = ()
    notes: tuple[tuple[str, str], ...] = ()
    map_used: str | None = None
    needs_map: bool = False


@dataclass(frozen=True)
class Fingerprint:
    """The digests (SHA-256) of a case's files: files are (name, bytes, digest) in order of name; digest is one for the contents of
    all, whatever the files are called.
    """

    files: tuple[tuple[str, int, str], ...]
    digest: str


def look_over(path: Path | Sequence[Path], maps: Sequence[Map] = ()) -> list[FileReport]:
    """Read the files of a case folder, a single file, or loose files, and say of each what came of it.

    Parameters: path, of the folder or file, or the files; maps, of the agency.
    Returns: a report for each file in order of name, the header (case.toml) first; what a case does not read (hidden files, a
    README) has none. A folder within a case and a refused link are reported without a digest.
    Raises: UnreadableFile where a path does not exist or is a link.
    """
    notes: list[Note] = []
    if isinstance(path, Path):
        _refuse(path)
        header, files = read_header(path), list(files_of(path, notes))
    else:
        header, files = Header(""), sorted(path, key=lambda file: (file.name, str(file)))
        for file in files:
            _refuse(file)
    reports = [FileReport(note.where, 0, "", notes=((note.level, note.text),)) for note in notes]
    notes.clear()
    kept = unlike(files, notes)
    samples = samples_of(kept)
    for file in files:
        said = tuple((note.level, note.text) for note in notes if note.where == file.name)
        report = FileReport(file.name, file.stat().st_size, digest_of(file), notes=said)
        if file.name in samples:
            report = replace(report, recognised_as="WFDB samples", read=f"the samples of {samples[file.name]}")
        elif file in kept:
            report = _with_content(report, file, read_file(file, said_of(header, file), maps))
        reports.append(report)
    about = _of_header(path, header) if isinstance(path, Path) else None
    return [*([about] if about else []), *sorted(reports, key=lambda report: report.name)]


def _refuse(path: Path) -> None:
    if path.is_symlink():
        raise UnreadableFile(path, "is a symbolic link: refused; give the file or folder itself")
    if not path.exists():
        raise UnreadableFile(path, "does not exist; give a case folder or files")


def _of_header(path: Path, header: Header) -> FileReport | None:
    """The report of case.toml, where there is one."""
    file = path / NAME
    if not path.is_dir() or not file.is_file() or file.is_symlink():
        return None
    notes = tuple(
        (note.level, " ".join(filter(None, (note.where.removeprefix(NAME).strip(", "), note.text)))) for note in header.notes
    )
    sources = f"{len(header.sources)} sources named" if header.sources else "no source named"
    return FileReport(NAME, file.stat().st_size, digest_of(file), "case header", f"id {header.id}; {sources}", notes=notes)


def _with_content(report: FileReport, file: Path, found: FileRead) -> FileReport:
    """A file's report with what was read of it."""
    unknown = (*found.unknown, *(item for part in found.parts for item in part.unknown))
    told = [(note.level, _place(note, file)) for note in (*found.notes, *(note for part in found.parts for note in part.notes))]
    return replace(
        report,
        recognised_as=next((part.format for part in found.parts), found.format),
        read="; ".join(filter(None, map(in_words, found.parts))),
        unknown=unknown,
        notes=(*report.notes, *dict.fromkeys(told)),
        map_used=found.map_used,
        needs_map=_needs_map(file, found, unknown),
    )


def _place(note: Note, file: Path) -> str:
    """A note's text with its place in the file, where its `where` names one."""
    place = note.where.removeprefix(file.name).strip(" ,")
    return f"{place}: {note.text}" if place and place != note.where else note.text


def _needs_map(file: Path, found: FileRead, unknown: Sequence[Unknown]) -> bool:
    """Whether a map could mend something: a table that nothing reads, or a name, word or time that is not understood."""
    if any(part.kind in _OF_CARE for part in found.parts):
        return False
    if found.parts or found.format:
        return any(item.kind in ("channel", "unit", "event", "time") for item in unknown)
    try:
        recognised(file)
        head = head_of(file)
    except (QiError, OSError):
        return False
    return head is not None and head.is_table


def in_words(part: Part) -> str:
    """What a part holds, for a person: "6 channels, 40:12 min, 250 per s, starts 2031-04-17 14:02:11-06:00; 14 events"."""
    said = []
    if part.signals:
        pieces = [piece for signal in part.signals for piece in signal.pieces]
        length = max(piece.end_s for piece in pieces) - min(piece.start_s for piece in pieces)
        said.append(
            f"{_counted(len(part.signals), 'channel')}, {clock(length)} min, {max(piece.rate_hz for piece in pieces):g} per s"
        )
    said += [_counted(len(part.events), "event")] if len(part.events) else []
    said += [_counted(len(part.vitals), "vital sign")] if len(part.vitals) else []
    if said:
        start = f"starts {part.start.isoformat(sep=' ', timespec='seconds')}" if part.start else "says no time of day"
        said[0] += f", {start}"
    own = "by a device's clock: " if part.kind == "device" and said else ""
    return own + "; ".join(said or ["nothing with a time"])


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}{'' if count == 1 else 's'}"


def case_folders(path: Path, maps: Sequence[Map] = ()) -> list[Path]:
    """Find the case folders in a folder, or in a folder of folders, however deep; of each file the head alone is read.

    Parameters: path, where to look; maps, of the agency.
    Returns: the folders that hold case.toml, or a file that a reader or a map knows, in order of their path; path itself where it
    is one, or a single such file. Hidden folders, `protocols`, `maps` and a cohort table are passed over, symbolic links are
    not followed.
    Raises: UnreadableFile where path does not exist or is a link, lies deeper than DEEPEST, or holds more than MOST_FOLDERS.
    """
    if not path.is_symlink() and path.is_file():
        return [path] if is_known(path, maps) else []
    return sorted(folder for folder, entries in _folders(path) if _is_case(folder, entries, maps))


def passed_over(path: Path, maps: Sequence[Map] = ()) -> list[Path]:
    """Find the folders that are no case though files of an export, by their names, lie in them: nothing here knows what they hold.

    Parameters, Raises: see case_folders.
    Returns: the folders, in order of their path.
    """
    if not path.is_symlink() and path.is_file():
        return []
    found = []
    for folder, entries in _folders(path):
        looks = any(entry.suffix.lower() in EXPORTED and entry.is_file() and not entry.is_symlink() for entry in entries)
        if looks and not _is_case(folder, entries, maps):
            found.append(folder)
    return sorted(found)


def _folders(path: Path) -> Iterator[tuple[Path, list[Path]]]:
    """Each folder in which a case may lie, with what lies in it."""
    if path.is_symlink() or not path.exists():
        raise UnreadableFile(path, "is a symbolic link: refused" if path.is_symlink() else "does not exist; give a folder")
    waiting, seen = [(path, 0)], 0
    while waiting:
        folder, depth = waiting.pop()
        seen += 1
        if depth > DEEPEST or seen > MOST_FOLDERS:
            what = f"folders lie more than {DEEPEST} deep" if depth > DEEPEST else f"holds more than {MOST_FOLDERS} folders"
            raise UnreadableFile(path, f"{folder.name}: {what}; point at a smaller part of it")
        try:
            entries = sorted(folder.iterdir())
        except OSError:
            continue
        if any(entry.name == COHORT_TABLE for entry in entries):
            continue
        yield folder, entries
        inner = [entry for entry in entries if entry.is_dir() and not entry.is_symlink()]
        waiting += [(entry, depth + 1) for entry in inner if not entry.name.startswith(".") and entry.name not in NOT_CASES]


def _is_case(folder: Path, entries: Iterable[Path], maps: Sequence[Map]) -> bool:
    """Whether a folder holds case.toml, or a file that is known."""
    header = folder / NAME
    if header.is_file() and not header.is_symlink():
        return True
    return any(is_known(file, maps) for file in files_of(folder, []))


def is_known(file: Path, maps: Sequence[Map] = ()) -> bool:
    """Whether a reader or a map knows a file, by its head."""
    try:
        if recognised(file, SourceHeader(file=file.name)):
            return True
        tables = [each for each in maps if each.is_for_tables]
        head = head_of(file) if tables else None
        return head is not None and any(fits(each, head) for each in tables)
    except (QiError, OSError):
        return False


def digest_of(file: Path) -> str:
    """SHA-256 of a file, as 64 hexadecimal digits."""
    with file.open("rb") as content:
        return hashlib.file_digest(content, "sha256").hexdigest()


def fingerprint(path: Path) -> Fingerprint:
    """The digests of all files of a case, each read once; case.toml is one of them.

    Raises: UnreadableFile where the path does not exist.
    """
    if not path.exists():
        raise UnreadableFile(path, "does not exist; give a case folder or one file")
    files = tuple((file.name, file.stat().st_size, digest_of(file)) for file in _all_files(path))
    whole = hashlib.sha256("\n".join(sorted(digest for _, _, digest in files)).encode()).hexdigest()
    return Fingerprint(files, whole)


def _all_files(path: Path) -> Iterator[Path]:
    """The files of a case in order of name, its header among them."""
    header = path / NAME
    own = [header] if path.is_dir() and header.is_file() and not header.is_symlink() else []
    yield from sorted([*own, *files_of(path, [])])
