"""Verdicts: met or not met only when value and both bounds lie on one side of the limit and enough was recorded."""

from dataclasses import replace

import pytest

from qi.judge import protocol, verdicts
from qi.judge.protocol import limit
from qi.model.number import Number
from qi.pipeline import MEASURE_IDS

ADULT = protocol.read("adult-2020", chosen_by="the test", measures=MEASURE_IDS)


def verdict(text, value, low=None, high=None):
    return verdicts.verdict(Number(value, low=low, high=high), limit(text, "test", where="test"))


@pytest.mark.parametrize(
    ("text", "number", "expected"),
    [
        (">= 0.6", (0.6, 0.6, 0.6), "met"),
        (">= 0.6", (0.61, 0.59, 0.7), "not measurable"),
        (">= 0.6", (0.5, 0.4, 0.59), "not met"),
        (">= 0.6", (0.5, 0.4, 0.61), "not measurable"),
        ("<= 10", (10.0, 10.0, 10.0), "met"),
        ("< 10", (10.0, 10.0, 10.0), "not met"),
        ("> 0.8", (0.8,), "not met"),
        ("100 to 120", (100.0,), "met"),
        ("100 to 120", (120.0,), "met"),
        ("100 to 120", (121.0,), "not met"),
        ("100 to 120", (99.0, 98.0, 101.0), "not measurable"),
        ("<= 2", (1.0, 1.0, None), "not measurable"),  # a count that unknown time leaves open above
        ("<= 2", (3.0, 3.0, None), "not met"),
        (">= 0.6", (None, 0.7, 0.9), "not measurable"),
    ],
)
def test_value_and_bounds_against_the_limit(text, number, expected):
    assert verdict(text, *number) == expected


def test_without_a_limit_there_is_no_verdict_and_it_is_not_a_failure():
    assert verdicts.verdict(Number(1.0), None) == "no limit set"


def judged(number, id_="compression_fraction", in_force=ADULT):
    return verdicts.judge(id_, "label", "1", [number], in_force, method="m", source="s")[0]


def test_below_the_coverage_floor_the_value_goes_and_the_bounds_stay():
    answer = judged(Number(0.9, low=0.6, high=0.97, coverage=0.79))
    assert (answer.value, answer.verdict, answer.number.low, answer.number.high) == (None, "not measurable", 0.6, 0.97)
    assert "79%" in answer.number.reason
    assert judged(Number(0.9, low=0.72, high=0.92, coverage=0.8)).verdict == "met"


def test_limit_and_goal_are_judged_apart():
    """Compression fraction: 0.6 (ILCOR 2022, news summary read) and 0.8 (AHA 2013 consensus, secondary note)."""
    answer = judged(Number(0.7, low=0.7, high=0.7, coverage=1.0))
    assert (answer.verdict, answer.goal_verdict, answer.limit.text, answer.goal.text) == ("met", "not met", ">= 0.6", ">= 0.8")


def test_a_limit_holds_for_the_answers_it_names():
    assert judged(Number(15.0, of="advanced_airway"), "ventilation_rate").verdict == "not met"
    assert judged(Number(15.0), "ventilation_rate").verdict == "no limit set"
    assert judged(Number(0.5, low=0.5, high=0.5, of="manual")).verdict == "not met"


def test_age_not_recorded_shows_adult_limits_and_judges_neither_depth_nor_breaths():
    unknown = protocol.by_age(None, measures=MEASURE_IDS)
    depth = judged(Number(55.0), "compression_depth_mm", unknown)
    assert (depth.value, depth.verdict, depth.limit.text) == (55.0, "not measurable", "50 to 60")
    assert "age is not recorded" in depth.number.reason
    assert judged(Number(0.9, low=0.9, high=0.9), in_force=unknown).verdict == "met"


def test_the_newborn_is_measured_and_not_judged():
    newborn = protocol.by_age(0.01, measures=MEASURE_IDS)
    assert newborn.name == "newborn"
    assert judged(Number(0.1, low=0.1, high=0.1), in_force=newborn).verdict == "no limit set"


def test_only_four_verdicts_exist():
    numbers = [Number(0.7, low=a, high=b, coverage=c) for a in (0.5, 0.7) for b in (0.7, 0.9) for c in (0.5, 1.0)]
    seen = {judged(number).verdict for number in numbers} | {judged(replace(numbers[0], value=None)).verdict}
    assert seen <= {"met", "not met", "not measurable", "no limit set"}
