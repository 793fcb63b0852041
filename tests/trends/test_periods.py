"""Trend tables by month, quarter and case."""

from datetime import date, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from qi.trends.dates import counted, label, named, periods
from qi.trends.periods import PERIODS, by_case, calendar, mean_points, median_points, share_points, trend

DAYS = ["2031-01-05", "2031-01-20", None, "2031-03-01", "2031-03-31", "2031-04-01"]
VALUES = [0.8, 0.6, 0.1, np.nan, 0.9, 0.7]
VERDICTS = ["met", "not met", "met", "not measurable", "met", None]


def by_period(days, values, verdicts=(), *, every):
    words = np.array([*verdicts] or [None] * len(values), dtype=object)
    return trend(calendar(days, every), np.array(values, dtype=float), words == "met", words == "not met")


def test_months_without_a_case_are_rows_too():
    table = by_period(DAYS, VALUES, VERDICTS, every="month")
    assert table["label"].tolist() == ["2031-01", "2031-02", "2031-03", "2031-04"]
    assert table["cases"].tolist() == [2, 0, 2, 1]
    assert table["n"].tolist() == [2, 0, 1, 1]
    assert table["median"].tolist() == pytest.approx([0.7, np.nan, 0.9, 0.7], nan_ok=True)
    assert table["judged"].tolist() == [2, 0, 1, 0]
    assert table["share"].tolist() == pytest.approx([0.5, np.nan, 1.0, np.nan], nan_ok=True)
    assert table["median_low"].isna().all()
    assert [column.name for column in PERIODS] == list(table.columns)


def test_quarters():
    table = by_period(DAYS, VALUES, every="quarter")
    assert table["label"].tolist() == ["2031 Q1", "2031 Q2"]
    assert table["start"].tolist() == ["2031-01-01", "2031-04-01"]
    assert table["n"].tolist() == [3, 1]
    assert (table["judged"] == 0).all()


def test_intervals_are_scipys():
    """scipy.stats.binomtest(...).proportion_ci(method="wilson"), and scipy.stats.quantile_test for the median."""
    chance = np.random.default_rng(2)
    values = chance.exponential(10.0, 40)
    verdicts = ["met"] * 27 + ["not met"] * 13
    row = by_period(["2031-05-01"] * 40, values, verdicts, every="month").iloc[0]
    share = stats.binomtest(27, 40).proportion_ci(method="wilson")
    assert (row["share_low"], row["share_high"]) == pytest.approx((share.low, share.high), abs=1e-12)
    middle = stats.quantile_test(values, q=0, p=0.5).confidence_interval(0.95)
    assert (row["median_low"], row["median_high"]) == (middle.low, middle.high)
    assert (row["mean"], row["sd"]) == pytest.approx((values.mean(), values.std(ddof=1)))


def test_no_case_gives_an_empty_table():
    assert by_period([], [], every="month").empty
    assert by_period([None], [1.0], every="quarter").empty
    assert by_case([], [], []).empty


def test_the_month_is_that_of_the_clocks_of_the_place():
    late = datetime(2031, 1, 31, 23, 30, tzinfo=ZoneInfo("America/Denver"))
    assert by_period([late], [1.0], every="month")["label"].tolist() == ["2031-01"]
    assert by_period([date(2031, 1, 31)], [1.0], every="month")["label"].tolist() == ["2031-01"]


def test_cases_in_order_of_time():
    table = by_case(list("abcdef"), DAYS, VALUES)
    assert table["label"].tolist() == ["a", "b", "e", "f"]
    assert table["start"].tolist() == ["2031-01-05", "2031-01-20", "2031-03-31", "2031-04-01"]
    assert (table["n"] == 1).all()


def test_points_for_charts():
    table, when = by_period(DAYS, VALUES, VERDICTS, every="month"), calendar(DAYS, "month")
    values, words = np.array(VALUES), np.array(VERDICTS, dtype=object)
    middles, means = median_points(when, values), mean_points(when, values)
    assert middles["value"].equals(table["median"].rename("value"))
    assert middles["n"].tolist() == means["n"].tolist() == table["n"].tolist()
    assert list(means) == ["label", "start", "n", "mean", "sd", "value"]
    assert means["value"].equals(table["mean"].rename("value"))
    shares = share_points(when, words == "met", words == "not met")
    assert shares["count"].tolist() == [1, 0, 1, 0]
    assert shares["n"].tolist() == [2, 0, 1, 0]
    assert shares["value"].equals(table["share"].rename("value"))


def test_a_part_of_a_calendar_is_the_calendar_of_the_part():
    """From its own first period to its own last, whatever lies before, between and after."""
    chosen = np.array([False, True, True, False, True, False])
    found = calendar(DAYS, "month", np.array([True, True, True, True, True, False])).part(chosen)
    assert found.days["label"].tolist() == ["2031-01", "2031-02", "2031-03"]
    assert found.rows.tolist() == [1, 4]
    assert found.edges.tolist() == [0, 1, 1, 2]
    assert found.kept.tolist() == [1, 2, 4]
    assert found.sums(np.arange(6.0)).tolist() == [1, 0, 4]
    nobody = found.part(np.zeros(6, dtype=bool))
    assert len(nobody) == 0
    assert nobody.days.empty
    assert median_points(nobody, np.array(VALUES)).empty
    assert calendar(DAYS, "quarter").part(chosen).days["start"].tolist() == ["2031-01-01"]


def test_dates_in_words():
    assert named("2031-03-01", "month") == "March 2031"
    assert named("2031-04-01", "quarter") == "the second quarter of 2031"
    assert named("2031-03-14", "case") == "14 March 2031"
    assert (counted(1, "month"), counted(11, "month"), counted(13, "case")) == ("one month", "eleven months", "13 cases")
    months = [label(day, "month") for day in periods(date(2030, 11, 30), date(2031, 2, 1), "month")]
    assert months == ["2030-11", "2030-12", "2031-01", "2031-02"]
    assert len(list(periods(date(2030, 2, 1), date(2031, 1, 1), "quarter"))) == 5
    assert pd.Timestamp("2031-05-01").quarter == 2
    assert label(date(2031, 5, 1), "quarter") == "2031 Q2"
