"""Ventilations from the transthoracic impedance: throughout with an advanced airway, before it only in pauses of compressions."""

import numpy as np

from qi.detect import filters, quality, ripple
from qi.model.case import Piece, Signal
from qi.model.seen import Seen
from qi.model.spans import Spans
from qi.model.tables import VENTILATIONS, make


def from_impedance(
    impedance: Signal,
    pauses: Spans,
    advanced: Spans,
    *,
    working_rate_hz: float,
    least_ohm: float,
    most_ohm: float,
    jump_ohm: float,
    recovery_s: float,
    ripple_ohm: float,
    shortest_cycle_s: float,
    longest_cycle_s: float,
    even_share: float,
    smooth_s: float,
    least_rise_ohm: float,
    pause_smooth_s: float,
    pause_least_rise_ohm: float,
    pause_least_fall_ohm: float,
    least_pause_s: float,
    longest_pause_s: float,
    shortest_width_s: float,
    longest_width_s: float,
    apart_s: float,
    longest_rise_s: float,
    rise_low_share: float,
    rise_high_share: float,
    flat_s: float,
    rail_share: float,
    use_tail_s: float,
) -> Seen:
    """Ventilations from the transthoracic impedance; when each began, never how much went in.

    Parameters: impedance [ohm]; pauses, time without compressions [s]; advanced, time with a supraglottic airway or a tracheal tube
    [s]; working_rate_hz, rate after block means [1/s]; least_ohm, most_ohm, what pads on a chest can show [ohm]; jump_ohm, change
    within one sample above which the pads were overloaded [ohm]; recovery_s, time after that in which nothing can be told [s];
    ripple_ohm, least swing of a compression [ohm]; shortest_cycle_s, longest_cycle_s, even_share, see ripple.cycle_lengths;
    smooth_s, Gaussian mean with an advanced airway [s]; least_rise_ohm, how far a breath stands out on both sides there [ohm];
    pause_smooth_s, pause_least_rise_ohm, the same in a pause; pause_least_fall_ohm, how far it has come down when compressions
    go on [ohm]; least_pause_s, longest_pause_s, length of pauses that are looked at [s]; shortest_width_s, longest_width_s, width
    of a breath at half its height [s]; apart_s, closest two breaths [s]; longest_rise_s, how far back from its top a breath may
    begin [s]; rise_low_share, rise_high_share, heights on the rise, as shares of the breath, whose line is drawn back to the
    start; flat_s, shortest exactly constant stretch that is a lost sensor [s]; rail_share, see quality.railed; use_tail_s, see
    quality.in_use, breaths and compression ripple being the signs of use [s].
    Returns: VENTILATIONS with times alone; known time, which holds the advanced airway and, outside it, only the pauses.
    References: both recipes and their accuracy, signals research note section 2.
    Notes: a mean over one compression cycle and a Gaussian one instead of the 0.7 Hz low-pass; no high-pass, since a breath is
    asked to stand out on both sides, which drift does not.
    """
    seen, lost, work = [], _away(impedance, flat_s=flat_s, rail_share=rail_share), []
    for piece in impedance.pieces:
        even, gone = _mended(
            filters.block_means(piece, rate_hz=working_rate_hz),
            least=least_ohm,
            most=most_ohm,
            jump=jump_ohm,
            recovery_s=recovery_s,
        )
        lost = lost.union(gone)
        work.append(even)
    cycles = [
        ripple.cycle_lengths(piece, swing=ripple_ohm, shortest_s=shortest_cycle_s, longest_s=longest_cycle_s, even_share=even_share)
        for piece in work
    ]
    gates = _gates(pauses, advanced, least_s=least_pause_s, longest_s=longest_pause_s)
    for piece, cycle in zip(work, cycles, strict=True):
        rate = piece.rate_hz
        clear = filters.smoothed(filters.boxed(piece.values, length=np.maximum(cycle, 1.0)), sigma=smooth_s * rate)
        tops = filters.highs(clear, least_swing=least_rise_ohm)
        tops = tops[advanced.contains(piece.start_s + tops / rate)]
        parts = [(clear, tops, np.zeros(len(tops)), np.full(len(tops), len(clear)))]
        near = filters.smoothed(piece.values, sigma=pause_smooth_s * rate)
        parts.append((near, *_in_pauses(piece, near, gates, rise=pause_least_rise_ohm, fall=pause_least_fall_ohm)))
        for trace, at, low, high in parts:
            start, width = _shapes(
                trace,
                at,
                low,
                high,
                reach=int(longest_rise_s * rate),
                low_share=rise_low_share,
                high_share=rise_high_share,
            )
            wide = (width >= shortest_width_s * rate) & (width <= longest_width_s * rate)
            wide[wide] = filters.apart(start[wide], trace[at[wide]], least=apart_s * rate)
            seen.append(piece.start_s + start[wide] / rate)
    time_s = np.sort(np.concatenate([np.zeros(0), *seen]))
    time_s = time_s[~lost.contains(time_s)]
    signs = np.concatenate([time_s, *[ripple.ends_s(piece, cycle) for piece, cycle in zip(work, cycles, strict=True)]])
    used = Spans()
    if len(signs):
        used = quality.in_use(impedance.recorded, first_s=signs.min(), last_s=signs.max(), use_tail_s=use_tail_s)
    known = used.minus(lost).overlap(advanced.union(gates))
    time_s = time_s[known.contains(time_s)]
    return Seen(impedance.name, make(VENTILATIONS, time_s=time_s, sensor=[impedance.name] * len(time_s)), known)


def _gates(pauses: Spans, advanced: Spans, *, least_s: float, longest_s: float) -> Spans:
    """Pauses of the right length outside the time with an advanced airway."""
    seconds = pauses.edges[:, 1] - pauses.edges[:, 0]
    return Spans(pauses.edges[(seconds >= least_s) & (seconds <= longest_s)]).minus(advanced)


def _away(impedance: Signal, *, flat_s: float, rail_share: float) -> Spans:
    """Lost time that shows in the samples as recorded: exactly constant, or at the rail."""
    constant = quality.held(impedance, least_s=flat_s)
    often = constant.seconds.sum() > 0.2 * impedance.recorded.seconds
    flat = constant.spans(np.full(len(constant.value), not often))
    return flat.union(quality.railed(impedance, least_s=flat_s, rail_share=rail_share))


def _mended(piece: Piece, *, least: float, most: float, jump: float, recovery_s: float) -> tuple[Piece, Spans]:
    """The piece with impossible values and jumps bridged by a straight line, and the time in which it says nothing."""
    bad = ~((piece.values > least) & (piece.values < most))
    leaps = np.abs(np.diff(piece.values)) > jump
    bad[1:] |= leaps
    bad[:-1] |= leaps
    if not bad.any():
        return piece, Spans()
    gone = Spans.where(bad, start_s=piece.start_s, step_s=1 / piece.rate_hz)
    gone = Spans.of(gone.edges + np.array([0.0, recovery_s]))
    at = np.arange(len(bad))
    values = np.interp(at, at[~bad], piece.values[~bad]) if not bad.all() else np.zeros(len(bad))
    return Piece(piece.start_s, piece.rate_hz, values), gone


def _in_pauses(
    piece: Piece, trace: np.ndarray, gates: Spans, *, rise: float, fall: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Tops inside each pause that rose by enough in it, the last one perhaps down only in part when it ends; both ends of each."""
    found, lows, highs = [np.zeros(0, int)], [np.zeros(0, int)], [np.zeros(0, int)]
    for start, end in gates.edges:
        low = max(0, int(np.ceil((start - piece.start_s) * piece.rate_hz)))
        high = min(len(trace), int((end - piece.start_s) * piece.rate_hz) + 1)
        if high - low < 3:
            continue
        part = trace[low:high]
        tops = filters.highs(part, least_swing=rise)
        after = int(tops[-1]) if len(tops) else 0
        after += int(np.argmin(part[after:]))
        last = after + int(np.argmax(part[after:]))
        if part[last] - part[after] >= rise and part[last] - part[last:].min() >= fall:
            tops = np.r_[tops, last]
        found.append(low + tops)
        lows.append(np.full(len(tops), low))
        highs.append(np.full(len(tops), high))
    return np.concatenate(found), np.concatenate(lows), np.concatenate(highs)


def _shapes(
    trace: np.ndarray,
    tops: np.ndarray,
    low: np.ndarray,
    high: np.ndarray,
    *,
    reach: int,
    low_share: float,
    high_share: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Start of each breath, by the line of its rise drawn back to its foot, and its width at half height [samples].

    Nothing before low or from high on is looked at.
    """
    if not len(tops):
        return np.zeros(0), np.zeros(0)
    column = np.arange(reach + 1)[None, :]
    rows = filters.around(trace, tops, before=reach, after=0, fill=np.inf)
    room = np.minimum(np.diff(tops, prepend=-reach - 1), tops - low + 1)  # not back beyond the top before either
    rows[column <= (reach - room)[:, None]] = np.inf
    foot = rows.min(axis=1)
    height = trace[tops] - foot
    first, second = (filters.last_below(rows, foot + share * height) for share in (low_share, high_share))
    half = filters.last_below(rows, foot + height / 2)
    start = tops - reach + first - (second - first) * low_share / (high_share - low_share)
    rows = filters.around(trace[::-1], len(trace) - 1 - tops, before=reach, after=0, fill=-np.inf)
    rows[column <= (reach - (high - tops))[:, None]] = -np.inf
    fall = filters.last_below(rows, foot + height / 2)
    return np.maximum(start, low), (reach - half) + (reach - fall)
