"""The order of work: what was not held comes first, in words with the limit; what could not be read is said."""

from dataclasses import replace
from pathlib import Path

import pytest

from qi import pipeline
from qi.judge.concern import WEIGHTS, concern
from qi.model.case import Note

SAMPLES = Path(__file__).parents[2] / "sample_cases"


@pytest.fixture(scope="module")
def reviews():
    return {path.name: pipeline.measure_case(path) for path in sorted(SAMPLES.glob("rv-*")) if path.is_dir()}


def test_every_reason_is_a_limit_not_held_or_something_that_could_not_be_known(reviews):
    for review in reviews.values():
        failed = [id_ for id_ in WEIGHTS if any(judged.verdict == "not met" for judged in review.all_of(id_))]
        found = concern(review)
        assert len(found.reasons) >= len(failed)
        assert found.weight >= sum(WEIGHTS[id_] for id_ in failed)


def test_reasons_say_value_and_limit(reviews):
    found = concern(reviews["rv-2031-0112"])
    assert any("asked for" in reason for reason in found.reasons)


def test_a_case_with_nothing_to_say_weighs_nothing(reviews):
    best = min(reviews.values(), key=lambda review: concern(review).weight)
    kept = [replace(judged, verdict="met") for judged in best.numbers]
    findings = replace(best.findings, disagreements=best.findings.disagreements[:0])
    clocks = {name: replace(clock, placed=True) for name, clock in best.case.clocks.items()}
    clean = replace(best, numbers=tuple(kept), findings=findings, case=replace(best.case, clocks=clocks), notes=())
    assert concern(clean).weight == 0
    assert concern(clean).words == "nothing stands out"


def test_a_file_that_could_not_be_read_is_a_reason(reviews):
    review = reviews["rv-2031-0107"]
    broken = replace(review, notes=(*review.notes, Note("error", "care_record.xml", "cut short")))
    assert concern(broken).weight > concern(review).weight
    assert "care_record.xml" in " ".join(concern(broken).reasons)


def test_measures_that_weigh_are_measures():
    assert set(WEIGHTS) <= set(pipeline.MEASURE_IDS)
