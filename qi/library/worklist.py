"""The worklist: which cases wait, for whom and since when, the weightiest first; days to feedback; what was excluded and why."""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, fields
from datetime import datetime, timedelta, timezone
from statistics import median
from typing import Any

import pandas as pd
import sqlalchemy as sa

from qi.library.states import SECOND_STATUSES, STATUSES
from qi.library.tables import CASES
from qi.model.errors import NoSuchCase, UnknownWord

DAY_S = 86_400.0


@dataclass(frozen=True)
class Summary:
    """What the pipeline tells of a case: when the call was (aware), who ran it, how early it should be looked at and why."""

    call_at: datetime | None
    station: str | None = None
    shift: str | None = None
    unit: str | None = None
    concern: float = 0.0
    concern_words: str = ""


@dataclass(frozen=True)
class Entry:
    """One case as the worklist shows it.

    key is the library's own, case_id the agency's number. call_offset_min is what the clocks at the place of the call are ahead of
    UTC by [min]. duration_s is the time from the first to the last moment that a file covers [s]. concern orders the list,
    concern_words is the reason. What follows from the journal is explained at qi.library.states; drawn is whether the lot fell on
    it for a second reading, agreement how far the two readings agreed. outcome_told is the outcome as the files tell it.
    """

    key: str
    case_id: str
    agency: str
    entered_at: datetime
    entered_by: str
    call_at: datetime | None
    call_offset_min: int | None
    station: str | None
    shift: str | None
    unit: str | None
    duration_s: float | None
    concern: float
    concern_words: str
    last_line: int
    status: str
    assigned_to: str
    waiting_since: datetime | None
    version: int
    signed_at: datetime | None
    signed_by: str
    feedback_at: datetime | None
    excluded: str
    drawn: bool
    second_status: str
    agreement: Mapping[str, Any] | None
    outcome_told: Mapping[str, Any] | None
    invented: bool

    @property
    def call_local(self) -> datetime | None:
        """The call by the clocks of the place; in UTC where these are not known."""
        if self.call_at is None or self.call_offset_min is None:
            return self.call_at
        return self.call_at.astimezone(timezone(timedelta(minutes=self.call_offset_min)))

    @property
    def days_to_feedback(self) -> float | None:
        """Days from the call to the first feedback; None where either is not known."""
        if self.call_at is None or self.feedback_at is None:
            return None
        return (self.feedback_at - self.call_at).total_seconds() / DAY_S


SHOWN = tuple(field.name for field in fields(Entry))
COLUMNS = (*SHOWN, "days_to_feedback")
_MOMENTS = ("entered_at", "call_at", "waiting_since", "signed_at", "feedback_at")
_ROW = CASES.c
ORDERS: Mapping[str, tuple[sa.ColumnElement[Any], ...]] = {
    "concern": (_ROW.concern.desc(), _ROW.waiting_since.asc().nulls_last()),
    "waiting": (_ROW.waiting_since.asc().nulls_last(), _ROW.concern.desc()),
    "call": (_ROW.call_at.desc().nulls_last(),),
    "entered": (_ROW.entered_at.desc(),),
    "case": (_ROW.case_id.asc(),),
}


def entry_of(connection: sa.Connection, key: str) -> Entry:
    """One case.

    Raises: NoSuchCase.
    """
    row = connection.execute(_select().where(_ROW.key == key)).one_or_none()
    if row is None:
        raise NoSuchCase(f"no case with the key {key} is in the library; it may have been removed")
    return Entry(*row)


def entries(
    connection: sa.Connection,
    *,
    status: str | None = None,
    assigned_to: str | None = None,
    second_status: str | None = None,
    search: str | None = None,
    order: str = "concern",
    limit: int | None = None,
    offset: int = 0,
) -> list[Entry]:
    """The cases that fit, in order, in one statement whatever their number.

    Parameters: status, one of STATUSES; assigned_to, a name, empty for cases that are nobody's; second_status, one of
    SECOND_STATUSES; search, text that stands in the case's number, agency, station, unit or reason; order, one of ORDERS; limit
    and offset, which part.
    Raises: UnknownWord for a status or order that is not known.
    """
    for where, word, choices in (
        ("worklist, status", status, STATUSES),
        ("worklist, second_status", second_status, SECOND_STATUSES),
        ("worklist, order", order, ORDERS),
    ):
        if word is not None and word not in choices:
            raise UnknownWord(where, word, choices)
    asked = _select().order_by(*ORDERS[order], _ROW.key).limit(limit).offset(offset)
    for column, value in ((_ROW.status, status), (_ROW.assigned_to, assigned_to), (_ROW.second_status, second_status)):
        if value is not None:
            asked = asked.where(column == value)
    if search and search.strip():
        places = (_ROW.case_id, _ROW.agency, _ROW.station, _ROW.unit, _ROW.concern_words)
        asked = asked.where(sa.or_(*(place.icontains(search.strip(), autoescape=True) for place in places)))
    return [Entry(*row) for row in connection.execute(asked)]


def table(found: list[Entry]) -> pd.DataFrame:
    """Entries as a table, one row each: COLUMNS, moments in UTC, what is not known missing."""
    rows = [[getattr(entry, name) for name in COLUMNS] for entry in found]
    made = pd.DataFrame(rows, columns=list(COLUMNS))
    kinds: dict[str, Any] = dict.fromkeys(_MOMENTS, "datetime64[us, UTC]") | dict.fromkeys(
        ("duration_s", "days_to_feedback"), float
    )
    return made.astype(kinds)


def counts(connection: sa.Connection) -> dict[str, Any]:
    """How many cases stand where: in a constant number of statements.

    Returns: cases, how many in all; by_status and by_second_status, for each word how many; waiting_for, for each name how many
    wait for review or feedback, empty for nobody's; excluded, for each reason how many; days_to_feedback, the median in days over
    the cases that are not excluded and whose crew had feedback (None without any), their number n, and how many of them have no
    time of call.
    """
    groups = sa.select(_ROW.status, _ROW.second_status, _ROW.excluded, _ROW.assigned_to, sa.func.count()).group_by(
        _ROW.status, _ROW.second_status, _ROW.excluded, _ROW.assigned_to
    )
    by_status, by_second, reasons, waiting = (Counter[str]() for _ in range(4))
    for status, second, reason, name, count in connection.execute(groups):
        by_status[status] += count
        by_second[second] += count
        if reason:
            reasons[reason] += count
        if status in ("waiting", "in_review", "signed"):
            waiting[name] += count
    told = sa.select(_ROW.call_at, _ROW.feedback_at).where(_ROW.feedback_at.is_not(None), _ROW.excluded == "")
    moments = list(connection.execute(told))
    days = [(feedback - call).total_seconds() / DAY_S for call, feedback in moments if call is not None]
    return {
        "cases": sum(by_status.values()),
        "by_status": {word: by_status[word] for word in STATUSES},
        "by_second_status": {word: by_second[word] for word in SECOND_STATUSES},
        "waiting_for": dict(sorted(waiting.items())),
        "excluded": dict(sorted(reasons.items())),
        "days_to_feedback": {"median": median(days) if days else None, "n": len(days), "without_call": len(moments) - len(days)},
    }


def _select() -> sa.Select[Any]:
    return sa.select(*(_ROW[name] for name in SHOWN))
