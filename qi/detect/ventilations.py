"""Ventilations from the airway pressure and from the capnogram, also while compressions ripple them.

A ripple is taken out by a mean over one compression cycle: it removes the ripple with its harmonics and leaves the breath.
"""

import numpy as np

from qi.detect import filters, quality, ripple
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
        ripple.cycle_lengths(
            piece, swing=ripple_cmh2o, shortest_s=shortest_cycle_s, longest_s=longest_cycle_s, even_share=even_share
        )
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
    rippled = [ripple.ends_s(piece, cycle) for piece, cycle in zip(work, cycles, strict=True)]
    signs = np.concatenate([start_s[kept], (start_s + seconds)[kept], *rippled])
    if not len(signs):
        return Seen(pressure.name, events, Spans())
    used = quality.in_use(pressure.recorded, first_s=signs.min(), last_s=signs.max(), use_tail_s=use_tail_s)
    return Seen(pressure.name, events, used.minus(lost))


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
    smooth_s: float,
    dip_s: float,
    range_s: float,
    least_range_mmhg: float,
    least_fall_share: float,
    rise_share: float,
    fall_share: float,
    shortest_exhalation_s: float,
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

    Parameters: co2 [mmHg]; working_rate_hz, rate after block means [1/s]; smooth_s, Gaussian mean [s]; dip_s, the longest dip that
    the upper envelope closes, about one compression cycle and shorter than any washout [s]; range_s, window of the highest and
    lowest of the envelope [s]; least_range_mmhg, least distance between them for a breath [mmHg]; least_fall_share, the same as a
    share of the highest; rise_share, fall_share, where in that distance an exhalation begins and ends, as shares of it;
    shortest_exhalation_s, least time between the two [s]; plateau_s, stretch before the washout that end-tidal CO2 is taken
    from [s]; plateau_share, the quantile taken; washout_share, share of end-tidal CO2 below which the washout has begun;
    washout_s, how far back from the end of the exhalation it is looked for [s]; blind_s, how long CO2 may stay near its base before
    the capnogram is held to see nothing [s]; base_share, the quantile of the whole envelope that is its base; highest_base_mmhg,
    what the base is at most [mmHg]; flat_s, stuck_s, shortest exactly constant stretch that is a lost sensor, on a noisy sensor,
    and away from the base on one that is often constant [s]; rail_share, see quality.railed; use_tail_s, see quality.in_use [s].
    Returns: VENTILATIONS with etco2_mmhg; known time. No delay of the sampling line is taken off.
    References: range, end-tidal value and accuracy to demand, signals research note sections 2 and 6; the kinds of compression
    ripple, Gutierrez et al., PLoS One 13 (2018) e0201565, as quoted there.
    Notes: an upper envelope instead of the 1 Hz low-pass. A mean falls when compressions resume under a plateau, and with no breath
    in the window that fall looked like a washout; the envelope stays, since the ripple comes back up within a cycle. A last
    exhalation that no washout follows is not counted. Breaths that bring no CO2 are not seen; blind_s makes that time unknown,
    never a rate of 0.
    """
    work = [filters.block_means(piece, rate_hz=working_rate_hz) for piece in co2.pieces]
    sharp = [filters.smoothed(piece.values, sigma=smooth_s * piece.rate_hz) for piece in work]
    clear = [_closed(trace, window=max(1, round(dip_s * piece.rate_hz))) for piece, trace in zip(work, sharp, strict=True)]
    rows = []
    for piece, trace, envelope in zip(work, sharp, clear, strict=True):
        ends = _exhalations(
            envelope,
            window=max(1, int(range_s * piece.rate_hz)),
            least_range=least_range_mmhg,
            least_fall_share=least_fall_share,
            rise_share=rise_share,
            fall_share=fall_share,
            shortest=shortest_exhalation_s * piece.rate_hz,
        )
        rows.append(
            _washouts(
                piece,
                trace,
                ends,
                plateau_s=plateau_s,
                plateau_share=plateau_share,
                washout_share=washout_share,
                washout_s=washout_s,
            )
        )
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


def _closed(trace: np.ndarray, *, window: int) -> np.ndarray:
    """Upper envelope: dips shorter than the window are filled up to the lower of their two edges."""
    odd = window + 1 - window % 2
    return filters.running_lowest(filters.running_highest(trace, window=odd), window=odd)


def _exhalations(
    envelope: np.ndarray,
    *,
    window: int,
    least_range: float,
    least_fall_share: float,
    rise_share: float,
    fall_share: float,
    shortest: float,
) -> np.ndarray:
    """First low sample after each exhalation."""
    top, bottom = filters.running_highest(envelope, window=window), filters.running_lowest(envelope, window=window)
    reach = top - bottom
    side = (envelope > bottom + rise_share * reach).astype(np.int8) - (envelope < bottom + fall_share * reach)
    side[reach < np.maximum(least_range, least_fall_share * top)] = 0
    told = np.flatnonzero(side)  # between the two levels the last side still holds
    if not len(told):
        return told
    turns = told[np.r_[True, side[told[1:]] != side[told[:-1]]]]
    ends = turns[1:][side[turns[1:]] < 0]
    begins = turns[:-1][side[turns[1:]] < 0]
    return ends[ends - begins >= shortest]


def _washouts(
    piece: Piece,
    sharp: np.ndarray,
    ends: np.ndarray,
    *,
    plateau_s: float,
    plateau_share: float,
    washout_share: float,
    washout_s: float,
) -> np.ndarray:
    """Start of each washout [s] and the end-tidal CO2 before it [mmHg] in one piece, one row each."""
    if not len(ends):
        return np.zeros((2, 0))
    rate = piece.rate_hz
    back = int((plateau_s + washout_s) * rate)
    rows = filters.around(sharp, ends, before=back, after=0, fill=-np.inf)
    high = rows >= washout_share * _quantile(rows, plateau_share)[:, None]
    start = ends - np.argmax(high[:, ::-1], axis=1)
    raw = filters.around(piece.values, start, before=int(plateau_s * rate), after=0, fill=-np.inf)
    return np.vstack([piece.start_s + start / rate, _quantile(raw, plateau_share)])


def _quantile(rows: np.ndarray, share: float) -> np.ndarray:
    """The sample of each row that stands at this share of its sorted samples."""
    return np.sort(rows, axis=1)[:, round(share * (rows.shape[1] - 1))]


def _flat(signal: Signal, *, flat_s: float, stuck_s: float, base: float, band: float) -> Spans:
    """Exactly constant stretches of a noisy sensor; on one that is often constant only long ones away from the base."""
    constant = quality.held(signal, least_s=flat_s)
    often = constant.seconds.sum() > 0.2 * signal.recorded.seconds
    return constant.spans(~np.full(len(constant.value), often) | ((constant.seconds >= stuck_s) & (constant.value > base + band)))
