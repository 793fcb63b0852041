"""The people who may use the app: listed, added, ended. Nobody is deleted, so that a name in a journal stays somebody's."""

from collections.abc import Callable, Collection
from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa
from sqlalchemy.exc import IntegrityError

from qi.library import log
from qi.library.database import Database
from qi.library.rules import name_of
from qi.library.tables import PEOPLE, SIGN_OUTS
from qi.model.errors import QiError, UnknownWord
from qi.model.people import ROLES

LONGEST = 255  # letters of a subject or a crew number (OpenID Connect Core 1.0, section 2: a subject has at most 255)


@dataclass(frozen=True)
class Listed:
    """One line of the list: who, by which subject or e-mail sign-in knows them, roles, crew numbers, and since when until when."""

    subject: str
    name: str
    roles: tuple[str, ...]
    crew_ids: tuple[str, ...]
    added_by: str
    added_at: datetime
    ended_by: str
    ended_at: datetime | None


class People:
    """The list, in the library's database."""

    def __init__(self, database: Database, now: Callable[[], datetime], seal: bytes) -> None:
        """Take over an opened database. now is the clock that entries are dated by, seal the key of the log's seals."""
        self._database = database
        self._now = now
        self._seal = seal

    def all(self) -> list[Listed]:
        """Everybody who is or was on the list, those in force first, by name."""
        with self._database.reading() as connection:
            rows = connection.execute(sa.select(PEOPLE)).mappings()
            found = [_listed(row) for row in rows]
        return sorted(found, key=lambda one: (one.ended_at is not None, one.name.casefold(), one.added_at))

    def known_by(self, subjects: Collection[str]) -> Listed | None:
        """The entry in force that one of several subjects names; None where there is none.

        Parameters: subjects, in the order in which they count, such as the subject of a sign-in, then its e-mail.
        """
        wanted = [subject_of(one) for one in subjects if one.strip()]
        query = sa.select(PEOPLE).where(PEOPLE.c.subject.in_(wanted), PEOPLE.c.ended_at.is_(None))
        with self._database.reading() as connection:
            found = {row["subject"]: _listed(row) for row in connection.execute(query).mappings()}
        return next((found[one] for one in wanted if one in found), None)

    def add(self, subject: str, *, name: str, roles: Collection[str], crew_ids: Collection[str] = (), who: str) -> Listed:
        """Put somebody on the list.

        Parameters: subject, by which sign-in knows them, or their e-mail; name; roles, words of ROLES; crew_ids, their numbers in
        care records; who adds.
        Raises: UnknownWord for a role that is not known; QiError where they are on it already, or what is given cannot be used.
        """
        for role in roles:
            if role not in ROLES:
                raise UnknownWord("roles", role, ROLES)
        numbers = sorted({one.strip() for one in crew_ids if one.strip()})
        if not roles:
            raise QiError(f"say at least one role: {', '.join(ROLES)}")
        if "crew" in roles and not numbers:
            raise QiError("crew members need the number that care records know them by")
        if any(len(one) > LONGEST or not one.isprintable() for one in (subject, *numbers)) or not subject.strip():
            raise QiError("a subject or e-mail, and each crew number, is one line of text")
        kept = {
            "subject": subject_of(subject),
            "name": name_of(name),
            "roles": sorted(set(roles)),
            "crew_ids": numbers,
            "added_by": name_of(who),
            "added_at": self._now(),
        }
        try:
            with self._database.writing() as connection:
                row = connection.execute(sa.insert(PEOPLE).returning(PEOPLE), [kept]).mappings().one()
                what = ", ".join(["added", *(ROLES[role] for role in sorted(set(roles)))])
                log.append(connection, self._seal, "people changed", who=who, when=self._now(), what=what)
                return _listed(row)
        except IntegrityError:
            raise QiError(f"{kept['subject']} is on the list already; end that entry first") from None

    def end(self, subject: str, *, who: str) -> None:
        """End somebody's entry: from their next act on they may do nothing.

        Raises: QiError where they are not on the list, or are its last administrator.
        """
        ended = subject_of(subject)
        with self._database.writing() as connection:
            in_force = [row for row in connection.execute(sa.select(PEOPLE).where(PEOPLE.c.ended_at.is_(None))).mappings()]
            if all(row["subject"] != ended for row in in_force):
                raise QiError(f"{ended} is not on the list")
            keepers = {row["subject"] for row in in_force if "administrator" in row["roles"]}
            if keepers == {ended} and len(in_force) > 1:
                raise QiError(f"{ended} is the last administrator; add another one first")
            mine = sa.and_(PEOPLE.c.subject == ended, PEOPLE.c.ended_at.is_(None))
            connection.execute(sa.update(PEOPLE).where(mine).values(ended_by=name_of(who), ended_at=self._now()))
            log.append(connection, self._seal, "people changed", who=who, when=self._now(), what="removed")

    def sign_out(self, sign_in: str, *, until: datetime) -> None:
        """End a sign-in wherever its cookie is kept.

        Parameters: sign_in, a name for it that says nothing of the person, 64 letters at most; until, when it would have ended by
        itself (aware): what ended before now is forgotten.
        """
        with self._database.writing() as connection:
            connection.execute(sa.delete(SIGN_OUTS).where((SIGN_OUTS.c.until < self._now()) | (SIGN_OUTS.c.sign_in == sign_in)))
            connection.execute(sa.insert(SIGN_OUTS), [{"sign_in": sign_in, "until": until}])

    def is_signed_out(self, sign_in: str) -> bool:
        """Whether a sign-in was ended by its person."""
        with self._database.reading() as connection:
            return connection.scalar(sa.select(sa.true()).where(SIGN_OUTS.c.sign_in == sign_in)) is not None


def subject_of(text: str) -> str:
    """A subject as it is kept: an e-mail without regard to capitals, any other to the letter.

    References: OpenID Connect Core 1.0, section 2: a subject is case-sensitive.
    """
    text = text.strip()
    return text.lower() if "@" in text else text


def _listed(row: sa.RowMapping) -> Listed:
    columns = {name: row[name] for name in Listed.__dataclass_fields__}
    return Listed(**columns | {"roles": tuple(row["roles"]), "crew_ids": tuple(row["crew_ids"])})
