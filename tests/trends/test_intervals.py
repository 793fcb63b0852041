"""Shares and counts with their intervals, and what may be shown of few cases."""

import math

import pytest
from hypothesis import given as for_all
from hypothesis import strategies as st
from scipy import stats

from qi.trends.intervals import byar_count, chance_of_share, exact_count, percent, share, shown, shown_words
from tests.trends.cases import given
from tests.trends.spc import read

NEWCOMBE = read("proportion_ci.csv")


@pytest.mark.parametrize("row", list(NEWCOMBE.itertuples()), ids=lambda row: f"{row.k} of {row.n}")
def test_newcombe_1998_wilson(row):
    """Newcombe, Statistics in Medicine 17 (1998) 857, Table I, method 3 (first four rows, read in a secondary copy)."""
    one = share(row.k, row.n)
    assert (one.low, one.high) == pytest.approx((row.wilson_lo, row.wilson_hi), abs=6e-6)


@for_all(st.integers(1, 400), st.data())
def test_chance_of_a_share_is_scipys(n, data):
    """An independent library: twice the smaller tail of scipy's binomial distribution."""
    count, p = data.draw(st.integers(0, n)), data.draw(st.floats(0.01, 0.99))
    tails = stats.binom.cdf(count, n, p), stats.binom.sf(count - 1, n, p)
    assert chance_of_share(count, n, p) == pytest.approx(min(1.0, 2 * min(tails)), abs=1e-9)


@pytest.mark.parametrize("row", list(given("poisson_limits.csv").itertuples()), ids=lambda row: str(row.observed))
def test_limits_of_a_count_given_in_the_note(row):
    assert exact_count(row.observed) == pytest.approx((row.exact_lo, row.exact_hi), abs=6e-6)
    assert byar_count(row.observed) == pytest.approx((row.byar_lo, row.byar_hi), abs=6e-6)


@pytest.mark.parametrize("count", [0, 1, 7, 40, 900])
def test_limits_of_a_count_are_chi_squared_quantiles(count):
    """An independent library: half the chi-squared quantiles of scipy."""
    low = stats.chi2.ppf(0.025, 2 * count) / 2 if count else 0.0
    assert exact_count(count) == pytest.approx((low, stats.chi2.ppf(0.975, 2 * count + 2) / 2), rel=1e-8)


def test_no_case_at_all_has_no_interval():
    none = share(0, 0)
    assert math.isnan(none.value)
    assert math.isnan(none.low)
    assert none.words() == "0 of 0"


@pytest.mark.parametrize(("n", "how"), [(0, "counts only"), (9, "counts only"), (10, "grey"), (29, "grey"), (30, "plain")])
def test_what_may_be_shown_of_so_many(n, how):
    assert shown(n) == how
    assert bool(shown_words(n)) == (n < 30)


def test_words_hold_no_share_below_ten_cases_and_count_the_missing_apart():
    assert share(2, 9, missing=3).words() == "2 of 9, not known in 3"
    assert share(9, 30).words() == "9 of 30 (30 %, 95 % interval 17 % to 48 %)"


def test_missing_cases_bound_the_share():
    one = share(5, 10, missing=10)
    assert (one.at_least, one.value, one.at_most) == (0.25, 0.5, 0.75)


@pytest.mark.parametrize(
    ("value", "text"), [(0.0, "0 %"), (0.001, "under 1 %"), (0.999, "over 99 %"), (1.0, "100 %"), (math.nan, "–")]
)
def test_percent_never_rounds_some_to_none_or_all(value, text):
    assert percent(value) == text
