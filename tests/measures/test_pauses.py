"""Pause measures: answers that follow from how the data were made, and their edges."""

import numpy as np
import pytest

from qi.measures import pauses as paused
from qi.model.errors import NotMeasurable
from qi.model.findings import Arrest
from qi.model.spans import Span, Spans
from tests.measures.made import bare_pauses, compressions, findings, train


def made(causes=("shock", "airway", "unknown"), lengths=(8.0, 25.0, 3.0), known=None):
    """60 s of compressions before each pause and at the end."""
    times, at, edges = [], 0.0, []
    for length in lengths:
        times.append(train(at, 120, 0.5))
        edges.append((at + 60.0, at + 60.0 + length))
        at += 60.0 + length
    times.append(train(at, 120, 0.5))
    stretches = Spans.of(edges)
    return findings(
        compressions(np.concatenate(times)),
        (0.0, at + 60.0),
        known=known,
        pauses=bare_pauses(stretches, list(causes)) if not known else None,
    )


def test_longest_pauses_by_what_they_were_for():
    found = made()
    arguments = (found.pauses, found.runs, found.arrest, found.unknown)
    assert paused.longest_pause_s(*arguments).value == pytest.approx(25.0)
    assert paused.longest_pause_s(*arguments).remark == "cause: airway"
    assert paused.longest_shock_pause_s(*arguments).value == pytest.approx(8.0)
    assert paused.longest_other_pause_s(*arguments).value == pytest.approx(25.0)
    with pytest.raises(NotMeasurable, match="no pause with a shock"):
        paused.longest_shock_pause_s(made(causes=("airway",) * 3).pauses, *arguments[1:])


def test_unknown_time_can_hide_a_longer_pause():
    found = made(known=[(0.0, 62.0), (75.0, 1e3)])  # 8-s pause 60-68 s, then unknown to 75 s although pressed
    longest = paused.longest_pause_s(found.pauses, found.runs, found.arrest, found.unknown)
    assert longest.value == pytest.approx(25.0)
    assert longest.high == pytest.approx(25.0)
    first = paused.longest_pause_s(found.pauses, found.runs, found.arrest.clip(Span(0, 100)), found.unknown)
    assert (first.value, first.low, first.high) == pytest.approx((2.0, 2.0, 15.0))


def test_a_count_has_no_greatest_value_when_time_is_unknown():
    whole, holed = made(), made(known=[(0.0, 62.0), (75.0, 1e3)])
    count = paused.pauses_over_limit(whole.pauses, whole.arrest, whole.unknown, long_pause_s=10.0)
    assert (count.value, count.low, count.high) == (1.0, 1, 1)
    assert paused.pauses_over_limit(holed.pauses, holed.arrest, holed.unknown, long_pause_s=10.0).high is None


def test_a_pause_as_long_as_the_limit_is_not_over_it():
    found = made(lengths=(10.0, 10.001, 3.0))
    assert paused.pauses_over_limit(found.pauses, found.arrest, found.unknown, long_pause_s=10.0).value == 1.0


def test_no_flow_and_fraction_share_the_known_time():
    found = made()
    assert paused.no_flow_s(found.pauses, found.arrest, found.unknown).value == pytest.approx(36.0)


def test_holding_pauses_turns_their_excess_into_flow():
    """measures.md section 2: saved seconds become flow, the span's length unchanged; causes ranked by what they gain."""
    found = made()
    limits = {"shock": 5.0, "airway": 10.0, "unknown": 10.0}
    answers = paused.fraction_if_pauses_held(found.pauses, found.runs, found.arrest, found.unknown, pause_limit_s=limits)
    total, flow = 276.0, 240.0
    assert [number.of for number in answers] == ["all", "airway", "shock", "unknown"]
    assert [number.value for number in answers] == pytest.approx([(flow + gain) / total for gain in (18.0, 15.0, 3.0, 0.0)])


def test_the_rest_after_a_closing_event_elsewhere_stays_outside():
    course = Arrest(Spans.of([(0, 100)]), closed_by="terminated", final_pause=Span(100, 160), final_pause_error_s=120.0)
    answer = paused.final_pause_s(course)
    assert (answer.value, answer.error) == (60.0, 120.0)
    assert paused.final_pause_s(Arrest(Spans.of([(0, 100)]), closed_by="rosc")).value == 0.0
