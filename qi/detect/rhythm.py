"""Compressions as a rhythm: the chain shared by every sensor that shows them without showing depth or force.

A band in which compressions lie; how alike each window is to itself one cycle later, and how large it is; a gate that follows the
case, so that the small rhythm of a heart is not taken for compressions; the likeliest course of "compressions" and "none"; then the
single instants, by how far each stands out among its neighbours. Windows only tell presence, instants tell the edges of runs.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from qi.detect import filters, quality
from qi.model.case import Piece, Signal
from qi.model.spans import Spans


@dataclass(frozen=True)
class Chain:
    """Settings of the chain for one kind of sensor; the sensor's unit is meant where none stands.

    working_rate_hz, rate after block means [1/s]; narrow_s, wide_s, standard deviations of the two Gaussian means whose difference is
    the band [s]; frame_s, step of the presence [s]; window_frames, frames in one window; shortest_cycle_s, longest_cycle_s, what a
    compression cycle can last [s]; least_size, lowest gate on a window's root mean square; typical_share, gate as a share of the
    case's own typical size; typical_quantile, which quantile of the rhythmic windows is typical; rhythmic, likeness (-1 to 1) from
    which a window is rhythmic; even_likeness, likeness that speaks neither for nor against; even_weight, most_even, log odds per
    likeness and their ceiling; size_weight, most_size, log odds per e-fold of size over the gate and their ceiling; switch_cost, log
    odds that one change of state costs; weak_share, share of the gate from which a rhythm too weak for compressions is left open;
    sure_margin, log odds below which a frame is left open; prominence_share, how far an instant stands out, as a share of its
    neighbours' median; neighbours, how many; apart_s, closest two instants [s]; gap_s, longest distance inside a run [s]; least_run,
    fewest instants of a run.
    """

    working_rate_hz: float
    narrow_s: float
    wide_s: float
    frame_s: float
    window_frames: float
    shortest_cycle_s: float
    longest_cycle_s: float
    least_size: float
    typical_share: float
    typical_quantile: float
    rhythmic: float
    even_likeness: float
    even_weight: float
    most_even: float
    size_weight: float
    most_size: float
    switch_cost: float
    weak_share: float
    sure_margin: float
    prominence_share: float
    neighbours: float
    apart_s: float
    gap_s: float
    least_run: float


@dataclass(frozen=True, eq=False)
class Frames:
    """Presence evidence of one piece, a value a frame: likeness to itself one cycle later, and root mean square."""

    start_s: float
    step_s: float
    likeness: np.ndarray
    size: np.ndarray


@dataclass(frozen=True, eq=False)
class Rhythm:
    """What the chain found: instants [s], sorted; how far each stands out; time that is left open [s]; the gate in force."""

    times_s: np.ndarray
    prominence: np.ndarray
    open: Spans
    gate: float


def banded(piece: Piece, *, narrow_s: float, wide_s: float, integrated: bool = False) -> Piece:
    """Difference of two Gaussian means, without delay.

    Parameters: piece, evenly sampled; narrow_s, wide_s, standard deviations [s]; integrated, whether the piece is an acceleration
    whose way is wanted: the same band of its double integral, which a second pass of the wide mean keeps free of drift and tilt.
    Returns: a piece of the same length; in the unit of the piece, or that times s².
    """
    values = np.asarray(piece.values, dtype=np.float64)
    if len(values) < 2:
        return Piece(piece.start_s, piece.rate_hz, np.zeros(len(values)))
    reach = int(np.ceil((5 if integrated else 4) * wide_s * piece.rate_hz))
    count = _quick_length(len(values) + 2 * reach)
    padded = np.full(count, values[-1])
    padded[:reach] = values[0]
    padded[reach : reach + len(values)] = values
    half = (np.arange(count // 2 + 1) * (2 * np.pi * piece.rate_hz / count)) ** 2
    low = np.exp(-0.5 * wide_s**2 * half)
    band = np.exp(-0.5 * narrow_s**2 * half) - low
    if integrated:
        half[0] = 1.0
        band *= (low - 1) / half
    shaped = np.fft.irfft(np.fft.rfft(padded - values.mean()) * band, count)
    return Piece(piece.start_s, piece.rate_hz, shaped[reach : reach + len(values)])


def _quick_length(least: int) -> int:
    """The shortest length of at least so many samples that is a power of two, or three or five times one."""
    powers = [factor * 2 ** max(0, int(np.ceil(np.log2(least / factor)))) for factor in (1, 3, 5, 9, 15)]
    return min(powers)


def frames(band: Piece, chain: Chain) -> Frames:
    """Likeness one cycle later and size of each frame's window, the frame in its middle."""
    rate = band.rate_hz
    block = max(1, round(chain.frame_s * rate))
    count = int(np.ceil(len(band.values) / block))
    lags = np.arange(int(np.floor(chain.shortest_cycle_s * rate)), int(np.ceil(chain.longest_cycle_s * rate)) + 2)
    reach = int(lags[-1]) + 1
    padded = np.zeros(count * block + 2 * reach)
    padded[reach : reach + len(band.values)] = band.values
    energy = np.r_[0.0, np.cumsum(padded**2)]
    at = reach + block * np.arange(count)
    likeness = np.empty((len(lags), count))
    for row, lag in enumerate(lags.tolist()):
        first, second = reach - lag // 2, reach + lag - lag // 2
        one = padded[first : first + count * block].reshape(count, block)
        other = padded[second : second + count * block].reshape(count, block)
        both = np.einsum("ij,ij->i", one, other)
        power = _block(energy, at - lag // 2, block) + _block(energy, at + lag - lag // 2, block)
        summed = _windowed(np.stack([both, power]), int(chain.window_frames))
        likeness[row] = 2 * summed[0] / np.maximum(summed[1], 1e-12)
    inner = likeness[1:-1]
    peak = (inner >= likeness[:-2]) & (inner >= likeness[2:])  # a slow swing is alike at the shortest lag, not one cycle later
    own = _windowed(np.stack([_block(energy, at, block), np.full(count, float(block))]), int(chain.window_frames))
    return Frames(band.start_s, block / rate, np.where(peak, inner, 0.0).max(axis=0), np.sqrt(own[0] / own[1]))


def _block(total: np.ndarray, at: np.ndarray, block: int) -> np.ndarray:
    return total[at + block] - total[at]


def _windowed(rows: np.ndarray, window: int) -> np.ndarray:
    """Sum over a centred window of frames, cut off at the ends."""
    total = np.concatenate([np.zeros((len(rows), 1)), np.cumsum(rows, axis=1)], axis=1)
    place = np.arange(rows.shape[1])
    return total[:, np.minimum(place + window // 2 + 1, rows.shape[1])] - total[:, np.maximum(place - window // 2, 0)]


def gate(seen: Sequence[Frames], chain: Chain) -> float:
    """Size that speaks neither for nor against compressions: a share of the case's own rhythm, never below the least size."""
    sizes = np.concatenate([np.zeros(0), *(one.size[(one.likeness >= chain.rhythmic)] for one in seen)])
    sizes = sizes[sizes >= chain.least_size]
    if not len(sizes):
        return chain.least_size
    return max(chain.least_size, chain.typical_share * float(np.quantile(sizes, chain.typical_quantile)))


def margins(odds: np.ndarray, *, switch_cost: float) -> np.ndarray:
    """By how much the likeliest course of two states through each frame beats the likeliest one with the other state there.

    Parameters: odds, log odds of each frame for the one state; switch_cost, log odds that a change of state costs.
    Returns: positive where the likeliest course (Viterbi) is in that state; the size is its lead.
    """

    def carried(values: list[float]) -> np.ndarray:
        out, now = [], 0.0
        for value in values:
            out.append(now)
            now += value
            now = switch_cost if now > switch_cost else (-switch_cost if now < -switch_cost else now)
        return np.array(out)

    return odds + carried(odds.tolist()) + carried(odds[::-1].tolist())[::-1]


def _states(seen: Frames, at_gate: float, chain: Chain) -> tuple[np.ndarray, np.ndarray]:
    """Frames with compressions, and frames left open."""
    even = np.minimum(chain.even_weight * (seen.likeness - chain.even_likeness), chain.most_even)
    size = np.minimum(chain.size_weight * np.log(np.maximum(seen.size, 1e-9) / at_gate), chain.most_size)
    lead = margins(np.clip(even + size, -6.0, 6.0), switch_cost=chain.switch_cost)
    weak = (seen.likeness >= chain.rhythmic) & (seen.size >= chain.weak_share * at_gate)
    return lead > 0, (np.abs(lead) < chain.sure_margin) | (weak & (lead <= 0))


def find(bands: Sequence[Piece], chain: Chain) -> Rhythm:
    """Instants of compressions in the band of each piece, highs being deepest points; and the time that is left open."""
    seen = [frames(band, chain) for band in bands]
    at_gate = gate(seen, chain)
    times, heights, doubt = [np.zeros(0)], [np.zeros(0)], Spans()
    for band, one in zip(bands, seen, strict=True):
        present, unsure = _states(one, at_gate, chain)
        at, stand = _instants(band, Spans.where(present, start_s=one.start_s, step_s=one.step_s), at_gate, chain)
        times.append(at)
        heights.append(stand)
        doubt = doubt.union(Spans.where(unsure, start_s=one.start_s, step_s=one.step_s))
    return Rhythm(np.concatenate(times), np.concatenate(heights), doubt, at_gate)


def _instants(band: Piece, present: Spans, at_gate: float, chain: Chain) -> tuple[np.ndarray, np.ndarray]:
    """Highs near the presence that stand out among their neighbours and lie in runs: times [s] and prominences."""
    trace = band.values
    tops = filters.highs(trace, least_swing=0.5 * at_gate)
    near = present.grown(chain.frame_s * chain.window_frames / 2).contains(band.start_s + tops / band.rate_hz)
    tops = tops[near]
    tops = tops[filters.apart(tops, trace[tops], least=chain.apart_s * band.rate_hz)]
    if len(tops) < chain.least_run:
        return np.zeros(0), np.zeros(0)
    stand = prominences(trace, tops, reach=int(chain.longest_cycle_s * band.rate_hz))
    keep = stand >= chain.prominence_share * _local_median(stand, int(chain.neighbours))
    tops, stand = tops[keep], stand[keep]
    place, _ = filters.vertex(trace, tops, half=2)
    times = band.start_s + place / band.rate_hz
    run = np.cumsum(np.r_[0, np.diff(times) > chain.gap_s])
    long = np.bincount(run)[run] >= chain.least_run if len(run) else np.zeros(0, dtype=bool)
    return times[long], stand[long]


def prominences(trace: np.ndarray, tops: np.ndarray, *, reach: int) -> np.ndarray:
    """How far each top stands above the lowest points on both sides, up to its neighbours or the reach: the mean of the two."""
    before, after = np.maximum(tops - reach, np.r_[0, tops[:-1]]), np.minimum(tops + reach, np.r_[tops[1:], len(trace) - 1])
    return trace[tops] - (filters.between(trace, before, tops + 1) + filters.between(trace, tops, after + 1)) / 2


def _local_median(values: np.ndarray, count: int) -> np.ndarray:
    """Median of so many neighbours about each value, itself included; the ends take what there is inside."""
    count = min(count, len(values))
    rows = np.sort(np.lib.stride_tricks.sliding_window_view(values, count), axis=1)[:, count // 2]
    return rows[np.clip(np.arange(len(values)) - count // 2, 0, len(rows) - 1)]
