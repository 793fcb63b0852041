"""The library at rest: nobody but its owner may read what lies on the disk, and what does not hold to that is said.

Where modes of files do not say who may read (Windows), the folder inherits its permissions from the one above it: nothing is
checked there, and the library belongs in a folder of the account that the app runs under.
"""

import os
import stat
from collections.abc import Iterator
from pathlib import Path

import sqlalchemy as sa

from qi.library.log import KEY_FILE
from qi.library.place import DATABASE_FILE, SETTINGS_FILE

OTHERS = 0o077  # group and everybody
HAS_MODES = os.name == "posix"
_SECRET = (DATABASE_FILE, f"{DATABASE_FILE}-wal", f"{DATABASE_FILE}-shm", f"{DATABASE_FILE}-journal", KEY_FILE, SETTINGS_FILE)
_LOCAL = frozenset({"", "localhost", "127.0.0.1", "::1"})
_TLS = ("require", "verify-ca", "verify-full")  # what libpq calls the ways of asking for TLS


def only_owner() -> None:
    """From now on every file and folder that this program makes is its owner's alone, whatever was set before it started."""
    if HAS_MODES:
        os.umask(OTHERS)


def tighten(folder: Path, *, deep: bool = False) -> None:
    """Close to others what an earlier release, or a copy, left open to them; somebody else's files stay as they are.

    Parameters: folder, of the library; deep, everything in it; else what lies at its top, which keeps others out of the rest.
    """
    if not HAS_MODES:
        return
    for path in [folder, *(folder.rglob("*") if deep else folder.iterdir())]:
        if (mode := _mode(path)) & OTHERS:
            try:
                path.chmod(mode & ~OTHERS)
            except PermissionError:
                continue  # somebody else's; warnings says so


def warnings(folder: Path, database: str = "") -> list[str]:
    """What at the library's top lets others in, or lets the database be read on its way; looked at in a moment, at each start.

    Parameters: folder, of the library; database, its address, empty for the SQLite file in the folder.
    Returns: one sentence for each thing that is not as it should be, with what to do; none where all is well.
    """
    found = [*_open(folder), *_above(folder)] if HAS_MODES and folder.is_dir() else []
    return [*found, *_on_the_way(database)]


def of_secret(path: Path) -> list[str]:
    """Whether others may read a file of secrets: one sentence if so; with the cookies' secret anybody can make a sign-in."""
    if HAS_MODES and (mode := _mode(path)) & OTHERS:
        return [f"{path} can be read by others (mode {mode:04o}), and what signs the cookies stands in it: chmod 600 {path}"]
    return []


def loose(folder: Path) -> list[str]:
    """Everything in the library that others might read, however deep; looks at every file."""
    if not HAS_MODES:
        return []
    names = [path.relative_to(folder).as_posix() for path in sorted(folder.rglob("*")) if _mode(path) & OTHERS]
    if not names:
        return []
    more = f" and {len(names) - 3} more" if len(names) > 3 else ""
    return [f"{', '.join(names[:3])}{more} in the library can be read by others should its folder be opened: chmod -R go= {folder}"]


def _mode(path: Path) -> int:
    """Permissions of a file or folder; those of a link, or of what is gone, count as closed."""
    try:
        told = path.lstat().st_mode
    except OSError:
        return 0
    return 0 if stat.S_ISLNK(told) else stat.S_IMODE(told)


def _open(folder: Path) -> Iterator[str]:
    if (mode := _mode(folder)) & OTHERS:
        yield f"The library's folder can be opened by others on this machine (mode {mode:04o}): chmod 700 {folder}"
    if folder.stat().st_uid not in (os.geteuid(), 0):
        yield "The library's folder belongs to another account than the one this program runs under."
    for name in _SECRET:
        if (mode := _mode(folder / name)) & OTHERS:
            yield f"{name} in the library's folder can be read by others (mode {mode:04o}): chmod 600 {folder / name}"


def _above(folder: Path) -> Iterator[str]:
    """Who may write to a folder may put another one in the place of what is in it, unless it is marked as sticky (as /tmp is)."""
    for above in folder.resolve().parents:
        mode = _mode(above)
        if mode & stat.S_IWOTH and not mode & stat.S_ISVTX:
            yield f"Everybody may write to {above}, and so put another folder in the library's place: chmod o-w {above}"


def _on_the_way(database: str) -> Iterator[str]:
    """Whether a PostgreSQL server elsewhere is spoken to in the clear."""
    url = sa.make_url(database) if database else None
    if url is None or url.get_backend_name() != "postgresql":
        return
    told = url.query.get("sslmode") or os.environ.get("PGSSLMODE") or ""
    host = url.host or url.query.get("host") or os.environ.get("PGHOST") or ""
    where, mode = (one if isinstance(one, str) else one[-1] for one in (host, told))
    if where in _LOCAL or where.startswith("/"):
        return
    if mode not in _TLS:
        yield f"The database on {where} may be read on its way: its address asks for no TLS; add sslmode=verify-full to it."
    elif mode != "verify-full":
        yield f"The database's server {where} is not known to be the right one: add sslmode=verify-full to its address."
