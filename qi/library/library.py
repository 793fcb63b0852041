"""The case library: originals and cases in a folder, what people say of them in a database. The only writer of both."""

from collections.abc import Callable, Collection, Mapping
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import pandas as pd
from sqlalchemy.exc import IntegrityError

from qi.library import (
    at_rest,
    cases,
    database_place,
    draft,
    journal,
    log,
    originals,
    outcomes,
    place,
    rules,
    second_reading,
    settings,
    stored_case,
    worklist,
)
from qi.library.cases import KeptFile, Match
from qi.library.database import Database, utc_now
from qi.library.draft import Draft
from qi.library.handed import Handed
from qi.library.journal import Entries, Version
from qi.library.logged import Logged
from qi.library.mailed import Mailed
from qi.library.originals import Original
from qi.library.outcomes import OutcomeImport
from qi.library.over_time import OverTime
from qi.library.people import People
from qi.library.settings import Settings
from qi.library.worklist import Entry, Summary
from qi.model.case import Case
from qi.model.errors import QiError, StaleWrite
from qi.model.journal import FIRST, SECOND, Line

TRIES = 20  # times that a line is written anew when the other reading's writer was first (our default, no source)


class Library(OverTime, Logged, Handed, Mailed):
    """An opened library; may be used by many threads at once, and by many programs."""

    def __init__(self, folder: Path, database: Database, *, now: Callable[[], datetime] = utc_now) -> None:
        """Take over an opened folder and database; Library.open is the way in. now is the clock that lines are dated by."""
        self.folder = folder
        self.database = database
        self.now = now
        database.log_grew = self._log_grew

    @classmethod
    def open(cls, folder: Path, *, database: str | None = None) -> Self:
        """Open the library in a folder, made where it is not there, its tables brought up to date; closed to all but its owner.

        From then on, what this program makes anywhere is its owner's alone.
        Parameters: folder; database, the address, None for what the setting says (qi.library.database_place).
        Raises: QiError where folder or database cannot be used, or the tables are those of a later release.
        """
        try:
            at_rest.only_owner()
            place.prepare(folder)
            at_rest.tighten(folder)
        except OSError as error:
            raise QiError(f"the library's folder {folder} cannot be used: {error.strerror or error}") from error
        opened = Database(database or database_place.database_url(folder))
        try:
            opened.migrate(then=journal.rebuild_states)
            library = cls(folder, opened)
            library._watch_log()
        except BaseException:
            opened.close()
            raise
        return library

    def close(self) -> None:
        """Let the database go."""
        self.database.close()

    def __enter__(self) -> Self:
        """The library, to be closed at the end of the block."""
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        """Close it."""
        self.close()

    @property
    def settings(self) -> Settings:
        """The library's settings as its file says now.

        Raises: UnreadableFile, UnknownWord.
        """
        return settings.read(self.folder)

    @property
    def people(self) -> People:
        """Who may use the app."""
        return People(self.database, self.now, self.seal)

    def crew_of(self, key: str) -> frozenset[str]:
        """The numbers of a case's crew members; none where the case cannot be read.

        Raises: NoSuchCase.
        """
        self.about(key)
        return stored_case.crew(place.stored_folder(self.folder, key))

    # Bringing in, and the files of a case

    def match(self, digests: Collection[str], case_id: str | None, agency: str) -> Match:
        """Which case of the library files belong to, see qi.library.cases.match."""
        with self.database.reading() as connection:
            return cases.match(connection, digests, case_id, agency)

    def begin(self, files: Mapping[str, Path], *, into: str | None = None) -> Draft:
        """Keep the originals of a new case, or add those that the case `into` does not have yet; to be finished or abandoned.

        Raises: NoSuchCase; UnreadableFile for a file that cannot be kept, and then none is.
        """
        return draft.begin(self.folder, self.database, files, into=into, share=self.settings.second_share, now=self.now)

    def case(self, key: str) -> Case:
        """A case as its files tell it, from the stored copy.

        Raises: NoSuchCase; UnreadableFile where the copy must be made anew from the originals.
        """
        self.about(key)
        return stored_case.read(place.stored_folder(self.folder, key))

    def store(self, key: str, case: Case) -> None:
        """Keep a case that was read anew from its originals.

        Raises: NoSuchCase.
        """
        self.about(key)
        stored_case.write(place.stored_folder(self.folder, key), case)
        with self.database.writing() as connection:
            journal.hold(connection, key)
            cases.keep_told(connection, key, case)

    def originals_folder(self, key: str) -> Path:
        """Where the originals of a case lie.

        Raises: NoSuchCase.
        """
        self.about(key)
        return place.originals_folder(self.folder, key)

    def files(self, key: str) -> list[KeptFile]:
        """The originals of a case, in order of name.

        Raises: NoSuchCase.
        """
        with self.database.reading() as connection:
            worklist.entry_of(connection, key)
            return cases.files_of(connection, key)

    def check(self, key: str) -> list[str]:
        """One sentence for each original that is missing or not as it came; none where all is well.

        Raises: NoSuchCase.
        """
        kept = [Original(one.name, one.sha256, one.bytes) for one in self.files(key)]
        return originals.check(place.originals_folder(self.folder, key), kept)

    def remove(self, key: str, *, who: str, measures_kept: bool = False, what: str = "all") -> None:
        """Remove a case: its originals, what was made of them, and all that was said of it. That it was removed stays on record.

        What other programs keep of it outside the database and its folder is theirs to take out (qi.desk.retention does).
        Parameters: key; who; measures_kept, whether its numbers stay somewhere else under its key; what, words for the log.
        Raises: NoSuchCase; QiError where its files cannot be deleted, and then the case stays.
        """
        name, when = rules.name_of(who), self.now()
        with self.database.writing() as connection:
            cases.take_out(connection, key, who=name, when=when, measures_kept=measures_kept)
            log.append(connection, self.seal, "deleted", who=name, when=when, case=key, what=what)
            try:
                originals.remove(place.case_folder(self.folder, key))
            except OSError as error:
                raise QiError(f"the case's files cannot be deleted: {error.strerror or error}; the case stays") from error

    # The journal

    def lines(self, key: str) -> list[Line]:
        """Every line of a case's journal, in order.

        Raises: NoSuchCase.
        """
        with self.database.reading() as connection:
            worklist.entry_of(connection, key)
            return journal.lines_of(connection, key)

    def versions(self, key: str) -> list[Version]:
        """Every signed version of a case, both readings, in the order in which they were signed.

        Raises: NoSuchCase.
        """
        with self.database.reading() as connection:
            worklist.entry_of(connection, key)
            return journal.versions_of(connection, key)

    def write(
        self,
        key: str,
        kind: str,
        body: Mapping[str, Any],
        *,
        who: str,
        after: int,
        reading: int = FIRST,
        marks: frozenset[str] = frozenset(),
    ) -> Line:
        """Write one line, see write_all."""
        return self.write_all(key, [(kind, body)], who=who, after=after, reading=reading, marks=marks)[0]

    def write_all(
        self, key: str, entries: Entries, *, who: str, after: int, reading: int = FIRST, marks: frozenset[str] = frozenset()
    ) -> list[Line]:
        """Write lines into a journal, all of them or none.

        Parameters: key, of the case; entries, kind (of KINDS) and body of each line; who writes; after, number of the last line
        that the writer had seen; reading, whose journal they belong to; marks of who writes (qi.model.people.Person), none where
        nobody signs in.
        Returns: the lines as written.
        Raises: StaleWrite where others have written since, saying who, when and what; Locked where the version is signed;
        NoSuchCase; UnknownWord for a kind, or another word of a closed list, that is not known; QiError for what makes no sense on
        the case as it stands, such as an undo of what is undone already; ValueError for a body without what its kind must hold.
        """
        for _ in range(TRIES):
            try:
                with self.database.writing() as connection:
                    when = self.now()
                    lines = journal.append(connection, key, entries, who=who, when=when, after=after, reading=reading, marks=marks)
                    log.append_all(connection, self.seal, log.written(key, lines), who=who, when=when)
                    return lines
            except IntegrityError:
                continue  # another writer was first; what they wrote is seen now, and makes this stale or not
        raise StaleWrite("others are writing on this case at this moment: nothing of yours was written, look again")

    def sign(
        self,
        key: str,
        record: Mapping[str, Any],
        *,
        who: str,
        after: int,
        reading: int = FIRST,
        marks: frozenset[str] = frozenset(),
    ) -> Line:
        """Sign a reading, which locks it, and keep the measures as they stand.

        Parameters: record, the measures as plain values; see write_all.
        Raises: Locked where it is signed already; see write_all.
        """
        kind = "second_signed" if reading == SECOND else "signed"
        return self.write(key, kind, {"record": record}, who=who, after=after, reading=reading, marks=marks)

    def reopen(self, key: str, why: str, *, who: str, after: int, marks: frozenset[str] = frozenset()) -> Line:
        """Open a signed case again, as a new version; what was signed stays as it is.

        Raises: QiError where it is not signed, or without a reason; see write_all.
        """
        return self.write(key, "reopened", {"why": why}, who=who, after=after, marks=marks)

    def rebuild_states(self) -> None:
        """Tell what the worklist shows of every case from its journal anew."""
        with self.database.writing() as connection:
            journal.rebuild_states(connection)

    # The worklist

    def keys(self) -> list[str]:
        """Every case's key, in the order in which they came in."""
        return [entry.key for entry in reversed(self.entries(order="entered"))]

    def about(self, key: str) -> Entry:
        """What the worklist shows of one case.

        Raises: NoSuchCase.
        """
        with self.database.reading() as connection:
            return worklist.entry_of(connection, key)

    def entries(
        self,
        *,
        status: str | None = None,
        assigned_to: str | None = None,
        second_status: str | None = None,
        search: str | None = None,
        order: str = "concern",
        limit: int | None = None,
        offset: int = 0,
    ) -> list[Entry]:
        """The cases that fit, in order, see qi.library.worklist.entries."""
        with self.database.reading() as connection:
            return worklist.entries(
                connection,
                status=status,
                assigned_to=assigned_to,
                second_status=second_status,
                search=search,
                order=order,
                limit=limit,
                offset=offset,
            )

    def worklist(
        self,
        *,
        status: str | None = None,
        assigned_to: str | None = None,
        second_status: str | None = None,
        search: str | None = None,
        order: str = "concern",
        limit: int | None = None,
        offset: int = 0,
    ) -> pd.DataFrame:
        """The cases that fit, in order, as a table, see qi.library.worklist.entries and .table."""
        found = self.entries(
            status=status,
            assigned_to=assigned_to,
            second_status=second_status,
            search=search,
            order=order,
            limit=limit,
            offset=offset,
        )
        return worklist.table(found)

    def counts(self) -> Mapping[str, Any]:
        """How many cases stand where, and how long feedback takes, see qi.library.worklist.counts."""
        with self.database.reading() as connection:
            return worklist.counts(connection)

    def summarise(self, key: str, summary: Summary) -> None:
        """Keep what the pipeline tells the worklist of a case.

        Raises: NoSuchCase.
        """
        with self.database.writing() as connection:
            cases.summarise(connection, key, summary)

    # The second reading, and later facts

    def why_not(self, key: str, who: str, *, reading: int, marks: frozenset[str] = frozenset()) -> str:
        """Why a person may not write in a reading of a case; empty where they may, see qi.library.second_reading.refused."""
        return second_reading.refused(self.lines(key), who, reading=reading, marks=marks)

    def agree(self, key: str, record: Mapping[str, Any]) -> None:
        """Keep how far two readings of a case agreed.

        Raises: NoSuchCase.
        """
        with self.database.writing() as connection:
            journal.hold(connection, key)
            second_reading.keep_agreement(connection, key, record)

    def join_outcomes(self, source: Path | str, *, who: str, agency: str | None = None, name: str = "") -> OutcomeImport:
        """Join hospital outcomes to the cases, see qi.library.outcomes.join.

        Parameters: source, a file, or the text of one; who; agency, of rows that name none, None for any; name, of the file a text
        came from.
        Raises: UnreadableFile where the file as a whole cannot be used, and then nothing is joined.
        """
        file, content = outcomes.content_of(source, name)
        with self.database.writing() as connection:
            name, when = rules.name_of(who), self.now()
            return outcomes.join(connection, file, content, seal=self.seal, who=name, when=when, agency=agency)

    def outcome_imports(self) -> list[OutcomeImport]:
        """Every file of outcomes that was read in, the last one first."""
        with self.database.reading() as connection:
            return outcomes.imports(connection)
