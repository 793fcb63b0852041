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
