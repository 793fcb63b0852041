"""The moment of a case that a number came from, held against what was found on the sample cases."""

from dataclasses import replace
from pathlib import Path

import pytest

from qi import pipeline
from qi.desk import over_time
from qi.desk.came_from import answer_of, moment_of
from qi.trends.cohort_columns import ANSWER_NAMES

SAMPLES = Path(__file__).parents[2] / "sample_cases"
DEPTH = "compression_depth_mm"


@pytest.fixture(scope="module")
def review():
    return pipeline.measure_case(SAMPLES / "rv-2031-0107")


@pytest.fixture(scope="module")
def minutes(review):
    return pipeline.by_minute(review)


@pytest.fixture
def at(review, minutes):
    def found(column):
        one = moment_of(review, answer_of(review, column), minutes)
        return one and one.at_s

    return found


@pytest.mark.parametrize(
    ("column", "around_shock"), [("longest_pause_s", None), ("longest_shock_pause_s", True), ("longest_other_pause_s", False)]
)
def test_a_longest_pause_leads_to_the_longest_of_its_own_causes(review, at, column, around_shock):
    pauses = review.findings.pauses
    if around_shock is not None:
        pauses = pauses[(pauses["cause"] == "shock") == around_shock]
    assert at(column) == pytest.approx(pauses.loc[pauses["seconds"].idxmax(), "start_s"])


def test_the_longest_pause_around_a_shock_is_not_the_longest_of_all(at):
    assert at("longest_shock_pause_s") != at("longest_pause_s") == at("longest_other_pause_s")


def test_a_time_leads_to_when_the_thing_was_done(review, at):
    told = review.case.told
    assert at("time_to_device_s.itd.first_compression") == next(
        one.time_s for one in told if one.type == "device_on" and one.value == "itd"
    )
    assert at("time_to_epinephrine_s") == next(one.time_s for one in told if "epinephrine" in (one.value, one.type))
    assert at("first_shock_s") == review.findings.shocks["time_s"].iloc[0]
    assert at("time_to_device_s.defib_pads.first_compression") < review.findings.compressions["time_s"].iloc[0]  # on before it


def test_a_mean_leads_to_its_worst_minute(review, minutes, at):
    low, high = review.protocol.values["depth_band_mm"]
    away = [max(low - one, one - high) for one in minutes["depth_mm"].fillna((low + high) / 2)]
    assert at(DEPTH) == minutes["start_s"][away.index(max(away))]
    assert at("compression_fraction") == minutes["start_s"][minutes["fraction"].idxmin()]


def test_a_minute_that_the_answer_did_not_come_from_is_never_the_worst(review, minutes):
    """Where the answer came from the first two minutes alone, no later one is named."""
    one = answer_of(review, DEPTH)
    start = minutes["start_s"][0]
    early = replace(one, number=replace(one.number, spans_s=((start, start + 120.0),)))
    assert moment_of(review, early, minutes).at_s in (start, start + 60.0)


def test_faults_lead_to_the_minute_with_most_of_them(review, at):
    times = [start for start, _ in review.of("released_fraction").number.spans_s]
    within = [sum(one <= other < one + 60.0 for other in times) for one in times]
    assert at("released_fraction") == times[within.index(max(within))]


def test_a_number_that_came_from_no_place_has_no_moment(review, minutes):
    assert review.of("pauses_over_limit").value == 0
    assert moment_of(review, answer_of(review, "pauses_over_limit"), minutes) is None
    assert moment_of(review, answer_of(review, "recoil_pressure_cmh2o.itd_on"), minutes) is None
    assert answer_of(review, "no_such_measure") is None


def test_every_number_of_the_main_wall_leads_to_a_moment_where_anything_was_seen():
    """A case with faults: of the main wall's measures with a value, those alone have no moment that count none."""
    review = pipeline.measure_case(SAMPLES / "rv-2031-0112")
    minutes = pipeline.by_minute(review)
    answers = {column: answer_of(review, column) for column in over_time.MAIN}
    told = {column: one for column, one in answers.items() if one is not None and one.value is not None}
    assert len(told) > 8
    without = [column for column, one in told.items() if moment_of(review, one, minutes) is None]
    assert all(told[column].value == 0 for column in without)


def test_every_answer_of_the_case_is_found_by_its_column(review):
    found = [answer_of(review, column) for column in ANSWER_NAMES]
    assert {one.id for one in found if one} >= {one.id for one in review.numbers if one.value is not None} - {
        "compression_fraction_minute",
    }
