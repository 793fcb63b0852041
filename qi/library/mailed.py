"""Mail about a sheet: whom it goes to by crew number, when it went, and why it did not. No address is kept beside a sheet."""

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import sqlalchemy as sa

from qi.library import log, mail, rules, sheets
from qi.library import settings as settings_file
from qi.library.database import Database
from qi.library.people import agencies
from qi.library.tables import CASES, PEOPLE, SHEET_CREW
from qi.model.errors import QiError
from qi.model.people import agency_name, is_of_agency

NO_ADDRESS = "no address known"
SEVERAL = "several people on the list have this crew number"
UNSAID = "the list of people does not say of which agency this crew number is"
CASE_UNSAID = "the case does not say of which agency it is, and the library knows several"


@dataclass(frozen=True)
class Recipient:
    """Whom mail about a sheet goes to: the crew number, the address, empty where there is none, and then why."""

    crew: str
    address: str
    why: str


@dataclass(frozen=True)
class MailKept:
    """What came of mail to a crew number: when a message last went (None: never), and why the last try did not (empty: it did)."""

    mailed_at: datetime | None
    trouble: str


class Mailed:
    """The part of a Library that is about mail to the crew."""

    folder: Path
    database: Database
    now: Callable[[], datetime]

    def mail_to(self, key: str, number: int) -> list[Recipient]:
        """Whom mail about a sheet goes to, in order of crew number, by the list of people as it stands.

        Where roles come from the sign-in (`roles_claim`), those on the list do not count, nor are they asked for here. Of several
        agencies only people of the case's own get mail (qi.model.people.is_of_agency).
        Raises: QiError where there is no such sheet, or it was not sent yet.
        """
        claimed = bool(settings_file.read(self.folder).sign_in.roles_claim)
        with self.database.reading() as connection:
            if sheets.one(connection, key, number).sent_at is None:
                raise QiError(f"sheet {number} was not sent to the crew yet")
            crew = connection.scalars(sa.select(SHEET_CREW.c.crew).where(*_is(key, number)).order_by(SHEET_CREW.c.crew)).all()
            agency = connection.scalar(sa.select(CASES.c.agency).where(CASES.c.key == key)) or ""
            known = agencies(connection)
            found, unsaid = _addresses(connection, agency, known, claimed=claimed)
        if not agency_name(agency) and len(known) > 1:
            return [Recipient(one, "", CASE_UNSAID) for one in crew]
        return [_recipient(one, found.get(_alike(one), set()), unsaid=_alike(one) in unsaid) for one in crew]

    def mail_kept(self, key: str, number: int) -> Mapping[str, MailKept]:
        """What came of mail about a sheet, by crew number."""
        columns = (SHEET_CREW.c.crew, SHEET_CREW.c.mailed_at, SHEET_CREW.c.mail_trouble)
        with self.database.reading() as connection:
            rows = connection.execute(sa.select(*columns).where(*_is(key, number)).order_by(SHEET_CREW.c.crew))
            return {row.crew: MailKept(row.mailed_at, row.mail_trouble) for row in rows}

    def keep_mailed(self, key: str, number: int, troubles: Mapping[str, str], *, who: str, at: datetime) -> None:
        """Keep what came of mail about a sheet, with a line in the log where a message went.

        Parameters: key, of the case; number, of the sheet; troubles, for each crew number that one message is for, why it did not
        go, empty where it did; who sent it; at, when (aware).
        Raises: QiError for a crew number that the sheet did not go to.
        """
        name = rules.name_of(who)
        with self.database.writing() as connection:
            for crew, trouble in troubles.items():
                values = {"mail_trouble": trouble} | ({} if trouble else {"mailed_at": at})
                mine = (*_is(key, number), SHEET_CREW.c.crew == crew)
                changed = connection.execute(sa.update(SHEET_CREW).where(*mine).values(values))
                if not changed.rowcount:
                    raise QiError(f"sheet {number} was not sent to one of these crew numbers")
            if not all(troubles.values()):
                log.append(connection, log.key_of(self.folder), "sent", who=name, when=at, case=key, what="mail")


def _is(key: str, number: int) -> tuple[sa.ColumnElement[bool], ...]:
    return SHEET_CREW.c.case_key == key, SHEET_CREW.c.number == number


def _addresses(
    connection: sa.Connection, agency: str, known: Collection[str], *, claimed: bool
) -> tuple[dict[str, set[str]], set[str]]:
    """The addresses of those on the list who read sheets of an agency, by crew number; an empty one for somebody who has none.

    Returns: them, and the numbers of those of whom it is not said whether they are of that agency.
    """
    found: dict[str, set[str]] = {}
    unsaid: set[str] = set()
    for row in connection.execute(sa.select(PEOPLE).where(PEOPLE.c.ended_at.is_(None))):
        numbers = {_alike(number) for number in row.crew_ids} if claimed or "crew" in row.roles else set()
        if is_of_agency(row.agency, agency, known):
            for number in numbers:
                found.setdefault(number, set()).add(mail.address_of(row.subject))
        elif not agency_name(row.agency):
            unsaid |= numbers
    return found, unsaid


def _recipient(crew: str, addresses: set[str], *, unsaid: bool) -> Recipient:
    known = sorted(addresses - {""})
    if len(known) == 1:
        return Recipient(crew, known[0], "")
    return Recipient(crew, "", SEVERAL if known else UNSAID if unsaid else NO_ADDRESS)


def _alike(number: str) -> str:
    """Crew numbers are alike whatever the case of their letters."""
    return number.strip().casefold()
