"""Later facts: what became of the patient, told by the hospital weeks afterwards, joined by case number into the journal."""

import hashlib
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from qi.library import log
from qi.library.cases import folded
from qi.library.journal import append, lines_of
from qi.library.outcome_csv import UNKNOWN, Mismatch, Row, read
from qi.library.tables import CASES, OUTCOME_IMPORTS
from qi.model.errors import UnreadableFile
from qi.model.journal import Line, counting

DAYS_OFF = timedelta(days=1)  # a row's date and the call's day in UTC may differ by this for the zone, or a call over midnight


@dataclass(frozen=True)
class OutcomeImport:
    """One file of outcomes read in: by whom and when, its rows, how many of them were joined to a case, the lines they wrote.

    mismatches lists everything that was not simply joined, by line of the file.
    """

    id: int
    file: str
    sha256: str
    imported_at: datetime
    who: str
    rows: int
    matched: int
    written: int
    mismatches: tuple[Mismatch, ...]


def outcomes_of(lines: Sequence[Line]) -> dict[str, Any]:
    """The outcome as later facts tell it, by field; the last line that counts on each."""
    return {str(line.body["field"]): line.body["value"] for line in counting(lines) if line.kind == "outcome"}


def content_of(source: Path | str, name: str = "") -> tuple[str, bytes]:
    """Name and bytes of what was given: a file, or its text.

    Raises: UnreadableFile for a file that cannot be opened.
    """
    if isinstance(source, str):
        return name or "outcomes.csv", source.encode("utf-8")
    try:
        return name or source.name, source.read_bytes()
    except OSError as error:
        raise UnreadableFile(source, f"cannot be opened: {error.strerror or error}") from error


def join(
    connection: sa.Connection, name: str, content: bytes, *, seal: bytes, who: str, when: datetime, agency: str | None = None
) -> OutcomeImport:
    """Join a file of outcomes to the cases, write what is new into their journals, and log the import.

    Parameters: connection, in a transaction that writes; name and content of the file; seal, the key that lines of the log are
    sealed with; who and when; agency, of rows that name none, None for any.
    Returns: OutcomeImport. A value that the journal has already writes nothing; one that contradicts what was known is written,
    with what was known before, and listed.
    Raises: UnreadableFile where the file as a whole cannot be used.
    """
    rows, count, said = read(name, content)
    joined = _one_row_a_case(_found(connection, rows, agency, said), said)
    written, acts = 0, [("brought in", "", "outcomes")]
    for key in sorted(joined):
        entries = _entries(connection, key, joined[key], name, said)
        if entries:
            written += len(append(connection, key, entries, who=who, when=when, after=None))
            acts.append(("changed", key, "outcome"))
    said.sort(key=lambda one: one.line)
    kept: dict[str, Any] = {
        "file": name,
        "sha256": hashlib.sha256(content).hexdigest(),
        "imported_at": when,
        "who": who,
        "rows": count,
        "matched": len(joined),
        "written": written,
        "mismatches": [asdict(one) for one in said],
    }
    number = connection.execute(sa.insert(OUTCOME_IMPORTS).returning(OUTCOME_IMPORTS.c.id), [kept]).scalar_one()
    log.append_all(connection, seal, acts, who=who, when=when)
    return OutcomeImport(number, **kept | {"mismatches": tuple(said)})


def imports(connection: sa.Connection) -> list[OutcomeImport]:
    """Every file of outcomes that was read in, the last one first."""
    rows = connection.execute(sa.select(OUTCOME_IMPORTS).order_by(OUTCOME_IMPORTS.c.id.desc())).mappings()
    return [OutcomeImport(**{**row, "mismatches": tuple(Mismatch(**one) for one in row["mismatches"])}) for row in rows]


def _found(connection: sa.Connection, rows: Iterable[Row], agency: str | None, said: list[Mismatch]) -> list[tuple[str, Row]]:
    """The case of each row, for those that have exactly one."""
    columns = (CASES.c.key, CASES.c.case_id, CASES.c.agency, CASES.c.call_at)
    cases = connection.execute(sa.select(*columns).where(CASES.c.excluded != "duplicate").order_by(CASES.c.key)).all()
    exact, alike = _by(cases, str), _by(cases, folded)
    found = []
    for row in rows:
        named = exact.get(row.case) or alike.get(folded(row.case), [])
        whose = (row.agency or agency or "").strip()
        ours = [case for case in named if not whose or case.agency.strip().casefold() == whose.casefold()]
        fitting = [case for case in ours if _same_day(row, case.call_at)]
        if len(fitting) == 1:
            found.append((fitting[0].key, row))
        else:
            said.append(Mismatch(row.line, row.case, f"{_why(row, whose, named, ours, fitting)}; not joined"))
    return found


def _by(cases: Iterable[Any], form: Any) -> dict[str, list[Any]]:  # noqa: ANN401 - rows of the database, a function of text
    found: dict[str, list[Any]] = {}
    for case in cases:
        found.setdefault(form(case.case_id), []).append(case)
    return found


def _same_day(row: Row, call_at: datetime | None) -> bool:
    return not row.dates or call_at is None or any(abs(day - call_at.date()) <= DAYS_OFF for day in row.dates)


def _why(row: Row, whose: str, named: Collection[Any], ours: Sequence[Any], fitting: Collection[Any]) -> str:
    if not named:
        return "no case of that number is in the library"
    if not ours:
        return f"no case of that number is of the agency “{whose}”"
    if not fitting:
        calls = ", ".join(sorted(f"{case.call_at:%Y-%m-%d}" for case in ours))
        return f"its date ({row.dates[0]}) is not that of the call ({calls})"
    agencies = sorted({case.agency for case in fitting})
    where = f" (of {', '.join(agencies)})" if len(agencies) > 1 else ""
    return f"{len(fitting)} cases have that number{where}; name the agency and the date of the call"


def _one_row_a_case(found: Iterable[tuple[str, Row]], said: list[Mismatch]) -> dict[str, Row]:
    """One row for each case; of rows that say the same the first, of rows that differ none."""
    by_case: dict[str, list[Row]] = {}
    for key, row in found:
        by_case.setdefault(key, []).append(row)
    joined = {}
    for key, rows in by_case.items():
        first, *others = rows
        if all(row.values == first.values for row in others):
            joined[key] = first
            said += [Mismatch(row.line, row.case, f"says the same as line {first.line}; joined once") for row in others]
        else:
            lines = ", ".join(str(row.line) for row in rows)
            said += [Mismatch(row.line, row.case, f"lines {lines} tell this case differently; none was joined") for row in rows]
    return joined


def _entries(connection: sa.Connection, key: str, row: Row, file: str, said: list[Mismatch]) -> list[tuple[str, Mapping[str, Any]]]:
    """Journal lines for what a row tells anew."""
    written = outcomes_of(lines_of(connection, key))
    told = connection.scalar(sa.select(CASES.c.outcome_told).where(CASES.c.key == key)) or {}
    known = {**told, **written}
    entries: list[tuple[str, Mapping[str, Any]]] = []
    for name, value in row.values.items():
        if name in written and written[name] == value:
            continue
        before = known.get(name)
        entries.append(("outcome", {"field": name, "value": value, "before": before, "file": file, "row": row.line}))
        if before not in (None, UNKNOWN, value):
            whence = "an earlier import" if name in written else "the case's own files"
            said.append(Mismatch(row.line, row.case, f"{name} is {_word(value)}, {whence} said {_word(before)}; written"))
    said += [Mismatch(row.line, row.case, f"{words}; kept as told") for words in contradictions({**known, **row.values})]
    return entries


def contradictions(outcome: Mapping[str, Any]) -> list[str]:
    """What in one outcome cannot be true together, in words."""
    alive, cpc, mrs = (outcome.get(name) for name in ("survived_to_discharge", "cpc", "mrs"))
    found = []
    if outcome.get("any_rosc") is False:
        found += [f"{name} without any ROSC" for name in ("sustained_rosc", "survived_event") if outcome.get(name) is True]
    if outcome.get("survived_event") is False and alive is True:
        found.append("survived to discharge without having survived the event")
    for name, value, dead in (("CPC", cpc, 5), ("mRS", mrs, 6)):
        if isinstance(value, int | float) and isinstance(alive, bool) and alive is (value == dead):
            found.append(f"{'survived' if alive else 'did not survive'} to discharge with {name} {value:g}")
    return found


def _word(value: object) -> str:
    return {True: "yes", False: "no"}[value] if isinstance(value, bool) else str(value)
