"""Signals: runs, crossings, limits, and further rules where asked for."""

import numpy as np
import pytest

from qi.model.errors import UnknownWord
from qi.trends.baselines import Baseline, Excluded, Phase, Plan
from qi.trends.individuals import individuals, moving_range
from qi.trends.proportions import p_chart
from qi.trends.run_chart import run_chart
from qi.trends.runs import fewest_crossings, longest_allowed, runs_of
from qi.trends.signals import signals
from tests.trends.spc import points, read

FROZEN = Plan(baselines=(Baseline("2030-12-31", "two years"),))


def told(chart, section=0):
    found = runs_of(chart.sections[section].rows(chart.points))
    return {
        "n_useful": found.useful,
        "longest_run": found.longest,
        "longest_run_max": longest_allowed(found.useful),
        "crossings": found.crossings,
        "crossings_min": fewest_crossings(found.useful),
    }


def run_signal(chart, phase=1):
    return any(signal.rule in ("long run", "few crossings") and signal.phase == phase for signal in signals(chart))


def expected(given):
    return {name: given[name] for name in ("n_useful", "longest_run", "longest_run_max", "crossings", "crossings_min")}


def test_runs_about_whole_frozen_and_split_medians():
    """Constructed series; every expected value is R qicharts2's output."""
    given = read("phases_and_runs.json")["run_chart"]
    plans = {"whole": Plan(), "freeze_24": FROZEN}
    for name, plan in plans.items():
        chart = run_chart(points(given["y"]), plan, unit="1", every="month")
        assert told(chart) == expected(given[name])
        assert run_signal(chart) == given[name]["signal"]
    split = run_chart(points(given["y"]), Plan(phases=(Phase("2031-01-01", "new bundle"),)), unit="1", every="month")
    for number, part in enumerate(given["split_24"], start=1):
        assert told(split, number - 1) == expected(part)
        assert run_signal(split, number) == part["signal"]


def test_runs_about_a_frozen_mean():
    """Constructed series, and Montgomery's loans; expected values are R qicharts2's output."""
    given = read("phases_and_runs.json")["xmr"]
    chart = individuals(points(given["y"]), FROZEN, unit="1", every="month")
    assert told(chart) == expected(given["freeze_24"])
    loans = read("xmr_frozen_baseline.json")
    chart = individuals(points(loans["x"]), Plan(baselines=(Baseline("2030-08-31", "x"),)), unit="min", every="month")
    assert told(chart) == expected(loans["expected"]["anhoej"])
    assert run_signal(chart) == loans["expected"]["anhoej"]["signal"]


def test_a_real_shift_is_found_by_runs_where_no_point_is_beyond_the_limits():
    """Positive control: 46 % of a bundle for 24 months, then 70 % for 12 (constructed; R qicharts2: a run of 13, no point out)."""
    given = read("phases_and_runs.json")["p_chart"]
    n = np.array(given["n"], dtype=float)
    chart = p_chart(points(np.array(given["k"]) / n, count=given["k"], n=n), FROZEN, every="month")
    found = signals(chart)
    assert [signal.rule for signal in found] == ["long run"]
    assert (found[0].count, found[0].allowed, found[0].above, found[0].ongoing) == (13, 8, True, True)
    assert found[0].chance < 0.02
    assert told(chart)["crossings"] == given["freeze_24"]["crossings"]


def test_few_crossings_without_a_long_run():
    chart = run_chart(points(([1.0] * 6 + [2.0] * 6) * 2), unit="mm", every="month")
    assert [(s.rule, s.count, s.allowed, s.of) for s in signals(chart)] == [("few crossings", 3, 8, 24)]


def test_a_run_that_ended_is_not_ongoing_and_skips_points_that_do_not_count():
    values = np.array([1.0, 3.0] * 6 + [3.0] * 13 + [1.0, 3.0, 1.0, 1.0])
    values[15] = np.nan
    plan = Plan((Baseline("2029-12-31", "first year"),), (), (Excluded("2030-05", "a day of drills"),))
    (signal,) = [one for one in signals(run_chart(points(values), plan, unit="mm", every="month")) if one.rule == "long run"]
    assert (signal.first, signal.last, signal.count, signal.skipped, signal.ongoing) == (11, 24, 12, 2, False)


def test_below_ten_useful_points_no_run_rule_speaks():
    assert signals(run_chart(points([1.0] * 4 + [1.5] + [2.0] * 4), unit="mm", every="month")) == ()
    chart = run_chart(points([1.0] * 5 + [2.0] * 5), unit="mm", every="month")
    assert [signal.rule for signal in signals(chart)] == ["few crossings"]


def test_where_most_points_are_on_the_centre_no_run_rule_speaks():
    """Most months at 100 %: each of the other ten lies below, which says nothing of their order."""
    chart = run_chart(points([1.0, 0.9, 1.0] * 10), unit="1", every="month")
    assert signals(chart) == ()
    assert any("would signal by chance alone" in note for note in chart.notes)


def test_moving_ranges_are_not_judged_by_runs():
    chart = moving_range(points(np.r_[np.zeros(20), np.arange(20.0)]), unit="mm", every="month")
    assert all(signal.rule == "beyond limits" for signal in signals(chart))


def test_further_rules_speak_only_when_asked():
    rising = np.r_[np.tile([0.0, 1.0], 10), np.linspace(0.1, 0.6, 6)]
    chart = individuals(points(rising), unit="mm", every="month")
    assert signals(chart) == ()
    assert {signal.rule for signal in signals(chart, rules=("nelson 3",))} == {"nelson 3"}
    with pytest.raises(UnknownWord, match="nelson 9"):
        signals(chart, rules=("nelson 9",))
