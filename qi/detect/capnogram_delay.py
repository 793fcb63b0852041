"""How late a capnogram shows a breath, since its gas has to travel down a sampling line; found by what else shows the breaths."""

from typing import NamedTuple

import numpy as np

from qi.model.seen import Seen
from qi.model.spans import Spans

STEP_S = 0.02  # of the delays that are tried


class Delay(NamedTuple):
    """How much later the capnogram shows a breath than it began [s], and the half-width of what that may be off by [s]."""

    delay_s: float
    uncertainty_s: float


def by_breaths(
    washouts_s: np.ndarray,
    breaths_s: np.ndarray,
    *,
    least_delay_s: float,
    most_delay_s: float,
    width_s: float,
    least_pairs: float,
    least_share: float,
    rival_share: float,
    systematic_s: float,
) -> Delay | None:
    """Sampling delay of the capnogram against another breath sensor (airway pressure, airway flow, impedance).

    Parameters: washouts_s, starts of CO2 washout, sorted [s]; breaths_s, starts of insufflation by the other sensor, sorted [s];
    least_delay_s, most_delay_s, delays that are possible [s]; width_s, how far one breath may be off the delay of all [s];
    least_pairs, fewest breaths in both sensors; least_share, least share of the washouts that the delay must explain;
    rival_share, a delay more than 2 width_s away that explains this share of what the best one explains makes the answer
    ambiguous; systematic_s, what start of washout and start of insufflation may differ by apart from the delay [s].
    Returns: Delay, or None where too few breaths agree or two delays do about as well (an even bag has one in each breath).
    References: matching with another sensor, signals research note section 2; the delay of 1 to 3 s there is from memory.
    Notes: counts of pairs by delay, instead of a cross-correlation of the waves.
    """
    apart = _differences(washouts_s, breaths_s, least_delay_s - width_s, most_delay_s + width_s)
    grid, weight = _gathering(apart, least_delay_s, most_delay_s, width_s=width_s)
    best = grid[weight.argmax()]
    if (weight[np.abs(grid - best) > 2 * width_s] >= rival_share * weight.max()).any():
        return None
    # washouts that the other sensor could have answered to: those with one of its breaths within reach
    asked = len(_nearest(washouts_s, breaths_s, most_delay_s + width_s))
    near = apart[np.abs(apart - best) <= width_s]
    if len(near) < least_pairs or len(near) < least_share * asked:
        return None
    return Delay(float(np.median(near)), float(np.hypot(systematic_s, 2 * 1.25 * near.std() / np.sqrt(len(near)))))


def by_pauses(
    washouts_s: np.ndarray,
    pauses: Spans,
    *,
    least_delay_s: float,
    most_delay_s: float,
    width_s: float,
    least_pairs: float,
    least_share: float,
    lead_s: float,
    lead_uncertainty_s: float,
) -> Delay | None:
    """Sampling delay of the capnogram from the ventilation pauses of 30:2, where no other sensor shows breaths.

    Parameters: washouts_s, starts of CO2 washout, sorted [s]; pauses, the pauses for breaths of 30:2 [s]; least_delay_s,
    most_delay_s, delays that are possible [s]; width_s, half-width of the window in which first washouts must gather [s];
    least_pairs, fewest pauses with a washout; least_share, least share of them in that window; lead_s, lead_uncertainty_s, how
    long after the last release a first breath usually begins, and what that may be off by [s].
    Returns: Delay, or None where the first washouts do not gather at one distance from the starts of the pauses.
    References: our method (no source).
    """
    starts = pauses.edges[:, 0]
    at = np.searchsorted(washouts_s, starts + max(0.0, least_delay_s))
    some = at < len(washouts_s)
    after = np.asarray(washouts_s, dtype=float)[at[some]] - starts[some]
    after = np.sort(after[after <= most_delay_s + lead_s + width_s])
    grid, weight = _gathering(after, least_delay_s + lead_s, most_delay_s + lead_s, width_s=width_s)
    best = grid[weight.argmax()]
    near = after[np.abs(after - best) <= width_s]
    if len(near) < least_pairs or len(near) < least_share * len(after):
        return None
    spread = 2 * 1.25 * near.std() / np.sqrt(len(near))
    delay = float(np.clip(np.median(near) - lead_s, least_delay_s, most_delay_s))
    return Delay(delay, float(np.hypot(lead_uncertainty_s, spread)))


def without_delay(seen: Seen, delay_s: float) -> Seen:
    """The same events and the same known time, earlier by the delay.

    Parameters: seen, what a capnogram saw; delay_s, its sampling delay [s].
    Returns: a new Seen.
    """
    return Seen(seen.sensor, seen.events.assign(time_s=seen.events["time_s"] - delay_s), Spans(seen.known.edges - delay_s))


def _differences(later_s: np.ndarray, earlier_s: np.ndarray, low: float, high: float) -> np.ndarray:
    """Every distance from low to high by which one of the first stands behind one of the second, sorted."""
    later, earlier = np.asarray(later_s, dtype=float), np.asarray(earlier_s, dtype=float)
    first, last = np.searchsorted(earlier, later - high), np.searchsorted(earlier, later - low, side="right")
    count = last - first
    into = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count) + np.repeat(first, count)
    return np.sort(np.repeat(later, count) - earlier[into])


def _nearest(times_s: np.ndarray, others_s: np.ndarray, reach: float) -> np.ndarray:
    """Those of the times that have one of the others within reach."""
    times, others = np.asarray(times_s, dtype=float), np.asarray(others_s, dtype=float)
    return times[np.searchsorted(others, times + reach, side="right") > np.searchsorted(others, times - reach)]


def _gathering(apart: np.ndarray, low: float, high: float, *, width_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Distances that are tried, and for each how many of those found gather about it, near ones counting more."""
    grid = np.arange(low, high + STEP_S, STEP_S)
    first, last = np.searchsorted(apart, grid - width_s), np.searchsorted(apart, grid + width_s)
    return grid, np.array([(1 - np.abs(apart[a:b] - one) / width_s).sum() for one, a, b in zip(grid, first, last, strict=True)])
