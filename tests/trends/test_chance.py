"""False signals: what the page prints, held against known tails; tests/desk/test_null_check.py does it with unchanging agencies."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from qi.model.errors import UnknownWord
from qi.trends.baselines import NO_PLAN, Baseline, Excluded, Phase, Plan
from qi.trends.chance import FalseSignals, by_limits, by_runs, false_signals
from qi.trends.individuals import individuals, log_individuals, moving_range
from qi.trends.proportions import p_chart
from qi.trends.rates import u_chart
from qi.trends.run_chart import run_chart
from qi.trends.shuffled import MEAN, RATE, SHARE, SHUFFLES, SINGLE, CasesBehind
from qi.trends.signals import signals
from tests.trends.spc import points

MONTHS = 36
TWO_YEARS = Plan((Baseline("2030-12-31", "two years"),))


def behind(way, first, sizes, second=()):
    """The cases of a chart, so many behind each point."""
    edges = np.concatenate([[0], np.cumsum(sizes)]).astype(int)
    return CasesBehind(way, np.asarray(first), np.asarray(second, dtype=float), edges)


def with_means(seed, sizes, plan=NO_PLAN, maker=individuals):
    """A chart of means of normal cases."""
    cases = behind(MEAN, np.random.default_rng(seed).standard_normal(int(np.sum(sizes))), sizes)
    parts = np.split(cases.first, cases.edges[1:-1])
    found = points([part.mean() for part in parts], mean=[part.mean() for part in parts], n=sizes)
    return replace(maker(found, plan, unit="mm", every="month"), cases=cases)


def with_shares(seed, sizes, plan=NO_PLAN):
    cases = behind(SHARE, np.random.default_rng(seed).random(int(np.sum(sizes))) < 0.6, sizes)
    met = [part.sum() for part in np.split(cases.first, cases.edges[1:-1])]
    return replace(p_chart(points(np.zeros(len(sizes)), count=met, n=sizes), plan, every="month"), cases=cases)


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
    """scipy.stats.binom, 300 periods of 101: chance that one lies beyond the limits drawn. Four standard errors of the shuffles,
    and a tenth of the chance, since the share of all cases together is held."""
    chart = p_chart(points(np.full(300, 0.5), count=np.full(300, 50.5), n=np.full(300, 101.0)), every="month")
    chart = replace(chart, cases=behind(SHARE, np.arange(300 * 101) % 2 == 0, np.full(300, 101)))
    row = chart.points.iloc[0]
    each = stats.binom.sf(math.floor(row["high"] * 101), 101, 0.5) + stats.binom.cdf(math.ceil(row["low"] * 101) - 1, 101, 0.5)
    known = 1 - (1 - each) ** 300
    assert by_limits(chart, chart.sections[0], ()) == pytest.approx(known, abs=4 * math.sqrt(known / SHUFFLES) + 0.1 * known)


def test_limits_of_rates_break_as_the_poisson_law_says():
    """scipy.stats.poisson, 24 periods of 80 cases with 0.1 events each; as above, and the cases drawn scatter a little more or less
    than the law: a fifth of the chance."""
    events = np.random.default_rng(8).poisson(0.1, 24 * 80).astype(float)
    chart = u_chart(points([0.1] * 24, count=[8.0] * 24, exposure=[80.0] * 24), unit="1/min", every="month")
    chart = replace(chart, cases=behind(RATE, events, np.full(24, 80), np.ones(24 * 80)))
    mean = events.sum() / 24
    high, low = mean + 3 * math.sqrt(mean), mean - 3 * math.sqrt(mean)
    each = stats.poisson.sf(math.floor(high), mean) + stats.poisson.cdf(math.ceil(low) - 1, mean)
    known = 1 - (1 - each) ** 24
    assert by_limits(chart, chart.sections[0], ()) == pytest.approx(known, abs=4 * math.sqrt(known / SHUFFLES) + 0.2 * known)


def test_limits_of_a_very_long_series_break_as_the_normal_law_says():
    """scipy.stats.norm: 2 × (1 - Φ(3)) a point. The bounds are those of a sigma 5 % too wide and too narrow."""
    chart = with_means(4, np.full(300, 6))
    each = [2 * stats.norm.sf(3 * factor) for factor in (1.05, 0.95)]
    low, high = (1 - (1 - one) ** 300 for one in each)
    assert low < by_limits(chart, chart.sections[0], ()) < high


def test_frozen_limits_of_few_points_break_more_often_than_own_ones():
    own = with_means(1, np.full(36, 10))
    frozen = with_means(1, np.full(36, 10), Plan((Baseline("2030-01-31", "thirteen months"),)))
    assert by_limits(frozen, frozen.sections[0], ()) > by_limits(own, own.sections[0], ()) + 0.05


def test_values_that_rest_on_few_cases_break_limits_that_ignore_n():
    even, uneven = with_means(2, np.full(36, 10)), with_means(2, np.tile([2, 40, 40], 12))
    assert by_limits(uneven, uneven.sections[0], ()) > 2 * by_limits(even, even.sections[0], ())


PLANNED = Plan(
    (Baseline("2030-03-31", "fifteen months", "2029-03-01"),),
    (Phase("2030-10-01", "a new device"),),
    (Excluded("2030-01", "a training week"),),
)


@pytest.mark.parametrize("rules", [(), ("nelson 3", "nelson 5")], ids=["limits", "further rules"])
@pytest.mark.parametrize(
    "make", [with_shares, with_means, lambda *given: with_means(*given, maker=moving_range)], ids=["p", "xmr", "mr"]
)
def test_what_people_set_is_respected(make, rules):
    """80 seeded unchanging charts with a frozen baseline, a phase and a point left out: the null check holds for them too, within
    three standard errors of a sum of that many coins."""
    sizes = np.random.default_rng(3).integers(3, 15, 36)
    charts = [make(seed, sizes, PLANNED) for seed in range(80)]
    told = np.array([false_signals([chart], rules=rules).at_least_one for chart in charts])
    seen = sum(bool(signals(chart, rules=rules)) for chart in charts)
    error = 3 * math.sqrt((told * (1 - told)).sum())
    assert told.sum() > 5
    assert told.sum() / 2 - error <= seen <= told.sum() + error


def test_further_rules_make_false_signals_likelier():
    chart = with_means(6, np.full(24, 8))
    few = false_signals([chart]).at_least_one
    more = false_signals([chart], rules=("nelson 3", "nelson 5", "nelson 6")).at_least_one
    assert more > few + 0.05
    with pytest.raises(UnknownWord):
        false_signals([chart], rules=("nelson 0",))


def test_limits_without_their_cases_have_no_chance_told():
    alone, run = (
        replace(with_means(6, np.full(24, 8)), cases=None),
        run_chart(points(np.tile([1.0, 2.0], 12)), unit="s", every="month"),
    )
    assert false_signals([alone]).by_chart == (None,)
    assert false_signals([alone]).words.startswith("Of this chart no chance of a false signal can be told")
    both = false_signals([alone, run]).words
    assert both.startswith("Of 1 of these charts no chance")
    assert "this chart shows a signal by chance with a probability of about 3 %" in both


def test_logarithms_without_a_series_above_zero_have_no_chance_told():
    """Where a value of 0 is among single cases every shuffle holds it, and a chart of logarithms cannot be drawn."""
    chart = log_individuals(points(np.arange(1.0, 25.0)), unit="s", every="month")
    assert false_signals([replace(chart, cases=behind(SINGLE, np.arange(24.0), np.ones(24)))]).by_chart == (None,)


def test_charts_that_are_not_judged_cannot_signal():
    chart = individuals(points(np.tile([1.0, 2.0], 4)), unit="mm", every="month")
    assert false_signals([chart]).at_least_one == 0
    assert by_runs(chart, replace(chart.sections[0], runs=False)) == 0
    assert signals(chart) == ()


def test_the_page_says_it_in_words():
    page = FalseSignals((0.1, 0.2, 0.06))
    assert "shuffled" not in page.words
    assert "reckoned from the chart's own cases, shuffled" in FalseSignals((0.1,), shuffled=True).words
    assert "under 1 %" in FalseSignals((0.001,)).words
    assert "over 99 %" in FalseSignals((1.0,)).words
    assert FalseSignals((0.0,)).words.startswith("No signal is looked for in this chart yet")
    assert page.at_least_one == pytest.approx(1 - 0.9 * 0.8 * 0.94)
    assert "at least one of these 3 charts shows a signal by chance with a probability of about 32 %" in page.words
    assert "on average 0.4 of them do" in page.words
    assert "this chart shows a signal by chance with a probability of about 10 %" in FalseSignals((0.1,)).words
    assert FalseSignals(()).words == "No chart stands on this page."
    assert FalseSignals(()).at_least_one == 0


def test_the_same_page_prints_the_same_chance_twice():
    chart = with_means(9, np.full(24, 8))
    assert false_signals([chart]) == false_signals([chart])
    assert 0 < false_signals([chart]).at_least_one < 1
