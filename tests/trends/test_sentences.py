"""Signals and shifts in plain English."""

import re

import numpy as np
import pandas as pd
import pytest

from qi.trends.baselines import Baseline, Phase, Plan
from qi.trends.individuals import individuals
from qi.trends.medians import shift
from qi.trends.proportions import p_chart
from qi.trends.rare_events import g_chart
from qi.trends.run_chart import run_chart
from qi.trends.sentences import in_short, in_words, shift_in_words
from qi.trends.signals import FEW_CROSSINGS, signals
from tests.trends.spc import points

CAUSAL = re.compile(r"\b(because|due to|caused|thanks to|led to|improved|worse|better|effect|result of)\b")


def said(chart, **rules):
    return in_words(chart, signals(chart, **rules))


def test_a_run_that_still_goes_on():
    values = [1.0, 3.0] * 13 + [3.0] * 10
    chart = run_chart(points(values), Plan((Baseline("2031-02-28", "two years"),)), unit="mm", every="month")
    (text,) = said(chart)
    assert text.startswith("Since February 2031 eleven months in a row are above the median: unlikely by chance.")
    assert "a run of up to 8 is no signal" in text
    assert re.search(r"comes about in \d\.\d % of series in which nothing changes", text)
    assert not CAUSAL.search(text)


def test_a_run_that_ended_in_a_phase_of_its_own():
    values = [1.0, 3.0] * 6 + [0.0] * 10 + [3.0, 1.0] * 4 + [2.0] * 3
    plan = Plan((Baseline("2029-12-31", "first year"),), (Phase("2031-06-01", "new pads"),))
    texts = said(run_chart(points(values), plan, unit="mm", every="month"))
    assert texts[0].startswith("Phase 1: from January 2030 to October 2030 ten months in a row were below the median:")


def test_few_crossings_are_counted_in_words():
    text = said(run_chart(points([1.0] * 6 + [2.0] * 6), unit="mm", every="month"))[0]
    assert text.startswith("From January 2029 to December 2029 the line crosses the median only once: unlikely by chance.")


def test_a_line_that_never_crosses_its_median_is_told_so():
    """The year of the baseline lies on the centre, the year after it above."""
    plan = Plan((Baseline("2029-12-31", "first year"),))
    chart = run_chart(points([2.0] * 12 + [3.0] * 12), plan, unit="mm", every="month")
    text = next(one for one in said(chart) if "cross" in one)
    assert text.startswith("From January 2030 to December 2030 the line never crosses the median: unlikely by chance.")
    alone = [signal for signal in signals(chart) if signal.rule == FEW_CROSSINGS]
    assert [signal.count for signal in alone] == [0]
    assert in_short(chart, alone) == "never crosses the median"


def test_a_point_beyond_the_limits_is_dated_and_has_its_n():
    n = [40.0] * 24
    count = [20.0, 22.0, 18.0, 20.0] * 5 + [20.0, 36.0, 20.0, 18.0]
    chart = p_chart(points(np.array(count) / 40, count=count, n=n), every="month")
    (text,) = said(chart)
    assert text.startswith("October 2030 (90.0\u00a0%, n 40) lies above the upper limit of ")
    assert not CAUSAL.search(text)


def test_cases_and_events_are_named():
    cases = pd.DataFrame({"label": [f"rv-{at:03d}" for at in range(30)], "start": ["2031-05-02"] * 30})
    between = cases.assign(value=[4.0, 6.0] * 10 + [90.0] + [9.0] * 9)
    texts = said(g_chart(between))
    assert any(text.startswith("rv-020 (2 May 2031) (90) lies above the upper limit") for text in texts)
    assert any("ten events in a row are above the median" in text for text in texts)


def test_silence_is_not_proof_of_nothing():
    (text,) = said(run_chart(points([1.0, 2.0] * 12), unit="mm", every="month"))
    assert text == "No signal: nothing here is unlikely by chance. That does not show that nothing changed."


def test_too_few_points_say_so():
    (text,) = said(run_chart(points([1.0, 2.0] * 4), unit="mm", every="month"))
    assert text.startswith("No signal can be looked for: the points are too few")


def test_a_rule_that_was_asked_for_is_named():
    rising = np.r_[np.tile([0.0, 1.0], 10), np.linspace(0.1, 0.6, 6)]
    (text,) = said(individuals(points(rising), unit="mm", every="month"), rules=("nelson 3",))
    assert text == "Six points in a row rising or falling, up to February 2031 (nelson 3)."


SINCE = {"since": "in March 2031", "reason": "the training."}
LEAD = "Since the phase begun in March 2031 for the reason “the training”: "


@pytest.mark.parametrize(
    ("before", "after", "text"),
    [
        (
            np.arange(10.0),
            np.arange(10.0) + 20,
            "a case typically lies 20 mm higher than one of the phase before (median of all differences; 95 % interval 17 mm to "
            "23 mm; n 10 before, 10 after). It is a difference, not its cause.",
        ),
        ([50.0], [48.0], "too few cases to say how far it lies from the phase before (n 1 before, 1 after)."),
        (range(9), range(90), "too few cases to say how far it lies from the phase before (n 9 before, 90 after)."),
        ([], [48.0], "too few cases to say how far it lies from the phase before (n 0 before, 1 after)."),
    ],
)
def test_a_shift_between_phases(before, after, text):
    assert shift_in_words(shift(before, after), "mm", **SINCE) == LEAD + text


def test_a_shift_that_may_be_none():
    text = shift_in_words(shift(np.arange(10.0) / 100, np.arange(10.0) / 100 + 0.001), "1", **SINCE)
    assert "typically lies 0.1 percentage points higher" in text
    assert "(median of all differences; 95 % interval −" in text
    assert text.endswith("No difference at all is within that.")


def test_no_shift_at_all():
    text = shift_in_words(shift([1.0] * 20, [1.0] * 20), "count", **SINCE)
    assert "a case typically has the same value as one of the phase before" in text
    assert "95 % interval 0 to 0" in text


def test_many_points_beyond_the_limits_share_a_sentence():
    table = points([10.0, 11.0] * 10 + [20.0] * 4)
    plan = Plan((Baseline(table["start"].iloc[19], "before"),))
    said_of_limits = [text for text in said(individuals(table, plan, unit="s", every="month")) if "limit (" in text]
    (text,) = said_of_limits
    assert text.startswith("Four months lie above the upper limit (2030-09, 2030-10, 2030-11, 2030-12): rare by chance")


def test_a_few_words_name_the_newest_run():
    """For a small chart."""
    table = points([1.0] * 12 + [3.0] * 12)
    chart = run_chart(table, unit="mm", every="month")
    assert in_short(chart, signals(chart)) == "12 in a row above since 2030-01"
    still = run_chart(points([1.0, 3.0] * 12), unit="mm", every="month")
    assert in_short(still, signals(still)) == "no signal"
    few = run_chart(points([1.0, 3.0]), unit="mm", every="month")
    assert in_short(few, signals(few)) == "too few points for a signal"
