"""What a library's log is asked and told, and what is left of cases that were removed."""

from collections.abc import Callable
from contextlib import suppress
from datetime import datetime
from pathlib import Path

from sqlalchemy.exc import DatabaseError

from qi.library import cases, guards, log, log_end
from qi.library.database import Database
from qi.library.log import LogLine
from qi.model.errors import QiError, UnknownWord

THE_LIBRARY = "the library"  # who puts guards back


class Logged:
    """The part of a Library that is about its log, and about what goes for good."""

    folder: Path
    database: Database
    now: Callable[[], datetime]

    @property
    def seal(self) -> bytes:
        """The key that lines of the log are sealed with.

        Raises: OSError where it can be neither read nor made.
        """
        return log.key_of(self.folder)

    def _watch_log(self) -> None:
        """At each opening: a log that is to begin has its end kept from the first line on, and guards that are gone are put back.

        Where that may not be done (a folder or tables that belong to others), verifying says what is missing.
        """
        with suppress(OSError, DatabaseError):
            with self.database.reading() as connection:
                log_end.begin(connection, self.folder, self.seal)
                gone = guards.missing(connection)
            if gone:
                with self.database.writing() as connection:
                    back = guards.put_back(connection)
                    what = ", ".join(["guards", *back])
                    acts = [("put back", "", what)] if back else []  # none where another program was first
                    log.append_all(connection, self.seal, acts, who=THE_LIBRARY, when=self.now())

    def _log_grew(self, before: tuple[int, str], after: tuple[int, str]) -> None:
        """Keep the log's end in the folder; where it cannot be kept, verifying says that it lags."""
        with suppress(OSError):
            log_end.keep(self.folder, self.seal, before, after)

    def log(self, did: str, *, who: str, case: str = "", what: str = "") -> None:
        """Write a line into the log of who did what; what the library itself does is logged with the act.

        Parameters: did, of qi.library.log.DID; who; case, its key in the library, empty for none; what, words of WORDS in
        qi.library.log joined by comma and blank, may be empty.
        Raises: UnknownWord; NoSuchCase for a case that neither is nor was in the library; QiError without a name.
        """
        with self.database.writing() as connection:
            log.append(connection, self.seal, did, who=who, when=self.now(), case=case, what=what)

    def log_lines(
        self,
        *,
        case: str = "",
        who: str = "",
        did: str = "",
        since: datetime | None = None,
        limit: int | None = None,
        offset: int = 0,
    ) -> list[LogLine]:
        """Lines of the log that fit, the last one first, see qi.library.log.lines."""
        with self.database.reading() as connection:
            return log.lines(connection, case=case, who=who, did=did, since=since, limit=limit, offset=offset)

    def log_count(self, *, case: str = "", who: str = "", did: str = "", since: datetime | None = None) -> int:
        """How many lines of the log fit."""
        with self.database.reading() as connection:
            return log.count(connection, case=case, who=who, did=did, since=since)

    def log_names(self) -> list[str]:
        """Everybody whose name stands in the log, in order."""
        with self.database.reading() as connection:
            return log.names(connection)

    def log_head(self) -> tuple[int, str]:
        """Number and hash of the log's last line, for an agency to keep elsewhere."""
        with self.database.reading() as connection:
            return log.head(connection)

    def verify_log(self, *, seen: str = "") -> list[str]:
        """Work the log's chain out anew, look for its end and its guards.

        Parameters: seen, see qi.library.log.verify.
        Returns: one sentence for whatever is not as it should be, none where the log is whole.
        """
        with self.database.reading() as connection:
            gone = guards.missing(connection)
            said = [f"The guards of {', '.join(gone)} are gone, or not as they were made: opening the library anew puts them back."]
            ends = log_end.missed(connection, self.folder, self.seal)
            return [*log.verify(connection, self.seal, seen=seen), *ends, *log.doubts(connection), *(said if gone else [])]

    def accept_log_end(self, reason: str, *, who: str) -> None:
        """Take the log as it ends now, and its guards as they are, although verifying has doubts about them; a line says so.

        What else verifying finds, lines changed or missing in between, stays as it is.
        Parameters: reason, of qi.library.log.REASONS; who.
        Raises: UnknownWord; QiError where there is nothing to accept, or without a name; OSError where the end cannot be kept.
        """
        if reason not in log.REASONS:
            raise UnknownWord("log, accepted", reason, log.REASONS)
        with self.database.writing() as connection:
            if not log_end.missed(connection, self.folder, self.seal) and not log.doubts(connection):
                raise QiError("the log ends as it was kept, and its guards are as they were: there is nothing to accept")
            line = log.append(connection, self.seal, "accepted", who=who, when=self.now(), what=reason)
        log_end.accept(self.folder, self.seal, (line.number, line.hash))

    def log_accepted(self) -> list[str]:
        """One sentence for each time that somebody took the log as it ended then."""
        with self.database.reading() as connection:
            return log.accepted(connection)

    def forget_measures(self, key: str, *, who: str, what: str = "measures") -> None:
        """Of a case that was removed and whose measures stayed, keep nothing any more.

        Raises: NoSuchCase where no measures of such a case were kept.
        """
        with self.database.writing() as connection:
            cases.forget_measures(connection, key)
            log.append(connection, self.seal, "deleted", who=who, when=self.now(), case=key, what=what)

    def forget_lists(self, *, imports_before: datetime | None, arrests_before: datetime | None, who: str) -> int:
        """Take case numbers of long ago out of the lists of imported outcomes and of known arrests.

        Parameters: imports_before, when outcomes were read in; arrests_before, when an arrest was; both aware, None for none; who.
        Returns: how many entries went; only then is there a line in the log.
        """
        with self.database.writing() as connection:
            gone = cases.forget_lists(connection, imports_before=imports_before, arrests_before=arrests_before)
            if gone:
                log.append(connection, self.seal, "deleted", who=who, when=self.now(), what="lists, by age")
            return gone

    def scrub(self) -> str:
        """See to it that what was deleted is not in the database's files any more.

        Returns: why it could not be done just now; empty where it was.
        """
        return self.database.scrub(cases.holding_cases())
