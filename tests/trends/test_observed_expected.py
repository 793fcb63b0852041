"""Observed over expected outcomes by Utstein stratum."""

import math

import pytest
from scipy import stats

from qi.model.errors import NotMeasurable
from qi.trends.observed_expected import Reference, by_stratum, observed_expected, ratios_table, reference_of
from tests.trends.cases import case, given, repeated, table

DISCHARGE = "survived_to_discharge"
TOY = given("indirect_standardisation_toy.json")
LOOKS = {
    "EMS_witnessed": ("ems_witnessed", {"witnessed": "ems", "first_rhythm": "PEA"}),
    "byst_wit_shockable": ("bystander_shockable", {"witnessed": "bystander", "first_rhythm": "VF"}),
    "byst_wit_nonshockable": ("bystander_not_shockable", {"witnessed": "bystander", "first_rhythm": "asystole"}),
    "unwit_shockable": ("unwitnessed_shockable", {"witnessed": "no", "first_rhythm": "pVT"}),
    "unwit_nonshockable": ("unwitnessed_not_shockable", {"witnessed": "no", "first_rhythm": "asystole"}),
}


def rows_of(counts, **told):
    rows = []
    for name, (n, survived) in counts.items():
        looks = LOOKS[name][1]
        rows += repeated(survived, survived_to_discharge="yes", **looks, **told)
        rows += repeated(n - survived, survived_to_discharge="no", **looks, **told)
    return rows


@pytest.fixture(scope="module")
def stations():
    return table(*(row for name, counts in TOY["stations"].items() for row in rows_of(counts, station=name)))


@pytest.fixture(scope="module")
def reference():
    return Reference("the region", {LOOKS[name][0]: tuple(counts) for name, counts in TOY["reference"].items()})


@pytest.mark.parametrize("station", ["S1", "S2"])
def test_constructed_case_of_the_note(stations, reference, station):
    """Constructed; observed over expected with exact and Byar limits, adjusted rate (the note's own arithmetic)."""
    one = {ratio.group: ratio for ratio in observed_expected(stations, DISCHARGE, "station", reference)}[station]
    expected = TOY["expected"][station]
    assert (one.n, one.observed) == (expected["n"], expected["observed"])
    assert (one.expected, one.z, one.crude, one.ratio, one.adjusted) == pytest.approx(
        [expected[name] for name in ("expected", "z", "crude_rate", "O_over_E", "adjusted_rate")], abs=2e-6
    )
    assert (one.exact_low, one.exact_high) == pytest.approx(expected["O_over_E_exact95"], abs=2e-6)
    assert (one.byar_low, one.byar_high) == pytest.approx(expected["O_over_E_byar95"], abs=2e-6)
    assert one.exact_high == pytest.approx(stats.chi2.ppf(0.975, 2 * one.observed + 2) / 2 / one.expected)
    assert reference.overall == TOY["reference_overall"]
    assert "can be chance alone" in one.words()


def test_a_ratio_is_drawn_in_towards_one_by_what_its_cases_leave_to_chance(stations, reference):
    """Reliability of a share as in the note, at the reference's overall share; the table has it, and nothing below 10 cases."""
    found = observed_expected(stations, DISCHARGE, "station", reference)
    for one, row in zip(found, ratios_table(found).to_dict("records"), strict=True):
        tau2 = (math.log(1.56) / (math.sqrt(2) * stats.norm.ppf(0.75))) ** 2
        p = TOY["reference_overall"]
        reliability = tau2 / (tau2 + 1 / (one.n * p * (1 - p)))
        assert row["reliability"] == pytest.approx(reliability)
        assert row["drawn_in"] == pytest.approx(1 + reliability * (one.ratio - 1))
    few = ratios_table(observed_expected(stations.iloc[:9], DISCHARGE, "station", reference))
    assert few[["drawn_in", "reliability"]].isna().all(axis=None)


def test_strata_add_up_to_the_whole(stations, reference):
    """The constructed case again, stratum by stratum: station S1 had 12 of 30 where 30 x 165 / 500 would be expected."""
    found = by_stratum(stations, DISCHARGE, "station", reference)
    one = found[(found["group"] == "S1") & (found["stratum"] == "bystander_shockable")].iloc[0]
    assert (one["n"], one["observed"], one["expected"]) == (30, 12, pytest.approx(30 * 165 / 500))
    for ratio in observed_expected(stations, DISCHARGE, "station", reference):
        rows = found[found["group"] == ratio.group]
        assert (rows["observed"].sum(), rows["expected"].sum()) == (ratio.observed, pytest.approx(ratio.expected))
    thin = by_stratum(stations, DISCHARGE, "station", Reference("a small one", {}))
    assert thin["expected"].isna().all()


def test_a_reference_of_its_own_cases_expects_what_was_observed(stations):
    own = reference_of(stations, DISCHARGE, name="both stations")
    ratios = observed_expected(stations, DISCHARGE, "station", own)
    assert sum(one.expected for one in ratios) == pytest.approx(sum(one.observed for one in ratios))
    whole = observed_expected(stations.assign(station="all"), DISCHARGE, "station", own)[0]
    assert whole.ratio == pytest.approx(1.0)
    assert "rates of both stations" in whole.words()


def test_cases_without_outcome_stratum_or_rate_are_left_out_and_counted(reference):
    rows = [
        *repeated(3, witnessed="bystander", first_rhythm="VF", survived_to_discharge="yes"),
        case(witnessed="bystander", survived_to_discharge="yes"),
        case(witnessed="bystander", first_rhythm="VF"),
        case(witnessed="no", first_rhythm="VF", survived_to_discharge="no"),
        case(witnessed="bystander", first_rhythm="VF", survived_to_discharge="yes", excluded="an exercise"),
    ]
    thin = Reference("a small one", {"bystander_shockable": (10, 3)})
    one = observed_expected(table(*rows), DISCHARGE, "station", thin)[0]
    assert (one.n, one.observed, one.left_out) == (3, 3, 3)
    assert one.expected == pytest.approx(0.9)
    assert "too few cases for a comparison" in one.words()
    assert "3 are left out" in one.words()


def test_nothing_known_has_no_ratio_and_no_reference(reference):
    cases = table(case(), case())
    one = observed_expected(cases, DISCHARGE, "station", reference)[0]
    assert (one.n, one.left_out) == (0, 2)
    assert math.isnan(one.ratio)
    with pytest.raises(NotMeasurable):
        reference_of(cases, DISCHARGE, name="nobody")


def test_a_difference_beyond_chance_is_said_without_a_reason(reference):
    cases = table(*rows_of({"unwit_nonshockable": (200, 40)}))
    text = observed_expected(cases, DISCHARGE, "station", reference)[0].words()
    assert "more than chance alone would often give" in text
    assert "Other things than this mix differ too" in text
