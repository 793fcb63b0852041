"""What a signature keeps, findings as they stand, and how far two readings agree, whoever of the two signs first."""

import json
from dataclasses import replace

import pytest

from qi.desk import signing
from qi.desk.correcting import correction
from qi.desk.opened import open_case, review_of
from qi.judge.agreement import kappa
from qi.model.errors import Locked, QiError, StaleWrite
from qi.model.journal import FIRST, SECOND

PAUSE = {"action": "add", "subject": "pause", "start_s": 100.0, "end_s": 130.0, "why": "seen"}


@pytest.fixture
def opened(library, good):
    return open_case(library, good)


def write(library, key, kind, body, *, who="first reader", reading=FIRST):
    return library.write(key, kind, body, who=who, after=len(library.lines(key)), reading=reading).number


def sign(library, opened, who, reading=FIRST):
    lines = library.lines(opened.key)
    review = review_of(opened, lines, reading=reading)
    signing.sign(library, opened, lines, review, who=who, after=len(lines), reading=reading)


def test_a_signature_keeps_every_measure_as_plain_values(library, opened, good):
    write(library, good, "correction", PAUSE)
    sign(library, opened, "first reader")
    (version,) = library.versions(good)
    kept = version.record
    assert json.loads(json.dumps(kept, allow_nan=False)) == kept
    review = review_of(opened, library.lines(good))
    assert [one["id"] for one in kept["measures"]] == [one.id for one in review.numbers]
    assert kept["corrections"] == 1
    assert not any("spans_s" in one for one in kept["measures"])
    assert signing.main_numbers(kept)["longest pause"] == "30.0 s"
    assert signing.main_numbers({}) == {}


def test_what_was_signed_is_not_signed_again(library, opened, good):
    sign(library, opened, "first reader")
    with pytest.raises(Locked):
        sign(library, opened, "first reader")


def test_nobody_signs_over_what_was_written_meanwhile(library, opened, good):
    lines = library.lines(good)
    review = review_of(opened, lines)
    write(library, good, "correction", PAUSE, who="another desk")
    with pytest.raises(StaleWrite):
        signing.sign(library, opened, lines, review, who="first reader", after=0)
    assert library.versions(good) == []


@pytest.mark.parametrize("second_signs_first", [True, False])
def test_how_far_two_readings_agree_is_kept_once_both_are_signed(library, opened, good, second_signs_first):
    write(library, good, "correction", PAUSE)
    order = [("first reader", FIRST), ("second reader", SECOND)]
    for number, (who, reading) in enumerate(reversed(order) if second_signs_first else order):
        assert library.about(good).agreement is None, f"{number} signed"
        sign(library, opened, who, reading)
    lines = library.lines(good)
    ours, theirs = (review_of(opened, lines, reading=reading) for reading in (FIRST, SECOND))
    kept = library.about(good).agreement
    assert kept == json.loads(json.dumps(signing.compared(ours, theirs).record()))
    assert kept["pauses_of_one"] >= 1
    assert {version.reading for version in library.versions(good)} == {FIRST, SECOND}
    library.rebuild_states()
    assert library.about(good).agreement == kept


def test_agreement_is_of_the_readings_before_the_two_readers_talked(library, opened, good):
    sign(library, opened, "first reader")
    sign(library, opened, "second reader", SECOND)
    kept = library.about(good).agreement
    library.reopen(good, "as the second reader saw it", who="first reader", after=len(library.lines(good)))
    write(library, good, "correction", PAUSE)
    sign(library, opened, "first reader")
    assert library.about(good).agreement == kept


def test_the_first_reader_does_not_sign_the_second_reading(library, opened, good):
    write(library, good, "correction", PAUSE)
    with pytest.raises(QiError, match="by somebody else"):
        sign(library, opened, " First  Reader ", SECOND)


def test_findings_stand_as_last_changed_and_move_with_their_file(library, opened, good):
    one = write(
        library, good, "finding", {"kind": "work_on", "text": "slow", "start_s": 60.0, "end_s": 70.0, "anchor": "monitor.edf"}
    )
    two = write(library, good, "finding", {"kind": "went_well", "text": "calm"})
    write(
        library,
        good,
        "finding_changed",
        {"of": one, "kind": "went_well", "text": "not slow", "start_s": 61.0, "anchor": "monitor.edf"},
    )
    write(library, good, "finding_withdrawn", {"of": two, "why": "no"})
    lines = library.lines(good)
    (found,) = signing.findings(lines, opened.case)
    assert (found.number, found.kind, found.text, found.start_s, found.end_s) == (one, "went_well", "not slow", 61.0, None)
    assert signing.findings(lines, opened.case, reading=SECOND) == []
    sources = tuple(replace(source, start_s=source.start_s + 45.0) for source in opened.case.sources)
    (moved,) = signing.findings(lines, replace(opened.case, sources=sources))
    assert moved.start_s == 106.0


def test_an_undone_finding_is_gone(library, opened, good):
    number = write(library, good, "finding", {"kind": "other", "text": "seen"})
    write(library, good, "undo", {"undoes": number})
    assert signing.findings(library.lines(good), opened.case) == []


def test_several_records_are_told_as_one():
    records = [
        {"causes": [["airway", "airway"], ["moving", "unknown"]], "verdicts": [["met", "met"]], "marks": {"shock": [2, 0, 1]}},
        {"causes": [["moving", "unknown"]], "verdicts": [["met", "not met"]], "marks": {"shock": [1, 0, 0], "drug": [0, 1, 0]}},
        {},
    ]
    whole = signing.pooled(records)
    assert whole["marks"] == {"shock": [3, 0, 1], "drug": [0, 1, 0]}
    words = signing.agreement_in_words(whole)
    beyond = kappa([tuple(pair) for pair in whole["causes"]])
    assert words == (
        f"what the pauses were for: 1 of 3 alike (Cohen's kappa {beyond:.2f}); "
        "verdicts: 1 of 2 alike (Cohen's kappa 0.00); "
        "3 of 5 marks (shocks, ROSC, airway, devices, drugs) are in both readings."
    )
    differ = signing.differences(whole)
    assert differ.to_dict("records") == [{"first reader": "moving", "second reader": "unknown", "pauses": 2}]
    assert "nothing to compare" in signing.agreement_in_words({})
    assert signing.differences({}).empty


def test_a_correction_of_the_other_reading_is_no_part_of_this_one(library, opened, good):
    review = review_of(opened, [])
    made = correction(review, "add", "pause", 700.0, 720.0, why="seen", value="moving")
    write(library, good, "correction", made.record(), who="second reader", reading=SECOND)
    lines = library.lines(good)
    assert review_of(opened, lines).corrections == ()
    assert len(review_of(opened, lines, reading=SECOND).corrections) == 1
    assert signing.first_reading(opened, lines).of("longest_pause_s").value == review.of("longest_pause_s").value
