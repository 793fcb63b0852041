"""False signals: what the page prints, held against unchanging agencies and known tails."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from qi.model.errors import UnknownWord
from qi.trends.baselines import Baseline, Plan
from qi.trends.chance import FalseSignals, by_limits, by_runs, false_signals
from qi.trends.individuals import individuals, moving_range
from qi.trends.means import mean_chart
from qi.trends.proportions import p_chart, p_prime_chart
from qi.trends.rare_events import g_chart, t_chart
from qi.trends.rates import u_chart
from qi.trends.run_chart import run_chart
from qi.trends.signals import signals
from tests.trends.spc import points, read

AGENCIES, MONTHS = 200, 36
TWO_YEARS = Plan((Baseline("2030-12-31", "two years"),))


def unchanging(chance, plan=TWO_YEARS):
    """The page of one invented agency in which nothing changes: four charts of independent months with varying n."""
    n = chance.integers(8, 25, MONTHS)
    fractions = [np.median(chance.normal(0.78, 0.08, size)) for size in n]
    delays = [np.median(chance.lognormal(4.0, 0.6, size)) for size in n]
    met = chance.binomial(n, 0.6).astype(float)
    table = points(fractions, n=n)
    return [
        run_chart(table.assign(value=delays), unit="s", every="month"),
        run_chart(table, plan, unit="1", every="month"),
        individuals(table, unit="1", every="month"),
        p_chart(table.assign(count=met), plan, every="month"),
    ]


def test_200_unchanging_agencies_give_no_more_false_signals_than_their_pages_print():
    """Null check. 200 seeded agencies, four charts each. Charts with a signal may exceed the sum of the printed chances by three
    standard errors of a sum of that many coins, and so may pages with one; nor may the printed chances be empty threats: at
    least half of them comes true."""
    chance = np.random.default_rng(20310301)
    told_charts, told_pages, seen_charts, seen_pages = [], [], 0, 0
    for _ in range(AGENCIES):
        charts = unchanging(chance)
        page = false_signals(charts)
        told_charts += page.by_chart
        told_pages.append(page.at_least_one)
        found = [bool(signals(chart)) for chart in charts]
        seen_charts += sum(found)
        seen_pages += any(found)
    for told, seen in ((np.array(told_charts), seen_charts), (np.array(told_pages), seen_pages)):
        assert seen <= told.sum() + 3 * math.sqrt((told * (1 - told)).sum())
        assert seen >= told.sum() / 2


def test_a_real_shift_is_found_in_most_agencies():
    """Positive control: from 60 % to 85 % met after two frozen years, 20 cases a month: found in at least 19 of 20 agencies."""
    chance = np.random.default_rng(5)
    found = 0
    for _ in range(20):
        n = np.full(MONTHS, 20.0)
        met = chance.binomial(20, np.r_[np.full(24, 0.6), np.full(12, 0.85)]).astype(float)
        found += bool(signals(p_chart(points(met / n, count=met, n=n), TWO_YEARS, every="month")))
    assert found >= 19


def test_run_rules_of_24_months_about_their_median():
    """The research note's figure: 3.0 % each, so that 20 stations show at least one in 46 %."""
    chart = run_chart(points(np.tile([1.0, 2.0], 12)), unit="mm", every="month")
    page = false_signals([chart] * 20)
    assert page.by_chart[0] == pytest.approx(0.030, abs=1e-3)
    assert page.at_least_one == pytest.approx(0.46, abs=5e-3)
    assert page.expected == pytest.approx(20 * page.by_chart[0])


def test_limits_of_shares_break_as_the_binomial_says():
    """scipy.stats.binom, 300 periods of 101: chance that one lies beyond the limits drawn. Four standard errors of 2,000 series,
    and a tenth of the chance, since each series has its own mean share."""
    chart = p_chart(points(np.full(300, 0.5), count=np.full(300, 50.5), n=np.full(300, 101.0)), every="month")
    row = chart.points.iloc[0]
    each = stats.binom.sf(math.floor(row["high"] * 101), 101, 0.5) + stats.binom.cdf(math.ceil(row["low"] * 101) - 1, 101, 0.5)
    known = 1 - (1 - each) ** 300
    assert by_limits(chart, chart.sections[0], ()) == pytest.approx(known, abs=4 * math.sqrt(known / 2000) + 0.1 * known)


def test_limits_of_rates_break_as_the_poisson_law_says():
    """scipy.stats.poisson, as above."""
    chart = u_chart(points([0.1] * 24, count=[9.0] * 24, exposure=[90.0] * 24), unit="1/min", every="month")
    row = chart.points.iloc[0]
    each = stats.poisson.sf(math.floor(row["high"] * 90), 9) + stats.poisson.cdf(math.ceil(row["low"] * 90) - 1, 9)
    known = 1 - (1 - each) ** 24
    assert by_limits(chart, chart.sections[0], ()) == pytest.approx(known, abs=4 * math.sqrt(known / 2000) + 0.1 * known)


def test_limits_of_a_very_long_series_break_as_the_normal_law_says():
    """scipy.stats.norm: 2 × (1 - Φ(3)) a point. The bounds are those of a sigma 5 % too wide and too narrow."""
    chart = individuals(points(np.tile([1.0, 2.0], 150)), unit="mm", every="month")
    each = [2 * stats.norm.sf(3 * factor) for factor in (1.05, 0.95)]
    low, high = (1 - (1 - one) ** 300 for one in each)
    assert low < by_limits(chart, chart.sections[0], ()) < high


def test_frozen_limits_of_few_points_break_more_often_than_own_ones():
    values = np.tile([1.0, 2.0], 18)
    own = individuals(points(values), unit="mm", every="month")
    frozen = individuals(points(values), Plan((Baseline("2030-01-31", "thirteen months"),)), unit="mm", every="month")
    assert by_limits(frozen, frozen.sections[0], ()) > by_limits(own, own.sections[0], ()) + 0.05


def test_values_that_rest_on_few_cases_break_limits_that_ignore_n():
    even = individuals(points(np.tile([1.0, 2.0], 18)), unit="mm", every="month")
    uneven = individuals(points(np.tile([1.0, 2.0], 18), n=np.tile([2.0, 40.0, 40.0], 12)), unit="mm", every="month")
    assert by_limits(uneven, uneven.sections[0], ()) > 2 * by_limits(even, even.sections[0], ())


@pytest.mark.parametrize(
    ("maker", "draw"),
    [
        (individuals, lambda chance: points(chance.standard_normal(24))),
        (moving_range, lambda chance: points(chance.standard_normal(24))),
        (p_prime_chart, lambda chance: _shares(np.clip(chance.normal(0.5, 0.12, 24), 0, 1) * 100)),
        (mean_chart, lambda chance: _means(chance)),
        (g_chart, lambda chance: points(chance.geometric(0.05, 24) - 1.0)),
        (t_chart, lambda chance: points(chance.exponential(9.0, 24))),
    ],
    ids=["xmr", "mr", "p'", "x-bar", "g", "t"],
)
def test_each_kind_signals_as_often_as_it_says(maker, draw):
    """150 seeded unchanging charts of each kind, as in the null check: not more than three standard errors above the sum."""
    chance = np.random.default_rng(77)
    told, seen = 0.0, 0
    for _ in range(150):
        chart = maker(draw(chance), unit="1", every="month")
        told += false_signals([chart]).at_least_one
        seen += bool(signals(chart))
    share = told / 150
    assert seen <= told + 3 * math.sqrt(150 * share * (1 - share))
    assert seen >= told / 3


def _shares(count):
    return points(count / 100, count=count, n=np.full(len(count), 100.0))


def _means(chance):
    n = chance.integers(2, 9, 24)
    groups = [chance.standard_normal(size) for size in n]
    return points(np.zeros(24), mean=[g.mean() for g in groups], sd=[g.std(ddof=1) for g in groups], n=n)


def test_further_rules_make_false_signals_likelier():
    chart = individuals(points(np.tile([1.0, 2.0], 12)), unit="mm", every="month")
    few = false_signals([chart]).at_least_one
    more = false_signals([chart], rules=("nelson 3", "nelson 5", "nelson 6")).at_least_one
    assert more > few + 0.05
    with pytest.raises(UnknownWord):
        false_signals([chart], rules=("nelson 0",))


def test_charts_that_are_not_judged_cannot_signal():
    chart = individuals(points(np.tile([1.0, 2.0], 4)), unit="mm", every="month")
    assert false_signals([chart]).at_least_one == 0
    assert by_runs(chart, replace(chart.sections[0], runs=False)) == 0
    assert signals(chart) == ()


def test_the_page_says_it_in_words():
    page = FalseSignals((0.1, 0.2, 0.06))
    assert page.at_least_one == pytest.approx(1 - 0.9 * 0.8 * 0.94)
    assert "at least one of these 3 charts shows a signal by chance with a probability of about 32 %" in page.words
    assert "on average 0.4 of them do" in page.words
    assert "this chart shows a signal by chance with a probability of about 10 %" in FalseSignals((0.1,)).words
    assert FalseSignals(()).words == "No chart stands on this page."
    assert FalseSignals(()).at_least_one == 0


def test_the_same_page_prints_the_same_chance_twice():
    given = read("nist_individuals.json")["x"] * 2
    chart = individuals(points(given), unit="l/min", every="month")
    assert false_signals([chart]) == false_signals([chart])
