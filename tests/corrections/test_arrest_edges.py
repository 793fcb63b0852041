"""Corrections of the arrest's edges: spans and circulation as they follow from the course that was made."""

import pytest

from qi.corrections.arrest_edges import RULE, corrected
from qi.model.findings import Arrest, Edge
from qi.model.spans import Span, Spans
from tests.corrections.made_case import case, correct, pauses, reviewed, row, said

ROSC, AGAIN = "rosc on the monitor's clock", "rearrest on the monitor's clock"
# 20 to 100 s, ROSC, re-arrest 200 to 300 s, ended at 300
TWICE = Arrest(
    Spans.of([(20.0, 100.0), (200.0, 300.0)]),
    (
        Edge(20.0, "start", "first compression a sensor saw"),
        Edge(100.0, "end", ROSC),
        Edge(200.0, "start", AGAIN),
        Edge(300.0, "end", "terminated on the monitor's clock"),
    ),
    "terminated",
    rosc=Spans.of([(100.0, 200.0)]),
)


def after(*corrections, course=TWICE):
    missed = []
    return corrected(course, corrections, missed), missed


def rules(course):
    return [edge.rule == RULE for edge in course.edges]


def test_without_corrections_it_is_the_same():
    assert after()[0] is TWICE


def test_a_span_put_in_apart():
    course, missed = after(correct("add", "arrest", 400.0, 450.0))
    assert course.spans.pairs() == [(20.0, 100.0), (200.0, 300.0), (400.0, 450.0)]
    assert rules(course) == [False] * 4 + [True] * 2
    assert (course.closed_by, missed) == ("recording", [])


def test_a_span_put_in_that_makes_another_longer_is_closed_as_that_was():
    course, _ = after(correct("add", "arrest", 290.0, 320.0))
    assert course.spans.pairs() == [(20.0, 100.0), (200.0, 320.0)]
    assert (course.closed_by, rules(course)) == ("terminated", [False, False, False, True])


def test_a_span_put_in_between_joins_the_two_and_leaves_no_circulation():
    course, _ = after(correct("add", "arrest", 90.0, 210.0))
    assert course.spans.pairs() == [(20.0, 300.0)]
    assert course.rosc.pairs() == []
    assert rules(course) == [False, False]


def test_a_second_arrest_that_was_none_leaves_the_circulation_going_on():
    course, _ = after(correct("remove", "arrest", 200.0, 300.0))
    assert course.spans.pairs() == [(20.0, 100.0)]
    assert course.rosc.pairs() == [(100.0, 300.0)]
    assert course.closed_by == "rosc"


def test_a_first_arrest_that_was_none_leaves_no_circulation_after_it():
    course, _ = after(correct("remove", "arrest", 20.0, 100.0))
    assert course.spans.pairs() == [(200.0, 300.0)]
    assert course.rosc.pairs() == []
    assert course.closed_by == "terminated"


def test_no_arrest_at_all():
    course, _ = after(correct("remove", "arrest", 20.0, 100.0), correct("remove", "arrest", 200.0, 300.0))
    assert (course.spans.pairs(), course.edges, course.closed_by, course.rosc.pairs()) == ([], (), None, [])


@pytest.mark.parametrize(
    ("was", "to", "spans", "rosc", "by_hand"),
    [
        ((20.0, 100.0), (20.0, 90.0), [(20.0, 90.0), (200.0, 300.0)], [(90.0, 200.0)], [False, True, False, False]),
        ((20.0, 100.0), (20.0, 120.0), [(20.0, 120.0), (200.0, 300.0)], [(120.0, 200.0)], [False, True, False, False]),
        ((20.0, 100.0), (10.0, 100.0), [(10.0, 100.0), (200.0, 300.0)], [(100.0, 200.0)], [True, False, False, False]),
        ((200.0, 300.0), (220.0, 300.0), [(20.0, 100.0), (220.0, 300.0)], [(100.0, 220.0)], [False, False, True, False]),
        ((200.0, 300.0), (180.0, 310.0), [(20.0, 100.0), (180.0, 310.0)], [(100.0, 180.0)], [False, False, True, True]),
        ((200.0, 300.0), (200.0, 280.0), [(20.0, 100.0), (200.0, 280.0)], [(100.0, 200.0)], [False, False, False, True]),
    ],
)
def test_edges_move(was, to, spans, rosc, by_hand):
    course, missed = after(correct("move", "arrest", *was, to=to))
    assert course.spans.pairs() == spans
    assert course.rosc.pairs() == rosc
    assert rules(course) == by_hand
    assert (course.closed_by, missed) == ("terminated", [])


def test_only_the_edge_that_was_moved_moves():
    """The start was found at 20 when the line was written, and is at 20 still though the correction says 25 for both."""
    course, _ = after(correct("move", "arrest", 25.0, 100.0, to=(25.0, 90.0)))
    assert course.spans.first == Span(20.0, 90.0)
    assert rules(course)[:2] == [False, True]


def test_one_edge_alone():
    assert after(correct("move", "arrest", 20.0, 100.0, to=(None, 110.0)))[0].spans.first == Span(20.0, 110.0)
    assert after(correct("move", "arrest", 20.0, 100.0, to=(30.0, None)))[0].spans.first == Span(30.0, 100.0)


@pytest.mark.parametrize(
    "one",
    [
        correct("remove", "arrest", 120.0, 180.0),
        correct("remove", "arrest", 102.0),
        correct("move", "arrest", 310.0, 350.0, to=(310.0, 400.0)),
        correct("move", "arrest", 20.0, 100.0, to=(20.0, 100.0)),
        correct("move", "arrest", 20.0, 100.0, to=(150.0, None)),
        correct("add", "arrest", 210.0, 250.0),
        correct("relabel", "arrest", 20.0, 100.0, value="x"),
    ],
)
def test_what_finds_nothing_changes_nothing(one):
    course, missed = after(one)
    assert course is TWICE
    assert missed == [one]


def test_a_moment_speaks_of_the_span_it_lies_in():
    assert after(correct("remove", "arrest", 50.0))[0].spans.pairs() == [(200.0, 300.0)]
    assert after(correct("remove", "arrest", 300.5))[0].spans.pairs() == [(20.0, 100.0)]


def test_moved_there_and_back_is_as_it_was():
    there, back = correct("move", "arrest", 20.0, 100.0, to=(20.0, 80.0)), correct("move", "arrest", 20.0, 80.0, to=(20.0, 100.0))
    course, _ = after(there, back)
    assert (course.spans, course.rosc, course.edges) == (TWICE.spans, TWICE.rosc, TWICE.edges)


LOOSE = Arrest(
    Spans.of([(20.0, 300.0)]),
    (Edge(20.0, "start", "first compression a sensor saw"), Edge(300.0, "end", "last release; ROSC stands on another clock")),
    "rosc",
    Span(300.0, 360.0),
    120.0,
    Spans.of([(360.0, 500.0)]),
)


def test_a_pause_after_the_last_span_is_told_only_while_its_end_stands():
    kept, _ = after(correct("move", "arrest", 20.0, 300.0, to=(10.0, 300.0)), course=LOOSE)
    assert kept.final_pause == Span(300.0, 360.0)
    moved, _ = after(correct("move", "arrest", 20.0, 300.0, to=(20.0, 320.0)), course=LOOSE)
    assert (moved.final_pause, moved.final_pause_error_s, moved.closed_by) == (None, None, "rosc")
    assert moved.rosc.pairs() == [(320.0, 500.0)]
    gone, _ = after(correct("remove", "arrest", 20.0, 300.0), course=LOOSE)
    assert (gone.final_pause, gone.rosc.pairs()) == (None, [])
    added, _ = after(correct("add", "arrest", 400.0, 420.0), course=LOOSE)
    assert added.final_pause is None


def test_an_edge_two_hundredths_away_is_another_edge_late_in_a_case_too():
    late = Arrest(Spans.of([(3000.0, 4000.0)]), (Edge(3000.0, "start", "a"), Edge(4000.0, "end", ROSC)), "rosc")
    course, _ = after(correct("move", "arrest", 3000.0, 4000.0, to=(3000.02, 4000.02)), course=late)
    assert rules(course) == [True, True]


def test_in_a_whole_case_the_pauses_follow():
    """350 s of arrest with 20 s of pauses; the arrest began 10 s before the first compression."""
    review = reviewed(correct("move", "arrest", 20.0, 370.0, to=(10.0, 370.0)))
    assert pauses(review)[0] == (10.0, 20.0)
    assert review.of("compression_fraction").value == pytest.approx(330 / 360)
    assert review.of("no_flow_s").value == pytest.approx(30.0)


def test_rosc_put_in_on_the_lead_clock_closes_the_arrest():
    """ROSC at 230 s: compressions go on from 240 s, so a second span that is marked as not charted."""
    review = reviewed(correct("add", "rosc", 230.0))
    assert review.findings.arrest.pairs() == [(20.0, 230.0), (240.0, 370.0)]
    assert review.findings.course.edges[1].rule == "rosc on the monitor's clock"
    assert review.findings.course.rosc.pairs() == [(230.0, 240.0), (370.0, 400.0)]
    earlier = reviewed(correct("move", "rosc", 370.0, to=(360.0, None)), correct("remove", "compression", 360.0, 371.0))
    assert earlier.findings.arrest.pairs() == [(20.0, 360.0)]
    none = reviewed(correct("remove", "rosc", 370.0))
    assert none.findings.course.closed_by == "recording"
    assert none.findings.arrest.pairs() == [(20.0, 400.0)]
    assert not [*said(review), *said(earlier), *said(none)]


def test_rosc_on_another_clock_moves_no_edge_and_the_reviewers_does():
    record = row(350.0, "rosc", clock="record", source="care.xml")
    one = case(record)
    assert reviewed(of=one).findings.arrest.pairs() == [(20.0, 370.0)]
    moved = reviewed(correct("move", "rosc", 350.0, to=(375.0, None), before={"type": "rosc", "source": "care.xml"}), of=one)
    assert moved.findings.arrest.pairs() == [(20.0, 375.0)]
    assert moved.findings.course.edges[-1].rule == "rosc on the monitor's clock"
