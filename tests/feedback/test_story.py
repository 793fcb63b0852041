"""A case in words: what is said follows from the measures it names, and what is not known is said to be so."""

from pathlib import Path

import pytest

from qi import pipeline
from qi.feedback.story import story
from qi.model.words import amount

SAMPLES = Path(__file__).parents[2] / "sample_cases"


@pytest.fixture(scope="module", params=sorted(path.name for path in SAMPLES.iterdir() if path.is_dir()))
def review(request):
    return pipeline.measure_case(SAMPLES / request.param)


def text(review):
    return " ".join(sentence.text for sentence in story(review))


def test_every_sentence_rests_on_measures_of_the_list(review):
    for sentence in story(review)[1:]:
        assert sentence.rests_on
        assert set(sentence.rests_on) <= set(pipeline.MEASURE_IDS)


def test_the_numbers_are_those_of_the_measures(review):
    fraction = review.of("compression_fraction")
    assert amount(fraction.value, "1") in text(review)
    longest = review.of("longest_pause_s")
    if longest.value:
        assert f"{longest.value:.0f} s" in text(review)


def test_it_blames_nobody_and_predicts_nothing(review):
    said = text(review).casefold()
    for word in ("fault", "blame", "failed", "would have survived", "killed", "bad"):
        assert word not in said


def test_a_clock_that_is_off_is_said():
    assert "run backwards" in text(pipeline.measure_case(SAMPLES / "rv-2031-0125"))
    assert "run backwards" not in text(pipeline.measure_case(SAMPLES / "rv-2031-0107"))


def test_what_was_not_recorded_is_said_or_left_out(tmp_path):
    (tmp_path / "events.csv").write_text("time_s,type,value\n0,arrest_recognised,\n600,rosc,\n", encoding="utf-8")
    said = text(pipeline.measure_case(tmp_path))
    assert "could not be measured" in said
    assert "mm deep" not in said
