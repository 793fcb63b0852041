"""What each measure would be with each sensor left out: events are weighed again, no detector is run again."""

from collections.abc import Callable, Mapping, Sequence

import numpy as np
import pandas as pd

from qi.model.fused import LEFT_OUT
from qi.model.seen import Seen
from qi.model.tables import make


def without(seen: Sequence[Seen], sensor: str) -> list[Seen]:
    """The same sensors but for one, by its name."""
    return [one for one in seen if one.sensor != sensor]


def left_out(lists: Sequence[Sequence[Seen]], measured: Callable[..., Mapping[str, float | None]]) -> pd.DataFrame:
    """Every measure with all sensors, and with each sensor left out in turn.

    Parameters: lists, what the sensors saw, one list a kind of event (compressions, breaths, …); measured, takes those lists as its
    arguments and gives measure -> value, None where it could not be measured.
    Returns: LEFT_OUT: first the answers of all sensors (sensor missing), then those without each sensor, in order of name. A sensor
    is left out of every list at once.
    References: recomputing with each sensor left out, signals research note section 5 (beyond the literature).
    """
    names = sorted({one.sensor for seen in lists for one in seen})
    answers: list[tuple[str | None, Mapping[str, float | None]]] = [(None, measured(*lists))]
    answers += [(name, measured(*(without(seen, name) for seen in lists))) for name in names]
    rows = [(sensor, id_, np.nan if value is None else float(value)) for sensor, given in answers for id_, value in given.items()]
    sensors, ids, values = (list(column) for column in zip(*rows, strict=True)) if rows else ([], [], [])
    return make(LEFT_OUT, sensor=sensors, id=ids, value=values)
