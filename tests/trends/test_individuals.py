"""Individuals and moving range: handbook values, a frozen baseline, points left out."""

import numpy as np
import pytest

from qi.model.errors import NotMeasurable
from qi.trends.baselines import Baseline, Excluded, Plan
from qi.trends.individuals import individual_limits, individuals, log_individuals, moving_range, range_limits
from qi.trends.signals import signals
from tests.trends.spc import out, points, read


def all_of(values):
    return np.ones(len(values), dtype=bool)


def test_individuals_limits_nist_handbook_6_3_2_2():
    """NIST/SEMATECH e-Handbook 6.3.2.2, flow rate (quoted in another project's test): lower, centre, upper, with d2 = 1.128."""
    x = np.array(read("nist_individuals.json")["x"])
    limits = individual_limits(x, all_of(x))
    assert (limits.low[0], limits.centre[0], limits.high[0]) == pytest.approx((45.8159, 50.81, 55.8041), abs=5e-5)


def test_moving_range_limit_nist_handbook_6_3_2_2():
    """Same example: mean moving range 1.8778 and 3.267 times it."""
    ranges = np.array(read("nist_individuals.json")["moving_range"])
    limits = range_limits(ranges, all_of(ranges))
    assert (limits.low[0], limits.centre[0], limits.high[0]) == pytest.approx((0.0, 1.8778, 6.1347), abs=5e-5)


def test_frozen_baseline_of_20_points_montgomery_loans():
    """Montgomery, Tables 6.6 and 6.7; expected values are R qicharts2's output."""
    given = read("xmr_frozen_baseline.json")
    plan = Plan(baselines=(Baseline("2030-08-31", "before the second table"),))
    chart = individuals(points(given["x"]), plan, unit="min", every="month")
    last = chart.points.iloc[-1]
    expected = given["expected"]
    assert (last["centre"], last["high"], last["low"]) == pytest.approx(
        (expected["center"], expected["ucl"], expected["lcl"]), abs=1e-6
    )
    assert out(chart, signals(chart)) == expected["signals_1based"]
    assert chart.sections[0].points == 20
    assert chart.sections[0].strength == "firm"
    assert any("frozen from the points up to 31 August 2030" in note for note in chart.notes)


def test_frozen_and_split_series():
    """Constructed series; expected values are R qicharts2's output."""
    given = read("phases_and_runs.json")["xmr"]
    frozen = individuals(points(given["y"]), Plan(baselines=(Baseline("2030-12-31", "two years"),)), unit="mm", every="month")
    row, expected = frozen.points.iloc[-1], given["freeze_24"]
    assert (row["centre"], row["low"], row["high"]) == pytest.approx(
        (expected["center"], expected["lcl"], expected["ucl"]), abs=1e-6
    )
    assert out(frozen, signals(frozen)) == expected["beyond_limits_1based"] == []


def test_moving_ranges_step_over_a_point_that_is_left_out():
    values = [10.0, 11, 10, 50, 11, 10, 11, 10, 11, 10, 11, 10, 11]
    plan = Plan(excluded=(Excluded("2029-04", "one sensor for two patients"),))
    with_it = individuals(points(values), unit="mm", every="month")
    without = individuals(points(values), plan, unit="mm", every="month")
    assert without.points["centre"].iloc[0] == pytest.approx(np.mean(values[:3] + values[4:]))
    assert without.points["high"].iloc[0] < with_it.points["high"].iloc[0]
    ranges = moving_range(points(values), plan, unit="mm", every="month").points["value"]
    assert np.isnan(ranges[[0, 3]]).all()
    assert ranges[4] == 1.0  # from the third point to the fifth


def test_limits_stay_where_values_can_be():
    chart = individuals(points([0.9, 1.0, 0.2, 0.8] * 4), unit="1", every="month")
    assert (chart.points["low"].iloc[0], chart.points["high"].iloc[0]) == (0.0, 1.0)
    below_zero = individuals(points([-9.0, 4.0, -2.0, 7.0] * 4), unit="cmH2O", every="month")
    assert below_zero.points["low"].iloc[0] < -9


def test_logarithms_give_the_geometric_mean_and_limits_farther_above_than_below():
    values = np.exp(np.tile([0.0, 1.0], 8))
    row = log_individuals(points(values), unit="s", every="month").points.iloc[0]
    assert row["centre"] == pytest.approx(np.exp(0.5))
    assert np.log(row["high"]) - 0.5 == pytest.approx(3 / 1.128)
    assert row["high"] - row["centre"] > row["centre"] - row["low"]
    with pytest.raises(NotMeasurable, match="above 0"):
        log_individuals(points([0.0, *values]), unit="s", every="month")


def test_values_without_scatter_have_limits_on_the_centre_and_no_signal():
    chart = individuals(points([5.0] * 15), unit="mm", every="month")
    assert chart.points["useful"].sum() == 0
    assert signals(chart) == ()


def test_a_missing_month_is_no_point_and_breaks_nothing():
    values = [1.0, 2.0, np.nan, 1.0, 2.0] * 4
    chart = individuals(points(values), unit="s", every="month")
    assert chart.sections[0].points == 16
    assert chart.points["low"].notna().all()
    assert not chart.points.loc[2, "judged"]
