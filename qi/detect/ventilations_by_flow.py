"""Ventilations from the airway flow, with the volumes that went in and came out, and the share that leaked."""

import numpy as np
import pandas as pd

from qi.detect import filters, quality, ripple
from qi.model.case import Piece, Signal
from qi.model.seen import Seen
from qi.model.spans import Spans
from qi.model.tables import VENTILATIONS, make

ML_PER_S = 1000 / 60  # 1 L/min


def from_flow(
    flow: Signal,
    *,
    working_rate_hz: float,
    smooth_s: float,
    ripple_l_per_min: float,
    shortest_cycle_s: float,
    longest_cycle_s: float,
    even_share: float,
    hysteresis_l_per_min: float,
    join_s: float,
    edge_reach_s: float,
    rise_low_share: float,
    rise_high_share: float,
    start_blur_share: float,
    end_reach_share: float,
    least_inspired_ml: float,
    shortest_s: float,
    longest_exhalation_s: float,
    flat_s: float,
    rail_share: float,
    use_tail_s: float,
) -> Seen:
    """Breaths from the airway flow: start, insufflation time, inspired and expired volume.

    Parameters: flow, into the patient positive [L/min]; working_rate_hz, rate after block means [1/s]; smooth_s, Gaussian mean [s];
    ripple_l_per_min, least swing of a compression [L/min]; shortest_cycle_s, longest_cycle_s, even_share, see ripple.cycle_lengths;
    hysteresis_l_per_min, inward flow that begins a breath and outward flow that ends it [L/min]; join_s, longest lull inside one
    insufflation [s]; edge_reach_s, how far from that flow its edges are looked for [s]; rise_low_share, rise_high_share, heights on
    the rise, as shares of the peak, whose line is drawn back to the start; start_blur_share, how much later the start is than found
    where a ripple was taken out, as a share of the cycle; end_reach_share, how far from the end found the highest volume is looked
    for there, likewise; least_inspired_ml, shortest_s, least volume [mL] and time [s] of a breath; longest_exhalation_s, how long
    outward flow is added up [s]; flat_s, shortest exactly constant stretch that is a lost sensor [s]; rail_share, see
    quality.railed; use_tail_s, see quality.in_use [s].
    Returns: VENTILATIONS with insufflation_s, inspired_ml and expired_ml, the latter missing where the recording ends or is lost
    before the exhalation is over; known time.
    References: zero-crossing with hysteresis and accuracy to demand, signals research note sections 2 and 6.
    Notes: the sensor's zero is trusted. Volumes are sums of the flow as recorded, so that up to half a compression's gas (some
    13 mL, our estimate) may be added or missing.
    """
    work = [filters.block_means(piece, rate_hz=working_rate_hz) for piece in flow.pieces]
    cycles = [
        ripple.cycle_lengths(
            piece, swing=ripple_l_per_min, shortest_s=shortest_cycle_s, longest_s=longest_cycle_s, even_share=even_share
        )
        for piece in work
    ]
    rows = []
    for piece, cycle in zip(work, cycles, strict=True):
        clear = filters.smoothed(filters.boxed(piece.values, length=np.maximum(cycle, 1.0)), sigma=smooth_s * piece.rate_hz)
        start, end = _insufflations(
            clear,
            level=hysteresis_l_per_min,
            join=join_s * piece.rate_hz,
            reach=int(edge_reach_s * piece.rate_hz),
            low_share=rise_low_share,
            high_share=rise_high_share,
        )
        start = start + start_blur_share * _at(cycle, start)
        end = _fullest(piece, end, reach=end_reach_share * _at(cycle, end))
        rows.append(
            _volumes(
                piece,
                start,
                end,
                least_ml=least_inspired_ml,
                shortest=shortest_s * piece.rate_hz,
                longest=longest_exhalation_s * piece.rate_hz,
            )
        )
    start_s, seconds, inspired, expired, out_s = np.concatenate([np.zeros((5, 0)), *rows], axis=1)
    lost = _flat_away(flow, flat_s=flat_s, band=hysteresis_l_per_min).union(
        quality.railed(flow, least_s=flat_s, rail_share=rail_share)
    )
    kept = lost.seconds_in(start_s, start_s + seconds) == 0
    expired = np.where(lost.seconds_in(start_s + seconds, out_s) > 0, np.nan, expired)
    events = make(
        VENTILATIONS,
        time_s=start_s[kept],
        insufflation_s=seconds[kept],
        inspired_ml=inspired[kept],
        expired_ml=expired[kept],
        sensor=[flow.name] * int(kept.sum()),
    )
    signs = np.concatenate([start_s[kept], out_s[kept], *[ripple.ends_s(p, c) for p, c in zip(work, cycles, strict=True)]])
    if not len(signs):
        return Seen(flow.name, events, Spans())
    used = quality.in_use(flow.recorded, first_s=signs.min(), last_s=signs.max(), use_tail_s=use_tail_s)
    return Seen(flow.name, events, used.minus(lost))


def leak_share(ventilations: pd.DataFrame, *, median_breaths: int, least_breaths: int) -> pd.Series:
    """Share of the inspired volume that did not come back, the median over neighbouring breaths.

    Parameters: ventilations, VENTILATIONS table with inspired_ml and expired_ml [mL]; median_breaths, breaths that the centred
    median runs over; least_breaths, how many of them must have both volumes.
    Returns: one share a row, 1 when nothing came back; below 0 where more came out than went in; NaN where not assessable.
    References: (VTi - VTe) / VTi, common practice, no source; the median over 5 breaths is ours.
    """
    inspired = ventilations["inspired_ml"].where(ventilations["inspired_ml"] > 0)
    share = (inspired - ventilations["expired_ml"]) / inspired
    return share.rolling(median_breaths, center=True, min_periods=least_breaths).median().rename("leak_share")


def _at(cycle: np.ndarray, where: np.ndarray) -> np.ndarray:
    return cycle[np.clip(where, 0, max(0, len(cycle) - 1)).astype(int)]


def _fullest(piece: Piece, end: np.ndarray, *, reach: np.ndarray) -> np.ndarray:
    """Where the volume as recorded is highest within reach of each end found; the end itself where there is no reach."""
    total = np.cumsum(piece.values)
    better = end.astype(np.float64)
    for k in np.flatnonzero(reach >= 1):
        low, high = max(0, int(end[k] - reach[k])), min(len(total), int(end[k] + reach[k]) + 1)
        better[k] = low + 0.5 + int(np.argmax(total[low:high]))
    return better


def _insufflations(
    clear: np.ndarray, *, level: float, join: float, reach: int, low_share: float, high_share: float
) -> tuple[np.ndarray, np.ndarray]:
    """Start and end of each stretch of inward flow, between samples: the line of its rise drawn back to zero, and the crossing."""
    inward = np.flatnonzero(clear > level)
    if not len(inward):
        return np.zeros(0), np.zeros(0)
    outward = np.r_[0, np.cumsum(clear < -level)]
    parts = (np.diff(inward) > join) | (outward[inward[1:]] > outward[inward[:-1]])
    first, last = inward[np.r_[True, parts]], inward[np.r_[parts, True]]
    peak = -filters.between(-clear, first, last + 1)
    base = np.minimum(0.0, filters.between(clear, first - reach / 2, first + 1))  # the last exhalation may not be over
    low, high = (_first_above(clear, first, last, base + share * (peak - base), reach=reach) for share in (low_share, high_share))
    start = low - (high - low) * low_share / (high_share - low_share)
    rows = filters.around(clear[::-1], len(clear) - 1 - last, before=reach, after=0, fill=-np.inf)
    return start, last + reach - filters.last_below(rows, np.zeros(len(last)))


def _first_above(clear: np.ndarray, first: np.ndarray, last: np.ndarray, height: np.ndarray, *, reach: int) -> np.ndarray:
    """Where each stretch first rises through its height, between samples."""
    top = np.array([a + int(np.argmax(clear[a : b + 1] >= h)) for a, b, h in zip(first, last, height, strict=True)], dtype=int)
    rows = filters.around(clear, top, before=reach, after=0, fill=-np.inf)
    return top - reach + filters.last_below(rows, height)


def _volumes(piece: Piece, start: np.ndarray, end: np.ndarray, *, least_ml: float, shortest: float, longest: float) -> np.ndarray:
    """Start [s], insufflation time [s], inspired and expired volume [mL] and end of the exhalation [s], one row each."""
    total = np.r_[0.0, np.cumsum(piece.values)] * ML_PER_S / piece.rate_hz
    corners = np.arange(len(total)) - 0.5  # sample i stands for the time from i - 0.5 to i + 0.5
    inspired = np.interp(end, corners, total) - np.interp(start, corners, total)
    breath = (inspired >= least_ml) & (end - start >= shortest)
    start, end, inspired = start[breath], end[breath], inspired[breath]
    following = np.r_[start[1:], np.inf] if len(start) else start
    out = np.minimum(following, end + longest)
    expired = np.interp(end, corners, total) - np.interp(out, corners, total)
    expired = np.where(out <= corners[-1], np.maximum(expired, 0.0), np.nan)
    out = np.minimum(out, corners[-1])
    return np.vstack(
        [
            piece.start_s + start / piece.rate_hz,
            (end - start) / piece.rate_hz,
            inspired,
            expired,
            piece.start_s + out / piece.rate_hz,
        ]
    )


def _flat_away(flow: Signal, *, flat_s: float, band: float) -> Spans:
    """Exactly constant stretches, but for those near zero of a sensor without noise, which is often constant."""
    constant = quality.held(flow, least_s=flat_s)
    often = constant.seconds.sum() > 0.2 * flow.recorded.seconds
    return constant.spans(~(often & (np.abs(constant.value) <= band)))
