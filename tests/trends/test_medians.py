"""Intervals of medians, and the shift between two phases."""

import math

import numpy as np
import pytest
from scipy import stats

from qi.trends.medians import MOST_VALUES, _lower_rank, _rank_sum_ways, median_interval, median_ranks, shift
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


def of_all_pairs(before, after):
    """The full computation: every difference written down and put in order."""
    apart = np.sort(np.subtract.outer(after, before).ravel())
    rank = _lower_rank(len(before), len(after), 0.95)
    return np.median(apart), apart[rank - 1], apart[len(apart) - rank]


SHAPES = {
    "near symmetric": lambda chance, n: chance.normal(100.0, 15.0, n),
    "long tail": lambda chance, n: chance.lognormal(1.0, 0.8, n),
    "very long tail": lambda chance, n: chance.pareto(1.5, n),
    "share near one": lambda chance, n: chance.beta(20.0, 3.0, n),
    "two heaps": lambda chance, n: np.where(chance.random(n) < 0.5, chance.normal(0.0, 0.1, n), chance.normal(9.0, 0.1, n)),
}


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("sizes", [(2000, 3000), (40, 5000), (3100, 800)])
def test_many_values_give_what_all_their_differences_give(shape, sizes):
    """Bound of the docstring: within a fiftieth of the interval's width of the full computation."""
    chance = np.random.default_rng(21)
    before, after = (SHAPES[shape](chance, n) for n in sizes)
    found, full = shift(before, after), of_all_pairs(before, after)
    assert (found.before, found.after) == sizes
    assert (found.value, found.low, found.high) == pytest.approx(full, abs=(full[2] - full[1]) / 50)


def test_up_to_the_bound_every_difference_is_taken():
    chance = np.random.default_rng(22)
    before, after = chance.lognormal(size=MOST_VALUES), chance.lognormal(size=MOST_VALUES)
    found = shift(before, after)
    assert (found.value, found.low, found.high) == of_all_pairs(before, after)


def test_many_equal_values_keep_their_difference():
    """Counts of pauses: nearly all values alike."""
    before = np.repeat([0.0, 1.0, 2.0, 3.0], 1500)
    found = shift(before, before + 1.0)
    assert (found.value, found.low, found.high) == (1.0, 1.0, 1.0)


@pytest.mark.parametrize("sizes", [(30, 40), (400, 300), (2500, 2600)])
def test_interval_of_the_shift_is_where_scipys_rank_sum_test_turns(sizes):
    """An independent library: the interval of Hodges and Lehmann holds the shifts that scipy's mannwhitneyu does not reject."""
    chance = np.random.default_rng(23)
    before, after = chance.gumbel(10.0, 2.0, sizes[0]), chance.gumbel(10.8, 2.0, sizes[1])
    found = shift(before, after)
    away = (found.high - found.low) / 50

    def p(by):
        return stats.mannwhitneyu(after - by, before, method="asymptotic", use_continuity=False).pvalue

    assert p(found.low - away) < 0.05 < p(found.low + away)
    assert p(found.high + away) < 0.05 < p(found.high - away)
    assert p(found.value) == pytest.approx(1.0, abs=0.05)
