"""A case on its way into the library: its originals are kept, and nothing is said of it until it is finished."""

import secrets
import stat
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import sqlalchemy as sa

from qi.library import cases, journal, log, originals, place, rules, second_reading, stored_case, worklist
from qi.library.database import Database
from qi.library.originals import Original
from qi.library.worklist import Summary
from qi.model.case import Case

_LETTERS = "abcdefghijklmnopqrstuvwxyz0123456789"
KEY_LENGTH = 12  # 62 bits: says nothing of the case, and can be no other's


def new_key() -> str:
    """A random key that says nothing of the case; safe in addresses and as a folder's name on any system."""
    return "".join(secrets.choice(_LETTERS) for _ in range(KEY_LENGTH))


@dataclass(eq=False)
class Draft:
    """A case being brought in.

    key and folder are those of the case, folder holding all of its originals; fresh are the originals that this draft added. new is
    whether the case was not in the library before.
    """

    key: str
    folder: Path
    fresh: tuple[Original, ...]
    new: bool
    _library: Path = field(repr=False)
    _database: Database = field(repr=False)
    _share: float = field(repr=False)
    _now: Callable[[], datetime] = field(repr=False)
    _done: bool = field(default=False, repr=False)

    def finish(
        self,
        case: Case,
        summary: Summary,
        *,
        who: str,
        agency: str,
        read_as: Mapping[str, str],
        invented: bool = False,
    ) -> None:
        """Put the case, as read from all of its originals, into the library; or the added files into a case that is there.

        Parameters: case, as read; summary, for the worklist; who brings it in; agency (that of a case that is there stays as it
        is); read_as, for each file what it was read as; invented, whether the case is made up.
        Raises: NoSuchCase for a case that was removed meanwhile; QiError where the database cannot be written; OSError where the
        disk refuses. Nothing is said of the case then, and the draft can be abandoned.
        """
        name, when = rules.name_of(who), self._now()
        stored_case.write(place.stored_folder(self._library, self.key), case)
        with self._database.writing() as connection:
            if self.new:
                drawn = second_reading.drawn(self.key, share=self._share)
                cases.put_in(connection, self.key, case, agency=agency, who=name, when=when, drawn=drawn, invented=invented)
            else:
                journal.hold(connection, self.key)
            cases.add_files(connection, self.key, self.fresh, read_as)
            if self.fresh and not self.new:
                self._say_files(connection, name, when)
            cases.summarise(connection, self.key, summary)
            cases.keep_told(connection, self.key, case)
            what = f"{'new case' if self.new else 'files'}{', invented' if invented else ''}"
            log.append(connection, log.key_of(self._library), "brought in", who=name, when=when, case=self.key, what=what)
        self._done = True

    def _say_files(self, connection: sa.Connection, who: str, when: datetime) -> None:
        added = [one.name for one in self.fresh]
        journal.append(connection, self.key, [("files", {"added": added})], who=who, when=when, after=None)

    def abandon(self) -> None:
        """Take out again what this draft added; nothing happens to a draft that was finished."""
        if self._done:
            return
        if self.new:
            originals.remove(place.case_folder(self._library, self.key))
            return
        take_back(self.folder, [one.name for one in self.fresh])
        originals.remove(place.stored_folder(self._library, self.key))  # made anew from the originals that are left
        if not _names(self.folder):  # the case was removed meanwhile
            originals.remove(place.case_folder(self._library, self.key))


def begin(
    folder: Path, database: Database, files: Mapping[str, Path], *, into: str | None, share: float, now: Callable[[], datetime]
) -> Draft:
    """Keep the originals of a new case, or add those that a case does not have yet.

    Parameters: folder, of the library; database; files, by the name that each is to have; into, key of the case that they belong
    to, None for a new one; share of cases that are read twice; now, the clock.
    Raises: NoSuchCase; UnreadableFile for a file that cannot be kept, and then none is.
    """
    key = into or new_key()
    there = place.originals_folder(folder, key)
    known: set[str] = set()
    if into is not None:
        with database.reading() as connection:
            worklist.entry_of(connection, key)
            known = {one.sha256 for one in cases.files_of(connection, key)}
    names = set(_names(there))
    try:
        fresh = originals.keep(there, _unknown(files, known))
    except BaseException:
        if into is None:
            originals.remove(place.case_folder(folder, key))
        else:
            take_back(there, set(_names(there)) - names)
        raise
    return Draft(key, there, tuple(fresh), into is None, folder, database, share, now)


def _unknown(files: Mapping[str, Path], known: set[str]) -> dict[str, Path]:
    """The files whose content the case does not have yet; what is no ordinary file is left for `keep` to refuse."""
    return {name: path for name, path in files.items() if not known or not path.is_file() or originals.digest(path) not in known}


def _names(folder: Path) -> list[str]:
    return [path.name for path in folder.iterdir()] if folder.is_dir() else []


def take_back(folder: Path, names: set[str] | list[str]) -> None:
    """Delete kept originals of a draft."""
    for name in names:
        path = folder / name
        if path.exists():
            path.chmod(stat.S_IRUSR | stat.S_IWUSR)
            path.unlink()
