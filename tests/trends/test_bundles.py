"""Bundles of care: all-or-none and by element, with what is missing by itself."""

import itertools
import math

import pandas as pd
import pytest

from qi.model.errors import BadTable, NotMeasurable, UnknownWord
from qi.trends.board_tables import Hiding, bundles_table
from qi.trends.bundles import MET, MISSING, NOT_ASKED, NOT_MET, Bundle, Element, When, bundle, bundles, judge_bundle
from qi.trends.cohort_columns import COHORT
from qi.trends.during_arrest import said_of_chosen
from tests.trends.cases import case, given, repeated, table

GIVEN = given("composite_measures.json")
AFTER = bundle("after_rosc")
FACTS = tuple(element.fact for element in AFTER.element)


def of_facts(rows, *, when=()):
    """A bundle of facts a, b, … and a table of True, False and None."""
    names = [chr(97 + i) for i in range(len(rows[0]))]
    made = table(*repeated(len(rows))).assign(
        **{name: pd.Series([row[i] for row in rows], dtype=object) for i, name in enumerate(names)}
    )
    elements = tuple(Element(name, name, fact=name, when=when) for name in names)
    return made, Bundle("test", "Test", "1", "none", elements)


def test_constructed_patients_of_the_note():
    """Constructed (the note's own arithmetic): 16 of 20 elements, 3 of 6 patients with every one asked; null was not asked."""
    toy = GIVEN["toy"]
    names = toy["elements"]
    rows = [
        {f"asked_{name}": "no" if value is None else "yes" for name, value in zip(names, row, strict=True)}
        for row in toy["patients"]
    ]
    facts = [{name: bool(value) for name, value in zip(names, row, strict=True)} for row in toy["patients"]]
    cases = table(*repeated(6)).join(pd.DataFrame(rows)).join(pd.DataFrame(facts))
    elements = tuple(Element(name, name, fact=name, when=(When(f"asked_{name}", ("yes",)),)) for name in names)
    found = judge_bundle(cases, Bundle("toy", "Toy", "1", "none", elements))
    assert (found.met_elements, found.asked_elements) == (toy["opportunity_num"], toy["opportunity_den"])
    assert (found.all_or_none.count, found.all_or_none.n) == (toy["all_or_none_num"], toy["all_or_none_den"])
    assert found.missing_elements == 0
    shares = [one.share.value for one in found.elements]
    assert sum(shares) / len(shares) == pytest.approx(toy["indicator_average"])
    assert sum(one.not_asked for one in found.elements) == 24 - 20


def test_three_independent_elements_are_seldom_all_met():
    """PMC2359509 (read): elements met in 70, 53 and 55 % give 20 % with all of them if they are independent, as in a grid."""
    first, second, third = GIVEN["published"][1]["p"]
    grid = itertools.product(range(20), range(100), range(20))
    rows = [(i < round(first * 20), j < round(second * 100), k < round(third * 20)) for i, j, k in grid]
    cases = pd.DataFrame(rows, columns=["a", "b", "c"]).assign(excluded="")
    _, asked = of_facts([rows[0]])
    assert judge_bundle(cases, asked).all_or_none.value == pytest.approx(GIVEN["published"][1]["all_or_none"], abs=1e-9)


def test_opportunity_share_of_the_published_table():
    """AHRQ decision guide, table 6 (read): 576 of 828 opportunities met, 69.6 %."""
    told = GIVEN["published"][0]
    met, of = told["met"], told["opportunities"]
    cases, asked = of_facts([(True,)] * met + [(False,)] * (of - met))
    assert judge_bundle(cases, asked).opportunity == pytest.approx(told["overall_percentage"], abs=5e-7)


def test_missing_is_neither_met_nor_failed():
    cases, asked = of_facts([(True, True), (True, None), (False, None), (None, None)])
    found = judge_bundle(cases, asked)
    assert list(found.states["all"]) == [MET, MISSING, NOT_MET, MISSING]
    assert (found.all_or_none.count, found.all_or_none.n, found.all_or_none.missing) == (1, 2, 2)
    assert (found.all_or_none.at_least, found.all_or_none.at_most) == (0.25, 0.75)
    assert [(one.share.count, one.share.n, one.share.missing) for one in found.elements] == [(2, 3, 1), (1, 1, 3)]
    assert found.missing_elements == 4
    assert "4 missing. Missing is neither met nor failed" in found.words()
    assert "counts only" in found.words()


def test_a_condition_that_is_not_known_leaves_the_element_open():
    cases, asked = of_facts([(True,), (True,), (True,)], when=(When("any_rosc", ("yes",)),))
    cases = cases.assign(any_rosc=["yes", "no", None])
    found = judge_bundle(cases, asked)
    assert list(found.states["a"]) == [MET, NOT_ASKED, MISSING]
    assert list(found.states["all"]) == [MET, NOT_ASKED, MISSING]


def test_verdicts_become_elements_and_an_absent_limit_is_said():
    asked = bundle("compressions")
    words = {"compression_fraction": "met", "compression_rate": "met", "compression_depth_mm": "met", "released_fraction": "met"}
    row = {f"{name}__verdict": word for name, word in words.items()}
    cases = table(
        case(**row, longest_pause_s__verdict="met"),
        case(**row, longest_pause_s__verdict="not met"),
        case(**row, longest_pause_s__verdict="not measurable"),
        case(**row, longest_pause_s__verdict="no limit set"),
        case(**row),
        case(**row, longest_pause_s__verdict="met", excluded="an exercise"),
    )
    found = judge_bundle(cases, asked)
    assert list(found.states["all"]) == [MET, NOT_MET, MISSING, MISSING, MISSING]
    assert "sets no limit for Longest pause" in found.words()


def test_care_after_rosc_is_asked_only_of_cases_with_rosc():
    full = dict.fromkeys(FACTS, "yes")
    rows = [full, full | {"rosc_12_lead": "no"}, full | {"rosc_destination": None}]
    cases = table(*(case(any_rosc="yes", **row) for row in rows), case(any_rosc="no", **full), case(**full))
    found = judge_bundle(cases, AFTER)
    assert list(found.states["all"]) == [MET, NOT_MET, MISSING]
    assert found.unplaced == 1
    assert [element.label for element in AFTER.element] == [
        "12-lead ECG",
        "Blood pressure",
        "Oxygen",
        "End-tidal CO2",
        "Destination",
    ]
    assert all(element.record for element in AFTER.element)
    with pytest.raises(BadTable, match="rosc_12_lead"):
        judge_bundle(cases.drop(columns="rosc_12_lead"), AFTER)
    with pytest.raises(NotMeasurable, match="asked of no case"):
        judge_bundle(cases[3:4], AFTER)


def test_itd_on_and_off():
    status, off = "time_to_device_s.itd.first_compression__status", "device_left_on_s.itd__verdict"
    cases = table(
        case(**{status: "applied", off: "met"}, any_rosc="yes"),
        case(**{status: "applied", off: "not measurable"}, any_rosc="yes"),
        case(**{status: "applied", off: "not measurable"}, any_rosc="no"),
        case(**{status: "never"}, any_rosc="yes"),
        case(**{status: "censored"}, any_rosc="no"),
    )
    found = judge_bundle(cases, bundle("itd"))
    assert list(found.states["on"]) == [MET, MET, MET, NOT_MET, MISSING]
    assert list(found.states["off"]) == [MET, MISSING, NOT_ASKED, NOT_ASKED, NOT_ASKED]
    assert list(found.states["all"]) == [MET, MISSING, MET, NOT_MET, MISSING]


def test_every_bundle_reads_columns_of_the_cohort_table():
    names = {column.name for column in COHORT}
    for one in bundles():
        assert set(one.needed) <= names, one.key
        assert one.source
        assert one.edition
        assert all(bool(e.verdict) + bool(e.applied) + bool(e.fact) == 1 for e in one.element)
    with pytest.raises(UnknownWord, match="after_rosc"):
        bundle("rosc")


def test_a_shock_bundle_is_asked_only_where_a_shock_was_recorded():
    asked = bundle("shocks")
    verdicts = {f"{element.verdict}__verdict": "met" for element in asked.element}
    found = judge_bundle(table(case(**verdicts, first_shock_s=70.0), case(**dict.fromkeys(verdicts, "not measurable"))), asked)
    assert list(found.states["all"]) == [MET]


def test_no_opportunity_has_no_share():
    cases, asked = of_facts([(None,)])
    assert math.isnan(judge_bundle(cases, asked).opportunity)


def test_bundles_that_ask_of_rosc_are_not_shown_of_cases_chosen_by_treatment():
    """The n of care after ROSC is the number of cases with ROSC: of cases chosen by the device, that is an outcome by treatment."""
    why = said_of_chosen(["device_used"], {"device_used": "ITD used"})
    refused = {one.key: one.refused(why) for one in bundles()}
    assert {key for key, said in refused.items() if said} == {"after_rosc", "itd"}
    assert why in refused["after_rosc"]
    assert not any(one.refused("") for one in bundles())


def test_the_report_leaves_those_bundles_out_and_says_so():
    why = said_of_chosen(["device_used"], {"device_used": "ITD used"})
    one = case(
        any_rosc="yes", rosc_12_lead="yes", device_used="yes", **{"time_to_device_s.itd.first_compression__status": "applied"}
    )
    cases = table(*[one] * 12)
    shown, kept = (bundles_table(cases, Hiding(sharing=False, most=0), why_not) for why_not in (why, ""))
    assert any("Care after ROSC" in row[0] for row in kept.rows)
    assert not any("ROSC" in row[0] for row in shown.rows)
    assert any(why in note for note in shown.notes)
