"""Ventilations from the airway pressure and from the capnogram, also while compressions ripple them.

A ripple is taken out by a mean over one compression cycle: it removes the ripple with its harmonics and leaves the breath.
"""

import numpy as np

from qi.detect import filters, quality
from qi.model.case import Piece, Signal
from qi.model.seen import Seen
from qi.model.spans import Spans
from qi.model.tables import VENTILATIONS, make


def from_pressure(
    pressure: Signal,
    *,
    working_rate_hz: float,
    smooth_s: float,
    ripple_cmh2o: float,
    shortest_cycle_s: float,
    longest_cycle_s: float,
    even_share: float,
    base_s: float,
    least_swing_cmh2o: float,
    least_rise_cmh2o: float,
    least_peak_cmh2o: float,
    apart_s: float,
    longest_breath_s: float,
    foot_share: float,
    rise_low_share: float,
    rise_high_share: float,
    fall_share: float,
    flat_s: float,
    rest_band_cmh2o: float,
    rail_share: float,
    use_tail_s: float,
) -> Seen:
    """Positive-pressure breaths from the airway pressure: start, insufflation time, peak pressure.

    Parameters: pressure [cmH2O]; working_rate_hz, rate after block means [1/s]; smooth_s, Gaussian mean [s]; ripple_cmh2o, least
    swing of a compression [cmH2O]; shortest_cycle_s, longest_cycle_s, what a compression cycle can last [s]; even_share, how far
    a cycle may be off its neighbours, as a share; base_s, window of the running minimum that is the base [s]; least_swing_cmh2o,
    least_rise_cmh2o, how far a breath stands out on both sides and above the base [cmH2O]; least_peak_cmh2o, how far above the pressure of still moments
    [cmH2O]; apart_s, closest two breaths [s]; longest_breath_s, furthest that an edge is looked for from the peak [s];
    rise_low_share, rise_high_share, heights on the rise, as shares of the breath, whose line is drawn back to its start; foot_share,
    height on the rise before which it cannot start;
    fall_share, height on the fall at which inward flow is taken to end; flat_s, shortest exactly constant stretch that is a lost
    sensor [s]; rest_band_cmh2o, how near the still pressure a sensor without noise may be constant [cmH2O]; rail_share, see
    quality.railed; use_tail_s, see quality.in_use, breaths and compression ripple being the signs of use [s].
    Returns: VENTILATIONS with insufflation_s and peak_cmh2o; known time.
    References: recipe and accuracy to demand, signals research note sections 2 and 6 (measured on simulated signals there).
    Notes: a mean over one compression cycle instead of the 1.3 Hz low-pass, which lets a ripple of 110 per min through. The end
    of inward flow is inferred from the fall, since pressure alone does not show flow. peak_cmh2o includes the compressions' part.
    """
    work = [filters.block_means(piece, rate_hz=working_rate_hz) for piece in pressure.pieces]
    cycles = [
        _cycle_lengths(piece, ripple=ripple_cmh2o, shortest_s=shortest_cycle_s, longest_s=longest_cycle_s, even_share=even_share)
        for piece in work
    ]
    clear = [
        filters.smoothed(filters.boxed(piece.values, length=np.maximum(cycle, 1.0)), sigma=smooth_s * piece.rate_hz)
        for piece, cycle in zip(work, cycles, strict=True)
    ]
    rest = _rest(clear, cycles)
    rows = [
        _breaths(
            piece,
            trace,
            cycle,
            rest=rest,
            base_s=base_s,
            least_swing=least_swing_cmh2o,
            least_rise=least_rise_cmh2o,
            least_peak=least_peak_cmh2o,
            apart_s=apart_s,
            longest_s=longest_breath_s,
            foot_share=foot_share,
            rise_low_share=rise_low_share,
            rise_high_share=rise_high_share,
            fall_share=fall_share,
        )
        for piece, trace, cycle in zip(work, clear, cycles, strict=True)
    ]
    start_s, seconds, peak = np.concatenate([np.zeros((3, 0)), *rows], axis=1)
    lost = _flat_away(pressure, flat_s=flat_s, rest=rest, band=rest_band_cmh2o).union(
        quality.railed(pressure, least_s=flat_s, rail_share=rail_share)
    )
    kept = ~lost.contains(start_s)
    events = make(
        VENTILATIONS,
        time_s=start_s[kept],
        insufflation_s=seconds[kept],
        peak_cmh2o=peak[kept],
        sensor=[pressure.name] * int(kept.sum()),
    )
    rippled = [
        (piece.start_s + np.flatnonzero(cycle)[[0, -1]] / piece.rate_hz)
        for piece, cycle in zip(work, cycles, strict=True)
        if cycle.any()
    ]
    signs = np.concatenate([start_s[kept], (start_s + seconds)[kept], *rippled])
    if not len(signs):
        return Seen(pressure.name, events, Spans())
    used = quality.in_use(pressure.recorded, first_s=signs.min(), last_s=signs.max(), use_tail_s=use_tail_s)
    return Seen(pressure.name, events, used.minus(lost))


def _cycle_lengths(piece: Piece, *, ripple: float, shortest_s: float, longest_s: float, even_share: float) -> np.ndarray:
    """Length of the compression cycle at each sample [samples]; 0 where nothing ripples evenly."""
    rate = piece.rate_hz
    swing = filters.smoothed(piece.values, sigma=0.04 * rate) - filters.boxed(piece.values, length=longest_s / 2 * rate)
    tops = filters.highs(swing, least_swing=ripple)
    lengths = np.zeros(len(piece.values))
    if len(tops) < 4:
        return lengths
    cycles = np.diff(tops).astype(np.float64)
    near = np.sort(filters.around(cycles, np.arange(len(cycles)), before=4, after=4, fill=np.nan), axis=1)
    middle = near[np.arange(len(cycles)), (np.isfinite(near).sum(axis=1) - 1) // 2]
    even = (np.abs(cycles - middle) <= even_share * middle) & (middle >= shortest_s * rate) & (middle <= longest_s * rate)
    even &= (np.abs(near - middle[:, None]) <= even_share * middle[:, None]).sum(axis=1) >= 4  # a breath's own swings come alone
    lengths[tops[0] : tops[-1]] = np.repeat(np.where(even, middle, 0.0), np.diff(tops))
    return lengths


def _rest(clear: list[np.ndarray], cycles: list[np.ndarray]) -> float:
    """Pressure between breaths: the lower fifth where nothing ripples; the same of everything where all ripples; 0 with no samples."""
    still = np.concatenate([np.zeros(0), *(trace[cycle == 0] for trace, cycle in zip(clear, cycles, strict=True))])
    some = still if len(still) else np.concatenate([np.zeros(1), *clear])
    return float(np.quantile(some[:: max(1, len(some) // 20_000)], 0.2))


def _breaths(
    piece: Piece,
    trace: np.ndarray,
    cycle: np.ndarray,
    *,
    rest: float,
    base_s: float,
    least_swing: float,
    least_rise: float,
    least_peak: float,
    apart_s: float,
    longest_s: float,
    foot_share: float,
    rise_low_share: float,
    rise_high_share: float,
    fall_share: float,
) -> np.ndarray:
    """Start [s], insufflation time [s] and peak [cmH2O] of the breaths of one piece, one row each."""
    rate = piece.rate_hz
    window = max(1, int(base_s * rate))
    base = filters.boxed(filters.running_lowest(trace, window=window), length=window / 2)
    base = np.where(cycle > 0, base, np.maximum(base, rest))  # compressions shift the mean; once they stop it is back at rest
    rise = trace - base
    tops = filters.highs(rise, least_swing=least_swing)
    tops = tops[(rise[tops] >= least_rise) & (trace[tops] >= rest + least_peak)]
    tops = tops[filters.apart(tops, rise[tops], least=apart_s * rate)]
    reach = int(longest_s * rate)
    height = rise[tops]
    rows = _flanks(rise, tops, reach=reach)
    foot = filters.last_below(rows, foot_share * height)
    low = filters.last_below(rows, rise_low_share * height)
    high = filters.last_below(rows, rise_high_share * height)
    drawn = low - (high - low) * rise_low_share / (rise_high_share - rise_low_share)
    start = tops - reach + np.maximum(drawn, foot)
    rows = _flanks(rise[::-1], len(rise) - 1 - tops[::-1], reach=reach)[::-1]
    end = tops + reach - filters.last_below(rows, fall_share * height)
    top_of_all = -filters.between(-piece.values, np.floor(start), np.ceil(end) + 1)
    return np.vstack([piece.start_s + start / rate, (end - start) / rate, top_of_all])


def _flanks(trace: np.ndarray, tops: np.ndarray, *, reach: int) -> np.ndarray:
    """The samples before each top, back to the lowest point after the top before; what lies further back counts as lowest of all."""
    rows = filters.around(trace, tops, before=reach, after=0, fill=-np.inf)
    room = np.diff(tops, prepend=-reach - 1)
    rows[np.arange(reach + 1)[None, :] <= reach - room[:, None]] = np.inf
    lowest = reach - np.argmin(rows[:, ::-1], axis=1)
    rows[np.arange(reach + 1)[None, :] <= lowest[:, None]] = -np.inf
    return rows


def _flat_away(signal: Signal, *, flat_s: float, rest: float, band: float) -> Spans:
    """Exactly constant stretches, but for those of a sensor that is often constant, near its still value."""
    constant = quality.held(signal, least_s=flat_s)
    often = constant.seconds.sum() > 0.2 * signal.recorded.seconds
    return constant.spans(~(often & (np.abs(constant.value - rest) <= band)))
