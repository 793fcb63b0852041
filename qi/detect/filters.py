"""Signal arithmetic that the detectors share: a working rate, smoothing, turning points, edges of a stroke, levels. numpy only.

Nothing here knows a channel or a limit. Positions are sample numbers unless a name ends in `_s`.
"""

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from qi.model.case import Piece


def block_means(piece: Piece, *, rate_hz: float) -> Piece:
    """The piece at a lower rate: means of whole blocks, each at the middle of its block.

    Parameters: piece, evenly sampled; rate_hz, the rate not to go below [1/s].
    Returns: a piece in double precision at the lowest whole fraction of its rate that is at least rate_hz; the piece's own rate
    where that is lower. Samples after the last whole block are left out.
    """
    factor = max(1, int(piece.rate_hz / rate_hz + 1e-6))
    whole = len(piece.values) // factor
    if factor == 1:
        return Piece(piece.start_s, piece.rate_hz, piece.values.astype(np.float64))
    # einsum adds the columns of a block without a copy, twice as fast as mean(axis=1) on short rows.
    blocks = np.asarray(piece.values[: whole * factor]).reshape(whole, factor)
    total = np.einsum("ij->i", blocks, dtype=np.float64)
    return Piece(piece.start_s + (factor - 1) / 2 / piece.rate_hz, piece.rate_hz / factor, total / factor)


def smoothed(values: np.ndarray, *, sigma: float) -> np.ndarray:
    """Gaussian mean without delay; the ends are held. sigma in samples; 0 or less changes nothing."""
    if sigma <= 0 or not len(values):
        return values.astype(np.float64)
    reach = int(np.ceil(3.5 * sigma))
    weights = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    return np.convolve(np.pad(values.astype(np.float64), reach, mode="edge"), weights / weights.sum(), mode="valid")


def boxed(values: np.ndarray, *, length: np.ndarray | float) -> np.ndarray:
    """Plain mean over a centred window, whose length may differ from sample to sample and need not be whole [samples].

    A window of one cycle takes out a ripple of that cycle with all its harmonics. Windows are cut off at the ends of the values.
    """
    total = np.r_[0.0, np.cumsum(values, dtype=np.float64)]
    middle = np.arange(len(values)) + 0.5
    low = np.maximum(middle - np.asarray(length) / 2, 0.0)
    high = np.minimum(middle + np.asarray(length) / 2, float(len(values)))
    return (_at(total, high) - _at(total, low)) / np.maximum(high - low, 1e-9)


def _at(values: np.ndarray, where: np.ndarray) -> np.ndarray:
    """Values between samples, by a straight line (positions already inside)."""
    left = np.minimum(where.astype(np.int64), len(values) - 2)
    return values[left] + (values[left + 1] - values[left]) * (where - left)


def running_highest(values: np.ndarray, *, window: int) -> np.ndarray:
    """Highest value in a centred window, cut off at the ends [samples]."""
    left, right = window // 2, max(0, window - 1 - window // 2)
    best = np.concatenate([np.full(left, -np.inf), values, np.full(right, -np.inf)])
    reach = 1
    while reach < window:  # each pass doubles the reach, the last one takes what is left
        step = min(reach, window - reach)
        best = np.maximum(best[:-step], best[step:])
        reach += step
    return best


def running_lowest(values: np.ndarray, *, window: int) -> np.ndarray:
    """Lowest value in a centred window, cut off at the ends [samples]."""
    return -running_highest(-values, window=window)


def turns(values: np.ndarray) -> tuple[np.ndarray, bool]:
    """Every local turning point, ends included, the middle of a plateau standing for it; and whether the first is a high."""
    step = np.diff(values)
    moving = np.flatnonzero(step)
    if not len(moving):
        return np.zeros(0, dtype=np.int64), False
    rising = step[moving] > 0
    turn = np.flatnonzero(rising[1:] != rising[:-1])
    inner = (moving[turn] + 1 + moving[turn + 1]) // 2
    return np.r_[0, inner, len(values) - 1], not bool(rising[0])


def highs(values: np.ndarray, *, least_swing: float) -> np.ndarray:
    """Positions of the highs that stand at least least_swing above the lows on both sides (turning points with hysteresis).

    A high at the end of the values, from which the fall was not seen, is not one.
    """
    at, starts_high = turns(values)
    heights = values[at].tolist()
    found: list[int] = []
    best, low = 0, heights[0] if heights else 0.0
    rising = False
    for place in range(int(not starts_high), len(heights), 2):  # a high, then the low after it
        high = heights[place]
        if rising and high > heights[best]:
            best = place
        elif not rising and high - low >= least_swing:
            best, rising = place, True
        after = heights[place + 1] if place + 1 < len(heights) else high
        if rising and heights[best] - after >= least_swing:
            found.append(best)
            rising, low = False, after
        elif not rising:
            low = min(low, after)
    return at[np.array(found, dtype=np.int64)]


def apart(at: np.ndarray, heights: np.ndarray, *, least: float) -> np.ndarray:
    """Which of the sorted positions to keep so that no two are closer than least: of two that are, the higher."""
    keep = np.ones(len(at), dtype=bool)
    for near in np.flatnonzero(np.diff(at) < least):
        rivals = [near, near + 1]
        if keep[rivals].all():
            keep[rivals[int(heights[near + 1] <= heights[near])]] = False
    return keep


def vertex(values: np.ndarray, at: np.ndarray, *, half: int) -> tuple[np.ndarray, np.ndarray]:
    """Top or bottom of the parabola of least squares through the 2·half + 1 samples about each position.

    Returns: place (between samples, never outside the samples used) and height. Where the samples are straight or too few, the
    position itself and its value.
    """
    half = max(1, half)
    at = np.asarray(at, dtype=np.int64)
    if len(values) < 2 * half + 1 or not len(at):
        return at.astype(np.float64), np.asarray(values[at], dtype=np.float64)
    middle = np.clip(at, half, len(values) - 1 - half)
    offsets = np.arange(-half, half + 1)
    about = np.asarray(values, dtype=np.float64)[middle[:, None] + offsets]
    to_bend = np.linalg.pinv(np.vander(offsets, 3).astype(np.float64))
    bend, slope, height = to_bend @ about.T
    curved = np.abs(bend) > 1e-12 * np.maximum(1.0, np.abs(height))
    place = np.clip(np.where(curved, -slope / (2 * np.where(curved, bend, 1.0)), at - middle), -half, half)
    return middle + place, height + place * (slope + place * bend)


def around(values: np.ndarray, at: np.ndarray, *, before: int, after: int, fill: float) -> np.ndarray:
    """One row of samples for each position, from `before` samples ahead of it to `after` samples behind; outside is fill."""
    if not len(at):
        return np.empty((0, before + after + 1))
    padded = np.concatenate([np.full(before, fill), values, np.full(after, fill)])
    return sliding_window_view(padded, before + after + 1)[at].copy()


def last_below(rows: np.ndarray, level: np.ndarray) -> np.ndarray:
    """Where each row last rises through its level on the way to its last column, between samples; column 0 where it never does."""
    below = rows < level[:, None]
    last = rows.shape[1] - 1 - np.argmax(below[:, ::-1], axis=1)
    crossed = below.any(axis=1) & (last < rows.shape[1] - 1)
    left = np.where(crossed, last, 0)
    row = np.arange(len(rows))
    low, high = rows[row, left], rows[row, np.minimum(left + 1, rows.shape[1] - 1)]
    step = np.where(crossed & np.isfinite(low), high - low, np.inf)
    return left + np.where(crossed, np.clip((level - np.where(np.isfinite(low), low, 0.0)) / step, 0.0, 1.0), 0.0)


def between(values: np.ndarray, starts: np.ndarray, ends: np.ndarray) -> np.ndarray:
    """Lowest value of each stretch of samples [start, end); NaN for an empty one. Stretches may overlap."""
    starts = np.clip(starts, 0, len(values)).astype(np.int64)
    ends = np.clip(ends, 0, len(values)).astype(np.int64)
    lowest = np.full(len(starts), np.nan)
    some = np.flatnonzero(ends > starts)
    if len(some):
        padded = np.append(values, np.inf)
        pairs = np.column_stack([starts[some], ends[some]]).ravel()
        lowest[some] = np.minimum.reduceat(padded, pairs)[::2]
    return lowest


def middles(piece: Piece, starts_s: np.ndarray, ends_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Middle time and median value of each stretch of a piece that holds samples: knots of a level [s, unit of the piece]."""
    first = np.clip(np.ceil((starts_s - piece.start_s) * piece.rate_hz), 0, len(piece.values)).astype(int)
    last = np.clip(np.ceil((ends_s - piece.start_s) * piece.rate_hz), 0, len(piece.values)).astype(int)
    some = np.flatnonzero(last > first)
    times = piece.start_s + (first[some] + last[some] - 1) / 2 / piece.rate_hz
    # the middle sample of the sorted ones; np.median costs ten times as much on short stretches
    levels = [float(np.sort(piece.values[first[k] : last[k]])[(last[k] - first[k]) // 2]) for k in some]
    return times, np.array(levels)
