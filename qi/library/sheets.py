"""Feedback sheets in the database: written until sent, then never changed; who has read one and what they answered."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from qi.library import journal, rules
from qi.library.people import agencies
from qi.library.tables import CASES, SHEET_ANSWERS, SHEET_CREW, SHEETS
from qi.model.errors import Locked, QiError
from qi.model.people import agency_name, is_of_agency

LONGEST_ANSWER = 4000
UNSAID = (
    "This library holds cases of more than one agency, and it is not said of which agency your crew number is: ask whoever looks "
    "after the list of people"
)


@dataclass(frozen=True)
class Answer:
    """What one of the crew answered: their crew number, when (aware), and the words."""

    crew: str
    at: datetime
    text: str


@dataclass(frozen=True)
class KeptSheet:
    """A sheet of a case: its number, from 1, the signed version that it was made of, and its body as plain values.

    sent_at is None until it is sent. crew are the crew numbers that it went to, each with when it was read (None: not yet).
    """

    case_key: str
    number: int
    version: int
    body: Mapping[str, Any]
    made_by: str
    made_at: datetime
    sent_by: str
    sent_at: datetime | None
    crew: Mapping[str, datetime | None]
    answers: tuple[Answer, ...]


def save(connection: sa.Connection, key: str, version: int, body: Mapping[str, Any], *, who: str, when: datetime) -> KeptSheet:
    """Keep a sheet that is being written: in place of the one that was not sent yet, else as the next one.

    Raises: NoSuchCase; QiError where the case has no such signed version.
    """
    journal.hold(connection, key)
    if version not in {one.version for one in journal.versions_of(connection, key) if one.reading == 1}:
        raise QiError(f"the case has no signed version {version}: only a signed case has a sheet")
    kept = of_case(connection, key)
    values = {"version": version, "body": dict(body), "made_by": rules.name_of(who), "made_at": when}
    if kept and kept[-1].sent_at is None:
        number = kept[-1].number
        connection.execute(sa.update(SHEETS).where(*_is(SHEETS, key, number)).values(values))
    else:
        number = kept[-1].number + 1 if kept else 1
        connection.execute(sa.insert(SHEETS), [{"case_key": key, "number": number, **values}])
    return one(connection, key, number)


def send(connection: sa.Connection, key: str, number: int, crew: Collection[str], *, who: str, when: datetime) -> KeptSheet:
    """Send a sheet to the crew of the case, which closes it and tells the journal that the crew had feedback.

    Parameters: crew, the crew numbers of the case; none where the record names none, and then it is handed over by other means.
    Raises: NoSuchCase; Locked where it was sent before; QiError where there is no such sheet.
    """
    name = rules.name_of(who)
    journal.hold(connection, key)
    if one(connection, key, number).sent_at is not None:
        raise Locked(f"sheet {number} was sent and stays as it is; write a new one")
    connection.execute(sa.update(SHEETS).where(*_is(SHEETS, key, number)).values(sent_by=name, sent_at=when))
    named = sorted({one.strip() for one in crew if one.strip()})
    if named:
        connection.execute(sa.insert(SHEET_CREW), [{"case_key": key, "number": number, "crew": one} for one in named])
    journal.append(connection, key, [("feedback", {"how": f"sheet {number}"})], who=name, when=when, after=None)
    return one(connection, key, number)


def mark_read(connection: sa.Connection, key: str, number: int, crew: Collection[str], *, agency: str, when: datetime) -> bool:
    """Say that a sheet was read by a person of these crew numbers; the first time counts.

    Parameters: agency, whose numbers they are, see sent_to.
    Returns: whether it had not been read by them before.
    Raises: QiError where it was not sent to them.
    """
    _sent_to(connection, key, number, crew, agency)
    place = (*_is(SHEET_CREW, key, number), _number_in(crew), SHEET_CREW.c.read_at.is_(None))
    return connection.execute(sa.update(SHEET_CREW).where(*place).values(read_at=when)).rowcount > 0


def answer(
    connection: sa.Connection, key: str, number: int, crew: Collection[str], text: str, *, agency: str, when: datetime
) -> None:
    """Keep what a person of these crew numbers answers; a sheet that is answered has been read.

    Parameters: agency, whose numbers they are, see sent_to.
    Raises: QiError where it was not sent to them, or the answer is empty or too long.
    """
    words = text.strip()
    if not 0 < len(words) <= LONGEST_ANSWER:
        raise QiError(f"an answer has 1 to {LONGEST_ANSWER} characters; this one has {len(words)}")
    mark_read(connection, key, number, crew, agency=agency, when=when)
    by = _sent_to(connection, key, number, crew, agency)[0]
    row = {"case_key": key, "number": number, "crew": by, "answered_at": when, "text": words}
    connection.execute(sa.insert(SHEET_ANSWERS), [row])


def of_case(connection: sa.Connection, key: str) -> list[KeptSheet]:
    """Every sheet of a case, in order; none where there is none."""
    return _kept(connection, SHEETS.c.case_key == key)


def one(connection: sa.Connection, key: str, number: int) -> KeptSheet:
    """One sheet.

    Raises: QiError where there is none of that number.
    """
    found = _kept(connection, *_is(SHEETS, key, number))
    if not found:
        raise QiError(f"the case has no sheet {number}")
    return found[0]


def sent_to(connection: sa.Connection, crew: Collection[str], *, agency: str) -> list[KeptSheet]:
    """The sheets that were sent to any of these crew numbers, the last one first.

    Parameters: crew; agency, whose numbers they are, empty where nobody says: of a case of another agency nothing is found.
    Raises: QiError where nobody says it, and the library knows more than one agency.
    """
    known = agencies(connection)
    if not agency_name(agency) and len(known) > 1:
        raise QiError(UNSAID)
    mine = sa.select(SHEET_CREW.c.case_key, SHEET_CREW.c.number).where(_number_in(crew))
    found = _kept(connection, SHEETS.c.sent_at.is_not(None), sa.tuple_(SHEETS.c.case_key, SHEETS.c.number).in_(mine))
    whose = {key: _agency_of(connection, key) for key in {sheet.case_key for sheet in found}}
    own = [sheet for sheet in found if is_of_agency(agency, whose[sheet.case_key], known)]
    return sorted(own, key=lambda sheet: (sheet.sent_at or sheet.made_at, sheet.case_key), reverse=True)


def _is(table: sa.Table, key: str, number: int) -> tuple[sa.ColumnElement[bool], ...]:
    return table.c.case_key == key, table.c.number == number


def _number_in(crew: Collection[str]) -> sa.ColumnElement[bool]:
    """Crew numbers are alike whatever the case of their letters."""
    return sa.func.lower(SHEET_CREW.c.crew).in_(sorted({one.strip().lower() for one in crew} - {""}))


def _sent_to(connection: sa.Connection, key: str, number: int, crew: Collection[str], agency: str) -> list[str]:
    mine = sa.select(SHEET_CREW.c.crew).where(*_is(SHEET_CREW, key, number), _number_in(crew))
    found = sorted(connection.scalars(mine))
    if not found or not is_of_agency(agency, _agency_of(connection, key), agencies(connection)):
        raise QiError("this sheet was not sent to you")
    return found


def _agency_of(connection: sa.Connection, key: str) -> str:
    return connection.scalar(sa.select(CASES.c.agency).where(CASES.c.key == key)) or ""


def _kept(connection: sa.Connection, *where: sa.ColumnElement[bool]) -> list[KeptSheet]:
    rows = connection.execute(sa.select(SHEETS).where(*where).order_by(SHEETS.c.case_key, SHEETS.c.number)).all()
    crew: dict[tuple[str, int], dict[str, datetime | None]] = {}
    answers: dict[tuple[str, int], list[Answer]] = {}
    keys = sorted({row.case_key for row in rows})
    for row in connection.execute(sa.select(SHEET_CREW).where(SHEET_CREW.c.case_key.in_(keys)).order_by(SHEET_CREW.c.crew)):
        crew.setdefault((row.case_key, row.number), {})[row.crew] = row.read_at
    for row in connection.execute(sa.select(SHEET_ANSWERS).where(SHEET_ANSWERS.c.case_key.in_(keys)).order_by(SHEET_ANSWERS.c.id)):
        answers.setdefault((row.case_key, row.number), []).append(Answer(row.crew, row.answered_at, row.text))
    return [
        KeptSheet(
            **row._mapping,
            crew=crew.get((row.case_key, row.number), {}),
            answers=tuple(answers.get((row.case_key, row.number), ())),
        )
        for row in rows
    ]
