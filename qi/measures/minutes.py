"""The course of a case: the main numbers for each minute of the arrest."""

import numpy as np
import pandas as pd

from qi.model.findings import Findings
from qi.model.spans import Span, Spans
from qi.model.tables import Column, check

MINUTES = (
    Column("start_s", "float", "s", "start of the minute, counted from the start of the first arrest span", may_lack=False),
    Column("end_s", "float", "s", "its end", may_lack=False),
    Column("fraction", "float", "1", "hands-on time over known arrest time; missing where less than 30 s are known"),
    Column("rate_per_min", "float", "1/min", "60 over the mean interval inside runs"),
    Column("depth_mm", "float", "mm", "mean depth"),
    Column("breaths_per_min", "float", "1/min", "breaths over known minutes; missing where less than 30 s are known"),
)


def by_minute(found: Findings, *, gap_s: float) -> pd.DataFrame:
    """One row a minute of the arrest, times without circulation only.

    Parameters: found, what was found on the case; gap_s, shortest distance between two deepest points that parts two runs [s].
    Returns: MINUTES table.
    References: one-minute epochs, Iyanaga et al., Resuscitation (2012), PMC3337677 (abstract read).
    """
    whole = found.arrest.hull
    starts = np.arange(whole.start_s, whole.end_s, 60.0)
    times = tuple(table["time_s"].to_numpy() for table in (found.compressions, found.ventilations))
    depth_mm = found.compressions["depth_mm"].to_numpy()
    spans = [Span(float(start), float(min(start + 60.0, whole.end_s))) for start in starts]
    rows = [_minute(found, span, gap_s, times, depth_mm) for span in spans]
    return check(pd.DataFrame(rows, columns=[column.name for column in MINUTES], dtype=float), MINUTES)


def _minute(
    found: Findings, span: Span, gap_s: float, times: tuple[np.ndarray, np.ndarray], depth_mm: np.ndarray
) -> tuple[float, ...]:
    """One minute; times of all compressions and all breaths [s], depth of each compression [mm]."""
    arrest = found.arrest.clip(span)
    seen = arrest.overlap(found.compressions_known.clip(span))
    breathing = arrest.overlap(found.ventilations_known.clip(span))
    inside = seen.contains(times[0])
    steps = np.diff(times[0][inside])
    steps = steps[steps < gap_s]
    depth = depth_mm[inside]
    depth = depth[~np.isnan(depth)]
    breaths = int(breathing.contains(times[1]).sum())
    return (
        span.start_s,
        span.end_s,
        _ratio(found.runs.clip(span).overlap(seen).seconds, seen),
        60.0 / steps.mean() if len(steps) else np.nan,
        float(depth.mean()) if len(depth) else np.nan,
        _ratio(breaths * 60.0, breathing),
    )


def _ratio(amount: float, known: Spans) -> float:
    return amount / known.seconds if known.seconds >= 30.0 else np.nan
