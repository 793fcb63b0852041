"""A case as a FHIR Bundle, held against an independent package.

What was checked: the package `fhir.resources` 8.3 has models of STU3, R4B and R5, and none of R4 proper (4.0.1). Bundles are
validated with its R4B models (4.3.0): of the resources used here (Bundle, Patient, Encounter, Observation, Procedure,
MedicationAdministration, OperationOutcome) R4B differs from R4 in nothing that we write (from memory). Its models check names,
kinds, required fields and the closed lists of codes, and refuse any field they do not know; terms of outside code systems are not
looked up.
"""

import itertools
import json
import re
from datetime import datetime, timedelta, timezone
from pathlib import Path

import pytest
from fhir.resources.R4B.bundle import Bundle
from fhir.resources.R4B.observation import Observation
from pydantic import ValidationError

from qi.exports import fhir, fhir_codes
from qi.model.cautions import LONG, SHORT
from qi.model.vocabulary import DEVICE_KINDS
from tests.exports.made import GOOD, SAMPLES, corrected, event_rows, review_of, sample, wave

EVERY = pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.name)
NOTES = Path(__file__).parents[3] / "shared" / "reference" / "data-standards.md"


def made(review, **how):
    ids = (f"00000000-0000-4000-8000-{number:012d}" for number in itertools.count())
    return fhir.bundle(review, new_id=lambda: next(ids), **how)


def of_type(bundle, kind):
    return [entry["resource"] for entry in bundle["entry"] if entry["resource"]["resourceType"] == kind]


def coded(bundle, code):
    return [one for one in of_type(bundle, "Observation") if code in [coding["code"] for coding in one["code"].get("coding", [])]]


@EVERY
@pytest.mark.parametrize("identity", [True, False])
def test_an_independent_package_takes_the_bundle_and_gives_it_back_unchanged(path, identity):
    bundle = json.loads(json.dumps(made(sample(path), identity=identity, id_="case-1"), allow_nan=False))
    back = json.loads(Bundle.model_validate(bundle).model_dump_json())

    def plain(value):
        if isinstance(value, dict):
            return {key: plain(one) for key, one in value.items()}
        if isinstance(value, list):
            return [plain(one) for one in value]
        if isinstance(value, str) and re.match(r"\d{4}-\d\d-\d\dT", value):
            return datetime.fromisoformat(value)
        return float(value) if isinstance(value, int) and not isinstance(value, bool) else value

    assert plain(back) == plain(bundle)


def test_the_package_does_refuse_what_is_wrong_so_that_the_check_can_fail():
    one = of_type(made(sample(GOOD)), "Observation")[0]
    Observation.model_validate(one)
    for wrong in ({"status": None}, {"colour": "red"}, {"valueString": "two values"}):
        with pytest.raises(ValidationError):
            Observation.model_validate({**one, **wrong})


@EVERY
def test_rules_of_the_standard_that_the_package_does_not_check(path):
    """R4 invariants obs-6 and obs-3, and that each reference leads to a resource of the bundle (from memory)."""
    bundle = made(sample(path))
    urls = [entry["fullUrl"] for entry in bundle["entry"]]
    assert len(set(urls)) == len(urls)
    assert set(re.findall(r'"reference": "([^"]+)"', json.dumps(bundle))) <= set(urls)
    for one in of_type(bundle, "Observation"):
        has_value = any(key.startswith("value") for key in one)
        assert has_value != ("dataAbsentReason" in one)
        for range_ in one.get("referenceRange", []):
            assert {"low", "high", "text"} & set(range_)


@EVERY
def test_every_answer_of_every_measure_is_an_observation(path):
    review = sample(path)
    observations = [one for one in of_type(made(review), "Observation") if one["code"]["coding"][0]["system"] == fhir_codes.MEASURE]
    assert len(observations) == len(review.numbers)
    for one, judged in zip(observations, review.numbers, strict=True):
        assert one["code"]["coding"][0]["code"] == judged.id
        if judged.value is None:
            assert one["dataAbsentReason"]["text"] == judged.number.reason
        else:
            assert one["valueQuantity"]["value"] == pytest.approx(judged.value, abs=1e-6)
            assert one["valueQuantity"]["code"] == fhir_codes.UNITS[judged.unit]
        bounds = {part["code"]["coding"][0]["code"]: part for part in one.get("component", [])}
        for key in ("low", "high", "error", "coverage", "n"):
            value = getattr(judged.number, key)
            assert (key in bounds) == (value is not None)
            assert value is None or bounds[key]["valueQuantity"]["value"] == pytest.approx(value, abs=1e-6)
        assert ("interpretation" in one) == (judged.verdict in ("met", "not met"))
        if judged.limit:
            limit = one["referenceRange"][0]
            assert judged.limit.text in limit["text"]
            for end in ("low", "high"):
                assert limit.get(end, {}).get("value", getattr(judged.limit, end)) == getattr(judged.limit, end)


def test_arrest_facts_have_their_loinc_codes_and_times_are_dated_only_with_identity():
    review = sample(GOOD)
    shown, hidden = made(review, identity=True), made(review)
    assert coded(shown, "67505-8")[0]["valueCodeableConcept"]["text"] == "bystander"
    assert coded(shown, "67508-2")[0]["valueBoolean"] is False
    assert coded(shown, "67519-9")[0]["valueCodeableConcept"]["text"] == "VF"
    (call,) = coded(shown, "69469-5")
    assert datetime.fromisoformat(call["valueDateTime"]) == review.case.start - timedelta(seconds=462)
    (masked,) = coded(hidden, "69469-5")
    assert "valueDateTime" not in masked
    assert masked["dataAbsentReason"]["coding"][0]["code"] == "masked"
    assert masked["effectiveDateTime"] == "2031"
    assert masked["extension"][0]["extension"][0]["valueQuantity"]["value"] == -462.0
    assert "± 120 s" in call["note"][0]["text"]


@pytest.mark.skipif(not NOTES.is_file(), reason="our notes on data standards do not stand beside this checkout")
def test_only_codes_that_our_notes_list_are_used():
    """data-standards.md, sections 1.6, 1.7 and 7."""
    text = NOTES.read_text(encoding="utf-8")
    loinc = [code for code, _ in (*fhir_codes.FACTS.values(), *fhir_codes.TIMES.values())]
    snomed = [code for code, _ in fhir_codes.PROCEDURES.values() if code]
    for code in (*loinc, *snomed, *fhir_codes.DRUGS.values()):
        assert re.search(rf"\b{code}\b", text), code
    assert set(DEVICE_KINDS) <= set(fhir_codes.PROCEDURES)


def test_shocks_devices_and_drugs_are_there_once_each():
    review = sample(GOOD)
    bundle = made(review, identity=True)
    procedures = of_type(bundle, "Procedure")
    shocks = [one for one in procedures if one["code"]["coding"][0]["code"] == "426220008"]
    assert [one["note"][0]["text"] for one in shocks] == [f"{energy:g} J" for energy in review.findings.shocks["energy_j"]]
    itd = next(one for one in procedures if one["code"]["text"] == "Impedance threshold device")
    assert [coding["system"] for coding in itd["code"]["coding"]] == [fhir_codes.PROCEDURE]
    length = datetime.fromisoformat(itd["performedPeriod"]["end"]) - datetime.fromisoformat(itd["performedPeriod"]["start"])
    assert length.total_seconds() == pytest.approx(1248.9 - 75.0)
    doses = of_type(bundle, "MedicationAdministration")
    told = review.case.events[review.case.events["type"] == "drug"]
    assert len(doses) == max(told.groupby("source").size())
    epinephrine = [one for one in doses if one["medicationCodeableConcept"]["coding"][0]["code"] == "3992"]
    assert len(epinephrine) == review.of("epinephrine_doses").value
    assert epinephrine[0]["dosage"]["dose"] == {"value": 1.0, "unit": "mg", "system": fhir_codes.UCUM, "code": "mg"}


def test_the_cautions_and_the_protocol_are_said():
    bundle = made(sample(GOOD))
    assert bundle["meta"]["tag"][0]["display"] == SHORT
    told = [issue["diagnostics"] for issue in of_type(bundle, "OperationOutcome")[0]["issue"]]
    assert told[:-1] == list(LONG)
    assert "adult-2020" in told[-1]


def test_the_same_input_gives_the_same_bundle_but_for_the_ids(tmp_path):
    review = sample(GOOD)
    assert made(review, id_="case-1") == made(review, id_="case-1")
    first, second = (json.dumps(fhir.bundle(review, id_="case-1")) for _ in range(2))
    assert first != second
    uuids = r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}"
    assert re.sub(uuids, "id", first) == re.sub(uuids, "id", second)
    fhir.write(tmp_path / "bundle.json", review)
    Bundle.model_validate_json((tmp_path / "bundle.json").read_text(encoding="utf-8"))


def test_a_signed_case_is_final_and_who_told_a_thing_stands_in_its_tag():
    plain, changed = made(sample(GOOD)), made(corrected(), signed=True)
    assert {one["status"] for one in of_type(plain, "Observation")} == {"preliminary"}
    assert {one["status"] for one in of_type(changed, "Observation")} == {"final"}
    tellers = [one["meta"]["tag"][0]["code"] for one in of_type(changed, "Procedure")]
    assert tellers.count("reviewer") == 1
    measure = of_type(changed, "Observation")[0]["meta"]["tag"][0]["code"]
    assert measure == "machine-corrected-by-reviewer"
    assert of_type(plain, "Observation")[0]["meta"]["tag"][0]["code"] == "machine"


@pytest.mark.parametrize("identity", [True, False])
def test_a_case_that_knows_no_time_of_day_says_why_a_date_is_absent(identity):
    events = event_rows(
        {"time_s": 4.0, "type": "drug", "value": "Drug of our own", "dose": 3.0, "unit": "scoops", "clock": "a"},
        {"time_s": 5.0, "type": "airway_placed", "value": "bag_mask", "text": "successful=no", "clock": "a"},
    )
    bundle = made(review_of(wave("ecg", "mV", 100.0, (0.0, 3000)), events=events), identity=identity)
    Bundle.model_validate(bundle)
    (dose,) = of_type(bundle, "MedicationAdministration")
    assert "effectiveDateTime" not in dose
    assert dose["effectivePeriod"]["extension"][0]["valueCode"] == ("unknown" if identity else "masked")
    assert dose["medicationCodeableConcept"] == {"text": "Drug of our own" if identity else "other drug"}
    assert dose["dosage"]["dose"] == ({"value": 3.0, "unit": "scoops"} if identity else {"value": 3.0})
    (airway,) = of_type(bundle, "Procedure")
    assert airway["outcome"] == {"text": "not successful"}


def test_dates_keep_their_offset():
    start = datetime(2031, 4, 17, 23, 59, 58, tzinfo=timezone(timedelta(hours=-6)))
    events = event_rows({"time_s": 4.0, "type": "rosc", "clock": "a"}, {"time_s": 4.0, "type": "on_scene", "clock": "a"})
    bundle = made(review_of(wave("ecg", "mV", 100.0, (0.0, 3000)), events=events, start=start), identity=True)
    assert coded(bundle, "69473-7")[0]["valueDateTime"] == "2031-04-18T00:00:02.000-06:00"
