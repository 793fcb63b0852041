"""Compressions and breaths that were charted one by one, as events of their own."""

import numpy as np
import pandas as pd

from qi.detect.instants import half_cycles
from qi.model.case import Case
from qi.model.seen import Seen
from qi.model.spans import Spans
from qi.model.tables import COMPRESSIONS, VENTILATIONS, make


def _own(case: Case, type_: str) -> pd.DataFrame:
    """Events of one type whose clock can be placed to the second against the recording's."""
    rows = case.events[case.events["type"] == type_]
    close = [(case.apart_s(clock, case.lead_clock) or 0.0) <= 1.0 and case.clocks[clock].placed for clock in rows["clock"]]
    return rows[np.array(close, dtype=bool)] if len(rows) else rows


def compressions(case: Case, *, gap_s: float) -> list[Seen]:
    """Charted compressions: where only the instant is known, onset and release lie half the median cycle of the run from it.

    Parameters: case, for its compression events [s]; gap_s, shortest distance between two deepest points that parts two runs [s].
    Returns: one Seen, known from the first to the last charted compression; none where nothing was charted.
    """
    rows = _own(case, "compression")
    if rows.empty:
        return []
    times = rows["time_s"].to_numpy()
    half = half_cycles(times, gap_s=gap_s)
    table = make(
        COMPRESSIONS, time_s=times, onset_s=times - half, release_s=times + half, sensor=[f"events ({s})" for s in rows["source"]]
    )
    whole = Spans.of([(float(table["onset_s"].iloc[0]), float(table["release_s"].iloc[-1]))])
    return [Seen(f"events ({rows['source'].iloc[0]})", table, whole)]


def ventilations(case: Case) -> list[Seen]:
    """Charted breaths, known from the first to the last.

    Parameters: case, for its ventilation events [s].
    Returns: one Seen; none where nothing was charted.
    """
    rows = _own(case, "ventilation")
    if rows.empty:
        return []
    lengths = (rows["end_s"] - rows["time_s"]).to_numpy()
    sensors = [f"events ({source})" for source in rows["source"]]
    table = make(VENTILATIONS, time_s=rows["time_s"].to_numpy(), insufflation_s=lengths, sensor=sensors)
    return [Seen(sensors[0], table, Spans.of([(float(rows["time_s"].iloc[0]), float(rows["time_s"].iloc[-1]) + 1e-3)]))]
