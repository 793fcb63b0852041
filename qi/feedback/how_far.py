"""How far beyond what is asked presses and minutes of breaths were: what a second of them counts for.

A press a hair beyond its band is nearly as asked, and is not to count like a second without hands on the chest.

References: our own choice, no source: in proportion to the distance, whole from half of the limit's own size beyond it.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from qi.model.review import Judged, Review
from qi.model.spans import Spans

WHOLE = 0.5  # share of the limit, beyond which a second counts whole (our default, no source)


@dataclass(frozen=True)
class Off:
    """What lay beyond: what one second of it counts for, 0 to 1, and which share of it lay above, 0 to 1."""

    weight: float
    above: float


def pace(review: Review, share: Judged) -> Off:
    """Of the presses that rate_in_band found outside the band: by the rate of the interval before each [1/min]."""
    times = review.findings.compressions["time_s"]
    rates = 60.0 / times.diff()
    return off(rates[_at(times, share)], *review.protocol.values["rate_band_per_min"])


def depth(review: Review, share: Judged) -> Off:
    """Of the presses that depth_in_band found outside the band [mm]."""
    rows = review.findings.compressions
    return off(rows.loc[_at(rows["time_s"], share), "depth_mm"], *review.protocol.values["depth_band_mm"])


def let_up(review: Review, share: Judged) -> Off:
    """Of the presses that released_fraction found not let up: by the force left, or where that was not recorded the depth left."""
    rows, values = review.findings.compressions, review.protocol.values
    rows = rows[_at(rows["time_s"], share)]
    left = (rows["residual_n"] / values["lean_force_n"]).fillna(rows["residual_mm"] / values["lean_depth_mm"])
    return off(left, 0.0, 1.0)


def breaths(review: Review, share: Judged, low: float, high: float) -> Off:
    """Of the minutes that over_ventilated_fraction or under_ventilated_fraction found beyond low or high [1/min]."""
    found = review.findings
    times = found.ventilations["time_s"].to_numpy()
    minutes = [Spans.of([span]).minus(found.breaths_unknown) for span in share.number.spans_s]
    return off(pd.Series([60.0 * known.contains(times).sum() / known.seconds for known in minutes]), low, high)


def off(values: pd.Series, low: float, high: float) -> Off:
    """What lies beyond a band, at least one value: the distance to the nearer edge as a share of that edge, over WHOLE, at most 1.

    Parameters: values, all outside the band; low and high, its edges, in the unit of the values.
    """
    over = values.to_numpy() > high
    edge = np.where(over, high, low)
    return Off(float(np.minimum(1.0, np.abs(values.to_numpy() - edge) / (WHOLE * edge)).mean()), float(over.mean()))


def _at(times: pd.Series, share: Judged) -> pd.Series:
    """Which of the compressions are among the moments that a share found outside."""
    return times.isin([start for start, _ in share.number.spans_s])
