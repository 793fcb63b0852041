"""Sheets handed to the crew: what a library does with them, and the lines of its log about that."""

from collections.abc import Callable, Collection, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from qi.library import log, sheets, worklist
from qi.library.database import Database
from qi.library.sheets import KeptSheet


class Handed:
    """The part of a Library that is about sheets for the crew.

    agency, wherever it is asked for, is that of the crew numbers of whoever asks, empty where nobody says it: the sheets of another
    agency's cases are not theirs (qi.library.sheets).
    """

    folder: Path
    database: Database
    now: Callable[[], datetime]

    def save_sheet(self, key: str, version: int, body: Mapping[str, Any], *, who: str) -> KeptSheet:
        """Keep a sheet that is being written, in place of one that was not sent yet, see qi.library.sheets.save.

        A line of the log says who changed what the crew will read; none where it is kept as it stood.
        """
        with self.database.writing() as connection:
            before = sheets.of_case(connection, key)
            kept = sheets.save(connection, key, version, body, who=who, when=self.now())
            if (kept.number, kept.version, kept.body) not in [(one.number, one.version, one.body) for one in before]:
                log.append(connection, log.key_of(self.folder), "changed", who=who, when=self.now(), case=key, what="sheet, draft")
            return kept

    def send_sheet(self, key: str, number: int, crew: Collection[str], *, who: str) -> KeptSheet:
        """Send a sheet to the crew numbers of the case, which closes it, see qi.library.sheets.send."""
        with self.database.writing() as connection:
            sent = sheets.send(connection, key, number, crew, who=who, when=self.now())
            log.append(connection, log.key_of(self.folder), "sent", who=who, when=self.now(), case=key, what="sheet")
            return sent

    def mark_read(self, key: str, number: int, crew: Collection[str], *, who: str, agency: str = "") -> None:
        """Say that a sheet was read by a person of these crew numbers, see qi.library.sheets.mark_read."""
        with self.database.writing() as connection:
            if sheets.mark_read(connection, key, number, crew, agency=agency, when=self.now()):
                log.append(connection, log.key_of(self.folder), "read", who=who, when=self.now(), case=key, what="sheet")

    def answer_sheet(self, key: str, number: int, crew: Collection[str], text: str, *, who: str, agency: str = "") -> None:
        """Keep what one of the crew answers, see qi.library.sheets.answer."""
        with self.database.writing() as connection:
            sheets.answer(connection, key, number, crew, text, agency=agency, when=self.now())
            log.append(connection, log.key_of(self.folder), "answered", who=who, when=self.now(), case=key, what="sheet")

    def sheets(self, key: str) -> list[KeptSheet]:
        """Every sheet of a case, in order.

        Raises: NoSuchCase.
        """
        with self.database.reading() as connection:
            worklist.entry_of(connection, key)
            return sheets.of_case(connection, key)

    def sheets_for(self, crew: Collection[str], *, agency: str = "") -> list[KeptSheet]:
        """The sheets that were sent to any of these crew numbers, the last one first, see qi.library.sheets.sent_to."""
        with self.database.reading() as connection:
            return sheets.sent_to(connection, crew, agency=agency)
