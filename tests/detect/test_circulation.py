"""Arrest spans: which rule sets each edge, and that another clock moves none."""

import numpy as np
import pytest

from qi.detect.circulation import arrest
from qi.model.case import Case, Clock, Facts, Source
from qi.model.tables import EVENTS, make
from tests.measures.made import compressions, events, train

CLOCKS = {"monitor": Clock("monitor"), "record": Clock("record", uncertainty_s=120.0), "lost": Clock("lost", placed=False)}


def made(*rows, end_s=1000.0, witnessed=None, monitor=True):
    happened = events(*rows) if rows else make(EVENTS)
    sources = (Source("m", "EDF+", "monitor", "monitor", 0.0, end_s),) if monitor else ()
    return Case("t", None, sources, CLOCKS, "monitor" if monitor else "", events=happened, facts=Facts(witnessed=witnessed))


def course(case, *times):
    pressed = compressions(np.concatenate(times) if times else [])
    return arrest(case, pressed, gap_s=1.0, reopening_compressions=10)


FIRST = train(50, 200, 0.5)  # 50 to 150 s


def test_starts_at_the_earliest_of_compression_and_event_on_the_monitors_clock():
    assert course(made((800.0, "rosc")), FIRST).spans.pairs() == [(50.0, 800.0)]
    assert course(made((30.0, "arrest_recognised"), (800.0, "rosc")), FIRST).spans.pairs() == [(30.0, 800.0)]
    elsewhere = {"time_s": 10.0, "type": "cpr_started", "clock": "record"}
    assert course(made(elsewhere, (800.0, "rosc")), FIRST).spans.pairs() == [(50.0, 800.0)]


def test_collapse_counts_only_when_the_crew_saw_it():
    rows = ((20.0, "collapse"), (800.0, "rosc"))
    assert course(made(*rows, witnessed="ems"), FIRST).spans.first.start_s == 20.0
    assert course(made(*rows, witnessed="bystander"), FIRST).spans.first.start_s == 50.0


def test_never_before_patient_contact_on_the_same_clock():
    assert course(made((20.0, "cpr_started"), (40.0, "at_patient"), (800.0, "rosc")), FIRST).spans.first.start_s == 40.0
    elsewhere = {"time_s": 70.0, "type": "at_patient", "clock": "record"}
    assert course(made(elsewhere, (800.0, "rosc")), FIRST).spans.first.start_s == 50.0


def test_a_closing_event_on_another_clock_closes_at_the_last_release():
    elsewhere = {"time_s": 400.0, "type": "terminated", "clock": "record"}
    answer = course(made(elsewhere), FIRST)
    assert answer.spans.pairs() == [(50.0, 150.0)]
    assert (answer.final_pause.seconds, answer.final_pause_error_s, answer.closed_by) == (250.0, 120.0, "terminated")
    assert "another clock" in answer.edges[-1].rule


def test_without_a_closing_event_it_goes_to_the_end_of_the_recording():
    answer = course(made(), FIRST)
    assert answer.spans.pairs() == [(50.0, 1000.0)]
    assert answer.closed_by == "recording"


def test_charted_rearrest_opens_a_new_span():
    answer = course(made((300.0, "rosc"), (500.0, "rearrest"), (700.0, "terminated")), FIRST, train(520, 100, 0.5))
    assert answer.spans.pairs() == [(50.0, 300.0), (500.0, 700.0)]
    assert answer.rosc.pairs() == [(300.0, 500.0)]
    assert not answer.questions


@pytest.mark.parametrize(("count", "spans"), [(10, 2), (9, 1)])
def test_ten_compressions_after_rosc_open_a_span_that_is_not_charted(count, spans):
    answer = course(made((300.0, "rosc")), FIRST, train(500, count, 0.5))
    assert len(answer.spans) == spans
    assert bool(answer.questions) == (spans == 2)
    if spans == 2:
        assert answer.spans.pairs()[1] == (500.0, 1000.0)
        assert "not charted" in answer.edges[2].rule


def test_nothing_tells_of_an_arrest():
    answer = course(made())
    assert not answer.spans
    assert answer.closed_by is None


def test_a_case_with_only_a_record_is_placed_on_the_records_clock():
    rows = [{"time_s": at, "type": type_, "clock": "record"} for at, type_ in ((10.0, "arrest_recognised"), (700.0, "rosc"))]
    assert course(made(*rows, monitor=False)).spans.pairs() == [(10.0, 700.0)]
