"""How a process-behaviour chart is drawn: values, centre, limits by phase, signals as shapes, n, reasons."""

import numpy as np
import pandas as pd
import pytest

from qi.charts.process_behaviour import Drawn, figure, wall
from qi.desk.charted import charted
from qi.trends.baselines import Baseline, Excluded, Phase, Plan
from qi.trends.series import Subject, View

FRACTION = Subject("compression_fraction", "Compression fraction", "1", "at least 60 %", low=0.6)


def drawn(plan=None, kind="xmr") -> Drawn:
    """Thirty months of five cases, twelve near 70 % and eighteen near 80 %."""
    chance = np.random.default_rng(4)
    days = [pd.Timestamp(2029 + month // 12, month % 12 + 1, 3 + case) for month in range(30) for case in range(5)]
    values = np.array([(0.70 if month < 12 else 0.80) + chance.normal(0, 0.03) for month in range(30) for _ in range(5)])
    table = pd.DataFrame(
        {
            "key": [f"k{at}" for at in range(150)],
            "case_id": [f"c{at}" for at in range(150)],
            "call_day": days,
            "excluded": "",
            "compression_fraction": values,
            "compression_fraction__verdict": "met",
            "no_flow_s": 100.0,
        }
    )
    return charted(table, FRACTION, View(kind=kind), plan or Plan()).drawn


def trace(made, name):
    return next(one for one in made.data if one.name == name)


def test_values_n_and_lines_are_the_charts_own():
    chart = drawn()
    made = figure(chart)
    points = chart.points
    assert list(trace(made, "values").y) == pytest.approx((points["value"] * 100).tolist())
    assert list(trace(made, "n").y) == [5.0] * 30
    assert list(trace(made, "upper limit").y) == pytest.approx([points["high"].iloc[0] * 100] * 60)
    assert list(trace(made, chart.centre_name).y) == pytest.approx([points["centre"].iloc[0] * 100] * 60)
    assert list(trace(made, "values").customdata) == points["label"].tolist()
    assert made.layout.yaxis.title.text == "%"


def test_intervals_stand_around_each_median():
    made = figure(drawn(kind="run"))
    error = trace(made, "values").error_y
    assert len(error.array) == 30
    assert min(error.array) >= 0


def test_a_long_run_is_drawn_as_diamonds_and_what_is_left_out_hollow():
    chart = drawn(Plan(excluded=(Excluded("2029-03", "a broken sensor"),)), kind="run")
    marks = list(trace(figure(chart), "values").marker.symbol)
    assert marks[2] == "circle-open"
    assert "diamond" in marks
    assert "left out: a broken sensor" in trace(figure(chart), "values").text[2]


def test_a_phase_is_an_upright_line_with_its_reason_and_lines_of_its_own():
    plan = Plan(phases=(Phase("2030-01-01", "new <monitors> & a training for all crews of the agency"),))
    made = figure(drawn(plan))
    upright = [shape for shape in made.layout.shapes if shape.x0 == shape.x1]
    assert [shape.x0 for shape in upright] == [11.5]
    words = [note.text for note in made.layout.annotations]
    assert any(text.startswith("new &lt;monitors> &amp; a") and "<br>" in text for text in words)
    assert len({round(one, 6) for one in trace(made, "mean").y if one is not None}) == 2
    assert None in trace(made, "mean").y


def test_the_protocols_limit_is_a_dotted_line_with_its_words():
    made = figure(drawn())
    line = trace(made, "asked for: at least 60 %")
    assert list(line.y) == [60.0, 60.0]
    assert line.line.dash == "dot"
    assert line.showlegend


def test_a_frozen_baseline_shows_points_beyond_its_limits_as_squares():
    plan = Plan(baselines=(Baseline("2029-12-01", "before the training"),))
    assert "square" in list(trace(figure(drawn(plan)), "values").marker.symbol)


def test_the_wall_is_one_figure_with_name_newest_value_and_signal_over_each_chart():
    charts = [drawn(kind="run")] * 4
    made = wall(charts, dark=True)
    assert len(made.data) == 8
    assert len(made.layout.annotations) == 4
    assert made.data[2 * 3 + 1].name == "values"
    text = made.layout.annotations[0].text
    assert "Compression fraction" in text
    assert ", n 5" in text
    assert charts[0].signal in text.replace("<br>", " ")
    rows = {note.y for note in made.layout.annotations}
    assert len(rows) == 2


def test_an_empty_wall_is_an_empty_figure():
    assert len(wall([]).data) == 0
