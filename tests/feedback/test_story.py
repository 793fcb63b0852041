"""A case in words: what is said follows from the measures it names, and what is not known is said to be so."""

import shutil
from pathlib import Path

import numpy as np
import pytest

from qi import pipeline
from qi.desk import conference
from qi.feedback.sheet import sheet
from qi.feedback.story import story
from qi.judge.concern import concern
from qi.model.words import amount

SAMPLES = Path(__file__).parents[2] / "sample_cases"


@pytest.fixture(scope="module", params=sorted(path.name for path in SAMPLES.glob("rv-*") if path.is_dir()))
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
    for case in ("rv-2031-0107", "rv-2031-0118"):
        assert "run backwards" not in text(pipeline.measure_case(SAMPLES / case))


def test_what_was_not_recorded_is_said_or_left_out(tmp_path):
    (tmp_path / "events.csv").write_text("time_s,type,value\n0,arrest_recognised,\n600,rosc,\n", encoding="utf-8")
    said = text(pipeline.measure_case(tmp_path))
    assert "could not be measured" in said
    assert "mm deep" not in said


def test_flow_tells_volume_and_leak(tmp_path):
    """A made flow: 500 mL in over 1 s, 350 mL out: 30 % leaks."""
    times = np.arange(0, 400, 0.02)
    flow = np.zeros(len(times))
    for start in np.arange(10, 380, 6.0):
        flow[(times >= start) & (times < start + 1.0)] = 30.0
        out = (times >= start + 1.2) & (times < start + 2.6)
        flow[out] = -15.0
    rows = "\n".join(f"{at:.2f},{value:g}" for at, value in zip(times, flow, strict=True))
    (tmp_path / "flow.csv").write_text(f"time_s,airway_flow[L/min]\n{rows}\n", encoding="utf-8")
    (tmp_path / "events.csv").write_text("time_s,type,value\n5,arrest_recognised,\n395,rosc,\n", encoding="utf-8")
    review = pipeline.measure_case(tmp_path)
    breaths = review.findings.ventilations
    assert breaths["inspired_ml"].median() == pytest.approx(500, rel=0.05)
    assert breaths["leak"].median() == pytest.approx(0.3, abs=0.05)
    assert "leaked" in text(review)


def test_a_recording_that_was_cut_short_is_said_wherever_the_case_is_told(tmp_path):
    """Nine tenths of the recording are gone: whoever reads the numbers reads that they are of the rest."""
    whole = SAMPLES / "rv-2031-0107"
    shutil.copytree(whole, tmp_path / "cut")
    (tmp_path / "cut" / "monitor.edf").write_bytes((whole / "monitor.edf").read_bytes()[:200_000])
    cut, told = pipeline.measure_case(tmp_path / "cut"), "Not all of this case could be read"
    assert cut.unread == ("monitor.edf",)
    assert told in text(cut)
    assert "could not be read whole: monitor.edf" in concern(cut).words
    assert any(told in sentence for sentence in conference.taught(cut).sentences)
    assert any(told in one.text for one in sheet(cut).not_measured)
    assert told not in text(pipeline.measure_case(whole))
