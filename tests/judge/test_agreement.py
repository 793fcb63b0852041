"""Two readers of one case: agreement beyond chance, and what is matched with what."""

import random
from pathlib import Path

import pytest
from sklearn.metrics import cohen_kappa_score

from qi import pipeline
from qi.intake.folder import read_case
from qi.judge.agreement import agreement, kappa
from qi.model.corrections import Correction

SAMPLES = Path(__file__).parents[2] / "sample_cases"


@pytest.fixture(scope="module")
def case():
    return read_case(SAMPLES / "rv-2031-0107")


@pytest.fixture(scope="module")
def read(case):
    protocol = pipeline.choose_protocol(case)
    looked = pipeline.look(case, protocol)
    return lambda *corrections: pipeline.review(case, protocol, corrections, looked)


@pytest.mark.parametrize("seed", range(8))
def test_kappa_is_that_of_an_independent_package(seed):
    """scikit-learn, sklearn.metrics.cohen_kappa_score."""
    chance = random.Random(seed)
    words = ["shock", "airway", "moving", "unknown"][: 2 + seed % 3]
    pairs = [(chance.choice(words), chance.choice(words)) for _ in range(30 + 7 * seed)]
    assert kappa(pairs) == pytest.approx(cohen_kappa_score(*zip(*pairs, strict=True)), abs=1e-12)


def test_kappa_of_full_agreement_is_one_and_of_one_word_there_is_none():
    assert kappa([("shock", "shock"), ("airway", "airway")]) == 1.0
    assert kappa([("shock", "shock")] * 9) is None
    assert kappa([]) is None


def test_a_reader_agrees_with_himself(read):
    same = agreement(read(), read())
    assert same.causes
    assert all(one == two for one, two in (*same.causes, *same.verdicts))
    assert same.pauses_of_one == 0
    assert all(counts[1:] == (0, 0) for counts in same.marks.values())


def test_another_cause_another_mark_and_another_pause_are_seen(read):
    plain = read()
    pauses = plain.findings.pauses
    longest = pauses.loc[pauses["seconds"].idxmax()]
    cause = next(word for word in ("moving", "access") if word != longest["cause"])
    run = next(span for span in plain.findings.runs if span.seconds > 20)
    middle = (run.start_s + run.end_s) / 2
    other = read(
        Correction("relabel", "pause", longest["start_s"], longest["end_s"], value=cause, number=1),
        Correction("add", "rosc", middle, number=2),
        Correction("add", "pause", middle - 4.0, middle + 4.0, number=3),
    )
    found = agreement(plain, other)
    assert (longest["cause"], cause) in found.causes
    assert found.pauses_of_one >= 1
    assert found.marks["rosc"][2] == 1


def test_a_record_is_plain_values(read):
    record = agreement(read(), read()).record()
    assert set(record) == {"causes", "verdicts", "marks", "pauses_of_one"}
    assert all(isinstance(pair, list) for pair in record["causes"])
