"""What people set on a chart, and what the chart says of itself."""

import numpy as np
import pytest

from qi.model.errors import BadTable
from qi.trends.baselines import BadPlan, Baseline, Excluded, Phase, Plan
from qi.trends.chart import POINTS, beyond
from qi.trends.individuals import individuals
from qi.trends.run_chart import run_chart
from tests.trends.spc import points, read


def test_run_chart_whole_frozen_and_split():
    """Constructed series; medians are R qicharts2's."""
    given = read("phases_and_runs.json")["run_chart"]
    table = points(given["y"])
    whole = run_chart(table, unit="1", every="month")
    assert whole.points["centre"].unique().tolist() == [given["whole"]["median"]]
    frozen = run_chart(table, Plan(baselines=(Baseline("2030-12-31", "two years"),)), unit="1", every="month")
    assert frozen.points["centre"].unique().tolist() == [given["freeze_24"]["median"]]
    split = run_chart(table, Plan(phases=(Phase("2031-01-01", "new feedback sheet"),)), unit="1", every="month")
    assert split.points["centre"].unique().tolist() == [part["median"] for part in given["split_24"]]
    assert [column.name for column in POINTS] == list(whole.points.columns)


def test_nothing_is_split_by_itself():
    chart = run_chart(points([1.0] * 24 + [9.0] * 24), unit="mm", every="month")
    assert len(chart.sections) == 1
    assert (chart.points["phase"] == 1).all()


def test_a_phase_carries_its_reason_onto_the_chart():
    plan = Plan(phases=(Phase("2031-01-01", "new feedback sheet"), Phase("2040-01-01", "planned")))
    chart = run_chart(points(np.arange(30.0)), plan, unit="mm", every="month")
    assert chart.sections[1].reason == "new feedback sheet"
    assert "Phase 2 from January 2031, set by a person. Reason given: new feedback sheet." in chart.notes
    assert "A phase is set from 1 January 2040; it has no point here. Reason given: planned." in chart.notes
    assert "Phase 2: six useful points: too few for run rules, which need 10." in chart.notes


@pytest.mark.parametrize(
    ("count", "said", "drawn"),
    [
        (11, "Eleven points: too few for limits, which need 12.", False),
        (12, "Limits from twelve points: trial, firm from 20.", True),
        (19, "Limits from 19 points: trial, firm from 20.", True),
        (20, "Limits from 20 points.", True),
    ],
)
def test_limits_say_how_many_points_they_rest_on(count, said, drawn):
    chart = individuals(points(np.resize([1.0, 3.0, 2.0], count)), unit="mm", every="month")
    assert said in chart.notes
    assert chart.points["high"].notna().all() == drawn
    assert chart.points["centre"].notna().all()


def test_each_phase_may_freeze_its_own_baseline_and_earlier_points_are_not_judged():
    baselines = (Baseline("2029-12-31", "first year", start="2029-04-01"), Baseline("2031-06-30", "half a year"))
    plan = Plan(baselines, (Phase("2031-01-01", "new monitors"),))
    points_ = run_chart(points(np.arange(36.0)), plan, unit="mm", every="month").points
    assert points_["centre"].unique().tolist() == [7.0, 26.5]
    assert points_["judged"].tolist() == [False] * 3 + [True] * 33
    assert points_["baseline"].sum() == 9 + 6


def test_a_point_left_out_stays_visible_and_one_that_is_not_here_is_named():
    plan = Plan(excluded=(Excluded("2029-02", "training week"), Excluded("2029 Q1", "set on the quarters")))
    chart = run_chart(points([1.0, 50.0, 2.0, 3.0]), plan, unit="mm", every="month")
    row = chart.points.iloc[1]
    assert (row["value"], row["excluded"], row["why"], row["useful"]) == (50.0, True, "training week", False)
    assert chart.points["centre"].iloc[0] == 2.0
    assert "2029 Q1 is set to be left out, but not on this chart. Reason given: set on the quarters." in chart.notes


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: Phase("2031-01-01", " "), "a phase needs a reason"),
        (lambda: Excluded("2031-01", ""), "leaving out 2031-01 needs a reason"),
        (lambda: Baseline("2031-01-01", ""), "a baseline needs a reason"),
        (lambda: Phase("2031-13-01", "x"), "is no day; write YYYY-MM-DD"),
        (lambda: Phase("20310101", "x"), "is no day; write YYYY-MM-DD"),
        (lambda: Baseline("2031-01-01", "x", start="2032-01-01"), "after its end"),
        (lambda: Plan(phases=(Phase("2031-01-01", "x"),) * 2), "more than once"),
        (lambda: Plan(baselines=(Baseline("2031-01-01", "x"), Baseline("2031-02-01", "y"))), "two baselines end in phase 1"),
        (lambda: Plan(excluded=(Excluded("a", "x"), Excluded("a", "y"))), "left out twice"),
    ],
)
def test_a_plan_without_reasons_or_that_contradicts_itself_is_refused(make, said):
    with pytest.raises(BadPlan, match=said):
        make()


def test_tables_out_of_order_or_incomplete_are_refused():
    table = points([1.0, 2.0])
    with pytest.raises(BadTable, match="lacks value"):
        run_chart(table.drop(columns="value"), unit="mm", every="month")
    with pytest.raises(BadTable, match="not in the order"):
        run_chart(table.iloc[::-1], unit="mm", every="month")
    with pytest.raises(BadTable, match="two points are called"):
        run_chart(table.assign(label="2029-01"), unit="mm", every="month")


def test_the_table_that_was_given_stays_as_it_was():
    table = points([1.0, 2.0, np.nan] * 8)
    before = table.copy()
    individuals(table, unit="mm", every="month")
    assert table.equals(before)


def test_a_value_on_a_limit_is_not_beyond_it():
    values = np.array([3.0, 3.0 + 1e-15, 3.1, -1.0, -1.1, np.nan])
    assert beyond(values, np.full(6, -1.0), np.full(6, 3.0)).tolist() == [0, 0, 1, 0, -1, 0]


def test_an_empty_baseline_draws_no_centre():
    chart = individuals(points(np.arange(14.0)), Plan(baselines=(Baseline("2028-01-01", "too early"),)), unit="mm", every="month")
    assert chart.points["centre"].isna().all()
    assert not chart.points["useful"].any()
