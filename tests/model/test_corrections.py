"""Corrections before they are written: put in order, or refused in words that say what would be right."""

import pytest

from qi.model.corrections import ACTIONS, FURTHEST_S, SUBJECTS, Correction, carried_out, checked, file_s
from qi.model.errors import QiError, UnknownWord
from tests.corrections.made_case import case, correct


@pytest.mark.parametrize(
    "one",
    [
        correct("add", "pause", 10.0, 22.0),
        correct("add", "pause", 10.0, 22.0, value="airway"),
        correct("relabel", "pause", 10.0, value="moving"),
        correct("move", "pause", 10.0, 22.0, to=(12.0, None)),
        correct("add", "compression", 10.0),
        correct("add", "compression", 10.0, 20.0, value="110"),
        correct("add", "ventilation", 10.0, 11.0),
        correct("remove", "ventilation", 10.0, 300.0),
        correct("add", "shock", 10.0, value="200"),
        correct("relabel", "shock", 10.0, type="charge"),
        correct("move", "arrest", 10.0, 90.0, to=(None, 80.0)),
        correct("remove", "arrest", 40.0),
        correct("add", "drug", 10.0, value="epinephrine", dose=1.0, unit="mg"),
        correct("relabel", "drug", 10.0, dose=0.5),
        correct("relabel", "unmapped", 10.0, type="device_on", value="itd"),
        correct("relabel", "airway_placed", 10.0, type="airway_removed", before={"value": "supraglottic"}),
        correct("add", "airway_removed", 10.0),
        correct("add", "artefact", -5.0, 3.0, sensor="ecg (m.edf)"),
        correct("remove", "rosc", 10.0, value="whatever it was"),
    ],
)
def test_what_can_be_carried_out_stays_as_it_is(one):
    assert checked(one) == one


def test_a_stretch_drawn_backwards_is_the_same_stretch():
    assert checked(correct("add", "pause", 22.0, 10.0)) == correct("add", "pause", 10.0, 22.0)
    moved = checked(correct("move", "pause", 22.0, 10.0, to=(40.0, 30.0)))
    assert (moved.span, moved.to_start_s, moved.to_end_s) == ((10.0, 22.0), 30.0, 40.0)


def test_a_stretch_without_length_is_a_moment():
    assert checked(correct("add", "compression", 10.0, 10.0)).end_s is None
    assert checked(correct("add", "ventilation", 10.0, 10.0)).end_s is None


@pytest.mark.parametrize(
    ("one", "words"),
    [
        (correct("add", "pause", 10.0), "a stretch is needed"),
        (correct("add", "pause", 10.0, 10.0), "a stretch is needed"),
        (correct("remove", "pause", 10.0), "a stretch is needed"),
        (correct("add", "artefact", 10.0), "a stretch is needed"),
        (correct("add", "arrest", 10.0), "a stretch is needed"),
        (correct("move", "pause", 10.0, 20.0, to=(30.0, 30.0)), "no length"),
        (correct("move", "arrest", 10.0, 20.0, to=(30.0, 30.0)), "no length"),
        (correct("move", "shock", 10.0), "where to is missing"),
        (correct("move", "arrest", 10.0, 20.0), "where to is missing"),
        (correct("add", "rosc", float("nan")), "number of seconds"),
        (correct("add", "rosc", float("inf")), "number of seconds"),
        (correct("add", "rosc", "12:30"), "number of seconds"),
        (correct("add", "rosc", None), "number of seconds"),
        (correct("add", "drug", 10.0, value="epinephrine", dose="1 mg"), "a dose of 1 mg"),
        (correct("add", "pause", 0.0, FURTHEST_S + 1), "within a day"),
        (correct("move", "rosc", 0.0, to=(-FURTHEST_S - 1, None)), "within a day"),
        (correct("relabel", "compression", 10.0, value="110"), "no value to be changed"),
        (correct("relabel", "ventilation", 10.0, value="1"), "no value to be changed"),
        (correct("relabel", "arrest", 10.0, 20.0, value="1"), "no value to be changed"),
        (correct("relabel", "artefact", 10.0, 20.0, value="1"), "no value to be changed"),
        (correct("relabel", "drug", 10.0), "new value is missing"),
        (correct("relabel", "pause", 10.0, 20.0, type="shock"), "cannot become a shock"),
        (correct("relabel", "note", 10.0, type="compression"), "cannot become a compression"),
        (correct("add", "note", 10.0, type="rosc"), "cannot become a rosc"),
        (correct("add", "compression", 10.0, 20.0, value="fast"), "a rate per minute, a number from 30 to 250"),
        (correct("add", "compression", 10.0, 20.0, value="0"), "a rate per minute"),
        (correct("add", "compression", 10.0, 20.0, value="-110"), "a rate per minute"),
        (correct("add", "compression", 10.0, 20.0, value="nan"), "a rate per minute"),
        (correct("add", "compression", 10.0, 20.0, value="1e9"), "a rate per minute"),
        (correct("add", "shock", 10.0, value="200 J"), "an energy in J"),
        (correct("add", "shock", 10.0, value="-200"), "an energy in J"),
        (correct("add", "drug", 10.0), "its name"),
        (correct("add", "drug", 10.0, value="epinephrine", dose=float("nan")), "a dose of nan"),
        (correct("add", "drug", 10.0, value="epinephrine", dose=-1.0), "a dose of -1"),
        (correct("add", "device_on", 10.0), "itd, mechanical_cpr"),
        (correct("relabel", "unmapped", 10.0, type="device_on", before={"value": "valve on"}), "itd, mechanical_cpr"),
        (correct("add", "rosc", 10.0, value="yes"), "takes no value"),
        (correct("add", "ventilation", 10.0, 70.0), "is no breath"),
    ],
)
def test_what_cannot_be_carried_out_is_refused_in_words(one, words):
    with pytest.raises(QiError, match=words):
        checked(one)


@pytest.mark.parametrize(
    ("one", "choices"),
    [
        (correct("teleport", "rosc", 10.0), ACTIONS),
        (correct("add", "wizard", 10.0), SUBJECTS),
        (correct("relabel", "note", 10.0, type="wizard"), ("rosc", "unmapped")),
        (correct("relabel", "pause", 10.0, 20.0, value="tea"), ("moving", "unknown")),
        (correct("add", "device_on", 10.0, value="tracheal_tube"), ("itd",)),
        (correct("add", "rhythm", 10.0, value="fast"), ("VF", "asystole")),
    ],
)
def test_a_word_that_is_not_known_lists_the_choices(one, choices):
    with pytest.raises(UnknownWord) as caught:
        checked(one)
    assert set(choices) <= set(caught.value.choices)


def test_those_that_can_be_carried_out_and_those_that_cannot():
    good, turned, bad = correct("add", "rosc", 5.0), correct("add", "pause", 9.0, 4.0), correct("add", "pause", 9.0)
    assert carried_out([good, bad, turned]) == ([good, correct("add", "pause", 4.0, 9.0)], [bad])


def test_checking_twice_changes_nothing_more():
    one = Correction("move", "pause", 22.0, 10.0, 40.0, 30.0, value="moving")
    assert checked(checked(one)) == checked(one)


def test_how_long_after_the_beginning_of_its_file_a_moment_lies():
    one = case()
    assert file_s(one, "care.xml", 100.0) == 700.0
    assert file_s(one, "m.edf", 100.0) == 100.0
    assert file_s(one, "gone.xml", 100.0) is None
