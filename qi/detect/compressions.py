"""Chest compressions from the depth of the sternum and from the force on it: onset, deepest point, release, residual.

Each stroke is a high of the smoothed trace that stands out on both sides. Its edges are found from two low levels of its own
flanks, so that neither leaning nor drift moves them; its depth is counted from the level of the chest in the nearest pauses.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from functools import partial

import numpy as np

from qi.detect import filters, quality
from qi.model.case import Piece, Signal
from qi.model.seen import Seen
from qi.model.spans import Span, Spans
from qi.model.tables import COMPRESSIONS, make


@dataclass(frozen=True, eq=False)
class _Strokes:
    """Movements that look like compressions: times [s] and heights [unit of the signal], one entry each."""

    time_s: np.ndarray
    onset_s: np.ndarray
    release_s: np.ndarray
    top: np.ndarray
    before: np.ndarray
    after: np.ndarray

    def only(self, which: np.ndarray) -> "_Strokes":
        return _Strokes(*(values[which] for values in vars(self).values()))


def from_depth(
    depth: Signal,
    *,
    working_rate_hz: float,
    smooth_s: float,
    least_stroke_mm: float,
    least_depth_mm: float,
    apart_s: float,
    foot_share: float,
    flank_share: float,
    curve_share: float,
    shortest_stroke_s: float,
    longest_stroke_s: float,
    refine_s: float,
    still_s: float,
    level_s: float,
    away_flat_s: float,
    still_flat_s: float,
    noise_share: float,
    rail_share: float,
    join_s: float,
    use_tail_s: float,
) -> Seen:
    """Compressions from the depth of the sternum, with depth and residual depth.

    Parameters: depth, down positive [mm], absolute or (reference "stroke") known only from one turn to the next;
    working_rate_hz, rate after block means [1/s]; smooth_s, standard deviation of the Gaussian mean [s]; least_stroke_mm, how far a
    stroke stands out on both sides [mm]; least_depth_mm, its least depth below the uncompressed chest [mm]; apart_s, closest two
    may be [s]; foot_share, flank_share, the two heights of a flank, as shares of the stroke, that its edge is drawn from;
    curve_share, how far back from there a curved start would lie, taken as this share; shortest_stroke_s, longest_stroke_s, onset
    to release [s]; refine_s, half-width of the parabola about the deepest point [s]; still_s, shortest pause that shows the level
    of the uncompressed chest [s]; level_s, how much of each of its ends is used [s]; away_flat_s, still_flat_s, shortest exactly
    constant stretch that is a lost sensor, away from and at the still level [s]; noise_share, noise that tells a real sensor, as a
    share of its range; rail_share, see quality.railed; join_s, how near a compression must be to lost time for what lies between
    to be lost too [s]; use_tail_s, see quality.in_use [s].
    Returns: COMPRESSIONS with depth_mm, and residual_mm unless only the stroke is known; known time.
    References: recipe and tolerances, signals research note sections 1.2 and 6 (measured on simulated signals there); depth from
    the level of the nearest pauses, measures section 2.
    Notes: zero-phase Gaussian instead of an 8 Hz low-pass; the deepest point is taken from the original samples.
    """
    strokes = _joined(
        [
            _in_piece(
                piece,
                working_rate_hz=working_rate_hz,
                smooth_s=smooth_s,
                least_swing=least_stroke_mm,
                apart_s=apart_s,
                foot_share=foot_share,
                flank_share=flank_share,
                curve_share=curve_share,
                shortest_s=shortest_stroke_s,
                longest_s=longest_stroke_s,
                refine_s=refine_s,
            )
            for piece in depth.pieces
        ]
    )
    lost = _lost(
        depth,
        strokes,
        rest_band=least_stroke_mm / 2,
        still_s=still_s,
        away_flat_s=away_flat_s,
        still_flat_s=still_flat_s,
        noise_share=noise_share,
        rail_share=rail_share,
    )
    strokes = strokes.only(~lost.contains(strokes.time_s))
    if depth.reference == "stroke":
        depths, residuals = strokes.top - (strokes.before + strokes.after) / 2, np.full(len(strokes.top), np.nan)
    else:
        level = _level(depth, strokes, lost=lost, still_s=still_s, level_s=level_s, lowest_of=1)
        deep = strokes.top - level >= least_depth_mm
        strokes, level = strokes.only(deep), level[deep]
        depths, residuals = strokes.top - level, strokes.after - level
    events = make(
        COMPRESSIONS,
        time_s=strokes.time_s,
        onset_s=strokes.onset_s,
        release_s=strokes.release_s,
        depth_mm=depths,
        residual_mm=residuals,
        sensor=[depth.name] * len(depths),
    )
    return Seen(depth.name, events, _known(depth, strokes, lost=lost, join_s=join_s, use_tail_s=use_tail_s))


def from_force(
    force: Signal,
    *,
    working_rate_hz: float,
    smooth_s: float,
    least_stroke_n: float,
    apart_s: float,
    foot_share: float,
    flank_share: float,
    curve_share: float,
    shortest_stroke_s: float,
    longest_stroke_s: float,
    refine_s: float,
    still_s: float,
    level_s: float,
    level_pauses: int,
    away_flat_s: float,
    still_flat_s: float,
    noise_share: float,
    rail_share: float,
    join_s: float,
    use_tail_s: float,
) -> Seen:
    """Compressions from the force on the sternum, with the residual force at the release.

    Parameters: force, down positive [N]; least_stroke_n, how far a stroke stands out on both sides [N]; level_pauses, how many
    neighbouring still moments are searched for the lowest, which is taken as no force; all others as in from_depth.
    Returns: COMPRESSIONS with residual_n; depth is not known from force. Known time.
    References: signals research note section 1.2; leaning as residual force, section 1.4.
    Notes: hands that rest on the sensor in a pause load it, so that the lowest of several pauses is the zero, not the nearest.
    """
    strokes = _joined(
        [
            _in_piece(
                piece,
                working_rate_hz=working_rate_hz,
                smooth_s=smooth_s,
                least_swing=least_stroke_n,
                apart_s=apart_s,
                foot_share=foot_share,
                flank_share=flank_share,
                curve_share=curve_share,
                shortest_s=shortest_stroke_s,
                longest_s=longest_stroke_s,
                refine_s=refine_s,
            )
            for piece in force.pieces
        ]
    )
    lost = _lost(
        force,
        strokes,
        rest_band=least_stroke_n / 2,
        still_s=still_s,
        away_flat_s=away_flat_s,
        still_flat_s=still_flat_s,
        noise_share=noise_share,
        rail_share=rail_share,
    )
    strokes = strokes.only(~lost.contains(strokes.time_s))
    level = _level(force, strokes, lost=lost, still_s=still_s, level_s=level_s, lowest_of=level_pauses)
    events = make(
        COMPRESSIONS,
        time_s=strokes.time_s,
        onset_s=strokes.onset_s,
        release_s=strokes.release_s,
        residual_n=strokes.after - level,
        sensor=[force.name] * len(level),
    )
    return Seen(force.name, events, _known(force, strokes, lost=lost, join_s=join_s, use_tail_s=use_tail_s))


def _joined(parts: Sequence[_Strokes]) -> _Strokes:
    """Strokes of all pieces, in order of time."""
    names = [field.name for field in fields(_Strokes)]
    return _Strokes(*(np.concatenate([np.zeros(0), *(getattr(part, name) for part in parts)]) for name in names))


def _in_piece(
    piece: Piece,
    *,
    working_rate_hz: float,
    smooth_s: float,
    least_swing: float,
    apart_s: float,
    foot_share: float,
    flank_share: float,
    curve_share: float,
    shortest_s: float,
    longest_s: float,
    refine_s: float,
) -> _Strokes:
    """Strokes of one piece; edges from the flanks, the deepest point from the original samples."""
    work = filters.block_means(piece, rate_hz=working_rate_hz)
    rate = work.rate_hz
    trace = filters.smoothed(work.values, sigma=smooth_s * rate)
    tops = filters.highs(trace, least_swing=least_swing)
    tops = tops[filters.apart(tops, trace[tops], least=apart_s * rate)]
    reach = int(longest_s * rate) + 1
    blur = float(np.hypot(smooth_s * rate, np.sqrt((1 - (rate / piece.rate_hz) ** 2) / 12)))  # the Gaussian and the block
    flank = partial(_flank, reach=reach, blur=blur, foot_share=foot_share, flank_share=flank_share, curve_share=curve_share)
    left, before_at = flank(trace, tops)
    mirrored = len(trace) - 1 - tops[::-1]
    right, after_at = flank(trace[::-1], mirrored)
    onset, release, before_at, after_at = tops - left, tops + right[::-1], tops - before_at, tops + after_at[::-1]
    meet = (release[:-1] + onset[1:]) / 2  # neighbours without rest between: one ends where the next starts
    overlap = release[:-1] > onset[1:]
    release[:-1] = np.where(overlap, meet, release[:-1])
    onset[1:] = np.where(overlap, meet, onset[1:])
    ats = np.rint((np.concatenate([tops, before_at, after_at]) / rate + work.start_s - piece.start_s) * piece.rate_hz)
    places, heights = filters.vertex(piece.values, np.clip(ats, 0, len(piece.values) - 1), half=round(refine_s * piece.rate_hz))
    place, (top, before, after) = places[: len(tops)], np.split(heights, 3)
    seconds = (release - onset) / rate
    kept = (seconds >= shortest_s) & (seconds <= longest_s)
    found = _Strokes(
        piece.start_s + place / piece.rate_hz, work.start_s + onset / rate, work.start_s + release / rate, top, before, after
    )
    return found.only(kept)


def _flank(
    trace: np.ndarray, tops: np.ndarray, *, reach: int, blur: float, foot_share: float, flank_share: float, curve_share: float
) -> tuple[np.ndarray, np.ndarray]:
    """How far before each top its flank leaves the lowest level on that side, and how far that level lies, up to the top before.

    A stroke starts from rest, so its depth grows with the square of time at first, and smoothing of standard deviation blur (in
    samples) lifts that parabola by a constant: the start is where the parabola through two low heights, freed of the lift, stands.
    Only curve_share of that way is gone, since some strokes start straight. A bare threshold would make each pause longer.
    """
    rows = filters.around(trace, tops, before=reach, after=0, fill=np.inf)
    room = np.diff(tops, prepend=-reach - 1)
    rows[np.arange(reach + 1)[None, :] <= reach - room[:, None]] = np.inf
    bottom = np.argmin(rows, axis=1)
    foot = rows[np.arange(len(rows)), bottom]
    rise = trace[tops] - foot
    low = filters.last_below(rows, foot + foot_share * rise)
    high = filters.last_below(rows, foot + flank_share * rise)
    times = flank_share / foot_share - 1  # (u + width)² + blur² is times + 1 as much as u² + blur²; u is solved for
    width = high - low
    under = np.maximum(width**2 + times * (width**2 - times * blur**2), 0.0)
    return reach - np.maximum(low - curve_share * (width + np.sqrt(under)) / times, 0.0), reach - bottom


def _pauses(recorded: Spans, strokes: _Strokes, *, still_s: float) -> Spans:
    """Recorded time without strokes, where at least still_s of it lies together."""
    return recorded.minus(Spans.of(np.column_stack([strokes.onset_s, strokes.release_s]))).longer_than(still_s)


def _lost(
    signal: Signal,
    strokes: _Strokes,
    *,
    rest_band: float,
    still_s: float,
    away_flat_s: float,
    still_flat_s: float,
    noise_share: float,
    rail_share: float,
) -> Spans:
    """Time in which the sensor stood at its rail or held one value that no still chest explains."""
    lost = quality.railed(signal, least_s=away_flat_s, rail_share=rail_share)
    constant = quality.held(signal, least_s=away_flat_s)
    if not len(constant.value):
        return lost
    next_one = np.searchsorted(strokes.time_s, constant.start_s)
    near = [strokes.before[max(0, place - 5) : place + 5] for place in next_one]
    rest = np.array([np.median(feet) if len(feet) else np.nan for feet in near])
    away = ~(np.abs(constant.value - rest) <= rest_band)
    if quality.few_valued(signal, most=3):
        away &= constant.seconds >= still_flat_s
    still = _pauses(signal.recorded, strokes, still_s=still_s)
    gone = away | quality.dead(
        signal, constant, (constant.seconds >= still_flat_s) & ~away, still=still, away=away, noise_share=noise_share
    )
    return lost.union(constant.spans(gone))


def _level(signal: Signal, strokes: _Strokes, *, lost: Spans, still_s: float, level_s: float, lowest_of: int) -> np.ndarray:
    """Level of the untouched chest at each stroke: from the ends of the nearest pauses, a straight line between them.

    Where no pause is known the sensor's own zero is taken.
    """
    still = _pauses(signal.recorded.minus(lost), strokes, still_s=still_s)
    times, levels = [np.zeros(0)], [np.zeros(0)]
    for piece in signal.pieces:
        inside = still.clip(Span(piece.start_s, piece.end_s)).longer_than(still_s)
        starts, ends = inside.edges.T
        margin = still_s / 5  # the chest is still coming up, or hands are already coming down
        first = np.column_stack([starts + margin, np.maximum(ends - margin - level_s, starts + margin)])
        last = np.column_stack([np.minimum(starts + margin + level_s, ends - margin), ends - margin])
        knots = filters.middles(piece, first.ravel(), last.ravel())
        times.append(knots[0])
        levels.append(knots[1])
    known_s, level = np.concatenate(times), np.concatenate(levels)
    if not len(known_s):
        return np.zeros(len(strokes.time_s))
    return np.interp(strokes.time_s, known_s, filters.running_lowest(level, window=lowest_of))


def _known(signal: Signal, strokes: _Strokes, *, lost: Spans, join_s: float, use_tail_s: float) -> Spans:
    """Time in which the sensor was in use and neither missing nor lost; nothing where it never saw a compression."""
    if not len(strokes.time_s):
        return Spans()
    used = quality.in_use(signal.recorded, first_s=strokes.onset_s[0], last_s=strokes.release_s[-1], use_tail_s=use_tail_s)
    unknown = signal.recorded.gaps().union(lost)
    return used.minus(quality.widened(unknown, ends_s=strokes.release_s, starts_s=strokes.onset_s, join_s=join_s))
