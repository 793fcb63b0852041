"""Named moments of a case and the time between them, each on the clock that told it."""

from dataclasses import dataclass

import pandas as pd

from qi.model.case import Case
from qi.model.errors import NotMeasurable
from qi.model.number import Number


@dataclass(frozen=True)
class Point:
    """A named moment [s from case start], the clock that told it, and what its own entry may be off by [s]."""

    name: str
    time_s: float
    clock: str
    uncertainty_s: float = 0.0


def charted(case: Case, type_: str, *, value: str | None = None, name: str | None = None) -> Point | None:
    """The first charted event of a type (and value), preferring the monitor's clock, then clocks that could be placed.

    An attempt that the source says did not succeed is no such event.
    """
    rows = case.events[(case.events["type"] == type_) & ~case.events["text"].str.contains("successful=no", na=False)]
    rows = rows if value is None else rows[rows["value"] == value]
    if rows.empty:
        return None
    rank = pd.Series(
        [2 if not case.clocks[clock].placed else int(clock != case.monitor_clock) for clock in rows["clock"]], rows.index
    )
    row = rows.loc[rank[rank == rank.min()].index[0]]
    return Point(name or value or type_, float(row["time_s"]), str(row["clock"]), float(row["uncertainty_s"]))


def between(case: Case, start: Point | None, end: Point | None, *, no_start: str, no_end: str) -> Number:
    """Seconds from one point to another, with ± where two clocks meet; a negative one is flagged and kept.

    Raises: NotMeasurable when a point is not known, or stands on a clock that could not be placed against the other's.
    """
    if start is None:
        raise NotMeasurable(no_start)
    if end is None:
        raise NotMeasurable(no_end)
    if start.clock != end.clock:
        for point in (start, end):
            if not case.clocks[point.clock].placed:
                name = point.name.replace("_", " ")
                raise NotMeasurable(f"{name} stands on a clock that could not be placed: give that file a `start` in case.toml")
    seconds = end.time_s - start.time_s
    remark = "negative: the clocks or the charting disagree" if seconds < 0 else None
    span = (min(start.time_s, end.time_s), max(start.time_s, end.time_s))
    return Number(seconds, n=1, error=_error(case, start, end), remark=remark, spans_s=(span,))


def _error(case: Case, start: Point, end: Point) -> float | None:
    apart = case.apart_s(start.clock, end.clock)
    own = start.uncertainty_s**2 + end.uncertainty_s**2
    if apart is None and own == 0:
        return None
    return float(((apart or 0.0) ** 2 + own) ** 0.5)
