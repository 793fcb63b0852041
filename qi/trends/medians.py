"""Medians with intervals, and how far values of two times lie apart, without supposing any shape."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from statistics import NormalDist

import numpy as np

from qi.trends.runs import lower_half_point

MOST_VALUES = 1000  # values of one group whose differences are all taken; of more, so many that stand evenly over their ranks
_EXACT_PAIRS = 2500  # up to so many pairs the ranks are counted exactly, above them by the normal approximation


@dataclass(frozen=True)
class Interval:
    """A value with an interval around it; NaN at the ends where there are too few cases for one."""

    value: float
    low: float
    high: float
    n: int


@dataclass(frozen=True)
class Shift:
    """How much higher values lie after than before: a middle difference with its interval, NaN where too few cases give one."""

    value: float
    low: float
    high: float
    before: int
    after: int

    @property
    def holds_zero(self) -> bool:
        """No difference at all is within the interval, or there is no interval."""
        return not (self.low > 0.0 or self.high < 0.0)


def median_interval(values: Sequence[float] | np.ndarray, *, level: float = 0.95) -> Interval:
    """Median with an interval from order statistics.

    Parameters: values, NaN left out; level, share of such intervals that hold the true median, at least.
    Returns: Interval; without ends below 6 values at 95 %.
    References: ranks of the binomial distribution at one half; checked with R's ranks for 6 to 100 values.
    """
    known = np.sort(np.asarray(values, dtype=float))
    known = known[~np.isnan(known)]
    if not len(known):
        return Interval(math.nan, math.nan, math.nan, 0)
    low, high = median_ranks(len(known), level=level) or (None, None)
    ends = (math.nan, math.nan) if low is None or high is None else (float(known[low - 1]), float(known[high - 1]))
    return Interval(float(np.median(known)), *ends, len(known))


def median_ranks(n: int, *, level: float = 0.95) -> tuple[int, int] | None:
    """Ranks of the order statistics that hold the median between them, from 1; None where no pair is sure enough.

    Parameters: n, number of values; level.
    Returns: lower and upper rank.
    """
    if n < 1:
        return None
    rank = lower_half_point(n, (1 - Fraction(str(level))) / 2)
    return (rank, n + 1 - rank) if rank >= 1 else None


def shift(before: Sequence[float] | np.ndarray, after: Sequence[float] | np.ndarray, *, level: float = 0.95) -> Shift:
    """How much higher values lie after than before (Hodges and Lehmann): the median of all differences after minus before.

    Parameters: before and after, values of two phases, NaN left out; level.
    Returns: Shift with the interval of the rank-sum test; with ties it is a little wide. It says that values differ, not why. Of
    a group of more than MOST_VALUES values so many are taken that stand evenly over their ranks, never by chance: value and ends
    then lie within a fiftieth of the interval's width from those of all differences. Counts and ranks are those of all values.
    References: Hollander and Wolfe, Nonparametric Statistical Methods, checked with R's wilcox.test on their data.
    """
    first, second = (np.asarray(one, dtype=float) for one in (before, after))
    first, second = first[~np.isnan(first)], second[~np.isnan(second)]
    if not (len(first) and len(second)):
        return Shift(math.nan, math.nan, math.nan, len(first), len(second))
    apart = np.subtract.outer(_evenly(second), _evenly(first)).ravel()
    part = len(apart) / (len(first) * len(second))
    lower = _lower_rank(len(first), len(second), level)
    rank = max(1, round(lower * part)) if lower else 0
    middle = (len(apart) - 1) // 2, len(apart) // 2
    apart.partition(sorted({*middle, *((rank - 1, len(apart) - rank) if rank else ())}))
    ends = (float(apart[rank - 1]), float(apart[len(apart) - rank])) if rank else (math.nan, math.nan)
    return Shift(float(apart[list(middle)].mean()), *ends, len(first), len(second))


def _evenly(values: np.ndarray) -> np.ndarray:
    """The values, or of many so many that stand evenly over their ranks."""
    if len(values) <= MOST_VALUES:
        return values
    return np.sort(values)[((np.arange(MOST_VALUES) + 0.5) * len(values) / MOST_VALUES).astype(int)]


def _lower_rank(before: int, after: int, level: float) -> int:
    """Rank, from 1, of the difference at the lower end; 0 where none is sure enough."""
    pairs, tail = before * after, (1.0 - level) / 2.0
    if pairs > _EXACT_PAIRS:
        spread = math.sqrt(pairs * (before + after + 1) / 12.0)
        return max(0, math.floor(pairs / 2.0 + NormalDist().inv_cdf(tail) * spread))
    ways = _rank_sum_ways(before, after)
    wanted = Fraction(str(level)) * math.comb(before + after, before)
    wanted = (math.comb(before + after, before) - wanted) / 2
    total = 0
    for rank, count in enumerate(ways):
        total += count
        if total >= wanted:
            return rank
    return 0


def _rank_sum_ways(before: int, after: int) -> list[int]:
    """In how many orders of two groups so many pairs stand the one way round, from none to half of them."""
    most = before * after // 2
    ways = [1] + [0] * most
    for step in range(1, before + 1):
        for total in range(most, after + step - 1, -1):
            ways[total] -= ways[total - after - step]
        for total in range(step, most + 1):
            ways[total] += ways[total - step]
    return ways
