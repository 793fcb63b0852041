"""The journal of a case in the database: read, and written so that it only grows and no two writers lose anything."""

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from qi.library import rules
from qi.library.states import state_of
from qi.library.tables import CASES, LINES, VERSIONS
from qi.model.errors import NoSuchCase
from qi.model.journal import FIRST, SECOND, Line, version_of

Entries = Sequence[tuple[str, Mapping[str, Any]]]


@dataclass(frozen=True)
class Version:
    """A signed version of one reading: who signed it and when, number of the line that did, and the measures as they stood."""

    version: int
    reading: int
    signed_by: str
    signed_at: datetime
    through: int
    record: Mapping[str, Any]


def lines_of(connection: sa.Connection, key: str) -> list[Line]:
    """Every line of a case in order; none where it has none, or there is no such case."""
    columns = (LINES.c.number, LINES.c.who, LINES.c.written_at, LINES.c.kind, LINES.c.body, LINES.c.reading, LINES.c.marks)
    rows = connection.execute(sa.select(*columns).where(LINES.c.case_key == key).order_by(LINES.c.number))
    return [Line(*row[:-1], frozenset(row.marks.split())) for row in rows]


def versions_of(connection: sa.Connection, key: str) -> list[Version]:
    """Every signed version of a case, in the order in which they were signed."""
    kept = VERSIONS.c
    columns = (kept.version, kept.reading, kept.signed_by, kept.signed_at, kept.through, kept.record)
    rows = connection.execute(sa.select(*columns).where(kept.case_key == key).order_by(kept.through))
    return [Version(*row) for row in rows]


def hold(connection: sa.Connection, key: str) -> sa.Row[Any]:
    """The row of a case, held for this writer until the transaction ends.

    Raises: NoSuchCase.
    """
    return _case(connection, sa.select(CASES).where(CASES.c.key == key).with_for_update(), key)


def _case(connection: sa.Connection, asked: sa.Select[Any], key: str) -> sa.Row[Any]:
    row = connection.execute(asked).one_or_none()
    if row is None:
        raise NoSuchCase(f"no case with the key {key} is in the library; it may have been removed")
    return row


def append(
    connection: sa.Connection,
    key: str,
    entries: Entries,
    *,
    who: str,
    when: datetime,
    after: int | None,
    reading: int = FIRST,
    marks: frozenset[str] = frozenset(),
) -> list[Line]:
    """Write lines at the end of a journal, and what follows from them into the case's row, within one transaction.

    The number of a line is taken once. A writer who had seen all lines holds nothing while writing: whoever comes second finds the
    number taken. A writer that need not have seen any (files, outcomes) holds the case instead.

    Parameters: connection, in a transaction that writes; key, of the case; entries, kind and body of each line; who writes, and
    when (aware); after, number of the last line that the writer had seen, None for a writer that need not have seen any; reading;
    marks of who writes, none where nobody signs in.
    Returns: the lines as written.
    Raises: NoSuchCase, StaleWrite, Locked, UnknownWord and QiError, see qi.library.rules; sqlalchemy's IntegrityError where another
    writer took the number of a line while this one was writing.
    """
    name = rules.name_of(who)
    case = hold(connection, key) if after is None else _case(connection, sa.select(CASES).where(CASES.c.key == key), key)
    lines = lines_of(connection, key)
    if after is not None:
        rules.not_stale(lines, after, reading=reading)
    fresh: list[Line] = []
    for kind, body in entries:
        line = Line(len(lines) + len(fresh) + 1, name, when, kind, _completed(kind, body, [*lines, *fresh]), reading, marks)
        rules.check(line, [*lines, *fresh])
        fresh.append(line)
    if fresh:
        connection.execute(sa.insert(LINES), [_row(key, line) for line in fresh])
        _keep_versions(connection, key, fresh)
        keep_state(connection, case, [*lines, *fresh])
    return fresh


def keep_state(connection: sa.Connection, case: sa.Row[Any], lines: Sequence[Line]) -> None:
    """Write what follows from a journal into the case's row."""
    state = state_of(lines, entered_at=case.entered_at, drawn=case.drawn)
    values: dict[str, Any] = asdict(state) | {"last_line": len(lines)}
    for line in lines:
        if line.kind == "second_signed" and "agreement" in line.body:
            values["agreement"] = line.body["agreement"]
    connection.execute(sa.update(CASES).where(CASES.c.key == case.key).values(values))


def rebuild_states(connection: sa.Connection) -> None:
    """Tell every case's state from its journal anew."""
    for key in list(connection.scalars(sa.select(CASES.c.key).order_by(CASES.c.key))):
        keep_state(connection, hold(connection, key), lines_of(connection, key))


def _completed(kind: str, body: Mapping[str, Any], before: Iterable[Line]) -> dict[str, Any]:
    """The body as the database gives it back; a signature says which version it signs.

    Raises: ValueError for what is no plain value, NaN among them.
    """
    try:
        kept: dict[str, Any] = json.loads(json.dumps(dict(body), allow_nan=False))
    except (TypeError, ValueError) as error:
        raise ValueError(f"the body of a line of kind {kind} must hold plain values only: {error}") from error
    if kind == "signed":
        kept = {"version": version_of(list(before))[0], "record": {}} | kept
    return kept


def _row(key: str, line: Line) -> dict[str, Any]:
    return {
        "case_key": key,
        "number": line.number,
        "reading": line.reading,
        "who": line.who,
        "written_at": line.when,
        "kind": line.kind,
        "body": line.body,
        "marks": " ".join(sorted(line.marks)),
    }


def _keep_versions(connection: sa.Connection, key: str, fresh: Iterable[Line]) -> None:
    """A signature keeps a version; a second reading is signed once and has one."""
    signed = [
        {
            "case_key": key,
            "reading": line.reading,
            "version": line.body["version"] if line.reading != SECOND else 1,
            "signed_by": line.who,
            "signed_at": line.when,
            "through": line.number,
            "record": line.body.get("record", {}),
        }
        for line in fresh
        if line.kind in ("signed", "second_signed")
    ]
    if signed:
        connection.execute(sa.insert(VERSIONS), signed)
