"""u and u' charts."""

import numpy as np
import pytest

from qi.trends.rates import rate_limits, u_chart, u_prime_chart
from qi.trends.signals import signals
from tests.trends.spc import points, read


def test_u_chart_of_one_exposure():
    """Montgomery, Ex. 7.4; expected values are R qcc's output."""
    given = read("c_u_charts.json")["montgomery_u_const"]
    count = np.array(given["counts"], dtype=float)
    chart = u_chart(points(count, count=count, exposure=np.full(len(count), given["area"])), unit="1/m²", every="month")
    row = chart.points.iloc[0]
    assert (row["centre"], row["high"], row["low"]) == pytest.approx((given["ubar"], given["ucl"], given["lcl"]), abs=6e-7)
    assert signals(chart) == ()


def test_u_limits_of_varying_exposure():
    """Montgomery, Ex. 7.5; expected values are R qcc's output."""
    given = read("c_u_charts.json")["montgomery_u_var"]
    count, area = np.array(given["counts"], dtype=float), np.array(given["area"])
    limits = rate_limits(count, area, np.ones(len(count), dtype=bool), prime=False)
    assert limits.centre[0] == pytest.approx(given["ubar"], abs=1e-7)
    assert limits.high == pytest.approx(given["ucl"], abs=6e-7)
    assert limits.low == pytest.approx(given["lcl"], abs=6e-7)


def test_u_prime_widens_by_the_scatter():
    count = np.array([100.0, 200.0] * 8)
    table = points(count, count=count, exposure=np.full(16, 100.0))
    plain, prime = (maker(table, unit="1/min", every="month") for maker in (u_chart, u_prime_chart))
    sigma_z = (100 / np.sqrt(150)) / 1.128  # every neighbour lies 100 events off, at 150 events a point
    assert prime.sigma_z == pytest.approx([sigma_z])
    width = plain.points["high"].iloc[0] - plain.points["centre"].iloc[0]
    assert prime.points["high"].iloc[0] - prime.points["centre"].iloc[0] == pytest.approx(sigma_z * width)
    assert any("u' chart" in note for note in plain.notes)


def test_a_month_without_exposure_has_no_value():
    count = np.array([2.0] * 13)
    chart = u_chart(points(count, count=count, exposure=[0.0, *[30.0] * 12]), unit="1/min", every="month")
    assert np.isnan(chart.points["value"].iloc[0])
    assert chart.sections[0].points == 12
