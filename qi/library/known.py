"""Arrests that dispatch or care records know, whether or not anything of them was brought in: number and day, nothing else."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

import pandas as pd
import sqlalchemy as sa

from qi.library.tables import KNOWN_ARRESTS

COLUMNS = ("agency", "case_id", "day", "year", "month", "source")
_ROW = KNOWN_ARRESTS.c


@dataclass(frozen=True)
class Kept:
    """What became of the arrests of a list: how many are new, how many were known already, how many of those on another day."""

    new: int
    same: int
    moved: int


def known_arrests(connection: sa.Connection, agency: str | None = None) -> pd.DataFrame:
    """The arrests known, in order of day and number.

    Parameters: connection; agency, whose; None for all.
    Returns: COLUMNS: agency, case_id, day, its year and month, source (the list that told it).
    """
    asked = sa.select(_ROW.agency, _ROW.case_id, _ROW.day, _ROW.source).order_by(_ROW.day, _ROW.case_id, _ROW.agency)
    if agency is not None:
        asked = asked.where(_ROW.agency == agency)
    rows = [(who, number, day, day.year, day.month, source) for who, number, day, source in connection.execute(asked)]
    made = pd.DataFrame(rows, columns=list(COLUMNS))
    kinds = {"agency": "str", "case_id": "str", "day": "datetime64[us]", "year": "int32", "month": "int32", "source": "str"}
    return made.astype(kinds)


def keep(
    connection: sa.Connection, arrests: Sequence[tuple[str, date]], *, agency: str, source: str, who: str, when: datetime
) -> Kept:
    """Keep the arrests of a list; one that is known already is not kept twice, its day is as the last list says.

    Parameters: connection, in a transaction that writes; arrests, number and day of each, every number once; agency; source, name
    of the list; who and when.
    Returns: Kept.
    Raises: sqlalchemy's IntegrityError where another writer brought in the same number in this moment.
    """
    days = {row.case_id: row.day for row in connection.execute(sa.select(_ROW.case_id, _ROW.day).where(_ROW.agency == agency))}
    told = {"source": source, "imported_at": when, "who": who}
    fresh = [{"agency": agency, "case_id": number, "day": day} | told for number, day in arrests if number not in days]
    moved = [(number, day) for number, day in arrests if days.get(number, day) != day]
    if fresh:
        connection.execute(sa.insert(KNOWN_ARRESTS), fresh)
    for number, day in moved:
        same = (_ROW.agency == agency, _ROW.case_id == number)
        connection.execute(sa.update(KNOWN_ARRESTS).where(*same).values(day=day, **told))
    return Kept(len(fresh), len(arrests) - len(fresh), len(moved))
