"""The cohort table of a library: a row for each case, made, brought up to date when a case changes, and made anew by one command.

A signed case has the numbers of its last signed version, any other those that the machine finds, without corrections that nobody
has signed yet. The table stands in `cohort/now` in the library's folder; tables made under other definitions are kept in
`cohort/earlier/<digest>`. A row names the last line of the journal that it knows: where another program's writing, or a fault, left
a row behind, the next refresh or build finds it by that.
"""

import secrets
import shutil
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
import pandas as pd

from qi.desk import cohort_changes as changes
from qi.desk import definitions
from qi.desk.cohort_changes import Failure, Held
from qi.desk.cohort_rows import Rows, Standing, rows, tables
from qi.desk.opened import clock_settings, open_case, review_of
from qi.library.journal import Version
from qi.library.library import Library
from qi.library.worklist import Entry
from qi.model.errors import NoSuchCase, QiError, UnreadableFile
from qi.model.journal import FIRST, Line
from qi.model.review import Review
from qi.trends import cohort
from qi.trends import cohort_store as store
from qi.trends.cohort_store import About

BATCH = 200  # cases that are written at once while a table is made (our default, no source)
# Tables that agreed with their library when they were last looked at, with the state of both at that time.
_checked: dict[Path, tuple[Any, ...]] = {}


def folder(library: Library) -> Path:
    """Where the table of a library stands, for qi.trends.cohort.read."""
    return _home(library) / "now"


def earlier(library: Library) -> list[Path]:
    """Tables that were made under other definitions, the latest first, for qi.trends.cohort.compare."""
    place = _home(library) / "earlier"
    found = [path for path in place.iterdir() if (path / store.NAME).is_file()] if place.is_dir() else []
    return sorted(found, key=lambda path: store.about(path).made_at, reverse=True)


def out_of_date(library: Library) -> bool:
    """Whether there is no table yet, or definitions have changed since it was made, so that all must be made anew."""
    try:
        return store.about(folder(library)).definitions != definitions.in_force(library)
    except UnreadableFile:
        return True


def changed(library: Library) -> pd.DataFrame | None:
    """What the last change of definitions changed (qi.trends.cohort.COMPARISON); None where no earlier table is kept."""
    kept = earlier(library)
    return cohort.compare(cohort.read(kept[0]), cohort.read(folder(library))) if kept else None


def update(library: Library, key: str, review: Review | None = None) -> bool:
    """Bring the row of one case up to date, or take it out where the case is gone; the file of its month alone is written.

    Parameters: library; key, of the case; review, where it was just made: the one that was signed, or that of a new case as the
    machine found it; without it the case is measured where its numbers may be others.
    Returns: whether it was done; not where the table must be made anew first (out_of_date).
    Raises: QiError where the case cannot be read or measured; its old row stays.
    """
    place = folder(library)
    if out_of_date(library):
        return False
    try:
        entry = library.about(key)
    except NoSuchCase:
        forget(library, {key} - library.measures_kept())
        return True
    if review is not None:
        _put(place, [rows_of(library, entry, review)])
        return True
    held = changes.held(place)
    if key in held.lacking or changes.to_measure(library.lines(key), held.lines.get(key)):
        _put(place, [rows_of(library, entry)])
    elif held.lines[key] != entry.last_line:
        store.put(place, *changes.said_anew(library, place, [entry], held))
    return True


def follow(library: Library, key: str, review: Review | None = None) -> None:
    """Update after an act that is done already, and that nothing here may break: what fails is made good by the next refresh."""
    with suppress(Exception):
        update(library, key, review)


class Newcomers:
    """Rows of cases as they come into a library, written many at a time; what fails is made good by the next refresh.

    With the first case of a library its table is begun.
    """

    def __init__(self, library: Library) -> None:
        """Begin, before the first of the cases is in."""
        self.library = library
        self.waiting: list[Rows] = []
        with suppress(Exception):
            if _made_under(folder(library)) is None and library.kinds_held() == (False, False):
                store.begin(folder(library), About(definitions.in_force(library), library.now()))

    def add(self, key: str, review: Review | None) -> None:
        """Take the row of a case that is in: review as the machine found it; without it (files were added) it is measured."""
        if review is None:
            follow(self.library, key)
            return
        with suppress(Exception):
            self.waiting.append(rows_of(self.library, self.library.about(key), review))
        if len(self.waiting) >= BATCH:
            self.write()

    def write(self) -> None:
        """Write what waits."""
        found, self.waiting = self.waiting, []
        with suppress(Exception):
            if found and not out_of_date(self.library):
                _put(folder(self.library), found)

    def __enter__(self) -> Self:
        """The rows, written at the end of the block."""
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        """Write what waits."""
        self.write()


def forget(library: Library, keys: Collection[str]) -> None:
    """Take cases out of the table, and out of those made under other definitions."""
    for place in (folder(library), *earlier(library)) if keys else ():
        if _made_under(place) is not None:
            store.drop(place, keys)
            failed = changes.failures(place)
            changes.keep_failures(place, {key: one for key, one in failed.items() if key not in keys})


def build(library: Library, *, anew: bool = False) -> Iterator[tuple[int, str, str]]:
    """Bring the whole table up to date: every case whose journal has grown since, or all of them where definitions have changed.

    Parameters: library; anew, to measure all of them in any case.
    Returns: how many cases there are to measure, with the number of each as it is done, and what went wrong with it ("" where
    nothing did: a case that cannot be measured keeps the row it has). A table that is made anew takes the place of the old one when
    it is whole; the old one is kept under its digest where it was made under other definitions.
    """
    failed: Mapping[str, Failure] = {}
    if anew or out_of_date(library):
        yield from _made_anew(library)
        failed = changes.failures(folder(library))
    yield from _up_to_date(library, folder(library), failed)


def refresh(library: Library) -> Iterator[tuple[int, str, str]]:
    """Bring the table up to date for a page: as build, but cheap where nothing changed, and nothing that failed is tried again.

    Returns: as build; a case that failed before and has not changed since is told once more each time.
    """
    place = folder(library)
    state = (library.database.name, library.state(), changes.files_of(place), definitions.in_force(library))
    failed = changes.failures(place)
    if _checked.get(place) == state:
        yield from ((len(failed), one.case_id, one.said) for one in failed.values())
        return
    if out_of_date(library):
        yield from build(library)
        return
    yield from _up_to_date(library, place, failed)
    if changes.files_of(place) == state[2]:  # nothing was written: the next time need not look again
        _checked[place] = state
    left = changes.failures(place)
    yield from ((len(left), one.case_id, one.said) for key, one in left.items() if failed.get(key) == one)


def _made_anew(library: Library) -> Iterator[tuple[int, str, str]]:
    now, fresh = folder(library), _home(library) / f".fresh-{secrets.token_hex(8)}"
    in_force = definitions.in_force(library)
    try:
        store.begin(fresh, About(in_force, library.now()))
        lost = list(_carry(now, fresh, library.measures_kept()))
        yield from _up_to_date(library, fresh, {})
        store.take_place(fresh, now, _home(library) / "earlier" if _made_under(now) not in (None, in_force) else None)
        yield from ((len(lost), *told) for told in lost)
    finally:
        shutil.rmtree(fresh, ignore_errors=True)


def _carry(now: Path, fresh: Path, keys: Collection[str]) -> Iterator[tuple[str, str]]:
    """Rows of cases that were taken out while their measures stay go over as they are: there is nothing to measure anew.

    Returns: each file of the table that stands that cannot be read and held such rows, and what is lost with it.
    """
    if not keys or _made_under(now) is None:
        return
    found, damaged = set(), []
    for year, month in store.months(now, "cases"):
        where = [("key", "in", sorted(keys)), ("year", "==", year), ("month", "==", month)]
        file = f"year={year}/month={month:02d}"
        try:
            cases = cohort.read(now, None, where)
        except UnreadableFile:
            damaged.append(f"cases of {file}")
            continue
        found |= set(cases["key"])
        events = {}
        for name, column in changes.EVENTS.items() if len(cases) else ():
            try:
                events[name] = cohort.read_events(now, name, None, where)
            except UnreadableFile:
                yield f"{name} of {file}", f"cannot be read; those of {len(cases)} deleted cases are lost, all others are made anew"
                events[name] = cohort.events_table([], name)
                cases = cases.assign(**{column: np.nan})
        if events:
            store.put(fresh, cases, events["pauses"], events["shocks"])
    if many := len(set(keys) - found):
        lost = f"{many} {'case' if many == 1 else 'cases'} whose measures alone were kept"
        yield from ((one, f"cannot be read; {lost} had a row in a file that is damaged, and have none now") for one in damaged)


def _made_under(place: Path) -> str | None:
    """Digest of the definitions that a table was made under; None where there is no sound table."""
    try:
        return store.about(place).definitions
    except UnreadableFile:
        return None


def _up_to_date(library: Library, place: Path, failed: Mapping[str, Failure]) -> Iterator[tuple[int, str, str]]:
    """Bring what is in a table to how it stands in the library, and take out what is in the library no more.

    Parameters: library; place, of the table; failed, cases not to be tried again where they have not changed since.
    """
    lines, held = library.last_lines(), changes.held(place)
    gone = held.lines.keys() - lines.keys() - library.measures_kept()
    forget(library, gone)
    still = {key: one for key, one in failed.items() if lines.get(key) == one.last_line}
    behind = {key for key, last in lines.items() if held.lines.get(key) != last} | (held.lacking & lines.keys())
    waiting = [key for key in lines if key in behind and key not in still]
    yield from _let_be(place, held.lacking - lines.keys() - gone, held)
    for first in range(0, len(waiting), BATCH):
        yield from ((len(waiting), *told) for told in _some(library, place, waiting[first : first + BATCH], held, still))
    if changes.failures(place) != still:
        changes.keep_failures(place, still)


def _let_be(place: Path, keys: Collection[str], held: Held) -> Iterator[tuple[int, str, str]]:
    """Rows of deleted cases whose pauses or shocks were lost with a file of the table: they stay, and it is told once."""
    if not keys:
        return
    where = held.where(keys)
    cases = cohort.read(place, None, where)
    pauses, shocks = (cohort.read_events(place, name, None, where) for name in changes.EVENTS)
    store.put(place, cases.assign(**dict.fromkeys(changes.EVENTS.values(), np.nan)), pauses, shocks)
    said = "pauses or shocks of it were lost with a file of the table; the case is deleted, so that they cannot be made anew"
    yield from ((len(cases), case_id, said) for case_id in cases["case_id"])


def _some(library: Library, place: Path, keys: Sequence[str], held: Held, failed: dict[str, Failure]) -> Iterator[tuple[str, str]]:
    """Bring some cases up to date and write them together, those that are done where it breaks off; each with what went wrong."""
    measured: list[Rows] = []
    same: list[Entry] = []
    try:
        for key in keys:
            said = ""
            try:
                entry = library.about(key)
            except NoSuchCase:  # taken out meanwhile
                continue
            try:
                if key in held.lacking or changes.to_measure(library.lines(key), held.lines.get(key)):
                    measured.append(rows_of(library, entry))
                else:
                    same.append(entry)
            except QiError as error:
                said = str(error)
                failed[key] = Failure(entry.case_id, entry.last_line, said)
            yield entry.case_id, said
    finally:
        _put(place, measured)
        if same:
            store.put(place, *changes.said_anew(library, place, same, held))


def _put(place: Path, found: Sequence[Rows]) -> None:
    if found:
        store.put(place, *tables(found))


def _home(library: Library) -> Path:
    return library.folder / "cohort"


def rows_of(library: Library, entry: Entry, review: Review | None = None) -> Rows:
    """Measure one case of a library as it stands.

    Parameters: library; entry, of the case; review, where it was just made, see update.
    Raises: QiError where it cannot be read or measured.
    """
    lines = library.lines(entry.key)
    signed = next((one for one in reversed(library.versions(entry.key)) if one.reading == FIRST), None)
    if review is None:
        counted = lines if signed is None else _as_signed(lines, signed)
        clocks = () if signed is None else clock_settings(counted)
        review = review_of(open_case(library, entry.key, clocks), counted, as_found=signed is None)
    at, version = (library.now(), 0) if signed is None else (signed.signed_at, signed.version)
    last = lines[-1].number if lines else 0
    kept = None if signed is None else signed.record
    return rows(review, Standing(entry.key, entry.case_id, entry.agency, entry.excluded, last, at, version, kept))


def _as_signed(lines: Sequence[Line], signed: Version) -> list[Line]:
    """The lines that a signed version rests on, and the outcomes that came later, with what undoes these."""
    kinds: dict[int, str] = {}
    for line in lines:
        kinds[line.number] = kinds.get(int(line.body["undoes"]), "") if line.kind == "undo" else line.kind
    return [line for line in lines if line.number <= signed.through or kinds[line.number] == "outcome"]
