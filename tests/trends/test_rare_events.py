"""g and t charts, and the counts and times that they are made from."""

from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pytest

from qi.trends.rare_events import cases_between, days_between, g_chart, t_chart
from qi.trends.signals import signals
from tests.trends.spc import out, points, read


def test_g_chart():
    """Constructed; expected values are the output of R qicharts2 and controlchartspy."""
    given = read("rare_event_charts.json")["g_chart"]
    chart = g_chart(points(given["counts"]))
    row = chart.points.iloc[0]
    assert (row["centre"], row["high"], row["low"]) == pytest.approx((given["median"], given["ucl"], given["lcl"]), abs=1e-6)
    assert out(chart, signals(chart)) == given["signals_1based"]


def test_t_chart():
    """Montgomery, Table 7.14; expected values are the output of R qicharts2 and controlchartspy."""
    given = read("rare_event_charts.json")["t_chart"]
    chart = t_chart(points(given["hours"]), unit="h")
    row = chart.points.iloc[0]
    assert (row["centre"], row["high"], row["low"]) == pytest.approx((given["center"], given["ucl"], given["lcl"]), rel=1e-8)
    assert any("1/3.6" in note for note in chart.notes)


def test_t_chart_book_exponent():
    """Montgomery's exponent .2777 (quoted in the same file) is near 1/3.6: his centre and upper limit on that scale."""
    given = read("rare_event_charts.json")["t_chart"]
    row = t_chart(points(given["hours"]), unit="h").points.iloc[0]
    assert row["centre"] ** (1 / 3.6) == pytest.approx(given["book_0_2777"]["mean_y"], abs=3e-3)
    assert row["high"] ** (1 / 3.6) == pytest.approx(given["book_0_2777"]["ucl_y"], abs=8e-3)


def test_cases_between_counts_those_without_the_event():
    labels, days = list("abcdefgh"), [f"2031-01-0{day}" for day in range(1, 9)]
    table = cases_between(labels, days, [False, True, True, False, False, True, False, False])
    assert table["label"].tolist() == ["c", "f"]
    assert table["start"].tolist() == ["2031-01-03", "2031-01-06"]
    assert table["value"].tolist() == [0.0, 2.0]


def test_days_between_events():
    moments = [datetime(2031, 1, 1, tzinfo=UTC), datetime(2031, 1, 2, 12, tzinfo=UTC), datetime(2031, 1, 12, 12, tzinfo=UTC)]
    table = days_between(["a", "b", "c"], moments)
    assert table.to_dict("list") == {"label": ["b", "c"], "start": ["2031-01-02", "2031-01-12"], "value": [1.5, 10.0]}


@pytest.mark.parametrize("happened", [[], [True], [False, False]])
def test_no_event_or_one_gives_no_point(happened):
    names = [str(at) for at in range(len(happened))]
    table = cases_between(names, ["2031-01-01"] * len(happened), happened)
    assert table.empty
    chart = g_chart(table)
    assert isinstance(chart.points, pd.DataFrame)
    assert chart.sections == ()
    assert np.size(chart.points) == 0
