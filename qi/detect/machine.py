"""Mechanical compressions, told by their regularity."""

import numpy as np
import pandas as pd
from numpy.lib.stride_tricks import sliding_window_view

from qi.model.spans import Spans


def machine_spans(
    compressions: pd.DataFrame,
    *,
    gap_s: float,
    least_s: float,
    most_spread: float,
    timing_s: float,
    drift_cycles: int,
    most_drift: float,
    outlier_share: float,
    most_outliers: float,
) -> Spans:
    """Stretches of compressions too regular for hands.

    Parameters: compressions, COMPRESSIONS table [s]; gap_s, shortest distance between two deepest points that parts two runs [s];
    least_s, how long the cycles must stay regular, pauses not counted [s]; most_spread, largest standard deviation of the cycles,
    as a share of their mean; timing_s, standard deviation with which sensors time one compression [s]; drift_cycles, most_drift:
    means over so many cycles may spread by that share at most, which hands that wander do not keep even where a sensor is coarse;
    outlier_share, a cycle this far off the middle one is a miss or a false alarm; most_outliers, largest share of those.
    Returns: stretches from the onset of the first such compression to the release of the last [s], pauses between them included.
    References: coefficient of variation below 1 % for more than 30 s, signals research note section 1.3 [an engineering choice
    there, no published threshold].
    Notes: the scatter of the sensor's own timing is taken off before the 1 % is asked for.
    """
    times = compressions["time_s"].to_numpy()
    steps = np.diff(times)
    inside = np.flatnonzero(steps < gap_s)
    if not len(inside):
        return Spans()
    cycles = steps[inside]
    count = int(np.ceil(least_s / float(np.median(cycles))))
    if len(cycles) < max(count, 3 * drift_cycles):
        return Spans()
    rows = sliding_window_view(cycles, count)
    middle = np.repeat(np.median(rows[:: max(1, count // 4)], axis=1), max(1, count // 4))[: len(rows)]
    usual = np.abs(rows - middle[:, None]) <= outlier_share * middle[:, None]
    many = np.maximum(usual.sum(axis=1), 2)
    mean = np.where(usual, rows, 0.0).sum(axis=1) / many
    off = np.where(usual, rows - mean[:, None], 0.0)
    spread = np.sqrt((off**2).sum(axis=1) / (many - 1))
    summed = np.cumsum(off, axis=1)
    drift = (summed[:, drift_cycles:] - summed[:, :-drift_cycles]).std(axis=1) / drift_cycles
    even = spread**2 <= (most_spread * mean) ** 2 + 2 * timing_s**2
    even &= (drift <= most_drift * mean) & (usual.mean(axis=1) >= 1 - most_outliers)
    starts = np.flatnonzero(even)
    onset, release = compressions["onset_s"].to_numpy(), compressions["release_s"].to_numpy()
    return Spans.of(np.column_stack([onset[inside[starts]], release[inside[starts + count - 1] + 1]]))
