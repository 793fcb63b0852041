"""Run rules and their exact chances."""

import math
from fractions import Fraction
from itertools import combinations, product

import numpy as np
import pytest
from scipy import stats

from qi.trends.runs import (
    EXACT_TRIALS,
    Signs,
    chance,
    chance_fixed_centre,
    chance_own_centre,
    fewest_crossings,
    longest_allowed,
    lower_half_point,
    runs,
)
from tests.trends.spc import read

TABLE = list(read("anhoej_critical_values.csv").itertuples())


def broken(side, longest, crossings):
    found = runs(side)
    return found.longest > longest or found.crossings < crossings


def test_limits_of_run_rules_for_10_to_100_points():
    """Anhøj and Olesen 2014: longest run from the published table (read), crossings as R qicharts2 gives them."""
    for row in TABLE:
        assert (longest_allowed(row.n_useful), fewest_crossings(row.n_useful)) == (row.longest_run_max, row.crossings_min)


def test_fewest_crossings_is_scipys_binomial_point():
    for useful in range(1, 400):
        assert fewest_crossings(useful) == stats.binom.ppf(0.05, useful - 1, 0.5)


def test_chance_of_a_known_centre_for_10_to_100_points():
    """anhoej_critical_values.csv: whole tables of R crossrun give the same for 14 and 60 points."""
    for row in TABLE:
        of = {"longest": row.longest_run_max, "crossings": row.crossings_min}
        assert chance_fixed_centre(row.n_useful, **of) == pytest.approx(row.p_false_signal_either, abs=6e-6)
        for longest, column in ((5, row.p_false_run_ge6), (7, row.p_false_run_ge8), (8, row.p_false_run_ge9)):
            assert chance_fixed_centre(row.n_useful, longest=longest, crossings=0) == pytest.approx(column, abs=6e-5)
        only_crossings = chance_fixed_centre(row.n_useful, longest=row.n_useful, crossings=row.crossings_min)
        assert only_crossings == pytest.approx(row.p_crossings_fewer, abs=6e-6)


def test_a_run_of_eight_heads_in_ten_tosses():
    """By hand: 16 of 1024 sequences of ten have eight or more of one kind in a row at one stretch."""
    counted = sum(broken(np.where(toss, 1, -1), 7, 0) for toss in product([False, True], repeat=10))
    assert chance_fixed_centre(10, longest=7, crossings=0) == counted / 1024


@pytest.mark.parametrize(("above", "below"), [(5, 5), (6, 4), (3, 8), (0, 4), (1, 0), (7, 6)])
@pytest.mark.parametrize(("longest", "crossings"), [(3, 2), (6, 4), (2, 0), (20, 5)])
def test_chance_of_an_own_centre_is_that_of_all_orders(above, below, longest, crossings):
    count = above + below
    orders = [np.where(np.isin(range(count), up), 1, -1) for up in combinations(range(count), above)]
    share = sum(broken(order, longest, crossings) for order in orders) / math.comb(count, above)
    assert chance_own_centre(above, below, longest=longest, crossings=crossings) == pytest.approx(share, abs=1e-12)


def test_twenty_stations_of_24_months():
    """The research note's own figures: at least one false signal 46 % about medians, 75 % about centres known beforehand."""
    rule = {"longest": longest_allowed(24), "crossings": fewest_crossings(24)}
    own, fixed = chance_own_centre(12, 12, **rule), chance_fixed_centre(24, **rule)
    assert own == pytest.approx(0.030, abs=1e-3)
    assert 1 - (1 - own) ** 20 == pytest.approx(0.46, abs=5e-3)
    assert 1 - (1 - fixed) ** 20 == pytest.approx(0.75, abs=5e-3)


def test_chance_of_a_frozen_median_is_that_of_simulated_series():
    """20,000 seeded normal series, 23 points frozen and 12 later; tolerance four standard errors of the simulation."""
    draws = np.random.default_rng(11).standard_normal((20000, 35))
    middle = np.median(draws[:, :23], axis=1, keepdims=True)
    rule = {"longest": longest_allowed(34), "crossings": fewest_crossings(34)}
    seen = np.mean([broken(row, rule["longest"], rule["crossings"]) for row in np.sign(draws - middle)])
    told = chance(Signs(11, 11, 12), **rule)
    assert told == pytest.approx(seen, abs=4 * math.sqrt(told / 20000))


def test_chance_without_points_judged_later_is_the_exact_one():
    rule = {"longest": 8, "crossings": 8}
    assert chance(Signs(12, 12), **rule) == chance_own_centre(12, 12, **rule)
    assert chance(Signs(0, 0, 24), **rule) == chance_fixed_centre(24, **rule)
    ahead = chance(Signs(500, 500, 12), **rule)
    assert 0 < ahead < 1


def test_points_on_the_centre_are_dropped():
    """Constructed series with ties; expected values are R qicharts2's output."""
    given = read("phases_and_runs.json")["ties"]
    found = runs(np.array(given["y"]) - given["median"])
    assert (found.useful, found.longest, found.crossings) == (given["n_useful"], given["longest_run"], given["crossings"])


def test_runs_of_nothing_and_of_missing_values():
    assert runs([]).useful == 0
    assert runs([0.0, np.nan]).longest == 0
    found = runs([1, np.nan, 1, 0, 1, -1])
    assert (found.longest, found.crossings, found.stretches) == (3, 1, ((0, 4, True), (5, 5, False)))


def test_points_of_the_binomial_distribution_at_one_half_are_scipys():
    """scipy.stats.binom.ppf, on both sides of the size from which floats are used."""
    for trials in (9, 100, EXACT_TRIALS, EXACT_TRIALS + 1, 2777, 40_000):
        for share in (Fraction(1, 20), Fraction(1, 40)):
            assert lower_half_point(trials, share) == stats.binom.ppf(float(share), trials, 0.5), (trials, share)
