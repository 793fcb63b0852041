"""Compressions as a rhythm: the chain shared by every sensor that shows them without showing depth or force.

A band in which compressions lie; how alike each window is to itself one cycle later, and how large it is; a gate that follows the
case, so that the small rhythm of a heart is not taken for compressions; the likeliest course of "compressions" and "none"; then
the single instants, by how far each stands out among its neighbours. Windows only tell presence, instants tell the edges of runs.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from qi.detect import filters
from qi.model.case import Piece
from qi.model.spans import Spans

_MOST_AGAINST = -6.0  # log odds of one frame: no single window may outvote more than the course of states about it


@dataclass(frozen=True, kw_only=True)
class Chain:
    """Settings of the chain for one kind of sensor; sizes are in the unit of that sensor's band.

    working_rate_hz, rate after block means [1/s]; narrow_s, wide_s, standard deviations of the two Gaussian means whose
    difference is the band [s]; frame_s, step of the presence [s]; window_frames, frames in one window, an odd number;
    shortest_cycle_s, longest_cycle_s, what a compression cycle can last [s]; least_size, lowest gate on a window's root mean
    square; typical_share, gate as a share of the case's own typical size; typical_quantile, which quantile of the rhythmic
    windows is typical; rhythmic, likeness (-1 to 1) from which a window counts for that; even_likeness, likeness that speaks
    neither for nor against; even_weight, most_even, log odds per likeness and their ceiling; size_weight, most_size, log odds per
    e-fold of size over the gate and their ceiling; switch_cost, log odds that one change of state costs; weak_likeness,
    weak_share, likeness and share of the gate from which a rhythm too weak for compressions is left open; sure_margin, log odds
    below which a frame is left open; prominence_share, edge_share, least that an instant stands out, as a share of its
    neighbours' median: inside a run (mean of both sides), at its edges (the lesser side); neighbours, how many; apart_s, closest
    two instants [s]; run_gap_s, longest distance inside a run [s]; step_share, how far that distance may be off its neighbours'
    median, as a share; least_run, fewest instants of a run.
    """

    working_rate_hz: float
    narrow_s: float
    wide_s: float
    frame_s: float
    window_frames: int
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
    weak_likeness: float
    weak_share: float
    sure_margin: float
    prominence_share: float
    edge_share: float
    neighbours: int
    apart_s: float
    run_gap_s: float
    step_share: float
    least_run: int
    lone_run: int
    lone_s: float


@dataclass(frozen=True, eq=False)
class Frames:
    """Presence evidence of one piece, a value a frame: likeness to itself one cycle later, and root mean square."""

    start_s: float
    step_s: float
    likeness: np.ndarray
    size: np.ndarray


@dataclass(frozen=True, eq=False)
class Rhythm:
    """What the chain found: instants [s], sorted; how far each swings; frames with a rhythm, and frames left open [s]; the gate."""

    times_s: np.ndarray
    swing: np.ndarray
    present: Spans
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
    """Likeness one cycle later and size of each frame's window, the frame in its middle. 25 samples a second are enough."""
    thin, block = _thinned(band, chain)
    rate, values = band.rate_hz / thin, band.values[::thin]
    count = int(np.ceil(len(values) / block))
    shortest = int(np.floor(chain.shortest_cycle_s * rate))
    lags = np.arange(shortest // 3, int(np.ceil(chain.longest_cycle_s * rate)) + 2)
    reach = int(lags[-1]) + 1
    padded = np.zeros(count * block + 2 * reach)
    padded[reach : reach + len(values)] = values
    energy = np.r_[0.0, np.cumsum(padded**2)]
    at = reach + block * np.arange(count)
    both, power = np.empty((2, len(lags), count))
    for row, lag in enumerate(lags.tolist()):
        first, second = reach - lag // 2, reach + lag - lag // 2
        one = padded[first : first + count * block].reshape(count, block)
        other = padded[second : second + count * block].reshape(count, block)
        np.einsum("ij,ij->i", one, other, out=both[row])
        power[row] = _block(energy, at - lag // 2, block) + _block(energy, at + lag - lag // 2, block)
    likeness = 2 * _windowed(both, chain.window_frames) / np.maximum(_windowed(power, chain.window_frames), 1e-12)
    inner = likeness[1:-1]
    turning = (inner >= likeness[:-2]) & (inner >= likeness[2:])  # a slow swing is alike at once, not one cycle later
    peaks = np.where(turning, inner, 0.0)
    sooner = np.maximum.accumulate(np.maximum(peaks, 0.0), axis=0)
    place = np.arange(shortest - lags[0], len(peaks))
    peaks = peaks[place] - sooner[np.maximum(2 * (place + lags[0]) // 3 - lags[0], 0)]  # what is alike sooner has a shorter cycle
    own = _windowed(np.stack([_block(energy, at, block), np.full(count, float(block))]), chain.window_frames)
    return Frames(band.start_s, block / rate, np.maximum(peaks.max(axis=0), 0.0), np.sqrt(own[0] / own[1]))


def sizes(values: np.ndarray, like: Piece, chain: Chain) -> np.ndarray:
    """Root mean square about each frame of `like`, of another trace with as many samples."""
    thin, block = _thinned(like, chain)
    thinned = len(like.values[::thin])
    count = int(np.ceil(thinned / block))
    energy = np.zeros(count * block * thin)
    energy[: len(values)] = values**2
    summed = _windowed(energy.reshape(1, count, block * thin).sum(axis=2), chain.window_frames)[0]
    many = _windowed(np.full((1, count), float(block * thin)), chain.window_frames)[0]
    return np.sqrt(summed / many)


def _thinned(band: Piece, chain: Chain) -> tuple[int, int]:
    """Take every so many samples for the presence; and how many of those make a frame."""
    thin = max(1, int(band.rate_hz / 25.0 + 1e-6))
    return thin, max(1, round(chain.frame_s * band.rate_hz / thin))


def _block(total: np.ndarray, at: np.ndarray, block: int) -> np.ndarray:
    return total[at + block] - total[at]


def _windowed(rows: np.ndarray, window: int) -> np.ndarray:
    """Sum over a centred window of an odd number of frames, cut off at the ends."""
    total = np.zeros((len(rows), rows.shape[1] + window))
    np.cumsum(rows, axis=1, out=total[:, window // 2 + 1 : window // 2 + 1 + rows.shape[1]])
    total[:, window // 2 + 1 + rows.shape[1] :] = total[:, [window // 2 + rows.shape[1]]]
    return total[:, window:] - total[:, :-window]


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


def _states(seen: Frames, blind: np.ndarray, quiet: np.ndarray, at_gate: float, chain: Chain) -> tuple[np.ndarray, np.ndarray]:
    """Frames with compressions, and frames left open."""
    even = np.minimum(chain.even_weight * (seen.likeness - chain.even_likeness), chain.most_even)
    size = np.minimum(chain.size_weight * np.log(np.maximum(seen.size, 1e-9) / at_gate), chain.most_size)
    odds = np.where(blind | quiet, _MOST_AGAINST, np.maximum(even + size, _MOST_AGAINST))
    lead = margins(odds, switch_cost=chain.switch_cost)
    weak = (seen.likeness >= chain.weak_likeness) & (seen.size >= chain.weak_share * at_gate)
    return lead > 0, (np.abs(lead) < chain.sure_margin) | (((weak & ~quiet) | blind) & (lead <= 0))


def find(bands: Sequence[Piece], chain: Chain, *, quiet: Sequence[np.ndarray] | None = None) -> Rhythm:
    """Instants of compressions in the band of each piece, highs being deepest points; and the time that is left open.

    Parameters: bands, one piece after another; chain; quiet, for each piece the frames too quiet for compressions.
    Returns: Rhythm.
    """
    present, at_gate, doubt = _presence(bands, chain, quiet=quiet)
    return Rhythm(*_all_instants(bands, present, at_gate, chain, sign=1), present, doubt, at_gate)


def find_either_way(bands: Sequence[Piece], chain: Chain, *, blind: Sequence[np.ndarray] | None = None) -> Rhythm:
    """As find, for a sensor that compressions may move either way: of highs and lows those whose cycles are steadier.

    Parameters: bands, chain, as find; blind, for each piece the frames in which this sensor cannot tell, which are left open.
    Returns: Rhythm.
    """
    present, at_gate, doubt = _presence(bands, chain, blind=blind)
    up, down = (_all_instants(bands, present, at_gate, chain, sign=sign) for sign in (1, -1))
    best = up if steadiness(up[0], gap_s=chain.run_gap_s) <= steadiness(down[0], gap_s=chain.run_gap_s) else down
    return Rhythm(*best, present, doubt, at_gate)


def _presence(
    bands: Sequence[Piece],
    chain: Chain,
    *,
    blind: Sequence[np.ndarray] | None = None,
    quiet: Sequence[np.ndarray] | None = None,
) -> tuple[Spans, float, Spans]:
    """Frames with compressions [s], the gate in force, and frames left open [s]."""
    seen = [frames(band, chain) for band in bands]
    never = [np.zeros(len(one.size), dtype=bool) for one in seen]
    at_gate = gate(seen, chain)
    present, doubt = Spans(), Spans()
    for one, hidden, low in zip(seen, blind or never, quiet or never, strict=True):
        there, unsure = (
            Spans.where(state, start_s=one.start_s, step_s=one.step_s) for state in _states(one, hidden, low, at_gate, chain)
        )
        present, doubt = present.union(there), doubt.union(unsure)
    return present, at_gate, doubt


def _all_instants(
    bands: Sequence[Piece], present: Spans, at_gate: float, chain: Chain, *, sign: int
) -> tuple[np.ndarray, np.ndarray]:
    pairs = [_instants(Piece(band.start_s, band.rate_hz, sign * band.values), present, at_gate, chain) for band in bands]
    return (
        np.concatenate([np.zeros(0), *(times for times, _ in pairs)]),
        np.concatenate([np.zeros(0), *(swing for _, swing in pairs)]),
    )


def _instants(band: Piece, present: Spans, at_gate: float, chain: Chain) -> tuple[np.ndarray, np.ndarray]:
    """Highs near the presence that stand out among their neighbours and lie in runs: times [s] and swings."""
    trace = band.values
    tops = filters.highs(trace, least_swing=0.5 * at_gate)
    near = present.grown(chain.frame_s * chain.window_frames / 2).contains(band.start_s + tops / band.rate_hz)
    tops = tops[near]
    tops = tops[filters.apart(tops, trace[tops], least=chain.apart_s * band.rate_hz)]
    if len(tops) < chain.least_run:
        return np.zeros(0), np.zeros(0)
    lesser, swing = prominences(trace, tops, reach=int(chain.longest_cycle_s * band.rate_hz))
    clear = swing >= chain.prominence_share * _local_median(swing, chain.neighbours)
    place, _ = filters.vertex(trace, tops, half=2)
    times = band.start_s + place / band.rate_hz
    weak = lesser < chain.edge_share * _local_median(lesser, chain.neighbours)
    kept = np.flatnonzero(clear)
    for _ in range(3):  # at the edge of a run the band rings: there an instant must stand out on both sides
        run = _runs(times[kept], chain)
        first, last = np.diff(run, prepend=-1) > 0, np.diff(run, append=len(times)) > 0
        kept = kept[~(weak[kept] & (first | last))]
    kept = kept[_believed(times[kept], _runs(times[kept], chain), chain)]
    return times[kept], swing[kept]


def _believed(times: np.ndarray, run: np.ndarray, chain: Chain) -> np.ndarray:
    """Which instants lie in a run that is long enough: a lone run is a few jolts more often than a few compressions."""
    if not len(times):
        return np.zeros(0, dtype=bool)
    count = np.bincount(run)
    last = np.cumsum(count) - 1
    start, end = times[last - count + 1], times[last]
    whole = np.flatnonzero(count >= chain.least_run)
    apart = start[whole[1:]] - end[whole[:-1]]
    lone = np.zeros(len(count), dtype=bool)
    lone[whole] = np.minimum(np.r_[np.inf, apart], np.r_[apart, np.inf]) > chain.lone_s
    return ((count >= chain.least_run) & ~(lone & (count < chain.lone_run)))[run]


def _runs(times: np.ndarray, chain: Chain) -> np.ndarray:
    """Number of the run that each instant lies in: two are in one run when they are about one cycle of their neighbours apart."""
    steps = np.diff(times)
    if not len(steps):
        return np.zeros(len(times), dtype=np.int64)
    middle = _local_median(steps, chain.neighbours)
    linked = (steps <= chain.run_gap_s) & (np.abs(steps - middle) <= chain.step_share * middle)
    return np.cumsum(np.r_[0, ~linked])


def prominences(trace: np.ndarray, tops: np.ndarray, *, reach: int) -> tuple[np.ndarray, np.ndarray]:
    """How far each top stands above the lowest points on both sides, up to its neighbours or the reach: lesser, and mean."""
    before, after = np.maximum(tops - reach, np.r_[0, tops[:-1]]), np.minimum(tops + reach, np.r_[tops[1:], len(trace) - 1])
    left, right = filters.between(trace, before, tops + 1), filters.between(trace, tops, after + 1)
    return trace[tops] - np.maximum(left, right), trace[tops] - (left + right) / 2


def _local_median(values: np.ndarray, count: int) -> np.ndarray:
    """Median of so many neighbours about each value, itself included; the ends take what there is inside."""
    count = min(count, len(values))
    rows = np.sort(np.lib.stride_tricks.sliding_window_view(values, count), axis=1)[:, count // 2]
    return rows[np.clip(np.arange(len(values)) - count // 2, 0, len(rows) - 1)]


def steadiness(times_s: np.ndarray, *, gap_s: float) -> float:
    """Middle change from one cycle to the next, as a share of the cycle; infinite with fewer than four instants.

    Of two ways to take the instants from one wave, the one that is nearer to the hands' own scatter has the lower value.
    """
    steps = np.diff(times_s)
    change = np.abs(np.diff(steps))[(steps[1:] < gap_s) & (steps[:-1] < gap_s)]
    return float(np.median(change) / np.median(steps)) if len(change) > 1 else float("inf")
