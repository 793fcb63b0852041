"""Outcomes by Utstein group and by station; no outcome by what was done during the arrest."""

import pytest

from qi.model.errors import BadTable, UnknownWord
from qi.trends import during_arrest
from qi.trends.cohort_columns import ABOUT, ANSWER_NAMES
from qi.trends.during_arrest import OutcomeByTreatment, refuse_outcome_by
from qi.trends.grouping import WAYS
from qi.trends.groups import met_by, multiples
from qi.trends.observed_expected import observed_expected
from qi.trends.outcomes import FAVOURABLE, OUTCOMES, by_group, by_utstein, outcome_of, said_of_missing, tally
from qi.trends.registry import context, published
from tests.trends.cases import case, repeated, table

DISCHARGE = "survived_to_discharge"
CAUSAL = ("because", "due to", "thanks to", "caused", "effect of", "improved by", "benefit", "leads to", "results in")


@pytest.fixture
def cases():
    vf = {"witnessed": "bystander", "first_rhythm": "VF"}
    return table(
        *repeated(8, **vf, survived_to_discharge="yes", bystander_cpr="yes"),
        *repeated(4, **vf, survived_to_discharge="no", bystander_cpr="no"),
        *repeated(2, **vf, survived_to_discharge="unknown"),
        *repeated(1, **vf),
        *repeated(5, witnessed="bystander", survived_to_discharge="no"),
        *repeated(3, witnessed="ems", first_rhythm="PEA", survived_to_discharge="no"),
        *repeated(6, **vf, survived_to_discharge="yes", excluded="an exercise"),
    )


def test_groups_counted_by_hand(cases):
    found = {one.group.key: one for one in by_utstein(cases, DISCHARGE)}
    comparator = found["comparator"]
    assert (comparator.tally.yes, comparator.tally.no, comparator.tally.unknown, comparator.tally.not_recorded) == (8, 4, 2, 1)
    assert comparator.unplaced == 5
    assert comparator.tally.share.n == 12
    assert comparator.tally.share.missing == 3
    assert found["comparator_cpr"].tally.cases == 8
    assert found["comparator_cpr"].unplaced == 3 + 5
    assert found["ems_witnessed"].tally.no == 3
    assert found["all"].tally.cases == 23
    assert found["unwitnessed_shockable"].tally.cases == 0


def test_sentences_count_what_is_missing_and_give_no_reason(cases):
    for one in by_utstein(cases, DISCHARGE):
        text = one.words()
        assert not [word for word in CAUSAL if word in text.lower()]
    comparator = by_utstein(cases, DISCHARGE)[1].words()
    assert "8 of 12 (67 %, 95 % interval 39 % to 86 %)" in comparator
    assert "recorded as not known in 2, not recorded in 1" in comparator
    assert "5 more may belong here" in comparator
    assert "greyed" in comparator


def test_what_the_missing_ones_could_make_of_the_share(cases):
    assert "between 35 % if none of them had it and 48 % if all had" in said_of_missing(cases, DISCHARGE)
    whole = table(*repeated(12, survived_to_discharge="no"))
    assert said_of_missing(whole, DISCHARGE) == "The outcome of all 12 cases is known."
    assert said_of_missing(whole.iloc[:1], DISCHARGE) == "The outcome of the 1 case is known."
    assert said_of_missing(table(*repeated(1)), DISCHARGE) == "The outcome of 1 of 1 case is not known."


@pytest.mark.parametrize(
    ("told", "expected"),
    [
        ({"survived_to_discharge": "yes", "cpc": 2.0}, "yes"),
        ({"survived_to_discharge": "yes", "cpc": 3.0}, "no"),
        ({"survived_to_discharge": "yes", "mrs": 3.0}, "yes"),
        ({"survived_to_discharge": "yes", "mrs": 4.0}, "no"),
        ({"survived_to_discharge": "yes", "cpc": 1.0, "mrs": 5.0}, "yes"),
        ({"survived_to_discharge": "no"}, "no"),
        ({"survived_to_discharge": "yes"}, None),
        ({"survived_to_discharge": "unknown"}, "unknown"),
        ({}, None),
    ],
)
def test_favourable_outcome_needs_a_score_or_a_death(told, expected):
    """CPC 1 or 2, mRS 0 to 3 (Utstein 2015, from memory)."""
    found = outcome_of(table(case(**told)), FAVOURABLE).iloc[0]
    assert (found if isinstance(found, str) else None) == expected


def test_a_strange_word_is_never_taken_for_a_no(cases):
    with pytest.raises(BadTable, match="perhaps"):
        outcome_of(cases.assign(survived_to_discharge="perhaps"), DISCHARGE)
    with pytest.raises(UnknownWord, match="happiness"):
        outcome_of(cases, "happiness")
    with pytest.raises(BadTable, match="lacks cpc"):
        outcome_of(cases.drop(columns="cpc"), FAVOURABLE)


def test_true_and_false_are_read_as_words():
    assert list(outcome_of(table(case(), case()).assign(any_rosc=[True, False]), "any_rosc")) == ["yes", "no"]


def test_stations_stand_in_order_of_their_names_never_of_their_outcomes():
    rows = [case(station=name, survived_to_discharge=word) for name, word in [("10", "yes"), ("2", "no"), ("2", "no"), ("1", "no")]]
    found = by_group(table(*rows, case(station=None)), DISCHARGE, "station")
    assert list(found["group"]) == ["1", "2", "10", "not recorded"]
    assert list(found["count"]) == [0, 0, 1, 0]
    assert list(found["n"]) == [1, 2, 1, 0]
    assert list(found["missing"]) == [0, 0, 0, 1]


@pytest.mark.parametrize("by", ["device_used", "airway_kind", "epinephrine_doses", "compression_fraction", "sensors"])
def test_no_outcome_by_what_was_done_during_the_arrest(cases, by):
    with pytest.raises(OutcomeByTreatment, match="landmark"):
        by_group(cases, DISCHARGE, by)
    with pytest.raises(OutcomeByTreatment, match=by):
        observed_expected(cases, DISCHARGE, by, None)


def test_whatever_is_measured_is_refused_and_whatever_may_be_asked_is_a_column():
    for name in ANSWER_NAMES:
        with pytest.raises(OutcomeByTreatment):
            refuse_outcome_by(name)
    assert set(during_arrest.KNOWN_BEFORE) <= {column.name for column in ABOUT}
    assert not set(OUTCOMES) & set(during_arrest.KNOWN_BEFORE)


@pytest.mark.parametrize("of", ["rosc.first_compression_ems", "rearrest.rosc", "terminated.first_compression_ems"])
def test_the_time_of_an_outcome_is_grouped_as_an_outcome_is(of):
    measure = f"interval_s.{of}"
    assert during_arrest.groupings(measure, WAYS) == ("station", "shift", "unit", "first_rhythm", "hour")
    cases = table(*(case(**{measure: 300.0}, device_used="yes", airway_kind="bag_mask") for _ in range(12)))
    for by in set(WAYS) - set(during_arrest.groupings(measure, WAYS)):
        for grouped in (multiples, met_by):
            with pytest.raises(OutcomeByTreatment, match=by):
                grouped(cases, measure, by)
    assert multiples(cases, measure, "station").rows["known"].tolist() == [12]


@pytest.mark.parametrize("measure", [one for one in ANSWER_NAMES if "after_rosc" in one or one.startswith("device_left_on_s")])
def test_a_measure_that_only_cases_with_rosc_have_is_grouped_as_an_outcome_is(measure):
    """Its number of cases in a group is the number of cases with ROSC there."""
    had = [case(**{measure: 9.0}, device_used="yes", airway_kind="bag_mask") for _ in range(12)]
    cases = table(*had, *(case(device_used="yes", airway_kind="bag_mask") for _ in range(30)))
    assert during_arrest.tells_outcome(measure)
    for by in set(WAYS) - set(during_arrest.KNOWN_BEFORE):
        for grouped in (multiples, met_by):
            with pytest.raises(OutcomeByTreatment, match=by):
                grouped(cases, measure, by)
    assert multiples(cases, measure, "station").rows["known"].tolist() == [12]


def test_any_other_measure_is_grouped_by_whatever_there_is():
    for measure in ("compression_fraction", "interval_s.device_on.first_compression_ems", "interval_s.on_scene.call"):
        assert during_arrest.groupings(measure, WAYS) == tuple(WAYS)


def test_cases_chosen_by_what_was_done_have_no_outcome():
    labels = {"station": "Station", "device_used": "ITD used", "airway_kind": "Airway"}
    assert during_arrest.said_of_chosen(["station"], labels) == during_arrest.said_of_chosen([], labels) == ""
    said = during_arrest.said_of_chosen(labels, labels)
    assert said.startswith("No outcome is shown of cases chosen by ITD used and Airway, which is not known before")
    assert during_arrest.WHY in said


def test_no_case_at_all():
    assert by_group(table(), DISCHARGE, "station").empty
    assert by_utstein(table(), DISCHARGE)[0].tally == tally(outcome_of(table(), DISCHARGE))


def test_registry_figures_are_dated_and_say_what_they_are_not():
    """CARES 2017 report p. 15 and 28 (page read): Utstein survival 32.6 %, with bystander help 36.5 %, overall 10.4 %."""
    found = {(one.year, one.group, one.outcome): one.value for one in published()}
    assert found[2017, "comparator", DISCHARGE] == 0.326
    assert found[2017, "comparator_cpr", DISCHARGE] == 0.365
    assert found[2017, "all", DISCHARGE] == 0.104
    said = context("comparator", DISCHARGE)
    assert said[0].startswith("CARES 2017: 32.6 %")
    assert "not a target" in said[1]
    assert "150 cases" in said[2]
    assert context("unwitnessed_shockable", DISCHARGE) == ()
    assert all(2000 < one.year and one.checked == "page read" for one in published())
    with pytest.raises(KeyError):
        context("everybody", DISCHARGE)
