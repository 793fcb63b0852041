"""The sheet for the crew: what it says rests on measures, names nobody, blames nobody; a reviewer's words are marked."""

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from qi import pipeline
from qi.feedback import discussion
from qi.feedback.gains import gains
from qi.feedback.sheet import ADDED, COMPARED, SECTIONS, Agency, Distribution, body, edited, of_body, sheet
from qi.feedback.story import story
from qi.feedback.three_errors import NAMES
from qi.model.cautions import LONG, SHORT
from qi.model.errors import QiError
from tests.feedback.made_cases import measured

SAMPLES = Path(__file__).parents[2] / "sample_cases"
CASES = sorted(path.name for path in SAMPLES.glob("rv-*") if path.is_dir())
UNKIND = (
    "fault",
    "blame",
    "failed",
    "failure",
    "poor",
    "bad",
    "wrong",
    "error of",
    "survive",
    "killed",
    "died",
    "mistake",
    "should have",
)
MANY = Agency("The agency’s cases of the 12 months", 40, {"compression_fraction": Distribution(40, 0.85, 0.8, 0.9)})


@pytest.fixture(scope="module", params=CASES)
def review(request):
    return pipeline.measure_case(SAMPLES / request.param)


def said(one):
    return " ".join(sentence.text for sentence in one.sentences)


def test_every_sentence_is_traced_to_measures_of_the_review(review):
    there = {one.id for one in review.numbers}
    for sentence in sheet(review, MANY).sentences:
        assert set(sentence.rests_on) <= there
        if not sentence.key.startswith("questions"):  # two questions are asked of every crew and rest on nothing
            assert sentence.rests_on, sentence


def test_numbers_in_a_sentence_are_those_of_its_measures(review):
    """Every percentage is that of a measure the sentence rests on: its value or bounds, the rest of it, its limit or aim."""
    for sentence in sheet(review).sentences:
        known = set()
        for one in (number for number in review.numbers if number.id in sentence.rests_on):
            values = [one.value, one.number.low, one.number.high]
            values += [edge for limit in (one.limit, one.goal) if limit for edge in (limit.low, limit.high)]
            known |= {
                f"{share * 100:.0f}" for value in values if value is not None and abs(value) <= 1 for share in (value, 1 - value)
            }
        assert set(re.findall(r"(\d+)\u00a0%", sentence.text)) <= known, sentence


def test_each_part_is_there_and_keys_are_unique(review):
    one = sheet(review)
    assert all(getattr(one, name) for name in SECTIONS)
    keys = [sentence.key for sentence in one.sentences]
    assert len(keys) == len(set(keys))
    assert [sentence.key for sentence in one.errors] == list(NAMES)
    assert 1 <= len(one.went_well) <= 4
    assert len(one.work_on) <= 2
    assert all(sentence.text.endswith("?") for sentence in one.questions)


def test_it_names_nobody_blames_nobody_and_predicts_nothing(review):
    words = json.dumps(body(sheet(review, MANY)), ensure_ascii=False)
    facts = review.case.facts
    for private in (*facts.members, facts.station and f"station {facts.station}", facts.unit):
        assert not private or private not in words
    text = said(sheet(review, MANY)).casefold()
    assert not [word for word in UNKIND if re.search(rf"\b{word}\b", text)]


def test_what_went_well_met_its_limit(review):
    for sentence in sheet(review).went_well:
        met = [one for one in review.numbers if one.id in sentence.rests_on and "met" in (one.verdict, one.goal_verdict)]
        assert met, sentence


def test_what_could_not_be_measured_says_which_recording_would_have_shown_it():
    one = sheet(pipeline.measure_case(SAMPLES / "rv-2031-0131"))
    breaths, recoil, seal = one.errors
    assert "airway pressure or flow, a capnogram, or impedance through the pads would have shown them" in breaths.text
    assert "a force sensor" in recoil.text
    assert seal.text == "No ITD was put on, so there was no vacuum to hold."
    assert any("a CO2 channel would have shown it" in sentence.text for sentence in one.not_measured)


@pytest.mark.parametrize(
    ("age", "patient", "words"),
    [(60, "adult", "Hands were on the chest"), (6, "child", "Hands were on the chest"), (0.5, "infant", "Hands or thumbs were on")],
)
def test_the_words_are_for_the_patient_s_age(tmp_path, age, patient, words):
    drug = {"extra": [(100.0, "drug", "epinephrine")]}
    one = sheet(measured(tmp_path, [(60, 13, "rhythm_check")], age=age, **drug))
    assert one.patient == patient
    assert one.went_well[0].text.startswith(words)
    assert any("weight for the doses" in sentence.text for sentence in one.questions) == (patient != "adult")
    assert not [sentence for sentence in one.questions if re.search(r"\bwho\b", sentence.text.casefold())]


@pytest.mark.parametrize("breaths", [(), np.arange(30, 590, 1.0)])
def test_for_an_infant_hands_alone_are_never_spoken_of(tmp_path, breaths):
    """Two thumbs may press: in the sheet with each thing to work on, and in what is told and asked in a room."""
    pauses = [(20 + 25 * at, 9, "") for at in range(22)]
    review = measured(tmp_path, pauses, age=0.5, breaths=breaths, extra=[(20.0, "airway_placed", "supraglottic")])
    told = [*(one.text for one in sheet(review, MANY).sentences), *(one.text for one in gains(review))]
    told += [*(one.text for one in story(review)), *(one.text for one in discussion.questions(review))]
    told += [one.gained for one in gains(review)]
    assert sum("hands or thumbs" in text.casefold() for text in told) >= 4
    assert not [text for text in told if re.search(r"\bhands\b(?! or thumbs| on the mask)", text.casefold())]


def test_for_an_infant_without_a_pause_too(tmp_path):
    told = [one.text for one in sheet(measured(tmp_path, age=0.5, end_s=60.0)).went_well]
    assert any(text.startswith("Hands or thumbs never left the chest") for text in told), told


@pytest.mark.parametrize(
    ("name", "below", "patient"), [("fairchild-2031", "adult-2020", "adult"), ("ours", "infant-2020", "infant")]
)
def test_letters_in_a_protocol_s_name_say_nothing_of_the_patient(tmp_path, name, below, patient):
    measured(tmp_path, [(60, 13, "rhythm_check")])
    (tmp_path / f"{name}.toml").write_text(f'extends = "{below}"\ntitle = "{name}"', encoding="utf-8")
    assert sheet(pipeline.measure_case(tmp_path, protocol=name)).patient == patient


def test_an_age_that_is_not_recorded_is_said(tmp_path):
    one = sheet(measured(tmp_path, age=None))
    assert "age not recorded" in one.about
    assert one.patient == "adult"


def test_below_ten_cases_only_the_count_is_shown(review):
    few = sheet(
        review, Agency("The agency’s cases", 9, {name: Distribution(9, 0.777, 0.7, 0.8) for name in ("compression_fraction",)})
    )
    assert [sentence.text for sentence in few.compared] == ["The agency’s cases: 9 other cases, too few to compare with."]
    assert few.compared_when == ""
    scarce = Agency("The agency’s cases", 40, {"compression_fraction": Distribution(9, 0.777, 0.7, 0.8)})
    told = said(replace(sheet(review, scarce), went_well=()))
    assert "78" not in told
    assert "9 other cases have it, too few to compare" in told


def test_beside_the_agency_stand_median_and_middle_half(review):
    first = sheet(review, MANY).compared[0]
    here = f"{review.of('compression_fraction').value * 100:.0f}\u00a0%"
    assert first.text == (
        f"Time with hands on the chest: {here} here; agency median 85\u00a0%, middle half 80\u00a0% to 90\u00a0% (40 cases)."
    )


def test_without_the_agency_it_says_why(review):
    assert sheet(review, Agency(why_not="no table")).compared[0].text == "No comparison: no table."


def test_compared_answers_are_measures():
    assert {id_ for id_, *_ in COMPARED} <= set(pipeline.MEASURE_IDS)


def test_the_cautions_are_on_it_and_stay(review):
    one = sheet(review)
    assert SHORT in one.cautions
    assert LONG[-1] in one.cautions
    assert edited(one, {"went_well.1": None}).cautions == one.cautions


def test_a_reviewer_s_words_are_marked_and_keep_what_they_rest_on(review):
    one = sheet(review)
    new = edited(one, {"errors.recoil": "  In our\nown words. "}, {"went_well": ["The family was looked after."]})
    changed = new.errors[1]
    assert (changed.text, changed.by_reviewer, changed.rests_on) == ("In our own words.", True, one.errors[1].rests_on)
    assert new.errors[0] == one.errors[0]
    assert (new.went_well[-1].text, new.went_well[-1].by_reviewer) == ("The family was looked after.", True)
    again = edited(new, {}, {"went_well": ["A second one."]})
    assert [sentence.key for sentence in again.went_well[-2:]] == ["went_well.added.1", "went_well.added.2"]
    assert edited(one, {"errors.recoil": one.errors[1].text}) == one


def test_a_sentence_can_be_left_out_but_not_one_of_the_three_errors(review):
    one = sheet(review)
    assert "questions.1" not in [sentence.key for sentence in edited(one, {"questions.1": None}).sentences]
    with pytest.raises(QiError, match="three errors stay"):
        edited(one, {"errors.seal": None})


@pytest.mark.parametrize(
    ("changes", "added", "words"),
    [
        ({"nosuch.1": "x"}, {}, "no sentence"),
        ({"errors.seal": "   "}, {}, "1 to 600"),
        ({"errors.seal": "x" * 601}, {}, "1 to 600"),
        ({}, {"nosuch": ["x"]}, "no part"),
        ({}, {"went_well": ["x"] * (ADDED + 1)}, "at most"),
    ],
)
def test_what_cannot_be_changed_is_refused_in_words(review, changes, added, words):
    with pytest.raises(QiError, match=words):
        edited(sheet(review), changes, added)


def test_it_is_kept_as_plain_values(review):
    one = edited(sheet(review, MANY), {"errors.recoil": "In our words."})
    assert of_body(json.loads(json.dumps(body(one), allow_nan=False))) == one
    with pytest.raises(QiError, match="format"):
        of_body({"format": 99})
