"""Samples as integers with a scale: by the source's own step where the values lie on an even grid, else over their range.

An EDF or BDF file holds integers and a straight line from them to physical values, a CSV file decimals of a few digits: their
values lie on a grid, and the integers come back as they were written. A grid is taken only if every sample is met by it.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

_LARGEST = {np.int16: 2**15 - 1, np.int32: 2**31 - 1}
# How many digits behind the point are tried for written decimals.
_DIGITS = range(7)
# Steps from the lowest to the highest number that converters of 8 to 16 bits, and of 24, give.
_DIGITAL = tuple(2**bits - less for bits in (16, 12, 24, 10, 8, 14, 15, 13, 11, 9) for less in (1, 2, 0))
# So many samples are looked at for a step, before all are held against it.
_LOOKED_AT = 32768
# Differences of up to so many times the shortest one say how long a step is.
_NEAR_STEPS = 16
# A step must be so many times what it may be off by for rounding to be told from it.
_ROUNDINGS = 4.0
# One or two missing samples bridged with a straight line lie on halves and thirds of a step.
_BRIDGED = 6
# Largest error of one rounding to float32, as a share of the value.
_ROUNDING = 2.0**-24
# A value read from integers and converted to another unit was rounded twice, and is once more on the way back.
_TIMES_ROUNDED = 3
# An error of the range divided by this is let pass: no more than where there is no grid.
_PARTS_OF_RANGE = 2.0**32


@dataclass(frozen=True)
class Integers:
    """Samples as integers of int16 or int32: a value is integer * scale + offset."""

    values: np.ndarray
    scale: float
    offset: float


@dataclass(frozen=True)
class Grid:
    """Values that lie at offset + scale times a whole number."""

    scale: float
    offset: float


def to_integers(pieces: Sequence[np.ndarray], rails: tuple[float, float] | None = None) -> list[Integers]:
    """Turn the pieces of one signal into integers.

    Parameters: pieces, samples in float32, all finite; rails, lowest and highest value that the source can hold, if it says so.
    Returns: for each piece integers, all int16 or all int32, with scale and offset. What comes back in float32 is off by no more
    than three roundings to float32, or 2⁻³² of the range of all samples, where they lie on a grid; else by no more than one
    rounding and 2⁻³² of the range of the piece.
    """
    together = np.concatenate([*pieces, np.empty(0, np.float32)])
    found = _on_a_grid(together, rails) if len(together) else Integers(np.empty(0, np.int16), 1.0, 0.0)
    if found is None:
        return [_over_range(piece) for piece in pieces]
    ends = np.cumsum([0, *map(len, pieces)])
    parts = [found.values[start:end] for start, end in pairwise(ends)]
    return [Integers(part, found.scale, found.offset) for part in parts]


def back(integers: np.ndarray, scale: float, offset: float) -> np.ndarray:
    """The samples in float32."""
    values = np.multiply(integers, scale, dtype=np.float64)
    values += offset
    with np.errstate(over="ignore"):
        return values.astype(np.float32)


def _on_a_grid(values: np.ndarray, rails: tuple[float, float] | None) -> Integers | None:
    """The values on the first grid on which all of them lie in int16, else on the coarsest in int32; None where there is none."""
    lowest, highest = float(values.min()), float(values.max())
    if lowest == highest:
        return Integers(np.zeros(len(values), np.int16), 1.0, lowest)
    spread = values[:: max(1, len(values) // _LOOKED_AT)]
    some = np.unique(np.concatenate([spread, np.array([lowest, highest], np.float32)]))
    second = None
    for grid in _finer(_grids(some.astype(np.float64), rails)):
        if _placed(some, grid, lowest, highest) is None or (placed := _placed(values, grid, lowest, highest)) is None:
            continue
        if placed.values.dtype == np.int16:
            return placed
        second = placed if second is None or placed.scale > second.scale else second
    return second


def _finer(grids: Iterator[Grid]) -> Iterator[Grid]:
    """The grids, and after them each with the step that bridged samples lie on."""
    tried = []
    for grid in grids:
        tried.append(grid)
        yield grid
    for grid in tried:
        yield Grid(grid.scale / _BRIDGED, grid.offset)


def _grids(some: np.ndarray, rails: tuple[float, float] | None) -> Iterator[Grid]:
    """The grids that are worth a try, the likeliest first: decimals, steps of the rails, any even step."""
    for digits in _DIGITS:
        yield Grid(10.0**-digits, 0.0)
    low, high = rails if rails and np.isfinite(rails).all() else (0.0, 0.0)
    for steps in _DIGITAL if high > low else ():
        yield Grid((high - low) / steps, low)
    line = _line(some)
    if line is None:
        return
    if high - low > line.scale:
        yield Grid((high - low) / round((high - low) / line.scale), low)
    numbers = np.rint((some - line.offset) / line.scale) + np.rint(line.offset / line.scale)
    if numbers.any():
        yield Grid(float((some * numbers).sum() / (numbers**2).sum()), 0.0)
    yield line


def _line(some: np.ndarray) -> Grid | None:
    """The even step of sorted values that differ, by the straight line through their numbers; None where they have none."""
    steps = np.diff(some)
    step = _common(steps, rounding=2.0 * _ROUNDING * float(np.abs(some[[0, -1]]).max()))
    if step is None:
        return None
    numbers = np.concatenate([[0.0], np.cumsum(np.rint(steps / step))])
    for _ in range(2):
        from_middle = numbers - numbers.mean()
        if not from_middle.any():
            return None
        step = float((from_middle * some).sum() / (from_middle**2).sum())
        offset = float(some.mean() - step * numbers.mean())
        if not step > 0.0:
            return None
        numbers = np.rint((some - offset) / step)
    return Grid(step, offset)


def _common(steps: np.ndarray, *, rounding: float) -> float | None:
    """The step of which all short differences are multiples, by Euclid's algorithm on numbers that are rounded; None for none."""
    near = steps[steps <= _NEAR_STEPS * steps.min()]
    step, off = float(near.min()), rounding
    while step > _ROUNDINGS * off:
        counts = np.rint(near / step)
        left = np.abs(near - counts * step)
        left = left[left > rounding + counts * off]
        if not len(left):
            return float(near.sum() / counts.sum())
        step, off = float(left.min()), float(rounding + counts.max() * off)
    return None


def _placed(values: np.ndarray, grid: Grid, lowest: float, highest: float) -> Integers | None:
    """The values as whole numbers of steps; None where one does not lie on the grid, or the numbers are too large."""
    if not grid.scale > 0.0:
        return None
    ends = [np.rint((edge - grid.offset) / grid.scale) for edge in (lowest, highest)]
    for kind, largest in _LARGEST.items():
        fits = ends[0] >= -largest - 1 and ends[1] <= largest
        if fits or ends[1] - ends[0] <= 2 * largest + 1:
            middle = 0.0 if fits else np.ceil((ends[0] + ends[1]) / 2)
            offset = float(grid.offset + middle * grid.scale)
            numbers = np.rint((values.astype(np.float64) - offset) / grid.scale).astype(kind)
            return Integers(numbers, grid.scale, offset) if _meets(values, numbers, grid.scale, offset, highest - lowest) else None
    return None


def _meets(values: np.ndarray, numbers: np.ndarray, scale: float, offset: float, spread: float) -> bool:
    """Whether the numbers give the values back, but for rounding to float32 or a small part of their range."""
    off = np.abs(back(numbers, scale, offset).astype(np.float64) - values)
    return bool((off <= np.maximum(_TIMES_ROUNDED * _ROUNDING * np.abs(values), spread / _PARTS_OF_RANGE)).all())


def _over_range(piece: np.ndarray) -> Integers:
    """Whole numbers of int32 over the range of the values."""
    if not len(piece):
        return Integers(np.empty(0, np.int32), 1.0, 0.0)
    lowest, highest = float(piece.min()), float(piece.max())
    if lowest == highest:
        return Integers(np.zeros(len(piece), np.int32), 1.0, lowest)
    scale, offset = (highest - lowest) / (2 * _LARGEST[np.int32]), (highest + lowest) / 2
    numbers = np.rint((piece.astype(np.float64) - offset) / scale)
    return Integers(np.clip(numbers, -_LARGEST[np.int32], _LARGEST[np.int32]).astype(np.int32), scale, offset)
