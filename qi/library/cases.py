"""Cases of the library as rows: which case files belong to, a case put in, files added, a case taken out."""

import math
import re
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from qi.library.journal import hold
from qi.library.originals import Original
from qi.library.tables import CASES, FILES, KNOWN_ARRESTS, LOG, METADATA, OUTCOME_IMPORTS, REMOVALS
from qi.library.worklist import Summary
from qi.model.case import Case
from qi.model.errors import NoSuchCase

# Tables with rows of a case, those that hang on others first.
_OF_CASES = tuple(one for one in reversed(METADATA.sorted_tables) if "case_key" in one.columns and one not in (REMOVALS, LOG))


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


def take_out(connection: sa.Connection, key: str, *, who: str, when: datetime, measures_kept: bool = False) -> None:
    """Remove a case with all that was said of it; only that it was removed is kept.

    Every table with rows of a case lets go of them. The journal's guard lets go of the lines of a case that is marked as being
    removed, and of no other. Its number goes from what imports of outcomes could not simply join, and from the known arrests: where
    the measures stay, the arrest stays known there by the case's key and the month alone.
    Raises: NoSuchCase.
    """
    case = hold(connection, key)
    removal = {"case_key": key, "removed_at": when, "who": who, "lines": case.last_line, "invented": case.invented}
    connection.execute(sa.insert(REMOVALS), [removal | {"measures_kept": measures_kept}])
    connection.execute(sa.update(CASES).where(CASES.c.key == key).values(removing=True))
    for table in _OF_CASES:
        connection.execute(sa.delete(table).where(table.c.case_key == key))
    connection.execute(sa.delete(CASES).where(CASES.c.key == key))
    _forget_mismatches(connection, case.case_id)
    _forget_arrest(connection, case, measures_kept=measures_kept)


def holding_cases() -> list[str]:
    """Names of the tables that hold anything of a case."""
    return [one.name for one in (*_OF_CASES, CASES, OUTCOME_IMPORTS, KNOWN_ARRESTS)]


def forget_measures(connection: sa.Connection, key: str) -> None:
    """Of a case that was removed before, nothing stays any more.

    Raises: NoSuchCase where no measures of such a case were kept.
    """
    kept = sa.update(REMOVALS).where(REMOVALS.c.case_key == key, REMOVALS.c.measures_kept).values(measures_kept=False)
    if not connection.execute(kept).rowcount:
        raise NoSuchCase(f"no measures of a case with the key {key} are kept")
    connection.execute(sa.delete(KNOWN_ARRESTS).where(KNOWN_ARRESTS.c.case_id == key))


def forget_lists(connection: sa.Connection, *, imports_before: datetime | None, arrests_before: datetime | None) -> int:
    """Take case numbers of long ago out of what imports of outcomes could not simply join, and out of the known arrests.

    Returns: how many entries went.
    """
    gone = 0
    if imports_before is not None:
        old = sa.select(OUTCOME_IMPORTS.c.id, OUTCOME_IMPORTS.c.mismatches).where(OUTCOME_IMPORTS.c.imported_at < imports_before)
        for number, said in connection.execute(old).all():
            connection.execute(sa.update(OUTCOME_IMPORTS).where(OUTCOME_IMPORTS.c.id == number).values(mismatches=[]))
            gone += len(said)
    if arrests_before is not None:
        gone += connection.execute(sa.delete(KNOWN_ARRESTS).where(KNOWN_ARRESTS.c.day < arrests_before.date())).rowcount
    return gone


def _forget_mismatches(connection: sa.Connection, case_id: str) -> None:
    """Take a case's number, and what was said beside it, out of the lists of every import of outcomes."""
    for number, said in connection.execute(sa.select(OUTCOME_IMPORTS.c.id, OUTCOME_IMPORTS.c.mismatches)).all():
        stays = [one for one in said if folded(str(one["case"])) != folded(case_id)]
        if len(stays) < len(said):
            connection.execute(sa.update(OUTCOME_IMPORTS).where(OUTCOME_IMPORTS.c.id == number).values(mismatches=stays))


def _forget_arrest(connection: sa.Connection, case: sa.Row[Any], *, measures_kept: bool) -> None:
    """Take a case's number and day out of the known arrests."""
    arrests = KNOWN_ARRESTS.c
    known = connection.execute(sa.select(arrests.agency, arrests.case_id, arrests.day)).all()
    for agency, number, day in known:
        if folded(number) != folded(case.case_id) or not is_same_agency(agency, case.agency):
            continue
        this = (arrests.agency == agency) & (arrests.case_id == number)
        if measures_kept:
            connection.execute(sa.update(KNOWN_ARRESTS).where(this).values(case_id=case.key, day=day.replace(day=1)))
            measures_kept = False  # one arrest, known under two spellings of its number
        else:
            connection.execute(sa.delete(KNOWN_ARRESTS).where(this))


def is_same_agency(one: str, other: str) -> bool:
    """Whether two names are one agency's; an empty one may be anybody's."""
    ours, theirs = one.strip().casefold(), other.strip().casefold()
    return not ours or not theirs or ours == theirs


def folded(number: str) -> str:
    """A case number as a folder name may hold it, without regard to case."""
    return re.sub(r"[^A-Za-z0-9._-]+", "-", number).lstrip(".").casefold()
