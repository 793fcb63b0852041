"""Corrections of shocks, breaths, causes of pauses, and artefact: answers that follow from how the case was made."""

import numpy as np
import pytest

from qi.corrections.reviewed import Reviewed
from qi.detect import accuracy
from qi.model.journal import REVIEWER
from tests.corrections.made_case import (
    BREATHS,
    CO2,
    DEPTH,
    ECG,
    IMPEDANCE,
    PRESSURE,
    ROWS,
    case,
    correct,
    everything,
    looked,
    pauses,
    presses,
    reviewed,
    row,
    said,
)
from tests.detect.seen_makers import pressed


def shocks(review):
    return [round(time, 3) for time in review.findings.shocks["time_s"]]


def around(review, time_s):
    """Pauses before and after a shock [s]."""
    table = review.findings.shocks
    one = table[np.isclose(table["time_s"], time_s)].iloc[0]
    return one["pre_s"], one["post_s"]


def causes(review):
    table = review.findings.pauses
    return [
        (round(at, 3), cause, by if isinstance(by, str) else None)
        for at, cause, by in zip(table["start_s"], table["cause"], table["cause_by"], strict=True)
    ]


def test_the_case_as_it_was_made():
    review = reviewed()
    assert shocks(review) == [125.0, 235.0]
    assert around(review, 125.0) == pytest.approx((5.0, 5.0))
    assert around(review, 235.0) == pytest.approx((5.0, 5.0))
    assert causes(review) == [(120.0, "shock", None), (230.0, "shock", None)]
    assert [round(time, 3) for time in review.findings.ventilations["time_s"]] == list(BREATHS)


# shocks


def test_a_moved_shock_has_other_pauses_around_it():
    review = reviewed(correct("move", "shock", 235.0, to=(238.0, None), before={"type": "shock", "value": "200"}))
    assert shocks(review) == [125.0, 238.0]
    assert around(review, 238.0) == pytest.approx((8.0, 2.0))
    assert review.findings.shocks["energy_j"].tolist()[1] == 200.0
    assert review.findings.shocks["sensor"].tolist()[1] == f"events ({REVIEWER})"


@pytest.mark.parametrize("before", [{}, {"time_s": 125.0, "sensor": ECG}])
def test_a_shock_that_only_the_ecg_shows(before):
    assert shocks(reviewed(correct("remove", "shock", 125.0, before=before))) == [235.0]
    moved = reviewed(correct("move", "shock", 125.0, to=(122.0, None), before=before))
    assert shocks(moved) == [122.0, 235.0]
    assert around(moved, 122.0) == pytest.approx((2.0, 8.0))
    told = reviewed(correct("relabel", "shock", 125.0, value="150", before=before))
    assert shocks(told) == [125.0, 235.0]
    assert told.findings.shocks["energy_j"].tolist() == [150.0, 200.0]
    assert not said(told)


@pytest.mark.parametrize("ecg_s", [233.2, 234.1, 235.4, 236.9])
def test_a_charted_shock_taken_out_does_not_come_back_from_the_ecg(ecg_s):
    """An event and the ECG are one shock up to 2 s apart, so they also go together."""
    one = case()
    review = reviewed(correct("remove", "shock", 235.0), of=one, seen=looked(one, shocks=((ecg_s, ECG),)))
    assert shocks(review) == []
    assert causes(review)[1][1] == "ventilation"


def test_a_shock_put_in():
    review = reviewed(correct("add", "shock", 128.0, value="360"), correct("add", "shock", 300.0))
    assert shocks(review) == [125.0, 128.0, 235.0, 300.0]
    assert around(review, 300.0) == (0.0, 0.0)  # with hands on the chest
    assert around(review, 128.0) == pytest.approx((5.0, 2.0))  # one stack with that at 125 s


def test_a_shock_that_is_not_there_is_said():
    assert len(said(reviewed(correct("remove", "shock", 300.0, before={"time_s": 300.0, "sensor": ECG})))) == 1
    assert len(said(reviewed(correct("relabel", "shock", 300.0, value="200", before={"type": "shock"})))) == 1


# causes of pauses


def test_a_cause_that_a_reviewer_gives_comes_first_over_all_others():
    review = reviewed(correct("relabel", "pause", 230.0, 240.0, value="compressor_change"))
    assert causes(review) == [(120.0, "shock", None), (230.0, "compressor_change", REVIEWER)]
    assert review.findings.pauses["causes"].tolist()[1] == "compressor_change shock"
    assert review.of("longest_other_pause_s").value == pytest.approx(10.0)


def test_a_cause_survives_when_the_pause_is_found_anew():
    """Another sensor's compressions shorten the pause, and the airway makes the detectors look again: it is the same pause."""
    one = case()
    shorter = np.r_[presses(), 230.5 + np.arange(4) * 0.5]
    lists = everything()
    again = looked(one, ([pressed(DEPTH, shorter, ((5.0, 395.0),), onset=0.25, release=0.25)], *lists[1:]))
    review = reviewed(correct("relabel", "pause", 230.0, 240.0, value="moving"), of=one, seen=again)
    assert causes(review)[1] == (232.25, "moving", REVIEWER)


def test_a_cause_goes_with_the_pause_that_moves_and_away_with_one_taken_out():
    cause = correct("relabel", "pause", 120.0, 130.0, value="moving")
    moved = reviewed(cause, correct("move", "pause", 120.0, 130.0, to=(150.0, 158.0)))
    assert causes(moved)[0] == (150.0, "moving", REVIEWER)
    assert not said(moved)
    gone = reviewed(cause, correct("remove", "pause", 120.0, 130.0))
    assert causes(gone) == [(230.0, "shock", None)]
    assert not said(gone)
    back = reviewed(cause, correct("remove", "pause", 120.0, 130.0), correct("add", "pause", 120.0, 130.0))
    assert causes(back)[0] == (120.0, "shock", None)


def test_the_last_cause_given_counts_and_the_one_before_is_forgotten():
    review = reviewed(
        correct("relabel", "pause", 120.0, 130.0, value="moving"), correct("relabel", "pause", 120.0, 130.0, value="pulse_check")
    )
    assert review.findings.pauses["causes"].tolist()[0] == "pulse_check shock"


def test_a_pause_put_in_with_its_cause():
    review = reviewed(correct("add", "pause", 50.0, 62.0, value="airway"))
    assert causes(review)[0] == (50.0, "airway", REVIEWER)
    assert reviewed(correct("add", "pause", 50.0, 62.0)).findings.pauses["cause_by"].isna().all()


def test_a_moment_and_a_nearly_right_stretch_speak_of_the_pause_they_lie_in():
    for one in (correct("relabel", "pause", 125.0, value="moving"), correct("relabel", "pause", 118.5, 127.0, value="moving")):
        assert causes(reviewed(one))[0] == (120.0, "moving", REVIEWER)
    for one in (correct("relabel", "pause", 60.0, value="moving"), correct("relabel", "pause", 100.0, 121.0, value="moving")):
        assert len(said(reviewed(one))) == 1


def test_the_machine_may_not_know_and_a_reviewer_may_say_so():
    review = reviewed(correct("relabel", "pause", 120.0, 130.0, value="unknown"))
    assert causes(review)[0] == (120.0, "unknown", REVIEWER)


# breaths


def breath_times(review):
    return [round(time, 3) for time in review.findings.ventilations["time_s"]]


def test_breaths_put_in_taken_out_and_moved():
    review = reviewed(correct("add", "ventilation", 128.0, 129.5))
    assert breath_times(review) == [122.0, 126.0, 128.0, 232.0, 237.5]
    row_ = review.findings.ventilations.iloc[2]
    assert (row_["sensor"], row_["insufflation_s"]) == (REVIEWER, 1.5)
    assert len(review.findings.exhalations) == 4
    gone = reviewed(correct("remove", "ventilation", 126.1))
    assert breath_times(gone) == [122.0, 232.0, 237.5]
    assert len(gone.findings.exhalations) == 3
    moved = reviewed(correct("move", "ventilation", 126.0, to=(127.0, 128.2)))
    assert breath_times(moved) == [122.0, 127.0, 232.0, 237.5]
    changed = moved.findings.ventilations.iloc[1]
    assert (changed["sensor"], round(changed["insufflation_s"], 3), changed["peak_cmh2o"]) == (REVIEWER, 1.2, 20.0)


def test_no_breaths_in_a_stretch():
    review = reviewed(correct("remove", "ventilation", 120.0, 130.0))
    assert breath_times(review) == [232.0, 237.5]
    assert len(review.findings.exhalations) == 2
    exact = reviewed(correct("remove", "ventilation", 122.00004, 123.0))
    assert breath_times(exact) == [126.0, 232.0, 237.5]


def test_the_number_of_breaths_in_a_pause_follows():
    """Without shocks both pauses are for breaths, two in each; a third is put into the first."""
    one = case(ROWS[1])
    seen = looked(one, shocks=())
    assert reviewed(of=one, seen=seen).of("two_breath_fraction").value == 1.0
    review = reviewed(correct("add", "ventilation", 128.0), of=one, seen=seen)
    assert review.of("breaths_per_pause").value == 2.5
    assert review.of("two_breath_fraction").value == 0.5


@pytest.mark.parametrize(
    "one",
    [
        correct("remove", "ventilation", 50.0),
        correct("move", "ventilation", 50.0, to=(60.0, None)),
        correct("remove", "ventilation", 50.0, 60.0),
        correct("add", "ventilation", 122.1),
        correct("relabel", "ventilation", 122.0, value="2"),
        correct("add", "ventilation", 50.0, 80.0),
    ],
)
def test_a_breath_that_is_not_there_is_said_and_changes_nothing(one):
    review = reviewed(one)
    assert len(said(review)) == 1
    assert review.findings.ventilations.equals(reviewed().findings.ventilations)


def test_breaths_in_time_in_which_no_sensor_saw_any():
    one = case()
    chest = everything()[0]
    plain = reviewed(of=one, seen=looked(one, (chest, [], [])))
    assert plain.of("ventilation_rate").value is None
    marked = reviewed(correct("add", "ventilation", 300.0), of=one, seen=looked(one, (chest, [], [])))
    assert breath_times(marked) == [300.0]
    assert marked.of("ventilation_rate").value is None  # one breath is no rate
    assert marked.findings.ventilations_known.seconds < 0.01
    told = [correct("remove", "ventilation", 20.0, 370.0), *(correct("add", "ventilation", 20.0 + 6 * n) for n in range(58))]
    review = reviewed(*told, of=one, seen=looked(one, (chest, [], [])))
    assert review.of("ventilation_rate").value == pytest.approx(10.0, abs=0.2)
    moved = reviewed(correct("move", "ventilation", 237.5, to=(396.0, None)))
    assert moved.findings.ventilations_known.contains(396.0)


# artefact


def test_artefact_on_one_sensor_lets_the_other_take_over():
    review = reviewed(correct("add", "artefact", 50.0, 80.0, sensor=DEPTH))
    number = review.of("compression_fraction").number
    assert number.value == pytest.approx(330 / 350)
    assert number.coverage == pytest.approx(1.0)
    inside = review.findings.compressions[review.findings.compressions["time_s"].between(50.5, 79.5)]
    assert len(inside) == pytest.approx(58, abs=1)
    assert set(inside["sensor"]) == {IMPEDANCE}
    assert inside["depth_mm"].isna().all()


def test_artefact_on_all_sensors_is_unknown_and_no_pause():
    """30 s of 350 are not known: 300 s of flow and 20 s of pauses are left, give or take the cycle at each edge."""
    review = reviewed(correct("add", "artefact", 50.0, 80.0))
    number = review.of("compression_fraction").number
    assert number.coverage == pytest.approx(320 / 350)
    assert number.value == pytest.approx(300 / 320, abs=2 * 0.5 / 320)
    assert (number.low, number.high) == pytest.approx((300 / 350, 330 / 350), abs=2 * 0.5 / 350)
    assert [span for span in pauses(review, 1.0) if span[0] < 110] == []


def test_a_false_pause_under_artefact_is_not_counted():
    review = reviewed(correct("add", "artefact", 118.0, 132.0))
    assert pauses(review, 1.0) == [(230.0, 240.0)]
    assert review.of("compression_fraction").number.high == pytest.approx((330 - 4 + 14) / 350, abs=0.003)


@pytest.mark.parametrize("sensors", [("",), (DEPTH, IMPEDANCE)])
def test_artefact_up_to_the_end_of_the_arrest_is_no_pause_either(sensors):
    """Sensors saw until 365 s; known time is drawn on to the arrest's end at 370 s, but not over artefact."""
    one = case()
    seen = looked(one, everything(known=((5.0, 365.0),)))
    marks = [correct("add", "artefact", 362.0, 380.0, sensor=sensor) for sensor in sensors]
    review = reviewed(*marks, of=one, seen=seen)
    assert pauses(review, 1.0) == [(120.0, 130.0), (230.0, 240.0)]
    assert review.of("compression_fraction").number.coverage == pytest.approx(342 / 350)
    assert reviewed(marks[0], of=one, seen=seen).of("compression_fraction").number.coverage >= 342 / 350 - 1e-9


def test_artefact_taken_back_and_moved():
    mark = correct("add", "artefact", 50.0, 80.0)
    assert reviewed(mark, correct("remove", "artefact", 50.0, 80.0)).of("compression_fraction").number.coverage == pytest.approx(
        1.0
    )
    half = reviewed(mark, correct("remove", "artefact", 60.0, 90.0))
    assert half.of("compression_fraction").number.coverage == pytest.approx(340 / 350)
    moved = reviewed(mark, correct("move", "artefact", 50.0, 80.0, to=(300.0, 320.0)))
    assert moved.findings.arrest.minus(moved.findings.compressions_known).pairs() == [(300.0, 320.0)]
    missed = reviewed(correct("remove", "artefact", 50.0, 80.0))
    assert len(said(missed)) == 1


def test_artefact_on_the_airway_takes_its_breaths_alone():
    both = reviewed(correct("add", "artefact", 120.0, 130.0))
    assert breath_times(both) == [232.0, 237.5]
    assert len(both.findings.exhalations) == 2
    pressure = reviewed(correct("add", "artefact", 120.0, 130.0, sensor=PRESSURE))
    assert len(breath_times(pressure)) == 4
    assert pressure.findings.ventilations["insufflation_s"].isna().sum() == 2
    co2 = reviewed(correct("add", "artefact", 120.0, 130.0, sensor=CO2))
    assert len(co2.findings.exhalations) == 2
    assert co2.of("compression_fraction").value == reviewed().of("compression_fraction").value


def test_a_shock_seen_in_artefact_is_none_unless_it_was_charted():
    one = case()
    both = looked(one, shocks=((125.0, f"{ECG} and {IMPEDANCE}"), (235.4, ECG)))
    review = reviewed(correct("add", "artefact", 120.0, 240.0, sensor=ECG), of=one, seen=both)
    assert shocks(review) == [235.0]
    kept = reviewed(correct("add", "artefact", 120.0, 240.0, sensor=IMPEDANCE), of=one, seen=both)
    assert shocks(kept) == [125.0, 235.0]


def test_compressions_that_a_person_puts_into_artefact_stand():
    review = reviewed(correct("add", "artefact", 50.0, 80.0), correct("add", "compression", 50.0, 80.0, value="110"))
    assert review.of("compression_fraction").number.coverage == pytest.approx(1.0)
    assert review.of("compression_fraction").value == pytest.approx(330 / 350, abs=0.002)
    assert (review.findings.compressions["sensor"] == REVIEWER).sum() == 55


# half-widths of detection


def test_what_detection_may_be_off_by_stays_that_of_the_sensor_that_most_came_from():
    half = accuracy.load()["compression_depth"]["compression_fraction"]
    assert reviewed().of("compression_fraction").number.error == half
    assert reviewed(correct("remove", "pause", 120.0, 130.0)).of("compression_fraction").number.error == half
    one = case()
    by_hand = reviewed(correct("add", "compression", 30.0, 90.0), of=one, seen=looked(one, ([], [], []), ()))
    assert by_hand.of("compression_fraction").number.error is None


def test_the_corrections_themselves_stay_as_given():
    given = (correct("add", "pause", 62.0, 50.0), correct("add", "wizard", 1.0))
    review = reviewed(*given)
    assert review.corrections == given
    assert (50.0, 62.0) in pauses(review)
    assert [one.subject for one in Reviewed(given).corrections] == ["pause"]


def test_a_device_row_is_the_reviewers():
    review = reviewed(correct("add", "device_on", 60.0, value="itd"), of=case(*ROWS, row(95.0, "device_off", "itd")))
    assert review.findings.devices[["source", "off_s"]].iloc[0].tolist() == [REVIEWER, 95.0]
