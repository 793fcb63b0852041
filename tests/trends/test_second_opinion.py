"""Live second opinion: limits and rules by an independent general-purpose package, pycontrolcharts (MIT), on seeded series.

It has no p', u', g or t chart and no run chart; those are held against another program's output in the other tests. It rounds A3,
B3, B4 and D4 to three digits in its own way, so that such limits may lie a thousandth of their distance apart.
"""

import numpy as np
import pycontrolcharts
import pytest

from qi.trends.individuals import individuals, moving_range
from qi.trends.means import mean_chart, spread_chart
from qi.trends.proportions import p_chart
from qi.trends.rates import u_chart
from qi.trends.rules import RULES
from tests.trends.spc import points

SEEDS = range(5)


def same_lines(ours, theirs, *, high="ucl", low="lcl", centre="center_line", abs_=1e-9):
    for mine, other in (("centre", centre), ("high", high), ("low", low)):
        assert ours[mine].to_numpy() == pytest.approx(theirs[other].to_numpy(dtype=float), abs=abs_), mine


@pytest.mark.parametrize("seed", SEEDS)
def test_individuals_and_moving_range(seed):
    values = np.random.default_rng(seed).normal(50.0, 3.0, 30)
    theirs = pycontrolcharts.calc_xmr(values.tolist(), run_tests=False)
    same_lines(individuals(points(values), unit="mm", every="month").points, theirs)
    ranges = moving_range(points(values), unit="mm", every="month").points
    assert ranges["value"].to_numpy() == pytest.approx(theirs["variation"].to_numpy(dtype=float), nan_ok=True)
    same_lines(ranges.iloc[1:], theirs.iloc[1:], high="variation_ucl", low="variation_lcl", centre="variation_cl", abs_=7e-3)


@pytest.mark.parametrize("seed", SEEDS)
def test_shares(seed):
    chance = np.random.default_rng(seed)
    n = chance.integers(5, 60, 24)
    count = chance.binomial(n, chance.uniform(0.1, 0.9))
    theirs = pycontrolcharts.calc_p(count.tolist(), sample_size=n.tolist(), run_tests=False)
    ours = p_chart(points(count / n, count=count, n=n), every="month").points
    theirs = theirs.assign(ucl=theirs["ucl"].clip(upper=1.0), lcl=theirs["lcl"].clip(lower=0.0))
    same_lines(ours, theirs)


@pytest.mark.parametrize("seed", SEEDS)
def test_rates(seed):
    chance = np.random.default_rng(seed)
    area = chance.integers(20, 200, 24)
    count = chance.poisson(0.1 * area)
    theirs = pycontrolcharts.calc_u(count.tolist(), area=area.tolist(), run_tests=False)
    ours = u_chart(points(count / area, count=count, exposure=area), unit="1/min", every="month").points
    same_lines(ours, theirs.assign(lcl=theirs["lcl"].clip(lower=0.0)))


@pytest.mark.parametrize("seed", SEEDS)
def test_means_and_spreads(seed):
    groups = np.random.default_rng(seed).normal(110.0, 6.0, (24, 6))
    theirs = pycontrolcharts.calc_xbar_s(groups.ravel().tolist(), subgroup_size=6, run_tests=False)
    table = points(groups.mean(axis=1), mean=groups.mean(axis=1), sd=groups.std(axis=1, ddof=1), n=np.full(24, 6.0))
    same_lines(mean_chart(table, unit="1/min", every="month").points, theirs, abs_=2e-3)
    spread = spread_chart(table, unit="1/min", every="month").points
    same_lines(spread, theirs, high="variation_ucl", low="variation_lcl", centre="variation_cl", abs_=7e-3)


def test_nelson_rules():
    """400 seeded series with centre 0 and sigma 1 given: all points of the patterns of rules 1 and 2. Its rules 5 and 6 ask
    that the odd point lie on the same side of the centre, its trends count from the first value's sign: those are not compared."""
    of_type = {1: "nelson 1", 2: "nelson 1", 3: "nelson 2", 4: "nelson 2"}
    limits = pycontrolcharts.CustomLimits(center_line=0.0, ucl=3.0, lcl=-3.0)
    config = pycontrolcharts.RunTestConfig(test3=False, test5=False, test6=False)
    seen = set()
    for series in np.random.default_rng(9).standard_normal((400, 40)) * 1.2 + 0.3:
        table = pycontrolcharts.run_tests_with_custom_limits(series.tolist(), limits=limits, run_tests=config)
        theirs = {(of_type[one["type"]], at) for at, found in enumerate(table["violations"]) for one in found}
        ours = {
            (name, int(end) - back)
            for name in ("nelson 1", "nelson 2")
            for end in np.flatnonzero(RULES[name].ends(series))
            for back in range(RULES[name].span)
        }
        assert ours == theirs
        seen |= {name for name, _ in theirs}
    assert seen == {"nelson 1", "nelson 2"}
