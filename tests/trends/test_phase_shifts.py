"""A phase against the one before it: which cases are compared, and what is not."""

import numpy as np
import pandas as pd
import pytest

from qi.trends.baselines import Excluded, Phase, Plan
from qi.trends.medians import shift
from qi.trends.phase_shifts import phase_shifts
from qi.trends.series import CASES, MOST_CASES, SHARES, View
from tests.trends.test_series import FRACTION, table

MARCH = Phase("2030-03-01", "the training")


def test_the_cases_of_a_phase_stand_against_those_of_the_phase_before():
    cases = table()
    plan = Plan(phases=(Phase("2030-09-01", "new monitors"), MARCH))
    first, second = phase_shifts(cases, FRACTION, View(), plan)
    values = cases[FRACTION.column]
    assert (first.since, first.reason) == ("in March 2030", "the training")
    assert first.change == shift(values[:4], values[4:16])
    assert second.change == shift(values[4:16], values[16:])
    assert second.since == "in September 2030"


def test_cases_left_out_and_points_left_out_are_in_neither_phase():
    cases = table()
    cases.loc[0, "excluded"] = "training case"
    cases.loc[5, FRACTION.column] = np.nan
    plan = Plan(phases=(MARCH,), excluded=(Excluded("2030-02", "clock fault"), Excluded("2030-12", "too few")))
    (found,) = phase_shifts(cases, FRACTION, View(), plan)
    assert found.change == shift(cases[FRACTION.column][1:2], cases[FRACTION.column][4:22])
    assert (found.change.before, found.change.after) == (1, 17)


def test_a_phase_within_a_quarter_begins_with_the_next_point_as_on_the_chart():
    (found,) = phase_shifts(table(), FRACTION, View("quarter"), Plan(phases=(Phase("2030-02-01", "why"),)))
    assert (found.change.before, found.change.after) == (6, 18)


def test_single_cases_are_parted_by_their_own_day_and_all_of_them_count():
    days = pd.date_range("2029-01-01", periods=MOST_CASES + 50, freq="D")
    cases = table(MOST_CASES + 50, call_day=days)
    (found,) = phase_shifts(cases, FRACTION, View(sort=CASES), Plan(phases=(Phase("2029-01-15", "why"),)))
    assert (found.change.before, found.change.after) == (14, MOST_CASES + 36)
    assert found.since == "on 15 January 2029"


@pytest.mark.parametrize("view", [View(sort=SHARES), View(sort="time-pooled share")])
def test_shares_have_no_differences_of_cases(view):
    assert phase_shifts(table(), FRACTION, view, Plan(phases=(MARCH,))) == ()


def test_no_phase_no_difference():
    assert phase_shifts(table(), FRACTION, View(), Plan()) == ()
