"""Named moments of a case and the time between them, each on the clock that told it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

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


def on_each_clock(case: Case, type_: str, *, value: str | None = None, name: str | None = None) -> list[Point]:
    """The first charted event of a type (and value) on each clock that tells of one, the monitor's clock first.

    An attempt that the source says did not succeed is no such event.
    """
    first: dict[str, Point] = {}
    for row in case.told:
        if row.type == type_ and value in (None, row.value) and "successful=no" not in str(row.text):
            first.setdefault(row.clock, Point(name or value or type_, float(row.time_s), str(row.clock), float(row.uncertainty_s)))
    return sorted(first.values(), key=lambda point: _rank(case, point))


def _rank(case: Case, point: Point) -> int:
    return 2 if not case.clocks[point.clock].placed else int(point.clock != case.lead_clock)


def charted(case: Case, type_: str, *, value: str | None = None, name: str | None = None) -> Point | None:
    """The first charted event of a type (and value), preferring the monitor's clock, then clocks that could be placed."""
    return next(iter(on_each_clock(case, type_, value=value, name=name)), None)


def surest(case: Case, starts: Sequence[Point], ends: Sequence[Point]) -> tuple[Point | None, Point | None]:
    """Of several points for each end of an interval, the pair that one clock told, else the pair whose clocks are closest."""
    if not (starts and ends):
        return next(iter(starts), None), next(iter(ends), None)

    def doubt(pair: tuple[Point, Point]) -> tuple[bool, float]:
        lost = pair[0].clock != pair[1].clock and any(not case.clocks[point.clock].placed for point in pair)
        return lost, case.apart_s(pair[0].clock, pair[1].clock) or 0.0

    return min(product(starts, ends), key=doubt)


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


def first_onset(compressions: pd.DataFrame) -> float | None:
    """The onset of the first compression a sensor saw [s]; None where none did."""
    return float(compressions["onset_s"].iloc[0]) if len(compressions) else None


def since_contact(case: Case, arrest_s: float, pressed_s: float | None, end: Point | None, *, no_end: str) -> Number:
    """Seconds to a point from the later of patient contact and the start of the arrest.

    Parameters: arrest_s, start of the arrest [s]; pressed_s, first compression that the monitor saw [s]; end, the point.
    Contact told by another clock cannot lie after a compression that the monitor saw: where it seems to, the clocks disagree, the
    start of the arrest is taken, and the remark says so.
    """
    start = Point("start of the arrest", arrest_s, case.lead_clock)
    contact = charted(case, "at_patient")
    if contact is None or not case.clocks[contact.clock].placed or contact.time_s <= arrest_s:
        return between(case, start, end, no_start="", no_end=no_end)
    if contact.clock != case.lead_clock and pressed_s is not None and contact.time_s > pressed_s:
        answer = between(case, start, end, no_start="", no_end=no_end)
        late = "patient contact is charted on another clock after compressions that the monitor saw: counted from the arrest"
        return replace(answer, remark="; ".join(part for part in (answer.remark, late) if part))
    return between(case, contact, end, no_start="", no_end=no_end)
