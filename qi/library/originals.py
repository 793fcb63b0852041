"""Imported files as they came: copied once, never written to again, each with its SHA-256. All else can be rebuilt from them."""

import hashlib
import os
import re
import shutil
import stat
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from qi.model.errors import UnreadableFile

_ONLY_OWNER, _READ_ONLY = 0o700, 0o400
_PART = ".part"
_CHUNK_BYTES = 1024 * 1024
# What no name of a file may hold on one system or another, so that a library can be moved between them (documentation of Windows,
# "Naming Files, Paths, and Namespaces"; from memory).
_FORBIDDEN = re.compile(r'[/\\:*?"<>|\x00-\x1f\x7f]')
_RESERVED = re.compile(r"(con|prn|aux|nul|com[0-9¹²³]|lpt[0-9¹²³])(\..*)?", re.IGNORECASE)


@dataclass(frozen=True)
class Original:
    """One file as it was imported: its name in the library, SHA-256 of its content in hexadecimal digits, and length [bytes]."""

    name: str
    sha256: str
    bytes: int


def digest(path: Path) -> str:
    """SHA-256 of a file's content, in hexadecimal digits, read piece by piece.

    Raises: OSError where the file cannot be opened.
    """
    with path.open("rb") as content:
        return hashlib.file_digest(content, "sha256").hexdigest()


def keep(folder: Path, files: Mapping[str, Path]) -> list[Original]:
    """Copy files into the library, to be kept untouched.

    Parameters: folder, of one case's originals, made if it is not there; files, by the name that each is to have.
    Returns: one Original a file, in their order. A name that stands there with other bytes is kept beside it: the copy is called
    "monitor (2).edf" and so on, which the result says; the same bytes under the same name are not copied again.
    Raises: UnreadableFile for a name that no file can have, or a source that is a link or no ordinary file (nothing is copied
    then); and for a copy that cannot be made, or does not have the bytes of its source (those made before it stay).
    """
    for name, source in files.items():
        if why := _unfit(name):
            raise UnreadableFile(source, f"cannot be kept as “{name}”: {why}")
        if source.is_symlink():
            raise UnreadableFile(source, "is a symbolic link: refused; give the file itself")
        if not source.is_file():
            raise UnreadableFile(source, "does not exist, or is no ordinary file: refused")
    private_folder(folder)
    return [_kept(folder, name, source) for name, source in files.items()]


def check(folder: Path, originals: Sequence[Original]) -> list[str]:
    """Hold the files of a case against what was imported.

    Parameters: folder, of the case's originals; originals, as keep returned them.
    Returns: one sentence for each file that is missing, changed, or there without having been imported; none where all is well.
    Names that begin with a dot are passed over, as they are in a case folder.
    """
    said = [sentence for original in originals if (sentence := _differs(folder, original))]
    known = {os.path.normcase(original.name) for original in originals}
    there = sorted(path.name for path in folder.iterdir()) if folder.is_dir() else []
    extra = [name for name in there if not name.startswith(".") and os.path.normcase(name) not in known]
    return said + [f"{name} is there and was never imported." for name in extra]


def remove(folder: Path) -> None:
    """Delete a folder with the read-only files in it; nothing happens where it is not there."""
    if not folder.exists():
        return
    for path in folder.rglob("*"):
        if not path.is_symlink() and not path.stat().st_mode & stat.S_IWUSR:
            path.chmod(path.stat().st_mode | stat.S_IWUSR)
    shutil.rmtree(folder)


def private_folder(folder: Path) -> None:
    """Make a folder, and those above it that are missing, which only its owner may enter."""
    for missing in reversed([path for path in (folder, *folder.parents) if not path.exists()]):
        missing.mkdir(mode=_ONLY_OWNER, exist_ok=True)


def private_file(path: Path) -> BinaryIO:
    """A new file, open for writing, which only its owner may read."""
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
    return os.fdopen(os.open(path, flags, 0o600), "wb")


def _unfit(name: str) -> str | None:
    """Why a name cannot be that of a kept file, on this system or another; None where it can."""
    if not name.strip():
        return "the name is empty"
    if name.startswith("."):
        return "a name that begins with a dot is hidden, or leads out of the folder"
    if found := _FORBIDDEN.search(name):
        return f"the name holds {found[0]!r}"
    if name[-1] in ". ":
        return "the name ends in a dot or a blank"
    if _RESERVED.fullmatch(name):
        return "the name is that of a device on some systems"
    return None


def _kept(folder: Path, name: str, source: Path) -> Original:
    """Copy one file under its name, or under the next that is free; as it is there already, leave it."""
    handle, temporary = tempfile.mkstemp(dir=folder, prefix=".", suffix=_PART)
    copy = Path(temporary)
    try:
        with os.fdopen(handle, "wb") as target:
            sha256, size = _copied(source, target)
        if digest(copy) != sha256:
            raise UnreadableFile(source, "the copy in the library does not have the same bytes: not kept")
        own = _free(folder, name, sha256)
        if os.path.lexists(folder / own):
            _discard(copy)
        else:
            copy.chmod(_READ_ONLY)
            copy.replace(folder / own)
            _flush(folder)
    except OSError as error:
        _discard(copy)
        raise UnreadableFile(source, f"cannot be copied into the library: {error.strerror or error}") from error
    except BaseException:
        _discard(copy)
        raise
    return Original(own, sha256, size)


def _copied(source: Path, target: BinaryIO) -> tuple[str, int]:
    """Copy a file's bytes to the disk; SHA-256 and count of what was read."""
    sha, size = hashlib.sha256(), 0
    with source.open("rb") as content:
        while chunk := content.read(_CHUNK_BYTES):
            sha.update(chunk)
            size += len(chunk)
            target.write(chunk)
    target.flush()
    os.fsync(target.fileno())
    return sha.hexdigest(), size


def _free(folder: Path, name: str, sha256: str) -> str:
    """The name, or the next numbered one, under which nothing stands yet, or the same bytes do."""
    own, number = name, 1
    while os.path.lexists(folder / own) and not _is(folder / own, sha256):
        number += 1
        own = f"{Path(name).stem} ({number}){Path(name).suffix}"
    return own


def _is(path: Path, sha256: str) -> bool:
    """Whether an ordinary file with this SHA-256 stands there."""
    return path.is_file() and not path.is_symlink() and digest(path) == sha256


def _discard(copy: Path) -> None:
    """Delete an unfinished copy."""
    if copy.exists():
        copy.chmod(stat.S_IRUSR | stat.S_IWUSR)
        copy.unlink()


def _flush(folder: Path) -> None:
    """See to it that the folder's list of names is on the disk, where the system can be asked."""
    if hasattr(os, "O_DIRECTORY"):
        handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _differs(folder: Path, original: Original) -> str | None:
    """What is wrong with one file, in a sentence; None where it has the bytes that were imported."""
    if why := _unfit(original.name):
        return f"“{original.name}” cannot be the name of an original: {why}."
    path = folder / original.name
    if path.is_symlink() or (path.exists() and not path.is_file()):
        return f"{original.name} is no ordinary file any more."
    if not path.exists():
        return f"{original.name} is missing."
    try:
        size, sha256 = path.stat().st_size, digest(path)
    except OSError as error:
        return f"{original.name} cannot be opened: {error.strerror or error}."
    if size != original.bytes:
        return f"{original.name} has changed: it holds {size} bytes, {original.bytes} when it was imported."
    if sha256 != original.sha256:
        return f"{original.name} has changed: its SHA-256 is {sha256}, it was {original.sha256} when it was imported."
    return None
