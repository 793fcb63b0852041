"""From what a reviewer points at to a correction: what stood there, what is offered, what is refused, and how it is told."""

import json

import numpy as np
import pytest

from qi import pipeline
from qi.desk import correcting
from qi.desk.correcting import correction, last_to_undo, said, things
from qi.desk.opened import open_case, review_of
from qi.model.corrections import ACTIONS, SUBJECTS, UNLABELLED, Correction, checked
from qi.model.errors import QiError
from qi.model.journal import FIRST, SECOND, Line
from qi.model.vocabulary import EVENT_VALUES, PAUSE_CAUSES, UNMAPPED
from tests.desk.conftest import SAMPLES
from tests.library.made_cases import NOON


@pytest.fixture(scope="module")
def review():
    return pipeline.measure_case(SAMPLES / "rv-2031-0107")


def test_what_stood_there_is_kept_with_its_value_and_place_in_its_file(review):
    monitor = next(source for source in review.case.sources if source.file == "monitor.edf")
    shock = review.case.events.query("type == 'shock' and source == 'monitor.edf'").iloc[0]
    there = correction(review, "remove", "shock", float(shock["time_s"]) + 0.2, why="artefact on the sensor").before
    assert there["type"] == "shock"
    assert there["source"] == "monitor.edf"
    assert there["file_s"] == pytest.approx(shock["time_s"] - monitor.start_s, abs=1e-3)
    pause = review.findings.pauses.sort_values("seconds").iloc[-1]
    there = correction(review, "relabel", "pause", float(pause["start_s"]), float(pause["end_s"]), why="x", value="moving").before
    assert there["cause"] == pause["cause"]
    assert there["seconds"] == pytest.approx(pause["seconds"], abs=1e-3)
    pressed = review.findings.compressions["time_s"]
    start, end = float(pressed.iloc[10]) - 0.1, float(pressed.iloc[19]) + 0.1
    assert correction(review, "remove", "compression", start, end, why="x").before == {"count": 10}
    assert correction(review, "move", "arrest", 24.0, 1239.9, to_s=(20.0, 1239.9), why="x").before["spans_s"]


@pytest.mark.parametrize("subject", ["shock", "rosc", "drug", "device_on", "compression"])
def test_where_nothing_is_near_nothing_stood_there(review, subject):
    assert correction(review, "remove", subject, -5000.0, why="x").before == {}
    assert correcting.before(review, subject, -5000.0) == {}


def test_a_move_keeps_the_length_where_no_end_is_given(review):
    made = correction(review, "move", "pause", 100.0, 107.5, to_s=(200.0, None), why="x")
    assert (made.to_start_s, made.to_end_s) == (200.0, 207.5)
    made = correction(review, "move", "shock", 100.0, to_s=(101.0, None), why="x")
    assert (made.to_start_s, made.to_end_s) == (101.0, None)


def test_a_correction_hangs_on_the_monitor_s_file_and_is_plain_values(review):
    made = correction(review, "add", "drug", 300.0, why="told by the crew", value="epinephrine", dose=1.0, unit="mg")
    assert (made.anchor, made.anchor_s) == ("monitor.edf", 0.0)
    record = made.record()
    assert json.loads(json.dumps(record, allow_nan=False)) == record
    assert "number" not in record
    assert "before" not in record


def test_everything_that_is_offered_on_screen_can_be_written(review):
    """Each subject of the two choices, with the first value that is offered for it, passes the rules of the journal."""
    for subject in correcting.AT_A_MOMENT:
        assert subject in SUBJECTS
        value = offered(subject)
        checked(correction(review, "add", subject, 300.0, why="x", value=value))
    for subject in correcting.OVER_A_STRETCH:
        checked(correction(review, "add", subject, 300.0, 305.0, why="x", value=offered(subject)))


def offered(subject):
    values = correcting.values_of(subject)
    if subject in ("shock", "charge"):
        return "200"
    return "epinephrine" if values is None else values[0] if values else None


def test_a_value_is_offered_just_where_one_can_be_changed(review):
    for subject in SUBJECTS:
        values = correcting.values_of(subject)
        relabel = {"value": offered(subject) or "anything"}
        if values == ():
            with pytest.raises(QiError):
                checked(correction(review, "relabel", subject, 300.0, 301.0, why="x", **relabel))
        elif subject not in (UNMAPPED, *UNLABELLED):
            checked(correction(review, "relabel", subject, 300.0, 301.0, why="x", **relabel))
    assert correcting.values_of("pause") == PAUSE_CAUSES
    assert correcting.values_of("airway_placed") == EVENT_VALUES["airway_placed"]


def test_words_for_each_action():
    told = {
        "pause put in, 1:40 to 1:55: moving": Correction("add", "pause", 100.0, 115.0, value="moving"),
        "shock taken out, 1:40": Correction("remove", "shock", 100.0),
        "ROSC moved, 1:40 → 2:00": Correction("move", "rosc", 100.0, to_start_s=120.0),
        "pause changed, 1:40 to 1:55: access (was airway)": Correction(
            "relabel", "pause", 100.0, 115.0, value="access", before={"cause": "airway"}
        ),
        "artefact: believe no sensor here put in, 1:40 to 1:55 on co2": Correction("add", "artefact", 100.0, 115.0, sensor="co2"),
        "pause moved, 1:40 to 1:55 → 1:50 to 2:05": Correction("move", "pause", 100.0, 115.0, to_start_s=110.0, to_end_s=125.0),
    }
    for words, one in told.items():
        assert said(one) == words
    assert said(Correction("remove", "shock", 124.0), zero_s=24.0) == "shock taken out, 1:40"
    assert {one.action for one in told.values()} == set(ACTIONS)


@pytest.mark.parametrize("case", sorted(path.name for path in SAMPLES.glob("rv-*") if path.is_dir()))
def test_every_thing_that_is_listed_is_found_again_where_it_is_said_to_be(case):
    review = pipeline.measure_case(SAMPLES / case)
    table = things(review)
    assert table["start_s"].is_monotonic_increasing
    assert not table["by_person"].any()
    listed = review.findings.pauses["seconds"] >= review.protocol.values["listed_pause_s"]
    assert (table["subject"] == "pause").sum() == listed.sum()
    assert (table["subject"] == "shock").sum() == len(review.findings.shocks)
    for row in table.itertuples():
        end = None if np.isnan(row.end_s) else row.end_s
        assert correcting.before(review, row.subject, row.start_s, end), row


def test_what_a_person_put_there_is_known_again(library, good):
    opened = open_case(library, good)
    found = review_of(opened, [])
    for number, made in enumerate(
        (
            correction(found, "add", "pause", 100.0, 130.0, why="seen", value="moving"),
            correction(found, "add", "shock", 700.0, why="seen", value="200"),
            correction(found, "add", "airway_placed", 500.0, why="charted", value="tracheal_tube"),
        )
    ):
        library.write(good, "correction", made.record(), who="tester", after=number)
    table = things(review_of(opened, library.lines(good)))
    mine = table[table["by_person"]]
    assert set(mine["subject"]) == {"pause", "shock", "airway_placed"}
    assert mine.set_index("subject")["value"].to_dict() == {"pause": "moving", "shock": "200", "airway_placed": "tracheal_tube"}


def test_the_newest_that_counts_is_undone_next():
    def line(number, kind, body=None, reading=FIRST):
        return Line(number, "tester", NOON, kind, body or {}, reading)

    lines = [line(1, "correction"), line(2, "correction"), line(3, "clock", {"clock": "x"}), line(4, "correction", reading=SECOND)]
    assert last_to_undo(lines, reading=FIRST) == 2
    assert last_to_undo(lines, reading=SECOND) == 4
    lines.append(line(5, "undo", {"undoes": 2}))
    assert last_to_undo(lines, reading=FIRST) == 1
    lines.append(line(6, "undo", {"undoes": 1}))
    assert last_to_undo(lines, reading=FIRST) is None
    assert last_to_undo([], reading=FIRST) is None
