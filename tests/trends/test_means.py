"""X-bar and S charts."""

import numpy as np
import pytest

from qi.trends.means import c4, mean_chart, spread_chart
from tests.trends.spc import points, read


def grouped(groups):
    mean, n = [np.mean(group) for group in groups], [len(group) for group in groups]
    sd = [np.std(group, ddof=1) if len(group) > 1 else np.nan for group in groups]
    return points(mean, mean=mean, sd=sd, n=n)


def test_c4_is_the_exact_integral():
    """constants_n2_25.csv: exact integrals computed in the note; up to n = 10 also the handbooks' tables, from memory."""
    table = read("constants_n2_25.csv")
    assert c4(table["n"].to_numpy(dtype=float)) == pytest.approx(table["c4"].to_numpy(), abs=6e-7)
    assert np.isnan(c4(np.array([0.0, 1.0]))).all()


def test_b3_b4_a3_of_each_n():
    """Same table: the limits of the charts divided by the typical spread."""
    table = read("constants_n2_25.csv")
    n = table["n"].to_numpy(dtype=float)
    rows = points(np.ones(len(n)), mean=np.zeros(len(n)), sd=np.ones(len(n)), n=n)
    spread = spread_chart(rows, unit="mm", every="month").points
    assert (spread["centre"] == 1.0).all()
    assert spread["low"].to_numpy() == pytest.approx(table["B3"].to_numpy(), abs=6e-6)
    assert spread["high"].to_numpy() == pytest.approx(table["B4"].to_numpy(), abs=6e-6)
    assert mean_chart(rows, unit="mm", every="month").points["high"].to_numpy() == pytest.approx(table["A3"].to_numpy(), abs=6e-6)


def test_piston_rings_of_equal_n():
    """Montgomery, Table 6.3; expected values are the output of R qicharts2 and qcc."""
    given = read("xbar_s_montgomery.json")
    table, expected = grouped(given["subgroups"]), given["expected"]
    mean, spread = (maker(table, unit="mm", every="month").points.iloc[0] for maker in (mean_chart, spread_chart))
    assert (mean["centre"], mean["high"], mean["low"]) == pytest.approx(
        [expected[k] for k in ("xbarbar", "x_ucl", "x_lcl")], abs=1e-8
    )
    assert (spread["centre"], spread["high"], spread["low"]) == pytest.approx(
        [expected[k] for k in ("sbar", "s_ucl", "s_lcl")], abs=1e-8
    )


def test_piston_rings_of_varying_n():
    """Montgomery, Table 6.4; expected values are R qicharts2's output."""
    given = read("xbar_s_montgomery.json")
    table, expected = grouped(given["subgroups_variable"]), given["expected_variable"]
    mean, spread = (maker(table, unit="mm", every="month").points for maker in (mean_chart, spread_chart))
    assert mean["centre"].iloc[0] == pytest.approx(expected["xbarbar"], abs=1e-8)
    assert spread["centre"].iloc[0] == pytest.approx(expected["s_pooled"], abs=1e-9)
    for size in ("3", "4", "5"):
        of = mean["n"] == int(size)
        assert mean.loc[of, "high"].unique() == pytest.approx([expected["x_ucl"][size]], abs=1e-8)
        assert mean.loc[of, "low"].unique() == pytest.approx([expected["x_lcl"][size]], abs=1e-8)
        assert spread.loc[of, "high"].unique() == pytest.approx([expected["s_ucl"][size]], abs=1e-8)


def test_a_period_of_one_case_is_drawn_without_limits():
    table = grouped([[1.0, 3.0]] * 12 + [[9.0]])
    chart = mean_chart(table, unit="mm", every="month")
    last = chart.points.iloc[-1]
    assert last["value"] == 9.0
    assert np.isnan(last["high"])
    assert chart.points["high"].iloc[0] > 2.0
    assert spread_chart(table, unit="mm", every="month").points["value"].isna().sum() == 1


def test_periods_of_one_case_each_have_no_limits_at_all():
    table = points(np.arange(14.0), mean=np.arange(14.0), sd=[np.nan] * 14, n=[1.0] * 14)
    assert mean_chart(table, unit="mm", every="month").points["high"].isna().all()
