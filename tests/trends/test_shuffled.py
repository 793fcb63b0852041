"""Points drawn again from shuffled cases, held against plain shuffles and against the laws of scipy.stats."""

import numpy as np
import pytest
from scipy import stats

from qi.trends import shuffled
from qi.trends.shuffled import (
    BETWEEN_DAYS,
    BETWEEN_GAPS,
    MEAN,
    MEDIAN,
    MOST_SHUFFLED,
    RATE,
    SHARE,
    SHUFFLES,
    SINGLE,
    CasesBehind,
    redrawn,
)

SIZES = np.array([3, 1, 8, 5, 12, 7, 2, 30])
NONE = np.zeros(0)


def behind(way, first, sizes=SIZES, second=NONE):
    return CasesBehind(way, np.asarray(first), second, np.concatenate([[0], np.cumsum(sizes)]))


def test_single_cases_are_the_same_values_in_another_order():
    values = np.random.default_rng(1).normal(size=20)
    found = redrawn(behind(SINGLE, values, np.ones(20, dtype=int)), np.arange(20)).value
    assert found.shape == (SHUFFLES, 20)
    assert (np.sort(found, axis=1) == np.sort(values)).all()
    assert len(np.unique(found, axis=0)) == SHUFFLES


def test_means_and_spreads_are_those_of_the_cases_of_each_point():
    """All cases together stay what they are: weighted means and squares give back the pool's."""
    values = np.random.default_rng(2).gamma(1.0, 3.0, SIZES.sum())
    found = redrawn(behind(MEAN, values), np.arange(len(SIZES)))
    assert found.n == pytest.approx(SIZES)
    assert (found.value * SIZES).sum(axis=1) == pytest.approx(values.sum())
    squares = (np.nan_to_num(found.sd) ** 2 * (SIZES - 1) + found.value**2 * SIZES).sum(axis=1)
    assert squares == pytest.approx((values**2).sum())
    assert np.isnan(found.sd[:, 1]).all()


def test_only_the_cases_of_the_points_asked_for_are_shuffled():
    values = np.repeat(np.arange(len(SIZES), dtype=float), SIZES)
    found = redrawn(behind(MEDIAN, values), np.array([0, 2, 3])).value
    assert set(np.unique(found)) <= {0.0, 1.0, 1.5, 2.0, 2.5, 3.0}


def test_shares_follow_the_hypergeometric_law():
    met = np.arange(SIZES.sum()) % 3 == 0
    found = redrawn(behind(SHARE, met), np.arange(len(SIZES))).value * SIZES
    assert found.sum(axis=1) == pytest.approx(met.sum())
    law = stats.hypergeom(len(met), int(met.sum()), 12)
    seen = np.bincount(np.round(found[:, 4]).astype(int), minlength=13) / SHUFFLES
    assert np.abs(seen - law.pmf(np.arange(13))).max() < 4 * np.sqrt(0.25 / SHUFFLES)


def test_rates_keep_events_and_exposure_of_a_case_together():
    exposure = np.random.default_rng(3).gamma(2.0, 5.0, SIZES.sum())
    found = redrawn(behind(RATE, 2.0 * exposure, second=exposure), np.arange(len(SIZES)))
    assert found.value == pytest.approx(2.0)
    assert found.n.sum(axis=1) == pytest.approx(exposure.sum())


@pytest.mark.parametrize("n", [1, 2, 5, 12])
def test_medians_by_rank_are_as_medians_of_independent_draws(n):
    """Kolmogorov-Smirnov test of scipy.stats against 4,000 plain draws."""
    rng = np.random.default_rng(4)
    pool = rng.lognormal(0.0, 1.0, MOST_SHUFFLED + 500)
    plain = np.median(rng.choice(pool, (4000, n)), axis=1)
    drawn = shuffled._medians_by_rank(rng, pool, np.array([n, n]))
    assert stats.ks_2samp(drawn[:, 0], plain).pvalue > 0.01


def test_many_cases_are_put_together_into_bundles_that_scatter_as_the_cases_do():
    """Standard error of a mean of n cases: sd / √n, within 8 % (1,000 series and 2,000 bundles)."""
    values = np.random.default_rng(5).gamma(1.0, 3.0, 100_000)
    sizes = np.array([2000, 3000, 10_000, 85_000])
    found = redrawn(behind(MEAN, values, sizes), np.arange(4))
    assert found.n == pytest.approx(sizes, rel=0.02)
    for at in range(3):
        held = 1.0 - found.n[at] / len(values)
        assert found.value[:, at].std() == pytest.approx(values.std() * np.sqrt(held / found.n[at]), rel=0.08)


@pytest.mark.parametrize("way", [BETWEEN_GAPS, BETWEEN_DAYS])
def test_events_are_strewn_as_by_a_plain_shuffle(way):
    """Kolmogorov-Smirnov test of scipy.stats of the first interval and of the longest against 2,000 plain shuffles."""
    rng = np.random.default_rng(6)
    happened = rng.random(90) < 0.2
    days = np.sort(rng.integers(0, 400, 90)).astype(float)
    events = int(happened.sum())
    drawn = redrawn(CasesBehind(way, happened, days, NONE), np.arange(events - 1)).value
    at = np.nonzero(rng.permuted(np.tile(happened, (2000, 1)), axis=1))[1].reshape(2000, events)
    plain = np.diff(at, axis=1) - 1.0 if way == BETWEEN_GAPS else np.diff(days[at], axis=1)
    assert drawn.shape[1] == events - 1
    assert stats.ks_2samp(drawn[:, 0], plain[:, 0]).pvalue > 0.01
    assert stats.ks_2samp(drawn.max(axis=1), plain.max(axis=1)).pvalue > 0.01


def test_the_same_cases_are_drawn_the_same_way_twice():
    cases = behind(MEDIAN, np.random.default_rng(7).normal(size=SIZES.sum()))
    assert (redrawn(cases, np.arange(8)).value == redrawn(cases, np.arange(8)).value).all()
