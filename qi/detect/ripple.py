"""The ripple that compressions leave in an airway signal: how long its cycle is, so that a mean over one cycle takes it out."""

import numpy as np

from qi.detect import filters
from qi.model.case import Piece


def cycle_lengths(piece: Piece, *, swing: float, shortest_s: float, longest_s: float, even_share: float) -> np.ndarray:
    """Length of the compression cycle at each sample of an airway signal [samples]; 0 where nothing ripples evenly.

    Parameters: piece, at its working rate; swing, least swing of a compression [unit of the piece]; shortest_s, longest_s, what a
    cycle can last [s]; even_share, how far a cycle may be off its neighbours, as a share.
    Returns: one length a sample.
    References: our method (no source).
    """
    rate = piece.rate_hz
    moves = filters.smoothed(piece.values, sigma=0.04 * rate) - filters.boxed(piece.values, length=longest_s / 2 * rate)
    tops = filters.highs(moves, least_swing=swing)
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


def ends_s(piece: Piece, cycle: np.ndarray) -> np.ndarray:
    """Times of the first and the last sample with a ripple [s]; none where nothing ripples."""
    at = np.flatnonzero(cycle)
    return piece.start_s + at[[0, -1]] / piece.rate_hz if len(at) else np.zeros(0)
