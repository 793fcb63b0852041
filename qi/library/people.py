"""The people who may use the app: listed, added, ended. Nobody is deleted, so that a name in a journal stays somebody's."""

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa
from sqlalchemy.exc import IntegrityError

from qi.library import log
from qi.library.database import Database
from qi.library.rules import name_of
from qi.library.sign_in import SignIn
from qi.library.tables import CASES, PEOPLE, SIGN_OUTS
from qi.model.errors import QiError, UnknownWord
from qi.model.people import ROLES, agency_name

LONGEST = 255  # letters of a subject or a crew number (OpenID Connect Core 1.0, section 2: a subject has at most 255)


@dataclass(frozen=True)
class Listed:
    """One line of the list: who, by which subject or e-mail sign-in knows them, roles, crew numbers, and since when until when.

    agency is that of the crew numbers, empty where nobody says it; number is the entry's own, by which the log names it.
    """

    subject: str
    name: str
    roles: tuple[str, ...]
    crew_ids: tuple[str, ...]
    added_by: str
    added_at: datetime
    ended_by: str
    ended_at: datetime | None
    agency: str = ""
    number: int = 0


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

    def add(
        self, subject: str, *, name: str, roles: Collection[str], crew_ids: Collection[str] = (), agency: str = "", who: str
    ) -> Listed:
        """Put somebody on the list.

        Parameters: subject, by which sign-in knows them, or their e-mail; name; roles, words of ROLES; crew_ids, their numbers in
        care records; agency, whose numbers they are, may be empty while the library knows one agency at most; who adds.
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
        if any(len(one) > LONGEST or not one.isprintable() for one in (subject, *numbers, agency)) or not subject.strip():
            raise QiError("a subject or e-mail, each crew number, and an agency, is one line of text")
        kept = {
            "subject": subject_of(subject),
            "name": name_of(name),
            "roles": sorted(set(roles)),
            "crew_ids": numbers,
            "agency": " ".join(agency.split()),
            "added_by": name_of(who),
            "added_at": self._now(),
        }
        try:
            with self._database.writing() as connection:
                _says_agency(connection, numbers, str(kept["agency"]))
                row = connection.execute(sa.insert(PEOPLE).returning(PEOPLE), [kept]).mappings().one()
                log.append(connection, self._seal, log.PEOPLE_CHANGED, who=who, when=self._now(), what=_added(row))
                return _listed(row)
        except IntegrityError:
            raise QiError(f"{kept['subject']} is on the list already; end that entry first") from None

    def bind(self, subject: str, *, agency: str, who: str) -> Listed:
        """Say of which agency somebody's crew numbers are: their entry ends, and one that says it goes on from there.

        Returns: the entry in force from now on.
        Raises: QiError where they are not on the list, or have no crew number; see add.
        """
        bound, told, when = subject_of(subject), " ".join(agency.split()), self._now()
        if len(told) > LONGEST or not told.isprintable():
            raise QiError("an agency is one line of text")
        mine = sa.and_(PEOPLE.c.subject == bound, PEOPLE.c.ended_at.is_(None))
        with self._database.writing() as connection:
            was = connection.execute(sa.select(PEOPLE).where(mine).with_for_update()).mappings().one_or_none()
            if was is None:
                raise QiError(f"{bound} is not on the list")
            connection.execute(sa.update(PEOPLE).where(mine).values(ended_by=name_of(who), ended_at=when))
            _says_agency(connection, was["crew_ids"], told, asked=True)
            kept = {name: was[name] for name in ("subject", "name", "roles", "crew_ids")}
            kept |= {"agency": told, "added_by": name_of(who), "added_at": when}
            row = connection.execute(sa.insert(PEOPLE).returning(PEOPLE), [kept]).mappings().one()
            acts = [(log.PEOPLE_CHANGED, "", what) for what in (_removed(was), _added(row))]
            log.append_all(connection, self._seal, acts, who=who, when=when)
            return _listed(row)

    def agencies(self) -> list[str]:
        """Every agency that the library knows, as first written, by name, see agencies."""
        with self._database.reading() as connection:
            return agencies(connection)

    def doubts(self, read: SignIn) -> list[str]:
        """Whose crew numbers, and which cases, cannot be told to be of one agency: sentences for whoever looks after the list.

        Parameters: read, how sign-in is read.
        Returns: none while all is clear.
        """
        with self._database.reading() as connection:
            known = agencies(connection)
            cases = {name: count for name, count in connection.execute(_CASES_BY_AGENCY)}
        crew = [one for one in self.all() if one.ended_at is None and one.crew_ids and not read.agency_claim]
        names = {agency_name(name) for name in cases} - {""}
        strange = [one for one in crew if one.agency and names and agency_name(one.agency) not in names]
        said = _doubts_of_several(known, crew, cases, read) if len(known) > 1 else []
        if strange:
            told = "; ".join(dict.fromkeys(one.agency for one in strange))
            said.append(
                f"No case is of an agency that is written so: {told}. Until one is, these see none: {_with_numbers(strange)}."
            )
        return said

    def end(self, subject: str, *, who: str) -> None:
        """End somebody's entry: from their next act on they may do nothing.

        Raises: QiError where they are not on the list, or are its last administrator.
        """
        ended = subject_of(subject)
        with self._database.writing() as connection:
            in_force = connection.execute(sa.select(PEOPLE).where(PEOPLE.c.ended_at.is_(None))).mappings().all()
            was = next((row for row in in_force if row["subject"] == ended), None)
            if was is None:
                raise QiError(f"{ended} is not on the list")
            keepers = {row["subject"] for row in in_force if "administrator" in row["roles"]}
            if keepers == {ended} and len(in_force) > 1:
                raise QiError(f"{ended} is the last administrator; add another one first")
            mine = sa.and_(PEOPLE.c.subject == ended, PEOPLE.c.ended_at.is_(None))
            connection.execute(sa.update(PEOPLE).where(mine).values(ended_by=name_of(who), ended_at=self._now()))
            log.append(connection, self._seal, log.PEOPLE_CHANGED, who=who, when=self._now(), what=_removed(was))

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


_CASES_BY_AGENCY = sa.select(CASES.c.agency, sa.func.count()).where(~CASES.c.invented).group_by(CASES.c.agency)


def agencies(connection: sa.Connection) -> list[str]:
    """Every agency that a library knows: of its cases but the invented ones, and of crew numbers on the list of people.

    Returns: their names in order, each once, as the first of its spellings.
    """
    of_crew = sa.select(PEOPLE.c.agency).where(PEOPLE.c.ended_at.is_(None)).distinct()
    written = [row[0] for row in connection.execute(_CASES_BY_AGENCY)] + list(connection.scalars(of_crew))
    first: dict[str, str] = {}
    for name in sorted(written):
        first.setdefault(agency_name(name), " ".join(name.split()))
    return sorted(name for name in first.values() if name)


def _says_agency(connection: sa.Connection, numbers: Collection[str], agency: str, *, asked: bool = False) -> None:
    """Refuse an agency without a crew number, and numbers that do not say of which of several agencies they are."""
    if not numbers and (agency or asked):
        raise QiError("an agency is said of crew numbers, and there are none")
    known = agencies(connection)
    if numbers and not agency and len(known) > 1:
        raise QiError(f"the library knows more than one agency ({'; '.join(known)}): say of which the crew numbers are")


def _doubts_of_several(known: Sequence[str], crew: Sequence[Listed], cases: Mapping[str, int], read: SignIn) -> list[str]:
    """What none of the crew sees where the library knows several agencies, and what would have to be said."""
    said, unsaid = [], [one for one in crew if not one.agency]
    if read.crew_claim and not read.agency_claim:
        said.append(
            f"The claim “{read.crew_claim}” does not say of which agency a crew number is: name one that does (agency_claim, "
            "library.toml), or list each of the crew with their agency."
        )
    if unsaid:
        said.append(
            f"Until it is said of which agency their crew numbers are, these see no sheet and no case: {_with_numbers(unsaid)}."
        )
    without = sum(count for name, count in cases.items() if not agency_name(name))
    if without:
        said.append(f"Cases that name no agency: {without}. None of the crew sees their sheets.")
    several = f"The library knows more than one agency ({'; '.join(known)}), and two may use the same crew numbers."
    return [several, *said] if said else []


def _with_numbers(listed: Collection[Listed]) -> str:
    return ", ".join(f"{one.name} ({', '.join(one.crew_ids)})" for one in listed)


def _added(row: sa.RowMapping) -> str:
    """What was done where an entry was added, in words of the log."""
    return _of_entry(", ".join(["added", *(ROLES[role] for role in row["roles"])]), row)


def _removed(row: sa.RowMapping) -> str:
    return _of_entry("removed", row)


def _of_entry(words: str, row: sa.RowMapping) -> str:
    return log.of_entry(words, number=row["id"], name=row["name"], subject=row["subject"])


def subject_of(text: str) -> str:
    """A subject as it is kept: an e-mail without regard to capitals, any other to the letter.

    References: OpenID Connect Core 1.0, section 2: a subject is case-sensitive.
    """
    text = text.strip()
    return text.lower() if "@" in text else text


def _listed(row: sa.RowMapping) -> Listed:
    columns = {name: row["id" if name == "number" else name] for name in Listed.__dataclass_fields__}
    return Listed(**columns | {"roles": tuple(row["roles"]), "crew_ids": tuple(row["crew_ids"])})
