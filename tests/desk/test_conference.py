"""A case for a room: whatever could name somebody is gone from picture, words, measures and questions."""

import re
from dataclasses import replace
from pathlib import Path

import pytest

from qi import pipeline
from qi.charts.teaching_picture import pictures
from qi.desk import conference
from qi.desk.conference import age_band, patient, pauses, rows, taught
from qi.exports.private_words import PLAIN
from qi.model.case import Facts
from qi.screens import conference_parts, held
from tests.exports import planted

PACKED = re.compile(r"base64,[^\"]*")
SAMPLES = Path(__file__).parents[2] / "sample_cases"
CASES = sorted(path.name for path in SAMPLES.glob("rv-*") if path.is_dir())


@pytest.fixture(scope="module", params=CASES)
def review(request):
    return pipeline.measure_case(SAMPLES / request.param)


def everything(case, *, dark=False):
    """All that a room could be shown of a case, as text."""
    cases = {"Case A": case}
    parts = conference_parts
    found = [
        *pictures([case.review], dark=dark),
        PACKED.sub("", parts.pictures_of(cases, dark=dark)),  # the same picture, packed
        parts.words_of(cases),
        parts.measures_of(cases, held.SHAPES),
        parts.pauses_of(cases, dark=dark),
        parts.questions_of(cases),
    ]
    return "\n".join(found)


@pytest.mark.parametrize(
    ("age", "band"),
    [
        (None, "age not recorded"),
        (0.0, "under 1 year"),
        (0.9, "under 1 year"),
        (1.0, "1 to 9 years"),
        (9.0, "1 to 9 years"),
        (17.0, "10 to 17 years"),
        (18.0, "18 to 29 years"),
        (30.0, "30 to 39 years"),
        (89.0, "80 to 89 years"),
        (90.0, "90 years or more"),
        (104.0, "90 years or more"),
    ],
)
def test_an_age_is_told_as_the_band_it_lies_in(age, band):
    assert age_band(age) == band


def test_who_the_patient_was_is_a_band_and_a_sex():
    assert patient(Facts(age_years=61.0, sex="female")) == "60 to 69 years, female"
    assert patient(Facts()) == "age not recorded"


def test_nothing_that_was_planted_can_be_seen(tmp_path):
    case = taught(pipeline.measure_case(planted.write(tmp_path)))
    shown = everything(case).casefold()
    assert case.sentences
    assert case.who == "90 years or more, male"
    for secret in planted.SECRETS:
        assert len(secret) < 4 or secret.casefold() not in shown, secret  # the age is held above: two digits stand in any picture
        for word in secret.split():
            assert len(word) < 5 or word in PLAIN or word.casefold() not in shown, word


def test_the_search_finds_what_was_planted_where_it_is_not_masked(tmp_path):
    plain = pipeline.measure_case(planted.write(tmp_path))
    shown = everything(conference.Taught(plain, "", (), ())).casefold()
    assert "quillfeather mix" in shown


def test_nothing_of_a_sample_case_names_it(review):
    facts, case = review.case.facts, taught(review)
    shown = everything(case)
    named = [review.case.id, "2031", *facts.members, facts.unit, *(source.file for source in review.case.sources)]
    assert not [one for one in named if one and one in shown]
    assert case.review.case.start is None
    assert "shift" not in shown
    assert "station" not in shown


def test_a_sentence_that_holds_a_free_word_of_the_case_is_left_out():
    plain = pipeline.measure_case(SAMPLES / CASES[0])
    facts = replace(plain.case.facts, station="ROSC")
    named = taught(replace(plain, case=replace(plain.case, facts=facts)))
    kept = [one for one in taught(plain).sentences if "ROSC" not in one]
    assert list(named.sentences) == kept
    assert len(kept) < len(taught(plain).sentences)


def test_the_numbers_are_those_of_the_review(review):
    case = taught(review)
    for row in rows([case]):
        (one,) = row
        same = review.of(one.id, one.of, one.from_)
        assert (one.value, one.verdict, one.limit and one.limit.text) == (
            same.value,
            same.verdict,
            same.limit and same.limit.text,
        )
    table = pauses([case])
    assert table["seconds_0"].sum() == pytest.approx(review.findings.pauses["seconds"].sum())
    assert table["count_0"].sum() == len(review.findings.pauses)


def test_cases_stand_beside_one_another_and_none_is_first_by_what_it_did():
    cases = [taught(pipeline.measure_case(SAMPLES / name)) for name in CASES[:3]]
    for order in (cases, cases[::-1]):
        for row in rows(order):
            assert [one and one.value for one in row] == [
                (found.value if (found := case.answer(*which)) else None)
                for case in order
                for which in conference.MAIN
                if which == next((one.id, one.of, one.from_) for one in row if one)
            ]
    table = pauses(cases)
    assert list(pauses(cases[::-1])["cause"]) == list(table["cause"])
    shown = conference_parts.measures_of(dict(zip("ABC", cases, strict=True)), held.SHAPES)
    assert not any(word in shown.casefold() for word in ("best", "worst", "rank"))


def test_values_that_cannot_be_held_to_a_limit_say_so_and_a_shape_stands_by_each_verdict(review):
    cell = conference_parts.measures_of({"Case A": taught(review)}, held.SHAPES)
    for row in rows([taught(review)]):
        (one,) = row
        shape = held.SHAPES[one.verdict]
        assert (shape if one.value is None else shape.replace("not measurable", "no verdict")) in cell
