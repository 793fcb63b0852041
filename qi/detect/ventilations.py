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
    blur_share: float,
    fall_share: float,
    flat_s: float,
    rest_band_cmh2o: float,
    rail_share: float,
    use_tail_s: float,
) -> Seen:
    """Positive-pressure breaths from the airway pressure: start, insufflation time, peak pressure.

    Parameters: pressure [cmH2O]; working_rate_hz, rate after block means [1/s]; smooth_s, Gaussian mean [s]; ripple_cmh2o, least
    swing of a compression [cmH2O]; shortest_cycle_s, longest_cycle_s, what a compression cycle can last [s]; even_share, how far
    a cycle may be off its neighbours, as a share; base_s, window of the running minimum that is the base [s];
    least_swing_cmh2o, least_rise_cmh2o, how far a breath stands out on both sides and above the base [cmH2O]; least_peak_cmh2o,
    how far above the pressure between breaths [cmH2O]; apart_s, closest two breaths [s]; longest_breath_s, furthest that an edge
    is looked for from the peak [s]; rise_low_share, rise_high_share, heights on the rise, as shares of the breath, whose line is
    drawn back to its start; foot_share, height on the rise before which it cannot start; blur_share, how much later the start is
    than drawn where a ripple was taken out, as a share of the cycle; fall_share, height on the fall at which inward flow is taken
    to end; flat_s, shortest exactly constant stretch that is a lost sensor [s]; rest_band_cmh2o, how near the pressure between
    breaths a sensor without noise may be constant [cmH2O]; rail_share, see quality.railed; use_tail_s, see quality.in_use, breaths
    and compression ripple being the signs of use [s].
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
            blur_share=blur_share,
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
    rippled = [_ends(piece, cycle) for piece, cycle in zip(work, cycles, strict=True)]
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


def _ends(piece: Piece, cycle: np.ndarray) -> np.ndarray:
    """Times of the first and the last sample with a ripple [s]; none where nothing ripples."""
    at = np.flatnonzero(cycle)
    return piece.start_s + at[[0, -1]] / piece.rate_hz if len(at) else np.zeros(0)


def _rest(clear: list[np.ndarray], cycles: list[np.ndarray]) -> float:
    """Pressure between breaths: the lower fifth where nothing ripples; of everything where all ripples; 0 with no samples."""
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
    blur_share: float,
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
    start += blur_share * cycle[np.clip(start, 0, len(cycle) - 1).astype(int)]
    rows = _flanks(rise[::-1], len(rise) - 1 - tops[::-1], reach=reach)[::-1]
    end = tops + reach - filters.last_below(rows, fall_share * height)
    top_of_all = -filters.between(-piece.values, np.floor(start), np.ceil(end) + 1)
    return np.vstack([piece.start_s + start / rate, (end - start) / rate, top_of_all])


def _flanks(trace: np.ndarray, tops: np.ndarray, *, reach: int) -> np.ndarray:
    """The samples before each top, back to the lowest point after the top before; what lies further back counts as lower."""
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


def from_capnogram(
    co2: Signal,
    *,
    working_rate_hz: float,
    first_box_s: float,
    second_box_s: float,
    range_s: float,
    least_range_mmhg: float,
    band_share: float,
    least_band_mmhg: float,
    shortest_exhalation_s: float,
    valley_s: float,
    plateau_s: float,
    plateau_share: float,
    washout_share: float,
    washout_s: float,
    blind_s: float,
    base_share: float,
    highest_base_mmhg: float,
    flat_s: float,
    stuck_s: float,
    rail_share: float,
    use_tail_s: float,
) -> Seen:
    """Ventilations from the capnogram, each at the start of the washout that it causes, with the end-tidal CO2 before it.

    Parameters: co2 [mmHg]; working_rate_hz, rate after block means [1/s]; first_box_s, second_box_s, two plain means one after the
    other, which between them take out ripples of 90 to 140 per min [s]; range_s, window of the running highest and lowest [s];
    least_range_mmhg, least distance between them for a breath [mmHg]; band_share, least_band_mmhg, half-width of the hysteresis
    about their middle, as a share of the distance and at least [mmHg]; shortest_exhalation_s, least time above [s]; valley_s, least
    time below on both sides of an exhalation too short for the two means [s]; plateau_s,
    stretch before the washout that end-tidal CO2 is taken from [s]; plateau_share, the quantile taken; washout_share, share of
    end-tidal CO2 below which the washout has begun; washout_s, how far back from the middle of the fall it is looked for [s];
    blind_s, how long CO2 may stay near its base before the capnogram is held to see nothing [s]; base_share, the quantile of the
    whole trace that is its base; highest_base_mmhg, what the base is at most [mmHg]; flat_s, stuck_s, shortest exactly constant
    stretch that is a lost sensor, on a noisy sensor, and away from the base on one that is often constant [s]; rail_share, see
    quality.railed; use_tail_s, see quality.in_use [s].
    Returns: VENTILATIONS with etco2_mmhg; known time. No delay of the sampling line is taken off.
    References: recipe, end-tidal value and accuracy to demand, signals research note sections 2 and 6; ripple of compressions and
    its removal by a fixed filter, J. Gutierrez et al., PLoS One 13 (2018) e0201565, as quoted there.
    Notes: two plain means instead of the 1 Hz low-pass. A last exhalation that no washout follows is not counted. Breaths that
    bring no CO2 are not seen; blind_s makes that time unknown, never a rate of 0.
    """
    work = [filters.block_means(piece, rate_hz=working_rate_hz) for piece in co2.pieces]
    clear = [
        filters.boxed(filters.boxed(piece.values, length=first_box_s * piece.rate_hz), length=second_box_s * piece.rate_hz)
        for piece in work
    ]
    rows = [
        _washouts(
            piece,
            trace,
            range_s=range_s,
            least_range=least_range_mmhg,
            band_share=band_share,
            least_band=least_band_mmhg,
            shortest_s=shortest_exhalation_s,
            valley_s=valley_s,
            plateau_s=plateau_s,
            plateau_share=plateau_share,
            washout_share=washout_share,
            washout_s=washout_s,
        )
        for piece, trace in zip(work, clear, strict=True)
    ]
    start_s, end_tidal = np.concatenate([np.zeros((2, 0)), *rows], axis=1)
    everything = np.concatenate([np.zeros(0), *clear])
    base = min(highest_base_mmhg, float(np.quantile(everything, base_share))) if len(everything) else highest_base_mmhg
    lost = _flat(co2, flat_s=flat_s, stuck_s=stuck_s, base=base, band=least_range_mmhg)
    lost = lost.union(quality.railed(co2, least_s=flat_s, rail_share=rail_share))
    for piece, trace in zip(work, clear, strict=True):
        low = Spans.where(trace < base + least_range_mmhg, start_s=piece.start_s, step_s=1 / piece.rate_hz)
        lost = lost.union(low.longer_than(blind_s))
    kept = ~lost.contains(start_s)
    events = make(VENTILATIONS, time_s=start_s[kept], etco2_mmhg=end_tidal[kept], sensor=[co2.name] * int(kept.sum()))
    if not kept.any():
        return Seen(co2.name, events, Spans())
    used = quality.in_use(co2.recorded, first_s=start_s[kept][0], last_s=start_s[kept][-1], use_tail_s=use_tail_s)
    return Seen(co2.name, events, used.minus(lost))


def _washouts(
    piece: Piece,
    trace: np.ndarray,
    *,
    range_s: float,
    least_range: float,
    band_share: float,
    least_band: float,
    shortest_s: float,
    valley_s: float,
    plateau_s: float,
    plateau_share: float,
    washout_share: float,
    washout_s: float,
) -> np.ndarray:
    """Start of each washout [s] and the end-tidal CO2 before it [mmHg] in one piece, one row each."""
    rate = piece.rate_hz
    window = max(1, int(range_s * rate))
    top, bottom = filters.running_highest(trace, window=window), filters.running_lowest(trace, window=window)
    middle, half = (top + bottom) / 2, np.maximum(band_share * (top - bottom), least_band)
    side = (trace > middle + half).astype(np.int8) - (trace < middle - half)
    side[top - bottom < least_range] = 0
    told = np.flatnonzero(side)  # between the two levels the last side still holds
    falls = told[1:][(side[told[1:]] < 0) & (side[told[:-1]] > 0)]
    rises = told[np.r_[True, side[told[1:]] != side[told[:-1]]]] if len(told) else told
    rises = rises[side[rises] > 0]
    began = rises[np.searchsorted(rises, falls) - 1] if len(falls) else falls
    falls = falls[falls - began >= shortest_s * rate]
    sharp = filters.smoothed(piece.values, sigma=0.04 * rate)
    live = top - bottom >= least_range
    short = _short_exhalations(sharp, middle, half, live, shortest=int(shortest_s * rate), valley=int(valley_s * rate))
    falls = _merged(falls, short, apart=int(0.6 * rate))
    if not len(falls):
        return np.zeros((2, 0))
    above = filters.around(trace - middle, falls, before=int(rate), after=0, fill=np.inf) >= 0
    crossed = np.where(np.isin(falls, short), falls, falls - np.argmax(above[:, ::-1], axis=1))
    back, ahead = int((plateau_s + washout_s) * rate), int(washout_s * rate)
    rows = filters.around(sharp, crossed, before=back, after=ahead, fill=-np.inf)
    level = _quantile(rows[:, : back + 1], plateau_share)
    high = rows >= washout_share * level[:, None]
    start = crossed - back + rows.shape[1] - 1 - np.argmax(high[:, ::-1], axis=1)
    raw = filters.around(piece.values, start, before=int(plateau_s * rate), after=0, fill=-np.inf)
    return np.vstack([piece.start_s + start / rate, _quantile(raw, plateau_share)])


def _short_exhalations(
    sharp: np.ndarray, middle: np.ndarray, half: np.ndarray, live: np.ndarray, *, shortest: int, valley: int
) -> np.ndarray:
    """First sample below the middle after each exhalation that the plain means flatten, as between two breaths of one pause.

    Such an exhalation stays above the middle for `shortest` samples or more and has a valley of `valley` samples or more on both
    sides; a ripple of compressions has neither.
    """
    high = live & (sharp > middle)
    edges = np.flatnonzero(np.diff(np.r_[False, high, False])).reshape(-1, 2)
    lows = np.r_[0, np.cumsum(sharp < middle - half)]
    before, after = np.maximum(edges[:, 0] - 2 * valley, 0), np.minimum(edges[:, 1] + 2 * valley, len(sharp))
    deep = (lows[edges[:, 0]] - lows[before] >= valley) & (lows[after] - lows[np.minimum(edges[:, 1], len(sharp))] >= valley)
    long = edges[:, 1] - edges[:, 0] >= shortest
    return np.minimum(edges[deep & long, 1], len(sharp) - 1)


def _merged(falls: np.ndarray, others: np.ndarray, *, apart: int) -> np.ndarray:
    """All of both, without those of the second that lie near one of the first."""
    if not len(falls) or not len(others):
        return np.sort(np.r_[falls, others])
    at = np.searchsorted(falls, others)
    nearest = np.minimum(np.abs(others - falls[np.maximum(at - 1, 0)]), np.abs(falls[np.minimum(at, len(falls) - 1)] - others))
    return np.sort(np.r_[falls, others[nearest > apart]])


def _quantile(rows: np.ndarray, share: float) -> np.ndarray:
    """The sample of each row that stands at this share of its sorted samples."""
    return np.sort(rows, axis=1)[:, round(share * (rows.shape[1] - 1))]


def _flat(signal: Signal, *, flat_s: float, stuck_s: float, base: float, band: float) -> Spans:
    """Exactly constant stretches of a noisy sensor; on one that is often constant only long ones away from the base."""
    constant = quality.held(signal, least_s=flat_s)
    often = constant.seconds.sum() > 0.2 * signal.recorded.seconds
    return constant.spans(~np.full(len(constant.value), often) | ((constant.seconds >= stuck_s) & (constant.value > base + band)))
