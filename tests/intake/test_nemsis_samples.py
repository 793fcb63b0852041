"""The standard's own arrest samples, read with every time, drug, procedure, rhythm and outcome. NEMSIS v3.5, data-standards.md 1.

The samples lie in ../shared and are no part of this repository; where they are absent, these tests skip. What is expected of them
was typed from reading the XML, not taken from the reader; three tests count it once more straight from the XML.
"""

import csv
from collections import Counter
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from lxml import etree

from qi.intake import nemsis
from qi.intake import nemsis_codes as codes
from qi.model.tables import EVENTS, VITALS, check
from qi.model.vocabulary import EVENT_VALUES, HOSPITAL_KINDS, UNMAPPED
from tests.intake.care_records import ABOUT, SAMPLES, SHARED, clock, drugs, needs_samples, sample, texts, told, vitals

TIME_WORDS = ("call_received", "dispatched", "en_route", "on_scene", "at_patient", "left_scene", "at_hospital", "care_transferred")
ARREST_WORDS = ("arrest_recognised", "cpr_started", "rosc", "terminated")
CARE_WORDS = ("shock", "access", "airway_placed", "device_on", "rhythm", UNMAPPED)


@needs_samples
def test_sample_2022_adult_vf_with_rosc():
    """eTimes, eArrest.14/.15/.16/.19, eVitals.03, eProcedures.03/.06, eMedications.03/.05/.06, eOutcome of the 2022 sample."""
    care, device = nemsis.read(sample(2022), ABOUT)
    assert (care.format, care.kind, device.file) == ("NEMSIS 3.5.0", "record", f"{care.file}#device")
    assert told(care, *TIME_WORDS) == [
        ("10:47:53", "call_received"),
        ("10:48:40", "dispatched"),
        ("10:49:45", "en_route"),
        ("10:50:53", "on_scene"),
        ("10:51:38", "at_patient"),
        ("11:03:52", "left_scene"),
        ("11:09:43", "at_hospital"),
        ("11:12:20", "care_transferred"),
    ]
    assert told(care, *ARREST_WORDS) == [
        ("10:45:58", "arrest_recognised"),
        ("10:46:30", "cpr_started"),
        ("10:52:30", "cpr_started"),
        ("11:06:23", "rosc"),
    ]
    assert told(care, *CARE_WORDS) == [
        ("10:53:18", UNMAPPED, "9901031"),
        ("10:53:18", "rhythm", "VF"),
        ("10:53:30", "airway_placed", "bag_mask"),
        ("10:55:00", "access", "iv"),
        ("10:57:23", "shock"),
        ("11:00:00", UNMAPPED, "58715004"),
        ("11:06:00", "shock"),
        ("11:07:04", "rhythm", "organised"),
        ("11:07:04", "rhythm", "organised"),
        ("11:09:43", "rhythm", "organised"),
        ("11:09:43", "rhythm", "organised"),
    ]
    assert drugs(care) == [
        ("10:53:40", "oxygen", 12.0, "L/min"),
        ("10:56:00", "epinephrine", 1.0, "mg"),
        ("10:57:40", "amiodarone", 5.0, "mg/kg"),
    ]
    assert vitals(care, "etco2") == [("11:07:04", 32.0)]
    assert vitals(care, "heart_rate") == [("10:52:03", 0.0), ("10:53:18", 0.0), ("11:07:04", 98.0)]
    assert vitals(care, "spo2") == [("11:07:04", 91.0)]
    assert vitals(care, "systolic") == [("10:53:18", 0.0), ("11:07:04", 85.0)]
    facts = care.facts
    assert (facts.age_years, facts.sex, facts.witnessed, facts.first_rhythm, facts.cause) == (
        65.0,
        "female",
        "bystander",
        "VF",
        "medical",
    )
    assert (facts.bystander_cpr, facts.bystander_aed, facts.dispatcher_cpr, facts.attempted) == (True, True, True, True)
    assert facts.outcome == {"any_rosc": True, "survived_event": True, "survived_to_discharge": True, "cpc": 1}
    assert facts.members == ("CREW1", "CREW2", "CREW3")
    assert [role.split(" (")[0] for role in facts.crew_roles] == ["paramedic", "paramedic", "EMT"]
    assert told(device, "shock") == [("10:57:23", "shock", "200.5")]


@needs_samples
def test_sample_2021_child_injured():
    """Prior care (.02 Yes) is marked; eAirway confirmations; 11 years old; ROSC sustained (eArrest.12 3012007)."""
    care, device = nemsis.read(sample(2021), ABOUT)
    assert told(care, *TIME_WORDS) == [
        ("10:21:04", "call_received"),
        ("10:24:32", "dispatched"),
        ("10:27:05", "en_route"),
        ("10:53:27", "on_scene"),
        ("10:57:03", "at_patient"),
        ("11:08:28", "left_scene"),
        ("11:30:10", "at_hospital"),
        ("11:31:18", "care_transferred"),
    ]
    assert told(care, *ARREST_WORDS) == [
        ("10:53:00", "arrest_recognised"),
        ("10:54:00", "cpr_started"),
        ("10:54:00", "cpr_started"),
        ("10:57:34", "cpr_started"),
        ("11:09:44", "rosc"),
    ]
    assert told(care, *CARE_WORDS) == [
        ("10:25:00", UNMAPPED, "225358003"),
        ("10:57:52", "access", "iv"),
        ("11:00:43", "airway_placed", "tracheal_tube"),
        ("11:01:13", UNMAPPED, "9901031"),
        ("11:01:13", "rhythm", "VF"),
        ("11:05:09", UNMAPPED, "426498007"),
        ("11:09:44", "rhythm", "organised"),
        ("11:16:38", "rhythm", "organised"),
        ("11:30:10", "rhythm", "organised"),
    ]
    assert drugs(care) == [
        ("10:20:00", "oxygen", 12.0, "L/min"),
        ("10:58:12", "lidocaine", 1.0, "mg/kg"),
        ("10:59:22", "rocuronium", 1.0, "mg/kg"),
        ("11:00:58", "oxygen", 10.0, "L/min"),
    ]
    events = care.events
    prior = events[events["by"] == "prior"]
    assert [(clock(care, row.time_s), row.type) for row in prior.itertuples()] == [
        ("10:20:00", "drug"),
        ("10:25:00", UNMAPPED),
        ("10:54:00", "cpr_started"),
    ]
    assert prior["text"].str.contains("before this unit's care, by law enforcement").all()
    assert [clock(care, time) for time in events.loc[events["value"] == "airway_confirmed", "time_s"]] == ["11:00:51", "11:25:44"]
    assert vitals(care, "etco2") == [("11:09:44", 29.0), ("11:16:38", 32.0)]
    assert vitals(care, "systolic")[:2] == [("10:25:00", 128.0), ("10:53:00", 0.0)]
    assert np.isnan(vitals(care, "diastolic")[0][1])  # eVitals.07 is "P", palpated
    facts = care.facts
    assert (facts.age_years, facts.sex, facts.cause, facts.first_rhythm) == (11.0, "male", "trauma", "unknown_not_shockable")
    assert (facts.witnessed, facts.bystander_cpr, facts.bystander_aed) == ("bystander", True, False)  # AED by law enforcement
    assert facts.outcome == {"any_rosc": True, "sustained_rosc": True, "survived_event": True, "survived_to_discharge": "unknown"}
    assert told(device, "shock") == [("11:09:11", "shock", "364.2")]


@needs_samples
def test_sample_2023_obvious_death():
    """No drug, no procedure, not attempted (eArrest.03 3003007); the vital signs have values but no time (eVitals.01 nil)."""
    (care,) = nemsis.read(sample(2023), ABOUT)
    assert told(care, *TIME_WORDS) == [
        ("15:48:02", "call_received"),
        ("15:48:42", "dispatched"),
        ("15:49:03", "en_route"),
        ("15:53:18", "on_scene"),
        ("15:58:25", "at_patient"),
        ("16:42:09", "left_scene"),
    ]
    assert told(care, *ARREST_WORDS) == [("15:46:00", "arrest_recognised"), ("15:47:00", "cpr_started")]
    assert told(care, *CARE_WORDS, "drug") == []
    assert care.vitals.empty
    assert any("vital signs without a time kept aside" in text and "heart_rate 0" in text for text in texts(care, "warning"))
    facts = care.facts
    assert (facts.attempted, facts.first_rhythm, facts.age_years, facts.dispatcher_cpr) == (False, "asystole", 62.0, "unknown")
    assert facts.outcome == {"any_rosc": False, "sustained_rosc": False, "survived_event": False, "survived_to_discharge": False}


@needs_samples
def test_sample_2024_arrest_after_arrival():
    """eArrest.01 3001005 is EMS-witnessed; blood by SNOMED CT; supraglottic airway; eOutcome.02 moved to another hospital."""
    (care,) = nemsis.read(sample(2024), ABOUT)
    assert told(care, *TIME_WORDS) == [
        ("17:58:02", "call_received"),
        ("18:05:14", "dispatched"),
        ("18:05:39", "en_route"),
        ("18:24:53", "on_scene"),
        ("18:26:23", "at_patient"),
        ("18:41:18", "left_scene"),
        ("18:57:30", "at_hospital"),
        ("18:57:58", "care_transferred"),
    ]
    assert told(care, *ARREST_WORDS) == [
        ("18:28:00", "arrest_recognised"),
        ("18:28:30", "cpr_started"),
        ("18:28:30", "cpr_started"),
        ("18:39:37", "rosc"),
    ]
    assert told(care, *CARE_WORDS) == [
        ("18:28:10", "rhythm", "VF"),
        ("18:28:20", UNMAPPED, "225358003"),
        ("18:29:30", "airway_placed", "supraglottic"),
        ("18:34:30", "rhythm", "VF"),
        ("18:40:00", "rhythm", "organised"),
        ("18:40:00", "rhythm", "organised"),
        ("18:42:25", "access", "iv"),
        ("18:50:00", "rhythm", "organised"),
        ("18:50:00", "rhythm", "organised"),
        ("18:57:30", "rhythm", "organised"),
        ("18:57:30", "rhythm", "organised"),
    ]
    assert drugs(care) == [("18:29:45", "oxygen", 15.0, "L/min"), ("18:44:23", "whole blood", 500.0, "mL")]
    assert vitals(care, "etco2") == [("18:34:30", 18.0), ("18:40:00", 20.0), ("18:50:00", 20.0)]
    assert vitals(care, "heart_rate") == [
        ("18:27:00", 20.0),
        ("18:28:10", 320.0),
        ("18:34:30", 300.0),
        ("18:40:00", 118.0),
        ("18:50:00", 106.0),
    ]
    facts = care.facts
    assert (facts.witnessed, facts.bystander_cpr, facts.dispatcher_cpr, facts.age_years) == ("ems", False, False, 73.0)
    assert facts.outcome == {"any_rosc": True, "survived_event": True, "survived_to_discharge": "unknown", "cpc": 2}


@needs_samples
def test_sample_2025_terminated_on_scene():
    """3.5.1: sex in ePatient.25; eArrest.14 nil with PN; 10 mL of RxNorm 317361 are 1 mg; eArrest.16 3016009."""
    care, device = nemsis.read(sample(2025), ABOUT)
    assert care.format == "NEMSIS 3.5.1"
    assert told(care, *TIME_WORDS) == [
        ("06:21:00", "call_received"),
        ("06:23:02", "dispatched"),
        ("06:24:39", "en_route"),
        ("06:36:50", "on_scene"),
        ("06:37:45", "at_patient"),
        ("06:58:03", "left_scene"),
    ]
    assert told(care, *ARREST_WORDS) == [("06:22:00", "cpr_started"), ("06:38:34", "cpr_started"), ("06:49:00", "terminated")]
    assert told(care, *CARE_WORDS) == [
        ("06:40:02", UNMAPPED, "182531007"),
        ("06:42:26", "access", "iv"),
        ("06:44:32", "rhythm", "asystole"),
        ("06:48:12", "rhythm", "asystole"),
    ]
    assert drugs(care) == [("06:43:00", "epinephrine", 1.0, "mg")]
    assert care.events.loc[care.events["type"] == "drug", "text"].str.contains("charted as 10 mL").all()
    assert care.vitals[care.vitals["name"] == "etco2"].empty
    assert vitals(care, "spo2") == [("06:44:32", 72.0), ("06:48:12", 70.0)]
    facts = care.facts
    assert (facts.sex, facts.witnessed, facts.first_rhythm, facts.age_years) == ("male", "no", "asystole", 32.0)
    assert facts.outcome == {"any_rosc": False, "sustained_rosc": False, "survived_event": False, "survived_to_discharge": False}
    assert told(device, "rhythm", "shock") == [("06:44:32", "rhythm", "unknown_not_shockable")]


def _raw(path: Path, element: str, time: str, group: str) -> Counter:
    """(code, moment) of every value that is neither nil nor taken back by a PN, counted straight from the XML."""
    tree = etree.parse(path)
    found: Counter = Counter()
    for place in tree.xpath(f"//*[local-name()='{group}']"):
        when = place.xpath(f".//*[local-name()='{time}']/text()")
        for code in place.xpath(f".//*[local-name()='{element}'][not(@PN)][text()]/text()"):
            found[(code, datetime.fromisoformat(when[0]).astimezone(UTC))] += 1
    return found


@needs_samples
@pytest.mark.parametrize("year", [2021, 2022, 2023, 2024, 2025])
@pytest.mark.parametrize(
    ("element", "time", "group", "pattern"),
    [
        ("eMedications.03", "eMedications.01", "eMedications.MedicationGroup", r"\((?:RxNorm|SNOMED CT) (\d+)\)"),
        ("eProcedures.03", "eProcedures.01", "eProcedures.ProcedureGroup", r"\(SNOMED CT (\d+)\)"),
        ("eVitals.03", "eVitals.01", "eVitals.VitalGroup", r"\(eVitals\.03 (\d+)\)"),
    ],
)
def test_every_code_of_the_samples_is_an_event(year: int, element: str, time: str, group: str, pattern: str):
    """An independent count by xpath: each non-nil, non-PN code stands among the events at its own moment, and no other does."""
    care = nemsis.read(sample(year), ABOUT)[0]
    assert care.start is not None
    found = care.events["text"].str.extract(pattern)[0]
    seen: Counter = Counter()
    drug_like = care.events["text"].str.contains("route=|RxNorm")
    wanted = drug_like if element == "eMedications.03" else ~drug_like if element == "eProcedures.03" else drug_like | ~drug_like
    for code, time_s in zip(found[wanted], care.events.loc[wanted, "time_s"], strict=True):
        if isinstance(code, str):
            seen[(code, (care.start + timedelta(seconds=time_s)).astimezone(UTC))] += 1
    assert seen == _raw(sample(year), element, time, group)


@needs_samples
@pytest.mark.parametrize("year", [2021, 2022, 2023, 2024, 2025])
def test_every_time_of_the_samples_is_an_event(year: int):
    """Each non-nil eTimes element, and eArrest.14, .15, .19, is an event at its moment that names or stands for the element."""
    care = nemsis.read(sample(year), ABOUT)[0]
    assert care.start is not None
    rows = [((care.start + timedelta(seconds=row.time_s)).astimezone(UTC), row.text) for row in care.events.itertuples()]
    own = " or ".join(f"local-name()='eArrest.{number}'" for number in (14, 15, 19))
    leaves = etree.parse(sample(year)).xpath(f"//*[starts-with(local-name(), 'eTimes.') or {own}][text()]")
    assert len(leaves) >= 10
    for leaf in leaves:
        name, when = etree.QName(leaf).localname, datetime.fromisoformat(leaf.text).astimezone(UTC)
        assert any(moment == when and name in text for moment, text in rows), name


@needs_samples
@pytest.mark.parametrize("year", [2021, 2022, 2023, 2024, 2025])
def test_numbers_of_the_samples_are_vitals(year: int):
    """Each non-nil number of eVitals in a group with a time is one vital sign, counted straight from the XML."""
    care = nemsis.read(sample(year), ABOUT)[0]
    names = " or ".join(f"local-name()='eVitals.{n}'" for n in ("06", "07", "09", "10", "12", "14", "16", "17", "18", "23", "24"))
    groups = etree.parse(sample(year)).xpath("//*[local-name()='eVitals.VitalGroup'][./*[local-name()='eVitals.01'][text()]]")
    values = [text for group in groups for text in group.xpath(f".//*[{names}][not(@PN)]/text()")]
    numbers = Counter(float(text) for text in values if text not in ("P", "High", "Low"))
    assert Counter(care.vitals["value"].dropna()) == numbers
    assert len(care.vitals) == len(values)


@needs_samples
@pytest.mark.parametrize("year", [2021, 2022, 2023, 2024, 2025])
def test_twelve_lead_ecgs_and_the_hospital_are_read(year: int):
    """eVitals.04 of twelve leads or more, procedure 268400002 and eDevice.03 4103001, counted straight from the XML;
    eDisposition.23 is general (9908007) in the three that were taken to a hospital."""
    tree = etree.parse(sample(year))
    read = nemsis.read(sample(year), ABOUT)
    values = "|".join(f"//*[local-name()='{name}']" for name in ("eVitals.04", "eProcedures.03", "eDevice.03"))
    wanted = {"3304007", "3304009", "3304011", "3304013", "268400002", "4103001"}
    count = sum((one.text or "").strip() in wanted and one.get("PN") is None for one in tree.xpath(values))
    assert sum(int((part.events["type"] == "ecg_12_lead").sum()) for part in read) == count
    assert read[0].facts.hospital == (("general",) if year in (2021, 2022, 2024) else ())


@pytest.mark.skipif(not (SHARED / "review-codes.csv").is_file(), reason="the standard's code lists are not here")
@pytest.mark.parametrize(("element", "ours"), [("eVitals.04", codes.ECG_TYPES), ("eDisposition.23", codes.HOSPITALS)])
def test_every_code_of_the_lists_has_a_word(element: str, ours: dict):
    """Code lists of schema 3.5.1.250403CP1: no code is missing, none is ours alone, those of twelve leads say so."""
    lines = csv.DictReader((SHARED / "review-codes.csv").read_text(encoding="utf-8").splitlines())
    listed = {line["code"]: line["display_label"] for line in lines if line["element"] == element}
    assert set(ours) == set(listed)
    for code, label in listed.items():
        number = label.split()[0]
        if element == "eVitals.04":
            assert (code in codes.TWELVE_LEADS) == (number in ("12", "15", "18")), label
            assert number == "Other" or ours[code].startswith(f"{number}-lead"), label
        else:
            assert ("PCI Capable" in label and "Non" not in label) == ours[code].startswith("PCI"), label
            assert ours[code] in HOSPITAL_KINDS


@needs_samples
@pytest.mark.parametrize("year", [2021, 2022, 2023, 2024, 2025])
def test_no_person_is_read_and_tables_keep_their_contract(year: int):
    """ePatient.02/.03, addresses, birth date, device serial numbers and physician names are nowhere in what is read."""
    for part in nemsis.read(sample(year), ABOUT):
        everything = part.events.to_csv() + part.vitals.to_csv() + repr(part.facts) + repr(part.notes)
        for word in ("Doe", "Pat,", "Example", "1955-10-07", "DEV0001", "X0000"):
            assert word not in everything
        check(part.events, EVENTS)
        check(part.vitals, VITALS)
        assert set(part.events["type"]) <= {*EVENT_VALUES, UNMAPPED}


@needs_samples
def test_any_single_element_may_be_missing():
    """A report from which any one element was left out still reads (lenient reader, data-standards.md section 0, row 1)."""
    tree = etree.parse(sample(2022))
    leaves = [leaf for leaf in tree.iter() if isinstance(leaf.tag, str) and len(leaf) == 0 and "eDevice.05" not in leaf.tag]
    broken = SAMPLES / "unused"
    for leaf in leaves[::3]:
        parent, place = leaf.getparent(), leaf.getparent().index(leaf)
        parent.remove(leaf)
        report = next(tree.iter("{http://www.nemsis.org}PatientCareReport"))
        made = nemsis._report_parts(broken, report, ABOUT, file="one.xml", version="3.5.0")
        assert made[0].events["type"].size > 20
        parent.insert(place, leaf)
