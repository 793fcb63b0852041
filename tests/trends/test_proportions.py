"""p and p' charts and the interval of a share."""

import numpy as np
import pytest

from qi.trends.baselines import Baseline, Excluded, Plan
from qi.trends.proportions import p_chart, p_prime_chart, proportion_limits, wilson
from qi.trends.signals import signals
from tests.trends.spc import out, points, read, starts


def shares(count, n):
    n = np.broadcast_to(n, len(count)).astype(float)
    return points(np.asarray(count) / n, count=count, n=n)


def test_p_chart_nist_handbook_6_3_3_2():
    """NIST/SEMATECH e-Handbook 6.3.3.2 (quoted; it prints the upper limit as .4103): centre, limits, signals."""
    given = read("p_chart_nist_montgomery.json")
    chart = p_chart(shares(given["defectives"], given["n"]), every="month")
    row = chart.points.iloc[0]
    assert (row["centre"], row["high"], row["low"]) == pytest.approx((0.2313, 0.41024, 0.05243), abs=6e-5)
    assert out(chart, signals(chart)) == [15, 23]


def test_p_chart_without_the_two_points_that_were_explained():
    """Same data, 15 and 23 left out of the limits; expected values are R qicharts2's output. They stay visible and unjudged."""
    given = read("p_chart_nist_montgomery.json")
    plan = Plan(excluded=tuple(Excluded(starts(23)[at - 1][:7], "new operator") for at in (15, 23)))
    chart = p_chart(shares(given["defectives"], given["n"]), plan, every="month")
    row, expected = chart.points.iloc[14], given["expected"]["revised"]
    assert (row["centre"], row["high"], row["low"]) == pytest.approx((expected["pbar"], expected["ucl"], expected["lcl"]), abs=1e-6)
    assert out(chart, signals(chart)) == [21]
    assert row["value"] == 0.44
    assert row["why"] == "new operator"
    assert sum("new operator" in note for note in chart.notes) == 2


def test_p_chart_of_varying_n():
    """Montgomery, Table 7.4; expected values are R qcc's output."""
    given = read("p_chart_variable_n.json")
    chart = p_chart(shares(given["events"], given["n"]), every="month")
    assert chart.points["centre"].iloc[0] == pytest.approx(given["expected"]["pbar"], abs=1e-7)
    assert chart.points["high"].to_numpy() == pytest.approx(given["expected"]["ucl"], abs=6e-7)
    assert chart.points["low"].to_numpy() == pytest.approx(given["expected"]["lcl"], abs=6e-7)
    assert out(chart, signals(chart)) == given["expected"]["signals_1based"]
    assert chart.sigma_z == pytest.approx([given["expected"]["laney_sigma_z_d2_1128"]], abs=1e-6)
    assert any("n is too small for one period alone to lie below" in note for note in chart.notes)


def test_p_prime_of_large_n():
    """Mohammed et al. 2013, attendances seen in 4 h; expected values are R qicharts2's output, controlchartspy's the same."""
    given = read("laney_p_prime_nhs.json")
    expected = given["expected"]
    plain, prime = (maker(shares(given["r"], given["n"]), every="month") for maker in (p_chart, p_prime_chart))
    assert prime.points["centre"].iloc[0] == pytest.approx(expected["pbar"], abs=1e-10)
    assert prime.sigma_z == pytest.approx([expected["sigma_z_d2_1128"]], abs=1e-7)
    assert prime.points["high"].to_numpy() == pytest.approx(expected["ucl_prime"], abs=6e-9)
    assert prime.points["low"].to_numpy() == pytest.approx(expected["lcl_prime"], abs=6e-9)
    assert out(plain, signals(plain)) == expected["p_chart_signals_1based"]
    assert out(prime, signals(prime)) == []
    assert any("scatter 10.6 times" in note for note in plain.notes)


def test_p_prime_never_narrows_the_limits_and_says_so():
    """Constructed bundle series: unclamped limits from R qicharts2 are narrower than those of the p chart; ours are not."""
    given = read("phases_and_runs.json")["p_chart"]
    plan = Plan(baselines=(Baseline("2030-12-31", "before the new bundle"),))
    plain, prime = (maker(shares(given["k"], given["n"]), plan, every="month") for maker in (p_chart, p_prime_chart))
    assert prime.sigma_z[0] == pytest.approx(0.34, abs=5e-3)
    assert prime.points["high"].to_numpy() == pytest.approx(plain.points["high"].to_numpy())
    assert any("sigma_z is 0.34; below 1 it is taken as 1" in note for note in prime.notes)
    unclamped = given["p_prime_freeze_24"]
    half = (prime.points["high"].iloc[0] - prime.points["centre"].iloc[0]) * prime.sigma_z[0]
    assert prime.points["centre"].iloc[0] + half == pytest.approx(unclamped["ucl_1"], abs=1e-6)


def test_p_chart_frozen_limits_move_with_n():
    """Constructed; expected values are R qicharts2's output."""
    given = read("phases_and_runs.json")["p_chart"]
    chart = p_chart(shares(given["k"], given["n"]), Plan(baselines=(Baseline("2030-12-31", "two years"),)), every="month")
    first, last, expected = chart.points.iloc[0], chart.points.iloc[-1], given["freeze_24"]
    found = (first["centre"], first["low"], first["high"], last["low"], last["high"])
    assert found == pytest.approx([expected[name] for name in ("pbar", "lcl_1", "ucl_1", "lcl_36", "ucl_36")], abs=1e-8)
    assert out(chart, signals(chart)) == expected["beyond_limits_1based"] == []


def test_lower_limit_is_above_zero_only_from_a_certain_n():
    """n > 9(1 - p)/p: 81 at .1, 21 at .3 (the research note's own sum)."""
    for share, n in ((0.1, 81), (0.3, 21)):
        size = np.array([n, n + 1.0])
        low = proportion_limits(share * size, size, np.ones(2, dtype=bool), prime=False).low
        assert low[0] == pytest.approx(0, abs=1e-12)
        assert low[1] > 0


@pytest.mark.parametrize("row", list(read("proportion_ci.csv").itertuples()), ids=lambda row: f"{row.k}/{row.n}")
def test_wilson_interval(row):
    """Newcombe 1998, Table I method 3, for the rows that name him; R prop.test for the others."""
    assert wilson(row.k, row.n) == pytest.approx((row.wilson_lo, row.wilson_hi), abs=1e-6)


def test_wilson_interval_of_nothing():
    assert np.isnan(wilson(0, 0)).all()


@pytest.mark.parametrize("count", [0, 10])
def test_shares_at_the_edge_have_no_scatter_and_no_signal(count):
    chart = p_chart(shares([count] * 14, 10), every="month")
    assert (chart.points["centre"] == count / 10).all()
    assert signals(chart) == ()
    assert chart.sigma_z == (None,)


def test_a_month_without_cases_has_no_value():
    table = shares([3] * 14, 10)
    table.loc[4, ["count", "n"]] = 0.0
    chart = p_chart(table, every="month")
    assert np.isnan(chart.points.loc[4, "value"])
    assert chart.points.loc[4, "n"] == 0
    assert chart.sections[0].points == 13
