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
    rows = [_minute(found, Span(float(start), float(min(start + 60.0, whole.end_s))), gap_s) for start in starts]
    return check(pd.DataFrame(rows, columns=[column.name for column in MINUTES], dtype=float), MINUTES)


def _minute(found: Findings, span: Span, gap_s: float) -> tuple[float, ...]:
    arrest = found.arrest.clip(span)
    seen, breathing = arrest.overlap(found.compressions_known), arrest.overlap(found.ventilations_known)
    pressed = found.compressions[seen.contains(found.compressions["time_s"])]
    steps = np.diff(pressed["time_s"])
    steps = steps[steps < gap_s]
    breaths = int(breathing.contains(found.ventilations["time_s"]).sum())
    return (
        span.start_s,
        span.end_s,
        _ratio(found.runs.overlap(seen).seconds, seen),
        60.0 / steps.mean() if len(steps) else np.nan,
        float(pressed["depth_mm"].mean()) if pressed["depth_mm"].notna().any() else np.nan,
        _ratio(breaths * 60.0, breathing),
    )


def _ratio(amount: float, known: Spans) -> float:
    return amount / known.seconds if known.seconds >= 30.0 else np.nan
