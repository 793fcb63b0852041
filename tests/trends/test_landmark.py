"""Outcomes from a landmark, and why not without one."""

import numpy as np
import pytest

from qi.model.errors import BadTable, UnknownWord
from qi.trends.cohort_columns import COHORT
from qi.trends.landmark import FACTORS, landmark
from tests.trends.cases import case, repeated, table

DISCHARGE = "survived_to_discharge"
ON, ROSC = "interval_s.device_on.first_compression_ems", "interval_s.rosc.first_compression_ems"
TERMINATED = "interval_s.terminated.first_compression_ems"
COLUMN = "time_to_device_s.itd.first_compression"
NEVER = {f"{COLUMN}__status": "never"}


def test_cases_sorted_at_ten_minutes_by_hand():
    cases = table(
        *repeated(3, **{ON: 120.0, ROSC: 900.0}, survived_to_discharge="yes"),
        *repeated(2, **{ON: 600.0, TERMINATED: 1500.0}, survived_to_discharge="no"),
        *repeated(4, **{ON: 700.0, TERMINATED: 1500.0}, survived_to_discharge="no"),
        *repeated(5, **NEVER, **{ROSC: 1000.0}, survived_to_discharge="yes"),
        *repeated(1, **NEVER, **{f"{COLUMN}__low": 800.0}),
        *repeated(6, **NEVER, **{ROSC: 300.0}, survived_to_discharge="yes"),
        *repeated(7, **{ON: 60.0, TERMINATED: 600.0}, survived_to_discharge="no"),
        *repeated(1, **{ROSC: 900.0}, survived_to_discharge="yes"),
        *repeated(1, **{ON: 60.0}, survived_to_discharge="yes"),
        *repeated(9, **{ON: 120.0, ROSC: 900.0}, survived_to_discharge="yes", excluded="an exercise"),
    )
    found = landmark(cases, DISCHARGE, "device", at_s=600.0)
    assert (found.had.yes, found.had.no) == (3, 2)
    assert (found.had_not.yes, found.had_not.no, found.had_not.not_recorded) == (5, 4, 1)
    assert (found.later, found.ended, found.not_known) == (4, 13, 2)
    assert (
        found.title == "Alive at discharge: cases still in arrest 10 min after the crew's first compression, by the ITD up to then"
    )
    text = found.words()
    assert text.startswith("Landmark: 10 min after the crew's first compression.")
    assert "this does not say what it did" in text
    assert "In the smaller group: fewer than 10 cases: counts only." in text
    assert "%" not in text


def test_every_case_stands_in_one_place():
    rng = np.random.default_rng(3)
    rows = []
    for _ in range(300):
        told = {ON: rng.uniform(0, 2000), ROSC: rng.uniform(0, 2000), TERMINATED: rng.uniform(0, 2000)}
        told = {name: value for name, value in told.items() if rng.random() < 0.6}
        if ON not in told and rng.random() < 0.5:
            told |= {f"{COLUMN}__status": "never", f"{COLUMN}__low": rng.uniform(0, 2000)}
        rows.append(case(**told, survived_to_discharge=rng.choice(["yes", "no"])))
    found = landmark(table(*rows), DISCHARGE, "device", at_s=600.0)
    assert found.had.cases + found.had_not.cases + found.ended + found.not_known == 300
    assert found.had.cases > 0
    assert found.had_not.cases > 0


def test_a_treatment_without_any_effect_looks_harmful_without_a_landmark_and_not_with_one():
    """Simulated: the device goes on at a random moment and does nothing, short arrests survive: by construction no difference."""
    rng, rows = np.random.default_rng(20310318), []
    ever = {True: [0, 0], False: [0, 0]}
    for end, on in zip(rng.exponential(600.0, 4000), rng.exponential(600.0, 4000), strict=True):
        lived = rng.random() < np.exp(-end / 600.0)
        given = on < end
        told = {ON: on} if given else {**NEVER, f"{COLUMN}__low": end}
        rows.append(case(**told, **{ROSC: end}, survived_to_discharge="yes" if lived else "no"))
        ever[given][0] += lived
        ever[given][1] += 1
    naive = ever[True][0] / ever[True][1] - ever[False][0] / ever[False][1]
    found = landmark(table(*rows), DISCHARGE, "device", at_s=300.0)
    assert naive < -0.2
    assert abs(found.had.share.value - found.had_not.share.value) < 0.05


def test_airway_and_epinephrine():
    airway, access = "interval_s.airway_placed.first_compression_ems", "interval_s.access.first_compression_ems"
    dose = "interval_s.first_epinephrine.access"
    cases = table(
        case(**{airway: 200.0, access: 100.0, dose: 150.0, ROSC: 900.0}, airway_kind="tracheal_tube", any_rosc="yes"),
        case(**{ROSC: 900.0}, airway_kind="bag_mask", epinephrine_doses=0.0, any_rosc="yes"),
        case(**{ROSC: 900.0}, airway_kind="tracheal_tube", epinephrine_doses=2.0, any_rosc="yes"),
        case(**{ROSC: 900.0}, any_rosc="yes"),
    )
    for factor in ("advanced_airway", "epinephrine"):
        found = landmark(cases, "any_rosc", factor, at_s=300.0)
        assert (found.had.yes, found.had_not.yes, found.not_known) == (1, 1, 2)


def test_what_cannot_be_asked():
    cases = table(case())
    with pytest.raises(UnknownWord, match="dose"):
        landmark(cases, DISCHARGE, "dose", at_s=600.0)
    with pytest.raises(UnknownWord, match="outcome"):
        landmark(cases, "happiness", "device", at_s=600.0)
    with pytest.raises(ValueError, match="above 0 s"):
        landmark(cases, DISCHARGE, "device", at_s=0.0)
    with pytest.raises(BadTable, match="lacks"):
        landmark(cases.drop(columns=ROSC), DISCHARGE, "device", at_s=60.0)
    nobody = landmark(cases, DISCHARGE, "device", at_s=60.0)
    assert nobody.had.cases == nobody.had_not.cases == 0
    assert "60 s after" in nobody.title


def test_factors_read_columns_of_the_cohort_table():
    assert {name for factor in FACTORS.values() for name in factor.needed} <= {column.name for column in COHORT}
