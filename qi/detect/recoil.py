"""The vacuum of the recoil: how far each release of the chest pulls the airway pressure down."""

import numpy as np
import pandas as pd

from qi.detect import filters
from qi.model.case import Piece, Signal
from qi.model.spans import Spans
from qi.model.tables import RECOILS, make


def recoils(
    pressure: Signal,
    compressions: pd.DataFrame,
    ventilations: pd.DataFrame,
    *,
    working_rate_hz: float,
    smooth_s: float,
    phase_start: float,
    longest_cycle_s: float,
    still_s: float,
    margin_s: float,
    level_s: float,
    breath_tail_s: float,
    breath_default_s: float,
) -> pd.DataFrame:
    """Lowest airway pressure in the recoil of each compression, against the pressure in the nearest still moments.

    Parameters: pressure [cmH2O]; compressions, COMPRESSIONS; ventilations, VENTILATIONS; working_rate_hz, rate after block means
    [1/s]; smooth_s, Gaussian mean [s]; phase_start, share of the cycle after which the recoil is looked at (0 to 1);
    longest_cycle_s, what a cycle lasts at most, for the last of a run [s]; still_s, shortest stretch without compression and
    breath that shows the still pressure [s]; margin_s, what is left out at its ends [s]; level_s, how much of each end is used [s];
    breath_tail_s, how long after the insufflation a breath still holds the pressure up [s]; breath_default_s, insufflation time
    of a breath for which it is missing [s].
    Returns: RECOILS, one row for each compression; recoil_cmh2o negative for a vacuum, missing where pressure was not recorded or
    no still moment is known.
    References: feature, signals research note section 4 (lowest pressure in the 40 to 100 % phase); reference level, measures
    section 5.
    """
    onset, release = compressions["onset_s"].to_numpy(), compressions["release_s"].to_numpy()
    cycle = np.diff(onset, append=np.inf)
    inside = cycle[cycle <= longest_cycle_s]
    cycle = np.where(cycle <= longest_cycle_s, cycle, np.median(inside) if len(inside) else longest_cycle_s)
    start, end = onset + phase_start * cycle, onset + cycle
    lasts = ventilations["insufflation_s"].fillna(breath_default_s).to_numpy() + breath_tail_s
    breath_s = ventilations["time_s"].to_numpy()
    breaths = Spans.of(np.column_stack([breath_s, breath_s + lasts]))
    busy = Spans.of(np.column_stack([onset, np.maximum(release, onset + cycle)])).union(breaths)
    still = pressure.recorded.minus(busy).longer_than(still_s).grown(-margin_s)
    work = [filters.block_means(piece, rate_hz=working_rate_hz) for piece in pressure.pieces]
    lowest = np.full(len(onset), np.nan)
    for piece in work:
        trace = filters.smoothed(piece.values, sigma=smooth_s * piece.rate_hz)
        first, last = ((edge - piece.start_s) * piece.rate_hz for edge in (start, end))
        found = filters.between(trace, np.ceil(first), np.floor(last) + 1)
        whole = (first >= -1) & (last <= len(trace))
        lowest = np.where(whole, found, lowest)
    return make(
        RECOILS,
        time_s=compressions["time_s"].to_numpy(),
        recoil_cmh2o=lowest - _still_level(work, still, at_s=start, level_s=level_s),
        in_breath=breaths.seconds_in(start, end) > 0,
    )


def _still_level(work: list[Piece], still: Spans, *, at_s: np.ndarray, level_s: float) -> np.ndarray:
    """Pressure of the still moments at each time, a straight line between the ends of the nearest; NaN with no still moment."""
    times, levels = [np.zeros(0)], [np.zeros(0)]
    for piece in work:
        low, high = still.overlap(Spans.of([(piece.start_s, piece.end_s)])).edges.T
        first = np.column_stack([low, np.maximum(high - level_s, low)])
        last = np.column_stack([np.minimum(low + level_s, high), high])
        knots = filters.middles(piece, first.ravel(), last.ravel())
        times.append(knots[0])
        levels.append(knots[1])
    known_s, level = np.concatenate(times), np.concatenate(levels)
    return np.interp(at_s, known_s, level) if len(known_s) else np.full(len(at_s), np.nan)
