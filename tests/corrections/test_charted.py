"""Corrections of what files chart: each event by each action, found again when a clock is set, and the case left as it was."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from qi import pipeline
from qi.corrections.charted import on_case
from qi.corrections.clocks import with_offsets
from qi.model.case import Case, Clock
from qi.model.clock_proposal import ClockSetting
from qi.model.corrections import anchor_of, correction_of, file_s
from qi.model.journal import REVIEWER, Line
from qi.model.tables import EVENTS, check
from tests.corrections.made_case import PROTOCOL, ROWS, case, correct, looked, reviewed, row, said


def told(one, *corrections):
    changed, missed = on_case(one, corrections)
    check(changed.events, EVENTS)
    return changed, missed


def only(changed, type_):
    rows = changed.events[changed.events["type"] == type_]
    assert len(rows) == 1
    return rows.iloc[0]


def test_without_corrections_it_is_the_same_case():
    one = case()
    assert on_case(one, []) == (one, [])
    assert on_case(one, [correct("add", "pause", 1.0, 2.0)])[0] is one


def test_the_case_passed_in_stays_as_it_was():
    one = case()
    before = one.events.copy(deep=True)
    told(one, correct("add", "rosc", 300.0), correct("remove", "drug", 200.0), correct("move", "shock", 235.0, to=(236.0, None)))
    assert one.events.equals(before)


def test_an_event_put_in_is_the_reviewers_and_exact():
    changed, missed = told(case(), correct("add", "access", 150.0, value="io", why="seen on the waveform"))
    put = only(changed, "access")
    assert (put["time_s"], put["value"], put["source"], put["clock"], put["uncertainty_s"]) == (
        150.0,
        "io",
        REVIEWER,
        "monitor",
        0.0,
    )
    assert np.isnan(put["end_s"])
    assert put["text"] == "seen on the waveform"
    assert not missed


def test_a_drug_put_in_moved_and_given_another_dose():
    changed, _ = told(case(), correct("add", "drug", 250.0, value="amiodarone", dose=300.0, unit="mg"))
    rows = changed.events[changed.events["type"] == "drug"]
    assert rows["dose"].tolist() == [1.0, 300.0]
    changed, _ = told(case(), correct("relabel", "drug", 200.0, dose=0.5))
    dose = only(changed, "drug")
    assert (dose["dose"], dose["value"], dose["time_s"], dose["source"]) == (0.5, "epinephrine", 200.0, REVIEWER)
    changed, _ = told(case(), correct("move", "drug", 200.0, to=(210.0, None)))
    assert (only(changed, "drug")["time_s"], only(changed, "drug")["dose"]) == (210.0, 1.0)


def test_a_stretch_keeps_its_length_when_only_its_start_is_moved():
    one = case(row(100.0, "pause", "moving", end_s=112.0), row(150.0, "note", "x", end_s=160.0))
    changed, _ = told(one, correct("move", "note", 150.0, 160.0, to=(170.0, None)))
    assert (only(changed, "note")["time_s"], only(changed, "note")["end_s"]) == (170.0, 180.0)
    changed, _ = told(one, correct("move", "note", 150.0, 160.0, to=(170.0, 175.0)))
    assert only(changed, "note")["end_s"] == 175.0


def test_what_is_relabelled_keeps_its_time_and_clock():
    one = case(row(90.0, "unmapped", "ITD on", clock="record", source="care.xml", uncertainty_s=3.0))
    changed, _ = told(one, correct("relabel", "unmapped", 90.0, type="device_on", value="itd"))
    row_ = only(changed, "device_on")
    assert (row_["value"], row_["clock"], row_["uncertainty_s"], row_["source"]) == ("itd", "record", 3.0, REVIEWER)


def test_a_word_of_the_old_type_is_not_a_value_of_the_new_one():
    one = case(row(90.0, "unmapped", "pulse back", text="pulse back"))
    changed, missed = told(one, correct("relabel", "unmapped", 90.0, type="rosc"))
    assert pd.isna(only(changed, "rosc")["value"])
    assert only(changed, "rosc")["text"] == "pulse back"
    assert not missed


@pytest.mark.parametrize(
    "one",
    [
        correct("remove", "access", 150.0),
        correct("remove", "drug", 150.0),
        correct("move", "rosc", 365.0, to=(360.0, None)),
        correct("remove", "drug", 205.0, before={"type": "drug", "value": "epinephrine", "source": "m.edf"}),
        correct("relabel", "drug", 200.0),
        correct("move", "drug", 200.0),
        correct("teleport", "drug", 200.0),
        correct("add", "wizard", 200.0),
        correct("add", "device_on", 200.0),
        correct("add", "device_on", 200.0, value="kettle"),
        correct("add", "rosc", float("nan")),
        correct("add", "rosc", 1e9),
        correct("remove", "shock", 300.0, before={"type": "shock", "value": "200"}),
    ],
)
def test_what_finds_nothing_or_makes_no_sense_is_said_once_and_changes_nothing(one):
    changed, missed = told(case(), one)
    assert missed == [one]
    assert changed.events.equals(case().events)
    assert len(said(reviewed(one))) == 1


def test_the_same_put_in_twice_is_one():
    again = correct("add", "drug", 250.0, value="epinephrine", dose=1.0)
    changed, missed = told(case(), again, again)
    assert (changed.events["type"] == "drug").sum() == 2
    assert missed == [again]
    later = correct("add", "drug", 251.0, value="epinephrine", dose=1.0)
    assert (told(case(), again, later)[0].events["type"] == "drug").sum() == 3


DOSES = [row(at, "drug", "epinephrine", clock="record", source="care.xml", dose=1.0, unit="mg") for at in (100.0, 280.0, 460.0)]


def with_record_set(one, by_s):
    return with_offsets(one, [ClockSetting("record", by_s, 2.0, "set by a reviewer")])


def line(correction):
    return Line(7, "A. Reader", None, "correction", correction.record())


def written(one, action, time_s, **more):
    """A correction of a dose as it is written: with its record and the file that its times hang on."""
    anchor, anchor_s = anchor_of(one)
    record = one.events[one.events["time_s"] == time_s].iloc[0].dropna().to_dict()
    record["file_s"] = file_s(one, record["source"], time_s)
    return correct(action, "drug", time_s, before=record, anchor=anchor, anchor_s=anchor_s, **more)


@pytest.mark.parametrize("by_s", [-175.0, -90.0, 0.0, 30.0, 170.0, 3600.0])
def test_an_event_is_found_again_after_its_clock_was_set(by_s):
    """Of three doses alike, 180 s apart, the middle one is meant, wherever the record's clock puts them."""
    one = case(*ROWS[:2], *DOSES)
    gone = line(written(one, "remove", 280.0))
    later = with_record_set(one, by_s)
    changed, missed = told(later, correction_of(gone, later))
    doses = changed.events.loc[changed.events["type"] == "drug", "time_s"]
    assert doses.tolist() == pytest.approx([100.0 + by_s, 460.0 + by_s])
    assert not missed


def test_where_it_was_moved_to_stays_on_the_lead_clock():
    one = case(*ROWS[:2], *DOSES)
    moved = line(written(one, "move", 280.0, to=(300.0, None)))
    later = with_record_set(one, 50.0)
    changed, _ = told(later, correction_of(moved, later))
    said_ = changed.events[changed.events["source"] == REVIEWER].iloc[0]
    assert (said_["time_s"], said_["clock"]) == (300.0, "monitor")
    assert changed.events.loc[changed.events["clock"] == "record", "time_s"].tolist() == [150.0, 510.0]


def test_without_its_place_in_its_file_only_one_of_a_kind_is_found_far_away():
    record = {"type": "drug", "value": "epinephrine", "source": "care.xml"}
    three, one = with_record_set(case(*ROWS[:2], *DOSES), 60.0), with_record_set(case(*ROWS[:2], DOSES[1]), 60.0)
    gone = correct("remove", "drug", 280.0, before=record)
    assert told(three, gone)[1] == [gone]
    assert told(one, gone)[1] == []
    assert not (told(one, gone)[0].events["type"] == "drug").any()


def test_the_second_removal_of_one_dose_takes_no_other():
    one = case(*ROWS[:2], *DOSES)
    gone = written(one, "remove", 280.0)
    changed, missed = told(one, gone, gone)
    assert (changed.events["type"] == "drug").sum() == 2
    assert missed == [gone]
    two = case(*ROWS[:2], *DOSES[:2])
    bare = correct("remove", "drug", 100.0, before={"type": "drug", "source": "care.xml"})
    assert (told(two, bare, bare)[0].events["type"] == "drug").sum() == 1


def test_a_correction_of_a_correction_holds_when_the_first_is_undone():
    """The dose was changed, then the event moved; with the change undone the move still finds the event by type and place."""
    moved = correct("move", "drug", 200.0, to=(215.0, None), before={"type": "drug", "value": "epinephrine", "source": REVIEWER})
    changed, missed = told(case(), moved)
    assert only(changed, "drug")["time_s"] == 215.0
    assert not missed


def test_corrections_move_with_the_file_they_hang_on():
    """Another monitor began 50 s earlier: all that was there lies 50 s later, and so does what the reviewer said."""
    one = case()
    put = line(correct("add", "rosc", 100.0, anchor="m.edf", anchor_s=0.0))
    moved_on = replace(one, sources=tuple(replace(s, start_s=s.start_s + 50.0, end_s=s.end_s + 50.0) for s in one.sources))
    assert correction_of(put, one).start_s == 100.0
    assert correction_of(put, moved_on).start_s == 150.0
    assert correction_of(put, moved_on).anchor_s == 50.0


def test_the_clock_that_leads_stays_the_one_it_was():
    """No monitor: the clock of most events leads, and a reviewer takes events of it away."""
    rows = [row(10.0, "cpr_started"), row(90.0, "rosc"), row(20.0, "note", "x", clock="record", source="care.xml")]
    one = case(*rows, monitor=False)
    assert one.lead_clock == "monitor"
    changed, _ = told(one, correct("remove", "cpr_started", 10.0), correct("remove", "rosc", 90.0))
    assert changed.lead_clock == "monitor"
    assert told(one, correct("add", "rosc", 80.0))[0].events["clock"].value_counts()["monitor"] == 3


def test_a_case_without_any_event_or_clock():
    bare = Case("t", None)
    changed, missed = told(bare, correct("add", "cpr_started", 5.0), correct("add", "rosc", 65.0), correct("add", "shock", 30.0))
    assert not missed
    assert changed.lead_clock in changed.clocks
    review = pipeline.review(
        bare, PROTOCOL, [correct("add", "cpr_started", 5.0), correct("add", "rosc", 65.0)], looked(bare, ([], [], []), ())
    )
    assert review.findings.arrest.pairs() == [(5.0, 65.0)]


def test_events_only_and_their_clock_alone():
    one = Case("t", None, clocks={"list": Clock("list")}, events=case(row(10.0, "cpr_started", clock="list")).events)
    changed, _ = told(one, correct("add", "shock", 30.0, value="200"), correct("add", "rosc", 60.0))
    assert set(changed.events["clock"]) == {"list"}


def device_rows(review):
    table = review.findings.devices
    return [
        (kind, on, None if np.isnan(off) else off)
        for kind, on, off in zip(table["kind"], table["on_s"], table["off_s"], strict=True)
    ]


RECORD_ITD = row(95.0, "device_on", "itd", clock="record", source="care.xml")


def test_a_device_on_and_off():
    one = case(*ROWS, RECORD_ITD)
    assert device_rows(reviewed(of=one)) == [("itd", 95.0, None)]
    on = correct("add", "device_on", 70.0, value="itd")
    assert device_rows(reviewed(on, of=one)) == [("itd", 70.0, None)]
    off = correct("add", "device_off", 300.0, value="itd")
    assert device_rows(reviewed(on, off, of=one)) == [("itd", 70.0, 300.0)]
    given = reviewed(on, off, of=one).of("device_on_fraction", "itd").value
    assert given == pytest.approx((50 + 100 + 60) * 2 / 660)
    assert (
        device_rows(reviewed(correct("remove", "device_on", 95.0, before={"type": "device_on", "source": "care.xml"}), of=one))
        == []
    )
    moved = correct("move", "device_on", 95.0, to=(80.0, None), before={"type": "device_on", "value": "itd"})
    assert device_rows(reviewed(moved, of=one)) == [("itd", 80.0, None)]


def test_an_airway_looks_anew_and_nothing_else_does(monkeypatch):
    """Breaths by impedance are told apart by the airway, so only its corrections ask the detectors again."""
    one = case(*ROWS, row(150.0, "airway_placed", "supraglottic", clock="record", source="care.xml"))
    seen, asked = looked(one), []
    monkeypatch.setattr(pipeline, "look", lambda case_, _: asked.append(case_) or seen)
    others = [
        correct("add", "pause", 50.0, 60.0, value="moving"),
        correct("add", "rosc", 300.0),
        correct("add", "artefact", 60.0, 70.0),
        correct("add", "device_on", 60.0, value="itd"),
        correct("remove", "compression", 70.0, 80.0),
        correct("move", "shock", 235.0, to=(236.0, None)),
    ]
    reviewed(*others, of=one, seen=seen)
    assert asked == []
    review = reviewed(correct("add", "airway_placed", 200.0, value="tracheal_tube"), of=one, seen=seen)
    assert len(asked) == 1
    became = correct("relabel", "note", 150.0, type="airway_placed", value="supraglottic")
    reviewed(became, of=case(*ROWS, row(150.0, "note", "tube in")), seen=seen)
    assert len(asked) == 2
    assert asked[0] is review.case
    assert device_rows(review) == [("tracheal_tube", 200.0, None)]
    off = reviewed(
        correct("add", "airway_placed", 200.0, value="tracheal_tube"),
        correct("add", "airway_removed", 260.0, value="tracheal_tube"),
        of=one,
        seen=seen,
    )
    assert device_rows(off) == [("tracheal_tube", 200.0, 260.0)]
    assert off.findings.airway["tracheal_tube"].pairs() == [(200.0, 260.0)]
