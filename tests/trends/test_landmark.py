"""Outcomes from a landmark, and why not without one."""

import numpy as np
import pytest
from scipy import stats

from qi.model.errors import BadTable, UnknownWord
from qi.trends.cohort_columns import COHORT, EFFORT_ENDS
from qi.trends.landmark import FACTORS, landmark
from tests.trends.cases import case, ended, repeated, table

DISCHARGE = "survived_to_discharge"
ON = "interval_s.device_on.first_compression_ems"
AIRWAY, ACCESS = "interval_s.airway_placed.first_compression_ems", "interval_s.access.first_compression_ems"
DOSE = "interval_s.first_epinephrine.access"
COLUMN = "time_to_device_s.itd.first_compression"
NEVER, APPLIED = {f"{COLUMN}__status": "never"}, {f"{COLUMN}__status": "applied"}


def test_cases_sorted_at_ten_minutes_by_hand():
    cases = table(
        *repeated(3, **{ON: 120.0}, **ended(900.0, "rosc"), survived_to_discharge="yes"),
        *repeated(2, **{ON: 600.0}, **ended(1500.0), survived_to_discharge="no"),
        *repeated(4, **{ON: 700.0}, **ended(1500.0, "hand-over"), survived_to_discharge="no"),
        *repeated(5, **NEVER, **ended(1000.0, "rosc"), survived_to_discharge="yes"),
        *repeated(1, **NEVER, **ended(800.0, "record end")),
        *repeated(6, **NEVER, **ended(300.0, "rosc"), survived_to_discharge="yes"),
        *repeated(7, **{ON: 60.0}, **ended(600.0), survived_to_discharge="no"),
        *repeated(1, **ended(900.0, "rosc"), survived_to_discharge="yes"),
        *repeated(1, **APPLIED, **ended(900.0, "rosc"), survived_to_discharge="yes"),
        *repeated(1, **{ON: 60.0}, **ended(None, "rosc"), survived_to_discharge="yes"),
        *repeated(9, **{ON: 120.0}, **ended(900.0, "rosc"), survived_to_discharge="yes", excluded="an exercise"),
    )
    found = landmark(cases, DISCHARGE, "device", at_s=600.0)
    assert (found.had.yes, found.had.no) == (3, 2)
    assert (found.had_not.yes, found.had_not.no, found.had_not.not_recorded) == (5, 4, 1)
    assert (found.later, found.ended, found.not_known, found.untimed) == (4, 13, 3, 1)
    assert (
        found.title == "Alive at discharge: cases still in arrest 10 min after the crew's first compression, by the ITD up to then"
    )
    text = found.words()
    assert text.startswith("Landmark: 10 min after the crew's first compression.")
    assert "3 of which it is not known (1 of them had it, at a time not known)" in text
    assert "this does not say what it did" in text
    assert "In the smaller group: fewer than 10 cases: counts only." in text
    assert "%" not in text


def test_every_case_stands_in_one_place():
    rng = np.random.default_rng(3)
    rows = []
    for _ in range(300):
        told = {ON: rng.uniform(0, 2000)} if rng.random() < 0.6 else NEVER if rng.random() < 0.5 else {}
        end = ended(rng.uniform(0, 2000) if rng.random() < 0.8 else None, rng.choice(EFFORT_ENDS))
        rows.append(case(**told, **end, survived_to_discharge=rng.choice(["yes", "no"])))
    found = landmark(table(*rows), DISCHARGE, "device", at_s=600.0)
    assert found.had.cases + found.had_not.cases + found.ended + found.not_known == 300
    assert found.had.cases > 0
    assert found.had_not.cases > 0


def drawn(count, *, handed_over, seed):
    """Cases in which the device goes on at a random moment and does nothing; those who live have ROSC, short arrests more often.

    Of those who do not, a share is handed over in arrest, the rest is terminated.
    """
    rng, rows = np.random.default_rng(seed), []
    for end, on in zip(rng.exponential(600.0, count), rng.exponential(600.0, count), strict=True):
        lived = rng.random() < np.exp(-end / 600.0)
        by = "rosc" if lived else "hand-over" if rng.random() < handed_over else "termination"
        told = {ON: on, **APPLIED} if on < end else {**NEVER, f"{COLUMN}__low": end}
        rows.append(case(**told, **ended(end, by), survived_to_discharge="yes" if lived else "no"))
    return rows


def test_a_treatment_without_any_effect_looks_harmful_without_a_landmark_and_not_with_one():
    rows = drawn(4000, handed_over=0.0, seed=20310318)
    ever = {given: [row["survived_to_discharge"] == "yes" for row in rows if (ON in row) == given] for given in (True, False)}
    found = landmark(table(*rows), DISCHARGE, "device", at_s=300.0)
    assert np.mean(ever[True]) - np.mean(ever[False]) < -0.2
    assert abs(found.had.share.value - found.had_not.share.value) < 0.05


@pytest.mark.parametrize("minutes", [3, 5, 10])
def test_hand_overs_in_arrest_do_not_make_a_treatment_without_effect_look_like_one(minutes):
    """No effect is drawn, and none is found, by Fisher's exact test (scipy); hand-overs move no case out of its group."""
    told = [
        landmark(table(*drawn(4000, handed_over=share, seed=7)), DISCHARGE, "device", at_s=minutes * 60.0) for share in (0.0, 0.7)
    ]
    for one in told:
        assert one.not_known == 0
        counts = [[two.yes, two.no] for two in (one.had, one.had_not)]
        assert stats.fisher_exact(counts).pvalue > 0.01
    assert (told[0].had.cases, told[0].had_not.cases) == (told[1].had.cases, told[1].had_not.cases)


def test_a_device_that_works_keeps_its_sign_whatever_share_is_handed_over_in_arrest():
    """Drawn: with the device on by 5 min a case lives twice as often. Hand-overs move neither the sign nor the counts."""
    rng, lived = np.random.default_rng(11), {}
    for share in (0.0, 0.7):
        rows = []
        for number in range(1200):
            given = number % 2 == 0
            lives = number % 20 in ((0, 10) if given else (1,))
            by = "rosc" if lives else "hand-over" if rng.random() < share else "termination"
            told = {ON: 120.0, **APPLIED} if given else NEVER
            rows.append(case(**told, **ended(900.0, by), survived_to_discharge="yes" if lives else "no"))
        found = landmark(table(*rows), DISCHARGE, "device", at_s=300.0)
        lived[share] = (found.had.share, found.had_not.share)
        assert found.had.share.value > found.had_not.share.value
    assert lived[0.0] == lived[0.7]


def test_who_is_still_in_arrest_has_nothing_to_do_with_the_factor():
    """The same cases with and without any one factor: as many left out as ended, as many in arrest."""
    rng = np.random.default_rng(5)
    ends = [ended(rng.uniform(0, 2000) if rng.random() < 0.8 else None, rng.choice(EFFORT_ENDS)) for _ in range(200)]
    with_it = [
        case(**end, **{ON: 100.0, AIRWAY: 100.0, ACCESS: 50.0, DOSE: 50.0}, **APPLIED, advanced_airway="yes") for end in ends
    ]
    late = [
        case(**end, **{ON: 1990.0, AIRWAY: 1990.0, ACCESS: 1900.0, DOSE: 90.0}, **APPLIED, advanced_airway="yes") for end in ends
    ]
    without = [case(**end, **NEVER, advanced_airway="no", epinephrine_doses=0.0) for end in ends]
    for factor in FACTORS:
        told = [landmark(table(*rows), DISCHARGE, factor, at_s=600.0) for rows in (with_it, late, without)]
        assert len({(one.ended, one.not_known, one.had.cases + one.had_not.cases) for one in told}) == 1, factor


def test_airway_and_epinephrine():
    end = ended(900.0, "rosc")
    cases = table(
        case(**{AIRWAY: 200.0, ACCESS: 100.0, DOSE: 150.0}, **end, advanced_airway="yes", epinephrine_doses=1.0, any_rosc="yes"),
        case(**end, advanced_airway="no", epinephrine_doses=0.0, any_rosc="yes"),
        case(**end, advanced_airway="yes", epinephrine_doses=2.0, any_rosc="yes"),
        case(**end, any_rosc="yes"),
    )
    for factor in ("advanced_airway", "epinephrine"):
        found = landmark(cases, "any_rosc", factor, at_s=300.0)
        assert (found.had.yes, found.had_not.yes, found.not_known, found.untimed) == (1, 1, 2, 1)


def test_what_cannot_be_asked():
    cases = table(case())
    with pytest.raises(UnknownWord, match="dose"):
        landmark(cases, DISCHARGE, "dose", at_s=600.0)
    with pytest.raises(UnknownWord, match="outcome"):
        landmark(cases, "happiness", "device", at_s=600.0)
    with pytest.raises(ValueError, match="above 0 s"):
        landmark(cases, DISCHARGE, "device", at_s=0.0)
    with pytest.raises(BadTable, match="lacks"):
        landmark(cases.drop(columns="effort_end_s"), DISCHARGE, "device", at_s=60.0)
    nobody = landmark(cases, DISCHARGE, "device", at_s=60.0)
    assert nobody.had.cases == nobody.had_not.cases == 0
    assert "60 s after" in nobody.title


def test_factors_read_columns_of_the_cohort_table():
    assert {name for factor in FACTORS.values() for name in factor.needed} <= {column.name for column in COHORT}
