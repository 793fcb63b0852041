"""Several sensors for one kind of event: the best one leads, and others answer where it could not see."""

from collections.abc import Sequence

import pandas as pd

from qi.model.seen import Seen
from qi.model.spans import Spans


def best_first(seen: Sequence[Seen], order: Sequence[str]) -> list[Seen]:
    """Sensors by kind in the given order of trust, those of one kind by how long they could see.

    Parameters: seen, one entry a sensor; order, channel ids, the most trusted first.
    Returns: the same entries, best first.
    """

    def rank(one: Seen) -> tuple[int, float]:
        kind = one.sensor.split(" ")[0]
        return (order.index(kind) if kind in order else len(order), -one.known.seconds)

    return sorted(seen, key=rank)


def together(seen: Sequence[Seen], empty: pd.DataFrame) -> Seen:
    """One table of events from several sensors: in any moment only the best sensor that could see it speaks.

    Parameters: seen, sensors, best first; empty, an empty table of the same kind.
    Returns: Seen with the events of all, each from its time of speaking, and the time in which any could see.
    """
    known = Spans()
    parts = [empty]
    names = []
    for one in seen:
        speaks = one.known.minus(known)
        rows = one.events[speaks.contains(one.events["time_s"])]
        known = known.union(one.known)
        if len(rows):
            parts.append(rows)
            names.append(one.sensor)
    filled = [part for part in parts if len(part)]
    table = pd.concat(filled, ignore_index=True).sort_values("time_s", ignore_index=True) if filled else empty
    return Seen(", ".join(names), table, known)


def up_to_edges(seen: Seen, arrest: Spans, recorded: Spans, *, use_tail_s: float) -> Seen:
    """The same events, known also between a nearby edge of the arrest and the first or last sign of use.

    Parameters: seen, events and known time [s]; arrest, the arrest spans [s]; recorded, time with a recording [s]; use_tail_s, how
    far an edge may lie from the sign of use [s].
    Returns: Seen with known time that reaches to edges within use_tail_s, where a recording was running.
    """
    if not seen.known:
        return seen
    used = seen.known.hull
    near = [(span.start_s, used.start_s) for span in arrest if 0 < used.start_s - span.start_s <= use_tail_s]
    near += [(used.end_s, span.end_s) for span in arrest if 0 < span.end_s - used.end_s <= use_tail_s]
    return Seen(seen.sensor, seen.events, seen.known.union(Spans.of(near).overlap(recorded)))
