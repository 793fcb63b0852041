"""Cases of the library as rows: which case files belong to, a case put in, files added, a case taken out."""

import math
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from qi.library.journal import hold
from qi.library.originals import Original
from qi.library.tables import CASES, FILES, LINES, REMOVALS, VERSIONS
from qi.library.worklist import Summary
from qi.model.case import Case


@dataclass(frozen=True)
class Match:
    """Which case of the library files belong to.

    how is "same" (every file is in that case), "shares files" (some are), "same number" (none is, but the agency has a case of that
    number) or "new", with which there is no key. new_digests are those of the files that the case does not have yet.
    """

    key: str | None
    how: str
    new_digests: frozenset[str]


@dataclass(frozen=True)
class KeptFile:
    """One original of a case: name, SHA-256, length [bytes], and what it was read as (empty where it was not understood)."""

    name: str
    sha256: str
    bytes: int
    read_as: str


def match(connection: sa.Connection, digests: Collection[str], case_id: str | None, agency: str) -> Match:
    """Find the case that files belong to, by their content first, by the agency's number next.

    Parameters: digests, SHA-256 of each file; case_id, the agency's number, where it is known; agency.
    Returns: Match. Of several cases that share files, the one that shares most; of several with one number, the one that came in
    last.
    """
    given = frozenset(digests)
    columns = (FILES.c.case_key, FILES.c.sha256, CASES.c.entered_at)
    shared = connection.execute(
        sa.select(*columns)
        .join(CASES, CASES.c.key == FILES.c.case_key)
        .where(FILES.c.sha256.in_(given))
        .order_by(CASES.c.entered_at)
    ).all()
    held = Counter(key for key, _ in {(row.case_key, row.sha256) for row in shared})
    if held:
        most = max(held.values())
        key = next(row.case_key for row in shared if held[row.case_key] == most)
        new = given - {row.sha256 for row in shared if row.case_key == key}
        return Match(key, "shares files" if new else "same", new)
    if case_id:
        same = sa.select(CASES.c.key).where(CASES.c.case_id == case_id, CASES.c.agency == agency)
        found = connection.scalars(same.order_by(CASES.c.entered_at.desc(), CASES.c.key)).first()
        if found is not None:
            return Match(found, "same number", given)
    return Match(None, "new", given)


def put_in(
    connection: sa.Connection,
    key: str,
    case: Case,
    *,
    agency: str,
    who: str,
    when: datetime,
    drawn: bool,
    invented: bool,
) -> None:
    """Add the row of a new case, which waits for review from now on."""
    row = {
        "key": key,
        "case_id": case.id,
        "agency": agency,
        "entered_at": when,
        "entered_by": who,
        "waiting_since": when,
        "drawn": drawn,
        "second_status": "asked" if drawn else "",
        "invented": invented,
    }
    connection.execute(sa.insert(CASES), [row])


def add_files(connection: sa.Connection, key: str, fresh: Sequence[Original], read_as: Mapping[str, str]) -> None:
    """Add rows for originals, and say anew what each file of the case was read as."""
    if fresh:
        connection.execute(sa.insert(FILES), [{"case_key": key, **asdict(one)} for one in fresh])
    for name, words in read_as.items():
        connection.execute(sa.update(FILES).where(FILES.c.case_key == key, FILES.c.name == name).values(read_as=words))


def files_of(connection: sa.Connection, key: str) -> list[KeptFile]:
    """The originals of a case in order of name."""
    columns = (FILES.c.name, FILES.c.sha256, FILES.c.bytes, FILES.c.read_as)
    return [KeptFile(*row) for row in connection.execute(sa.select(*columns).where(FILES.c.case_key == key).order_by(FILES.c.name))]


def summarise(connection: sa.Connection, key: str, summary: Summary) -> None:
    """Keep what the pipeline tells the worklist.

    Raises: NoSuchCase; ValueError for a concern that is no number.
    """
    if not math.isfinite(summary.concern):
        raise ValueError(f"a concern of {summary.concern} gives no order")
    hold(connection, key)
    ahead = summary.call_at.utcoffset() if summary.call_at else None
    offset_min = None if ahead is None else round(ahead.total_seconds() / 60)
    connection.execute(sa.update(CASES).where(CASES.c.key == key).values(asdict(summary) | {"call_offset_min": offset_min}))


def keep_told(connection: sa.Connection, key: str, case: Case) -> None:
    """Keep what the files tell of a case as a whole: its length, and the outcome."""
    outcome: dict[str, Any] = dict(case.facts.outcome)
    connection.execute(sa.update(CASES).where(CASES.c.key == key).values(duration_s=duration_s(case), outcome_told=outcome))


def duration_s(case: Case) -> float | None:
    """From the first to the last moment that monitors cover [s]; that any file covers where there is no monitor; None without."""
    placed = [source for source in case.sources if math.isfinite(source.start_s) and math.isfinite(source.end_s)]
    of_interest = [source for source in placed if source.kind == "monitor"] or placed
    if not of_interest:
        return None
    return max(source.end_s for source in of_interest) - min(source.start_s for source in of_interest)


def take_out(connection: sa.Connection, key: str, *, who: str, when: datetime) -> None:
    """Remove a case with all that was said of it; only that it was removed is kept.

    The journal's guard lets go of the lines of a case that is marked as being removed, and of no other.
    Raises: NoSuchCase.
    """
    case = hold(connection, key)
    removal = {"case_key": key, "removed_at": when, "who": who, "lines": case.last_line, "invented": case.invented}
    connection.execute(sa.insert(REMOVALS), [removal])
    connection.execute(sa.update(CASES).where(CASES.c.key == key).values(removing=True))
    for table in (LINES, VERSIONS, FILES):
        connection.execute(sa.delete(table).where(table.c.case_key == key))
    connection.execute(sa.delete(CASES).where(CASES.c.key == key))
