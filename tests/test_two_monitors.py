"""Two monitors on one patient, from files to measures: one axis, the change-over shown, its time counted for what it was."""

import pytest

from qi import pipeline
from tests.simulator import two_monitors
from tests.simulator.schedule import draw

SEED, CHANGE_S = 11, 400.0


def told(review):
    return " ".join(note.text for note in review.notes)


def measured(folder, how, *, apart_s=40.0, ahead_s=(0.0, 0.0)):
    folder.mkdir()
    truth = draw(SEED)
    two_monitors.write(folder, two_monitors.pair(truth, how, CHANGE_S, apart_s=apart_s, ahead_s=ahead_s))
    return truth, pipeline.measure_case(folder)


def count_in(truth, start_s, end_s):
    return sum(start_s <= one.time_s < end_s for one in truth.compressions)


def test_an_overlap_counts_each_compression_once(tmp_path):
    truth, review = measured(tmp_path / "c", "overlap")
    pressed = review.findings.compressions["time_s"]
    inside = pressed.between(CHANGE_S, CHANGE_S + 40.0).sum()
    assert inside == pytest.approx(count_in(truth, CHANGE_S, CHANGE_S + 40.0), abs=2)
    assert "both record for 0:40" in told(review)
    assert pipeline.to_look_at(review)["what"].str.contains("Change of monitor").any()


def test_a_gap_between_monitors_is_unknown_and_no_pause(tmp_path):
    _, review = measured(tmp_path / "c", "gap")
    gap = review.findings.pauses[review.findings.pauses["start_s"].between(CHANGE_S - 1, CHANGE_S + 39)]
    assert gap["seconds"].sum() < 15.0
    assert review.of("compression_fraction").number.coverage < 1.0
    low, value, high = (getattr(review.of("compression_fraction").number, name) for name in ("low", "value", "high"))
    assert low < value < high
    assert "this time is unknown, not a pause" in told(review)


def test_clocks_that_differ_are_told_and_nothing_is_moved(tmp_path):
    truth, review = measured(tmp_path / "c", "overlap", apart_s=60.0, ahead_s=(0.0, 7.0))
    said = told(review) + " ".join(pipeline.to_look_at(review)["what"])
    assert "7.00 s ahead" in said or "6.99 s ahead" in said
    assert len(review.case.clocks) == 2
    assert all(clock.offset_s == 0.0 for clock in review.case.clocks.values())
    pressed = len(review.findings.compressions)
    assert pressed <= len(truth.compressions) + 2


def test_both_monitors_stand_on_one_axis(tmp_path):
    truth, review = measured(tmp_path / "c", "at once")
    assert review.case.recorded.hull.seconds == pytest.approx(truth.plan.length_s, abs=2.0)
    assert len(review.findings.compressions) == pytest.approx(len(truth.compressions), rel=0.02)
