"""Intervals of medians, and the shift between two phases."""

import math

import numpy as np
import pytest
from scipy import stats

from qi.trends.medians import _rank_sum_ways, median_interval, median_ranks, shift
from tests.trends.spc import read


def test_ranks_for_6_to_100_values():
    """median_ci_ranks_95.csv: R's ranks for six sizes, the note's binomial sums for the others."""
    for row in read("median_ci_ranks_95.csv").itertuples():
        assert median_ranks(row.n) == (row.rank_lo, row.rank_hi)
        assert 1 - 2 * stats.binom.cdf(row.rank_lo - 1, row.n, 0.5) == pytest.approx(row.exact_coverage, abs=1e-6)
        assert 1 - 2 * stats.binom.cdf(row.rank_lo, row.n, 0.5) < 0.95  # the next pair would be too narrow


@pytest.mark.parametrize("n", range(6))
def test_no_interval_below_six_values(n):
    assert median_ranks(n) is None
    assert math.isnan(median_interval(np.arange(float(n))).low)


def test_median_interval_leaves_missing_values_out():
    found = median_interval([np.nan, *range(1, 10)])
    assert (found.value, found.low, found.high, found.n) == (5.0, 2.0, 8.0, 9)
    assert median_interval([np.nan]).n == 0


def test_shift_hollander_wolfe_permeability():
    """Hollander and Wolfe, Ex. 4.1; R wilcox.test: .305 (-.15 to .76)."""
    given = read("hodges_lehmann.json")["two_sample"]
    found = shift(given["y"], given["x"])
    assert (found.value, found.low, found.high) == pytest.approx((given["hl"], *given["ci95"]), abs=1e-9)
    assert found.holds_zero


@pytest.mark.parametrize(("before", "after"), [(5, 7), (1, 4), (8, 8), (12, 3)])
def test_rank_sum_counts_are_scipys(before, after):
    """scipy.stats.mannwhitneyu, method exact: chance of so few pairs or fewer."""
    ways = _rank_sum_ways(before, after)
    total = math.comb(before + after, before)
    first = np.arange(float(before))
    for offset in range(after + 1):
        second = np.r_[np.full(offset, -1.0) - np.arange(offset), np.full(after - offset, 100.0) + np.arange(after - offset)]
        test = stats.mannwhitneyu(first, second, alternative="less", method="exact")
        if test.statistic < len(ways):
            assert sum(ways[: int(test.statistic) + 1]) / total == pytest.approx(test.pvalue, abs=1e-12)


def test_shift_of_many_values_is_near_the_exact_one():
    """Above 2,500 pairs the normal approximation gives the ranks; at 50 by 50 both are within one hundredth of a sigma."""
    chance = np.random.default_rng(3)
    before, after = chance.standard_normal(50), chance.standard_normal(51) + 1.0
    near, exact = shift(before, after), shift(before, after[:50])
    assert near.low == pytest.approx(exact.low, abs=0.1)
    assert near.low < near.value < near.high


def test_interval_of_the_shift_holds_the_true_one_as_often_as_it_says():
    """600 seeded pairs of phases of a skewed measure, true shift 2: at least 95 % of intervals less three standard errors."""
    chance = np.random.default_rng(8)
    held = 0
    for _ in range(600):
        found = shift(chance.exponential(3.0, 12), chance.exponential(3.0, 15) + 2.0)
        held += found.low <= 2.0 <= found.high
    assert held / 600 > 0.95 - 3 * math.sqrt(0.95 * 0.05 / 600)


def test_shift_of_too_few_values_has_no_interval():
    found = shift([1.0, 2.0], [3.0, np.nan, 4.0])
    assert (found.value, found.before, found.after) == (2.0, 2, 2)
    assert math.isnan(found.low)
    assert math.isnan(shift([], [1.0]).value)
