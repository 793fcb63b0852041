"""Shrinkage, and regression to the mean in words."""

import warnings

import numpy as np
import pytest

from qi.model.errors import BadTable
from qi.trends.shrinkage import (
    MEDIAN_ODDS_RATIO,
    between_groups,
    cases_for,
    cases_needed,
    expected_next,
    needed_in_words,
    needed_of_outcome,
    reliability_of_share,
    reliability_of_variance,
    shrunken,
    spread_of,
    words,
    words_of_outcome,
)
from tests.trends.cases import given

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from statsmodels.stats.meta_analysis import combine_effects

TAU = spread_of(MEDIAN_ODDS_RATIO)


def test_spread_from_the_median_odds_ratio():
    """Median odds ratio 1.56 between 112 agencies (Okubo et al. 2018, read): .466 in log odds."""
    assert pytest.approx(0.466, abs=5e-4) == TAU


@pytest.mark.parametrize(("n", "reliability"), [(20, 0.28), (50, 0.49), (100, 0.66)])
def test_reliability_at_ten_percent_survival(n, reliability):
    """The note, computed: at survival 10 %."""
    assert reliability_of_share(n, 0.1, tau=TAU) == pytest.approx(reliability, abs=0.005)


def test_cases_for_a_reliability():
    """The note, computed: about 119 cases for .7 at 10 %; rounded up here."""
    needed = cases_for(0.7, 0.1, tau=TAU)
    assert needed == pytest.approx(119, abs=1)
    assert reliability_of_share(needed, 0.1, tau=TAU) >= 0.7 > reliability_of_share(needed - 1, 0.1, tau=TAU)
    assert reliability_of_share(0, 0.1, tau=TAU) == 0.0


@pytest.mark.parametrize("between", [0.001, 0.02, 1.0])
def test_cases_needed_reach_the_reliability_and_one_fewer_does_not(between):
    count = cases_needed(0.7, one_case=0.25, between=between)
    assert reliability_of_variance(0.25 / count, between) >= 0.7
    assert count == 1 or reliability_of_variance(0.25 / (count - 1), between) < 0.7


def test_cases_needed_are_said_and_nothing_is_promised_where_groups_do_not_differ():
    assert needed_in_words("stations", one_case=0.25, between=0.005).startswith("From about 117 cases on, 70 % or more")
    assert needed_in_words("stations", one_case=0.25, between=1.0).startswith("From about 1 case on")
    assert "no number of cases can be named" in needed_in_words("stations", one_case=0.25, between=0.0)


def test_eighteen_batters_of_james_and_stein():
    """Efron and Morris 1975 and 1977: constant .212 (read in a secondary source); the pulled values are the note's arithmetic."""
    told = given("multiplicity_shrinkage.json")["james_stein"]
    averages, mean = np.array(told["hits"]) / told["n"], told["grand_mean"]
    pulled, reliability = shrunken(averages, np.full(18, mean * (1 - mean) / told["n"]))
    assert reliability == pytest.approx(np.full(18, 0.212), abs=5e-4)
    assert pulled == pytest.approx(told["js"], abs=6e-5)


def test_variance_between_groups_is_statsmodels():
    """An independent library: statsmodels combine_effects, method of moments (DerSimonian and Laird)."""
    values, variances = np.array([0.1, 0.5, 0.3, 0.9, 0.2]), np.array([0.01, 0.02, 0.03, 0.02, 0.01])
    assert between_groups(values, variances) == pytest.approx(combine_effects(values, variances, method_re="dl").tau2)


def test_pulled_values_lie_nearer_to_the_truth():
    """Simulated: 30 groups of unequal size about a common mean; on the whole the pulled values err less."""
    draws = np.random.default_rng(11)
    raw, pulled = 0.0, 0.0
    for _ in range(50):
        truth, variances = draws.normal(0.3, 0.05, 30), draws.uniform(0.001, 0.02, 30)
        seen = draws.normal(truth, np.sqrt(variances))
        raw += ((seen - truth) ** 2).sum()
        pulled += ((shrunken(seen, variances)[0] - truth) ** 2).sum()
    assert pulled < 0.6 * raw


def test_groups_that_scatter_by_chance_alone_are_all_the_same():
    pulled, reliability = shrunken([0.3, 0.31, 0.3, 0.29], [0.1] * 4)
    assert pulled == pytest.approx([0.3] * 4)
    assert list(reliability) == [0.0] * 4


@pytest.mark.parametrize(
    ("values", "variances"), [([1, 2, 3], [1, 1, 1]), ([1, 2, 3, 4], [1, 1, 0, 1]), ([1, 2, np.nan, 4], [1] * 4)]
)
def test_what_cannot_be_pulled(values, variances):
    with pytest.raises(BadTable):
        shrunken(values, variances)


def test_regression_to_the_mean_is_said():
    assert expected_next(0.3, 0.1, 0.25) == pytest.approx(0.15)
    text = words("Station 2", 0.3, 0.1, 0.25)
    assert "15 % is to be expected next even if nothing changes" in text
    assert "neither improvement nor decline" in text


def test_survival_of_a_station_leans_on_other_agencies_and_says_so():
    """The note, computed: 20 cases at 10 % have a reliability of .28, so that 30 % seen leaves 15.6 % to be expected."""
    text = words_of_outcome("Station 2", 6, 20, 0.1)
    assert "About 28 % of such a difference" in text
    assert "16 % is to be expected next" in text
    assert "112 agencies" in text


def test_cases_a_station_needs_before_its_survival_says_something():
    """The note, computed: about 119 cases at 10 % survival for a reliability of .7."""
    text = needed_of_outcome(0.1)
    assert text.startswith("Where 10 % of all have the outcome, a group needs about 120 cases before 70 %")
    assert "112 agencies" in text
    assert needed_of_outcome(0.0) == needed_of_outcome(1.0) == ""
