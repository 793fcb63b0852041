"""A whole case under corrections: without any it is the machine's, undone ones leave no trace, whatever is said holds together."""

from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from qi import pipeline
from qi.intake.folder import read_case
from qi.model.corrections import FOUND, SUBJECTS, Correction, anchor_of, carried_out, correction_of
from qi.model.journal import SECOND, Line, counting
from qi.model.tables import COMPRESSIONS, DEVICES, EVENTS, PAUSES, SHOCKS, VENTILATIONS, check
from qi.model.vocabulary import EVENT_VALUES, PAUSE_CAUSES
from tests.corrections.made_case import (
    CO2,
    DEPTH,
    ECG,
    IMPEDANCE,
    PROTOCOL,
    ROWS,
    answers,
    case,
    correct,
    everything,
    looked,
    pauses,
    reviewed,
    row,
    said,
)

SAMPLE = Path(__file__).parents[2] / "sample_cases" / "rv-2031-0107"
WHEN = datetime(2031, 4, 1, tzinfo=UTC)
SOME = (
    correct("add", "pause", 50.0, 62.0, value="airway"),
    correct("remove", "pause", 120.0, 130.0),
    correct("move", "shock", 235.0, to=(238.0, None)),
    correct("add", "artefact", 300.0, 310.0, sensor=DEPTH),
    correct("add", "drug", 90.0, value="epinephrine", dose=1.0, unit="mg"),
    correct("move", "arrest", 20.0, 370.0, to=(15.0, 370.0)),
    correct("remove", "ventilation", 237.5),
    correct("add", "device_on", 80.0, value="itd"),
)


def line(number, kind, body, reading=1):
    return Line(number, "A. Reader", WHEN, kind, body, reading)


def journal(corrections):
    return [line(number, "correction", one.record()) for number, one in enumerate(corrections, start=1)]


def under(lines, one, reading=1):
    """The case under a journal."""
    counted = [correction_of(each, one) for each in counting(lines, reading=reading) if each.kind == "correction"]
    return pipeline.review(one, PROTOCOL, counted, looked(one))


# no corrections, undo, redo


def test_without_corrections_it_is_what_the_machine_found():
    one = case()
    plain, seen = answers(reviewed(of=one)), looked(one)
    assert answers(pipeline.review(one, PROTOCOL, (), seen)) == plain
    found, _, mend = pipeline.find(one, PROTOCOL, (), seen)
    assert found.compressions.equals(seen.pressed.seen.events)
    assert mend.missed == []


@cache
def sample():
    one = read_case(SAMPLE)
    in_force = pipeline.choose_protocol(one, None)
    return one, in_force, pipeline.look(one, in_force)


def test_a_sample_case_measured_in_one_go_or_from_what_was_looked_at_is_the_same():
    one, in_force, seen = sample()
    assert answers(pipeline.review(one, in_force)) == answers(pipeline.review(one, in_force, (), seen))


def test_all_undone_is_as_found_and_all_brought_back_is_as_corrected():
    one, count = case(), len(SOME)
    lines = journal(SOME)
    corrected, plain = answers(under(lines, one)), answers(reviewed(of=one))
    assert corrected != plain
    undone = [*lines, *(line(count + n, "undo", {"undoes": n}) for n in range(1, count + 1))]
    assert answers(under(undone, one)) == plain
    again = [*undone, *(line(2 * count + n, "undo", {"undoes": count + n}) for n in range(1, count + 1))]
    assert answers(under(again, one)) == corrected
    off = [*again, line(3 * count + 1, "undo", {"undoes": 3 * count})]
    assert answers(under(off, one)) == answers(under(lines[:-1], one))


@pytest.mark.parametrize("number", range(1, len(SOME) + 1))
def test_undoing_one_is_never_having_written_it(number):
    one = case()
    lines = [*journal(SOME), line(len(SOME) + 1, "undo", {"undoes": number})]
    without = [each for each in journal(SOME) if each.number != number]
    assert answers(under(lines, one)) == answers(under(without, one))


def test_each_reading_has_its_own_corrections():
    one = case()
    lines = [line(1, "correction", SOME[0].record()), line(2, "correction", SOME[1].record(), SECOND)]
    assert pauses(under(lines, one)) == [(50.0, 62.0), (120.0, 130.0), (230.0, 240.0)]
    assert pauses(under(lines, one, SECOND)) == [(230.0, 240.0)]


def test_a_correction_comes_back_from_its_line_as_it_was():
    one = case()
    anchor, anchor_s = anchor_of(one)
    for given_ in SOME:
        there = replace(given_, anchor=anchor, anchor_s=anchor_s, why="seen on the waveform", before={"type": "x", "time_s": 3.0})
        assert correction_of(line(4, "correction", there.record()), one) == replace(there, number=4)


# the axis


def later(one, by_s):
    """The same case with all that it tells that much later: another monitor began earlier."""
    moved = one.events.assign(time_s=one.events["time_s"] + by_s, end_s=one.events["end_s"] + by_s)
    sources = tuple(replace(source, start_s=source.start_s + by_s, end_s=source.end_s + by_s) for source in one.sources)
    first = replace(sources[0], file="first.edf", clock="first", start_s=0.0, end_s=1.0)
    clocks = {**one.clocks, "first": replace(one.clocks["monitor"], name="first")}
    signals = tuple(signal.shifted(by_s, clock=signal.clock) for signal in one.signals)
    return replace(one, events=moved, sources=(first, *sources), clocks=clocks, signals=signals)


def test_corrections_stay_with_what_they_are_about_when_the_axis_moves():
    one, by_s = case(), 64.0
    anchor, anchor_s = anchor_of(one)
    lines = journal([replace(each, anchor=anchor, anchor_s=anchor_s) for each in SOME])
    moved = later(one, by_s)
    known = ((5.0 + by_s, 395.0 + by_s),)
    shifted = tuple([replace(seen, events=later_rows(seen.events, by_s)) for seen in some] for some in everything(known))
    seen = looked(moved, shifted, shocks=((125.0 + by_s, ECG), (235.4 + by_s, ECG)))
    there = [correction_of(each, moved) for each in lines]
    assert [each.start_s for each in there] == [each.start_s + by_s for each in SOME]
    review, before = pipeline.review(moved, PROTOCOL, there, seen), under(lines, one)
    assert not said(review)
    assert np.array(pauses(review)) - by_s == pytest.approx(np.array(pauses(before)))
    for id_ in ("no_flow_s", "compression_fraction", "compression_rate"):
        assert review.of(id_).value == pytest.approx(before.of(id_).value), id_


def later_rows(table, by_s):
    return table.assign(**{name: table[name] + by_s for name in ("time_s", "onset_s", "release_s") if name in table})


# whatever is said


def text_of(subject):
    if subject == "pause":
        return st.sampled_from((*PAUSE_CAUSES, None))
    if subject in FOUND and subject != "shock":
        return st.sampled_from((None, "90")) if subject == "compression" else st.none()
    choices = EVENT_VALUES.get(subject)
    return st.sampled_from(("200", None)) if choices is None else st.sampled_from(choices) if choices else st.none()


MOMENTS = st.one_of(
    st.floats(-50.0, 450.0).map(lambda time: round(time, 3)),
    st.sampled_from([20.0, 120.0, 125.0, 130.0, 200.0, 230.0, 235.0, 240.0, 370.0, 400.0, 50.25, 119.75]),
)
LENGTHS = st.sampled_from([None, 0.0, 0.2, 0.6, 1.5, 10.0, 12.0, 110.0, -5.0])


@st.composite
def any_correction(draw):
    """One correction of any action on any subject, most of them sound, some not."""
    subject = draw(st.sampled_from((*FOUND, *FOUND, *SUBJECTS)))
    action = draw(st.sampled_from(("add", "move", "remove", "relabel")))
    start, length = draw(MOMENTS), draw(LENGTHS)
    if subject in ("pause", "arrest", "artefact") and length in (None, 0.0):
        length = 7.0
    to_start, to_length = (draw(MOMENTS), draw(LENGTHS)) if action == "move" else (None, None)
    return Correction(
        action,
        subject,
        start,
        None if length is None else start + length,
        to_start,
        None if to_start is None or to_length is None else to_start + to_length,
        value=draw(text_of(subject)),
        sensor=draw(st.sampled_from(("", DEPTH, IMPEDANCE, CO2, ECG))) if subject == "artefact" else "",
        before={} if draw(st.booleans()) else {"type": subject},
    )


def holds_together(review):
    """Tables keep their contract; flow, pauses and unknown time make up the arrest; runs and compressions agree."""
    found = review.findings
    for table, columns in (
        (found.compressions, COMPRESSIONS),
        (found.ventilations, VENTILATIONS),
        (found.exhalations, VENTILATIONS),
        (found.pauses, PAUSES),
        (found.shocks, SHOCKS),
        (found.devices, DEVICES),
        (review.case.events, EVENTS),
    ):
        check(table, columns)
    pressed = found.compressions
    assert (pressed["onset_s"] <= pressed["time_s"]).all()
    assert (pressed["time_s"] <= pressed["release_s"]).all()
    known = found.arrest.overlap(found.compressions_known)
    flow, unknown = found.runs.overlap(known).seconds, found.arrest.minus(found.compressions_known).seconds
    assert flow + found.pauses["seconds"].sum() + unknown == pytest.approx(found.arrest.seconds, abs=1e-6)
    assert not len(found.pauses) or (found.pauses["seconds"] > 0).all()
    assert (found.ventilations["insufflation_s"].dropna() >= 0).all()
    assert found.arrest.minus(found.course.rosc).seconds == pytest.approx(found.arrest.seconds)
    ends = {edge.time_s for edge in found.course.edges}
    assert {time for pair in found.arrest.pairs() for time in pair} <= ends
    assert all(number.value is None or np.isfinite(number.value) for number in review.numbers)


def frames(one, seen):
    """Every table that a review is given, as text."""
    tables = [one.events, one.vitals, seen.pressed.events, seen.by_ecg]
    return [table.to_csv() for table in [*tables, *(each.events for each in (*seen.sensors.all, *seen.sensors.exhaled))]]


WORLDS = {
    "whole": (case(), looked(case())),
    "no monitor": (case(*ROWS, monitor=False), looked(case(*ROWS, monitor=False), ([], [], []), ())),
    "nothing seen": (case(), looked(case(), ([], [], []), ())),
    "two clocks": (
        case(*ROWS, row(90.0, "airway_placed", "supraglottic", clock="record", source="care.xml"), row(100.0, "note", "x")),
        looked(case(), everything(known=((5.0, 150.0), (200.0, 300.0)))),
    ),
}


@settings(max_examples=60)
@given(corrections=st.lists(any_correction(), max_size=6), world=st.sampled_from(sorted(WORLDS)))
def test_any_corrections_hold_together_and_change_nothing_that_was_given(corrections, world):
    one, seen = WORLDS[world]
    before = frames(one, seen)
    review = pipeline.review(one, PROTOCOL, corrections, seen)
    holds_together(review)
    assert frames(one, seen) == before
    refused = carried_out(corrections)[1]
    assert len(said(review)) >= len(refused)
    assert len(said(review)) <= len(corrections)


@settings(max_examples=25)
@example(one=Correction(action="move", subject="shock", start_s=125.0, to_start_s=0.0, value="200", before={"type": "shock"}))
@given(
    one=any_correction().filter(lambda one: not one.subject.startswith("airway"))
)  # those ask the detectors, who see nothing here
def test_what_is_said_to_find_nothing_changes_no_number(one):
    review = reviewed(one)
    if said(review):
        plain = reviewed()
        assert [repr((each.id, each.number)) for each in review.numbers] == [repr((each.id, each.number)) for each in plain.numbers]


@settings(max_examples=15)
@given(order=st.permutations(SOME))
def test_the_order_of_corrections_that_do_not_meet_is_no_matter(order):
    assert answers(reviewed(*order)) == answers(reviewed(*SOME))


@settings(max_examples=10)
@given(corrections=st.lists(any_correction(), max_size=5))
def test_the_same_corrections_twice_give_the_same(corrections):
    assert answers(reviewed(*corrections)) == answers(reviewed(*corrections))


@pytest.mark.parametrize(
    "corrections",
    [
        (correct("add", "compression", -300.0, -200.0),),
        (correct("add", "compression", 900.0, 1000.0),),
        (correct("add", "pause", -100.0, 900.0),),
        (correct("add", "arrest", -100.0, -50.0), correct("add", "arrest", 900.0, 1000.0)),
        (correct("add", "artefact", -100.0, 900.0),),
        (correct("remove", "compression", -100.0, 900.0), correct("remove", "arrest", 20.0, 370.0)),
        (correct("add", "ventilation", 900.0), correct("add", "shock", -20.0), correct("add", "rosc", 0.0)),
        tuple(correct("add", "pause", start, start + 20.0) for start in np.arange(20.0, 360.0, 10.0)),
        tuple(correct("remove", "pause", 20.0 + n, 370.0 - n) for n in range(5)),
    ],
)
def test_outside_of_the_recording_all_of_it_and_over_each_other(corrections):
    holds_together(reviewed(*corrections))


def test_all_of_it_artefact_is_nothing_known():
    number = reviewed(correct("add", "artefact", 0.0, 400.0)).of("compression_fraction").number
    assert number.value is None


# no look is repeated


def test_the_detectors_are_not_asked_again(monkeypatch):
    one, in_force, seen = sample()
    asked = []
    monkeypatch.setattr(pipeline.joining, "look", lambda *_, **__: asked.append(1))
    for each in (*SOME, correct("add", "rosc", 300.0), correct("remove", "compression", 100.0, 110.0)):
        pipeline.review(one, in_force, [each], seen)
    assert asked == []


def test_a_sample_case_with_a_pause_more(monkeypatch):
    """12 s without compressions inside a run: as much less flow as of the run's time is taken."""
    one, in_force, seen = sample()
    plain = pipeline.review(one, in_force, (), seen)
    found = plain.findings
    run = next(span for span in found.runs if span.seconds > 60.0)
    start = run.start_s + 20.0
    review = pipeline.review(one, in_force, [correct("add", "pause", start, start + 12.0, value="moving")], seen)
    arrest = found.arrest.seconds
    lost = plain.of("compression_fraction").value - review.of("compression_fraction").value
    assert lost == pytest.approx(12.0 / arrest, rel=1e-6)
    put = review.findings.pauses.iloc[(review.findings.pauses["start_s"] - start).abs().argmin()]
    assert (put["seconds"], put["cause"], put["cause_by"]) == (pytest.approx(12.0), "moving", "reviewer")
    back = pipeline.review(
        one, in_force, [correct("add", "pause", start, start + 12.0), correct("remove", "pause", start, start + 12.0)], seen
    )
    assert back.of("compression_fraction").value == pytest.approx(plain.of("compression_fraction").value, abs=0.6 / arrest)
    holds_together(review)


def test_left_out_sensors_keep_the_corrections():
    one, in_force, seen = sample()
    review = pipeline.review(one, in_force, [correct("add", "artefact", 200.0, 260.0), correct("add", "pause", 300.0, 330.0)], seen)
    table = pipeline.left_out(review)
    whole = table[(table["id"] == "compression_fraction") & table["sensor"].isna()]
    assert whole["value"].tolist() == pytest.approx([review.of("compression_fraction").value])


def test_artefact_on_the_airway_pressure_tells_nothing_of_the_recoil():
    one, in_force, seen = sample()
    (name,) = [signal.name for signal in one.of_channel("airway_pressure")]
    review = pipeline.review(one, in_force, [correct("add", "artefact", 200.0, 260.0, sensor=name)], seen)
    plain = pipeline.review(one, in_force, (), seen)
    assert plain.findings.recoils["time_s"].between(200.0, 260.0, inclusive="left").sum() > 20
    assert not review.findings.recoils["time_s"].between(200.0, 260.0, inclusive="left").any()
