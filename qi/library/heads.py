"""Short questions about all cases at once, for what follows the library: each is one statement over few columns."""

import sqlalchemy as sa

from qi.library.tables import CASES, REMOVALS


def last_lines(connection: sa.Connection) -> dict[str, int]:
    """For each case, by key, the number of its journal's last line, in the order in which the calls came."""
    asked = sa.select(CASES.c.key, CASES.c.last_line).order_by(CASES.c.call_at, CASES.c.key)
    return {row[0]: row[1] for row in connection.execute(asked)}


def kinds_held(connection: sa.Connection) -> tuple[bool, bool]:
    """Whether the library holds a case that is not invented, and whether it holds one that is."""
    own, sample = (sa.exists().where(CASES.c.invented == invented) for invented in (sa.false(), sa.true()))
    row = connection.execute(sa.select(own.label("own"), sample.label("sample"))).one()
    return bool(row.own), bool(row.sample)


def measures_kept(connection: sa.Connection) -> set[str]:
    """Keys of the cases that were taken out while their measures stay."""
    return set(connection.scalars(sa.select(REMOVALS.c.case_key).where(REMOVALS.c.measures_kept)))


def state(connection: sa.Connection) -> tuple[int, int, int, int]:
    """Numbers that are others as soon as a case came in, was taken out, or anything was written of one.

    Returns: cases, lines of all their journals, cases that were taken out, and how many of these keep their measures. Journals and
    removals only grow, so that no two states of a library have the same numbers.
    """
    cases = connection.execute(sa.select(sa.func.count(), sa.func.coalesce(sa.func.sum(CASES.c.last_line), 0))).one()
    return int(cases[0]), int(cases[1]), *removals(connection)


def removals(connection: sa.Connection) -> tuple[int, int]:
    """How many cases were taken out, and how many of these keep their measures: others as soon as anything was deleted."""
    kept = sa.func.count().filter(REMOVALS.c.measures_kept)
    gone = connection.execute(sa.select(sa.func.count(), kept).select_from(REMOVALS)).one()
    return int(gone[0]), int(gone[1])
