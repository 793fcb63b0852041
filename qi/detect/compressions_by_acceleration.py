"""Chest compressions from the acceleration of the sternum: presence, instants and the stroke; how far it came up is not told."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from qi.detect import filters, instants, quality, rhythm
from qi.detect.rhythm import Chain
from qi.model.case import Piece, Signal
from qi.model.seen import Seen
from qi.model.spans import Spans
from qi.model.tables import COMPRESSIONS, make

_PHASES = 32  # points of one cycle: twice the highest part used, and as many again
_PARTS = 8
_COURSE = 40  # points of the rebuilt cycle, with straight lines between them
_CREST = (
    0.9  # the deepest point is the middle of what lies above this share of the stroke: a held chest has no single deepest point
)


@dataclass(frozen=True, eq=False)
class _Course:
    """The way of the chest about each compression: stroke [m], and how far deepest point, onset and release lie from its instant
    as found in the band [s]."""

    stroke: np.ndarray
    deepest: np.ndarray
    before: np.ndarray
    after: np.ndarray


def from_acceleration(
    acceleration: Signal,
    chain: Chain,
    *,
    least_m_s2: float,
    cycles: int,
    foot_share: float,
    flank_share: float,
    curve_share: float,
    flat_s: float,
    still_s: float,
    noise_share: float,
    rail_share: float,
    blur_s: float,
    open_s: float,
    skipped_s: float,
    join_s: float,
    use_tail_s: float,
) -> Seen:
    """Compressions from chest acceleration, with the stroke by the spectral method; leaning cannot be seen.

    Parameters: acceleration, down positive [m/s2]; chain, settings of the rhythm in the band of its double integral [m];
    least_m_s2, least root mean square of the acceleration about its mean with compressions [m/s2]; cycles, how many cycles make
    one spectral window; foot_share, flank_share, two heights of a flank, as shares of the stroke, from which its edge is drawn;
    curve_share, how far below them it starts, as a share of the time between them; flat_s, still_s, noise_share, rail_share,
    blur_s, open_s, skipped_s, join_s, see instants.seen; use_tail_s, see quality.in_use [s].
    Returns: COMPRESSIONS with depth_mm, which is the stroke; residuals are missing. Known time.
    References: spectral method in windows of 2 to 3 s, González-Otero et al., PLoS One 13 (2018) e0192810, as quoted in the
    signals research note, sections 1.1 and 1.2.
    Notes: the window is a whole number of cycles, each stretched to the same length, so that uneven hands do not smear the parts;
    eight parts instead of three, which a sharp turn needs; the window's stroke is shared out among its compressions by the swing
    of the twice-integrated band. Onset and release come from the rebuilt course, not from half a cycle.
    """
    work = [filters.block_means(piece, rate_hz=chain.working_rate_hz) for piece in acceleration.pieces]
    bands = [rhythm.banded(piece, narrow_s=chain.narrow_s, wide_s=chain.wide_s, integrated=True) for piece in work]
    moves = [piece.values - piece.values.mean() if len(piece.values) else piece.values for piece in work]
    quiet = [rhythm.sizes(move, band, chain) < least_m_s2 for move, band in zip(moves, bands, strict=True)]
    found = rhythm.find(bands, chain, quiet=quiet)
    times = found.times_s
    course = _course(work, times, found.swing, cycles, chain.run_gap_s, (foot_share, flank_share, curve_share))
    deepest = times + course.deepest
    onset, release = instants.parted(deepest - course.before, deepest + course.after)
    order = np.argsort(deepest, kind="stable")
    events = make(
        COMPRESSIONS,
        time_s=deepest[order],
        onset_s=onset[order],
        release_s=release[order],
        depth_mm=1000 * course.stroke[order],
        sensor=[acceleration.name] * len(times),
    )
    if events.empty:
        return Seen(acceleration.name, events, Spans())
    used = quality.in_use(acceleration.recorded, first_s=onset[0], last_s=release[-1], use_tail_s=use_tail_s)
    return instants.seen(
        acceleration,
        found,
        events,
        used,
        gap_s=chain.run_gap_s,
        flat_s=flat_s,
        still_s=still_s,
        noise_share=noise_share,
        rail_share=rail_share,
        blur_s=blur_s,
        open_s=open_s,
        skipped_s=skipped_s,
        join_s=join_s,
    )


def _course(
    work: Sequence[Piece], times: np.ndarray, swing: np.ndarray, cycles: int, gap_s: float, edge: tuple[float, float, float]
) -> _Course:
    """The mean course of the chest over the cycles about each compression."""
    if len(times) < 2:
        return _Course(*(np.zeros(0) for _ in range(4)))
    steps = np.diff(times)
    parts, whole = np.zeros((len(steps), _PARTS), dtype=complex), np.zeros(len(steps), dtype=bool)
    for piece in work:
        inside = np.flatnonzero((times[:-1] >= piece.start_s) & (times[1:] < piece.end_s) & (steps <= gap_s))
        parts[inside] = _parts(piece, times[inside], steps[inside])
        whole[inside] = True
    run = np.cumsum(np.r_[0, ~whole])  # compressions joined by whole cycles
    first, last = np.searchsorted(run, run), np.searchsorted(run, run, side="right") - 1
    place = np.arange(len(times))
    low, high = np.maximum(place - (cycles + 1) // 2, first), np.minimum(place + cycles // 2, last)
    many = np.maximum(high - low, 1)
    mean = (_summed(parts, high) - _summed(parts, low)) / many[:, None]
    cycle = (times[high] - times[low]) / many
    way = np.fft.irfft(np.concatenate([np.zeros((len(times), 1)), mean], axis=1), _COURSE, axis=1) * _COURSE
    top, before, after = _edges(way, *edge)
    share = _shares(swing, place, first, last, low, high)
    return _Course(np.ptp(way, axis=1) * share, top * cycle, before * cycle, after * cycle)


def _shares(
    swing: np.ndarray, place: np.ndarray, first: np.ndarray, last: np.ndarray, low: np.ndarray, high: np.ndarray
) -> np.ndarray:
    """Swing of each compression as a share of those in its window; 1 at the ends of a run, where the band still rings."""
    inner = (place > first) & (place < last)
    total, many = (
        _summed(np.where(inner, swing, 0.0), np.stack([low, high + 1])),
        _summed(inner.astype(float), np.stack([low, high + 1])),
    )
    mean = (total[1] - total[0]) / np.maximum(many[1] - many[0], 1.0)
    return np.where(inner & (mean > 0), swing / np.where(mean > 0, mean, 1.0), 1.0)


def _summed(values: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Sum of all values before each place."""
    return np.concatenate([np.zeros_like(values[:1]), np.cumsum(values, axis=0)])[at]


def _parts(piece: Piece, starts_s: np.ndarray, lengths_s: np.ndarray) -> np.ndarray:
    """Harmonic parts 1 to 8 of the way of the chest in each cycle [m], phase 0 at its start."""
    place = (starts_s[:, None] + lengths_s[:, None] * (np.arange(_PHASES) / _PHASES) - piece.start_s) * piece.rate_hz
    left = np.clip(place.astype(np.int64), 0, len(piece.values) - 2)
    values = piece.values[left] + (piece.values[left + 1] - piece.values[left]) * (place - left)
    parts = np.fft.rfft(values, axis=1)[:, 1 : _PARTS + 1] / _PHASES
    pitch = np.arange(1, _PARTS + 1) / lengths_s[:, None]
    kept = np.sinc(np.minimum(pitch / piece.rate_hz, 0.5)) ** 3  # block means once, straight lines between them twice
    return np.where(pitch < 0.45 * piece.rate_hz, -parts / kept / (2 * np.pi * pitch) ** 2, 0.0)


def _edges(way: np.ndarray, foot: float, flank: float, curve: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Deepest point from phase 0 (-0.5 to 0.5), onset before it and release after it, as shares of the cycle."""
    count = way.shape[1]
    top = np.argmax(way, axis=1)
    row, turn = np.arange(len(way))[:, None], np.arange(count)
    bottom, stroke = way.min(axis=1), np.ptp(way, axis=1)
    sides, crests = [], []
    for step in (1, -1):
        rows = way[
            row, (top[:, None] + step * (turn + 1)) % count
        ]  # a whole cycle that ends at the top: down before it, up after it
        low, high, crest = (filters.last_below(rows, bottom + share * stroke) for share in (foot, flank, _CREST))
        sides.append(np.minimum((count - 1 - low + curve * (high - low)) / count, 0.75))
        crests.append((count - 1 - crest) / count)
    fine = (crests[1] - crests[0]) / 2
    phase = top / count + fine
    return np.where(phase > 0.5, phase - 1, phase), sides[0] + fine, sides[1] - fine
