"""From moment to moment: each pause, shock, disagreement and gap once, forward and back."""

from pathlib import Path

import pytest

from qi import pipeline
from qi.desk.moments import KINDS, beside, moments

SAMPLES = Path(__file__).parents[2] / "sample_cases"


@pytest.fixture(scope="module", params=sorted(path.name for path in SAMPLES.glob("rv-*") if path.is_dir()))
def review(request):
    return pipeline.measure_case(SAMPLES / request.param)


def test_all_of_a_kind_are_met_going_forward_and_again_going_back(review):
    table = moments(review)
    for kind in KINDS:
        starts = sorted(set(table.loc[table["kind"] == kind, "start_s"].round(1)))
        met, at = [], None
        while (at := beside(table, kind, at, ahead=True)) is not None:
            at = round(at, 1)  # as the address writes it
            met.append(at)
        assert len(met) <= len(table[table["kind"] == kind])
        assert all(min(abs(start - one) for one in met) < 0.2 for start in starts)
        back = []
        at = 1e9
        while (at := beside(table, kind, at, ahead=False)) is not None:
            at = round(at, 1)
            back.append(at)
        assert back == met[::-1]


def test_counts_are_those_of_the_findings(review):
    counts = moments(review)["kind"].value_counts()
    listed = review.findings.pauses["seconds"] >= review.protocol.values["listed_pause_s"]
    assert counts.get("pause", 0) == listed.sum()
    assert counts.get("shock", 0) == len(review.findings.shocks)
    assert counts.get("disagreement", 0) == len(review.findings.disagreements)
