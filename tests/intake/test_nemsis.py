"""The care-record reader: rules of the standard on made records. NEMSIS v3.5, by way of data-standards.md section 1."""

from datetime import timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
from lxml import etree

from qi.intake import nemsis
from qi.intake.header import SourceHeader
from qi.model.vocabulary import UNMAPPED
from tests.intake.care_records import ABOUT, NINE, OURS, SHARED, at, drugs, needs_schema, read_made, record, texts, told
from tests.simulator.care_record import Confirmation, CrewMember, DeviceEvent, Medication, Procedure, Vital, write


@needs_schema
@pytest.mark.parametrize("version", ["3.5.1", "3.5.0"])
def test_what_the_writer_makes_is_valid(tmp_path: Path, version: str):
    """A full and a bare report validate against EMSDataSet_v3.xsd of schema 3.5.1."""
    full = record(
        age=7,
        age_unit="months",
        cpc=2,
        arrest_time=at(-60),
        arrest_time_pn="8801029",
        initial_cpr=at(0),
        discontinued=at(900),
        reason="rosc",
        end="rosc_field",
        vitals=(Vital(at(400), rhythms=("VF", "9901031"), etco2=18.5, etco2_type="kPa", diastolic="P", glucose="High"),),
        procedures=(Procedure(at(500), "89666000", pn="8801001"), Procedure(at(501), "232674004", correlation="tube")),
        medications=(Medication(at(600), "317361", dose=10, unit="mL", route="IO"), Medication(None, "703", pn="8801003")),
        confirmations=(Confirmation(at(510), methods=("4004019",), procedure="tube"),),
        device_events=(DeviceEvent(at(550), "4103009", energy=200.0),),
        crew=(CrewMember("C-1"),),
    )
    write(tmp_path / "made.xml", reports=[full, record(report="RV-1-7")], version=version)
    schema = etree.XMLSchema(etree.parse(SHARED / "xsd" / "EMSDataSet_v3.xsd"))
    assert schema.validate(etree.parse(tmp_path / "made.xml")), schema.error_log
    assert nemsis.read(tmp_path / "made.xml", ABOUT)[0].format == f"NEMSIS {version}"


@needs_schema
@pytest.mark.parametrize("path", sorted(OURS.glob("*.xml")), ids=lambda path: path.name)
def test_our_shipped_records_are_valid(path: Path):
    """The records that this repository ships validate against EMSDataSet_v3.xsd of schema 3.5.1."""
    schema = etree.XMLSchema(etree.parse(SHARED / "xsd" / "EMSDataSet_v3.xsd"))
    assert schema.validate(etree.parse(path)), schema.error_log


def test_two_units_on_one_incident():
    """One report a unit: each a part of its own, the device's clock apart; an ITD without a time (eArrest.09)."""
    medic, device, engine = nemsis.read(OURS / "two_units.xml", ABOUT)
    assert [part.file for part in (medic, device, engine)] == ["two_units.xml", "two_units.xml#device", "two_units.xml#2"]
    assert (medic.facts.unit, engine.facts.unit, device.facts.unit) == ("Medic 31", "Engine 7", None)
    assert told(medic, "shock") == [("09:09:05", "shock"), ("09:20:34", "shock")]
    assert told(device, "shock") == [("09:08:29", "shock", "200"), ("09:19:59", "shock", "200.5")]
    assert told(engine, "shock") == [("09:06:12", "shock")]
    assert told(medic, "device_on") == [("09:10:53", "device_on", "mechanical_cpr"), ("09:13:14", "device_on", "capnography")]
    assert "itd" not in set(medic.events["value"])
    assert any("impedance threshold device charted without a time" in text for text in texts(medic))
    assert any("2 reports" in text for text in texts(medic))
    assert (set(medic.events["source"]), set(engine.events["source"]), set(medic.events["clock"])) == (
        {"two_units.xml"},
        {"two_units.xml#2"},
        {""},
    )


def test_a_form_cannot_time_an_itd():
    """NEMSIS has no respiratory-valve on or off time (data-standards.md section 0, row 7): "not recorded", never "never"."""
    medic = nemsis.read(OURS / "two_units.xml", ABOUT)[0]
    assert {"drug", "rosc", "device_on mechanical_cpr"} <= medic.could_chart
    assert not {"device_on", "device_off", "device_on itd", "compression", "rearrest"} & medic.could_chart


def test_both_epinephrine_codes_and_the_ingredient(tmp_path: Path):
    """data-standards.md 1.7: RxNorm 317361 (0.1 mg/mL), 328316 (1 mg/mL) and 3992; mL become mg only where the code says how."""
    given = (
        Medication(at(400), "317361", dose=10, unit="mL"),
        Medication(at(460), "328316", dose=1, unit="mL"),
        Medication(at(520), "3992", dose=1, unit="mL"),
        Medication(at(580), "317361", dose=1, unit="mg", code_type=None),
        Medication(at(640), "317361"),
    )
    (care,) = read_made(tmp_path, record(medications=given))
    doses = [(name, dose, unit) for _, name, dose, unit in drugs(care)]
    assert doses[:4] == [
        ("epinephrine", 1.0, "mg"),
        ("epinephrine", 1.0, "mg"),
        ("epinephrine", 1.0, "mL"),
        ("epinephrine", 1.0, "mg"),
    ]
    assert doses[4][0] == "epinephrine"
    assert np.isnan(doses[4][1])


def test_unknown_codes_keep_their_number(tmp_path: Path):
    """A drug, procedure, rhythm or device event that is not in the lists is kept as unmapped with its number, never guessed."""
    parts = read_made(
        tmp_path,
        record(
            medications=(Medication(at(400), "999999", dose=2, unit="mg"), Medication(at(410), "317361", code_type="9924001")),
            procedures=(Procedure(at(420), "123456789"),),
            vitals=(Vital(at(430), rhythms=("9901999",)),),
            device_events=(DeviceEvent(at(440), "4103999"),),
        ),
    )
    assert told(parts[0], UNMAPPED) == [
        ("09:06:52", UNMAPPED, "999999"),
        ("09:07:02", UNMAPPED, "317361"),
        ("09:07:12", UNMAPPED, "123456789"),
        ("09:07:22", UNMAPPED, "9901999"),
    ]
    assert told(parts[1], UNMAPPED) == [("09:07:32", UNMAPPED, "4103999")]
    assert drugs(parts[0]) == []


def test_a_pn_is_never_done(tmp_path: Path):
    """data-standards.md 1.2: a value with PN means not done; it is a note that says why, and no drug, shock or airway."""
    (care,) = read_made(
        tmp_path,
        record(
            medications=(Medication(at(400), "317361", dose=1, unit="mg", pn="8801003"), Medication(at(410), "703", pn="8801019")),
            procedures=(Procedure(at(420), "426220008", pn="8801001"), Procedure(at(430), "232674004", pn="8801023")),
            vitals=(Vital(at(440), etco2=30, etco2_type="mmHg", etco2_pn="8801023"),),
        ),
    )
    assert told(care, "drug", "shock", "airway_placed", "cpr_started") == []
    assert care.vitals.empty
    notes = care.events[care.events["value"].isin(["not_given", "not_done"])]
    assert [text.split("; ")[1] for text in notes["text"]] == [
        "not given: denied by order",
        "not given: refused",
        "not done: contraindication noted",
        "not done: unable to complete",
    ]
    assert any("eVitals.16 30 not counted: unable to complete" in text for text in texts(care))


def test_groups_of_nothing_leave_no_row(tmp_path: Path):
    """data-standards.md 1.2: "no event at all" is one group whose every child is nil; NV is no value."""
    (care,) = read_made(tmp_path, record())
    assert sorted(care.events["type"]) == ["at_patient", "dispatched", "note"]  # the note: back in service, mandatory
    assert care.vitals.empty
    assert care.facts.witnessed is None
    assert care.facts.first_rhythm is None


def test_an_approximate_time_is_wider(tmp_path: Path):
    """eArrest.14 with PN 8801029 (approximate, 3.5.1) is kept, ± 60 s."""
    (care,) = read_made(tmp_path, record(arrest_time=at(-61), arrest_time_pn="8801029"))
    row = care.events[care.events["type"] == "arrest_recognised"].iloc[0]
    assert (row["time_s"], row["uncertainty_s"]) == (0.0, 60.0)
    assert care.start == at(-61)


@pytest.mark.parametrize(
    ("given", "unit", "mmhg"),
    [(30.0, "mmHg", 30.0), (4.0, "kPa", 30.00248), (5.0, "%", 35.65), (30.0, None, 30.0)],
)
def test_etco2_by_its_unit_attribute(tmp_path: Path, given: float, unit: str | None, mmhg: float):
    """eVitals.16 @ETCO2Type: mmHg, % of (760 - 47) mmHg, kPa; without it mmHg is assumed and said (1.5)."""
    (care,) = read_made(tmp_path, record(vitals=(Vital(at(400), etco2=given, etco2_type=unit),)))
    assert care.vitals["value"].tolist() == pytest.approx([mmhg], abs=1e-3)
    assert care.vitals["unit"].tolist() == ["mmHg"]
    assert any("no unit attribute; taken as mmHg" in text for text in texts(care)) == (unit is None)


def test_etco2_in_an_unknown_unit_is_no_number(tmp_path: Path):
    """An unknown @ETCO2Type is kept as it stands, and no number is taken from it."""
    write(tmp_path / "a.xml", reports=[record(vitals=(Vital(at(400), etco2=30, etco2_type="kPa"),))])
    content = (tmp_path / "a.xml").read_text(encoding="utf-8").replace("3340005", "3340099")
    (tmp_path / "a.xml").write_text(content, encoding="utf-8")
    (care,) = nemsis.read(tmp_path / "a.xml", ABOUT)
    assert np.isnan(care.vitals["value"].iloc[0])
    assert "3340099" in care.vitals["text"].iloc[0]


def test_an_airway_that_failed_says_so(tmp_path: Path):
    """eProcedures.05 and .06: attempts and success stand at the start of the text; failed access and devices did not come about."""
    done = (
        Procedure(at(400), "232674004", attempts=2, successful=False),
        Procedure(at(460), "450611000124100", attempts=1),
        Procedure(at(500), "430824005", attempts=3, successful=False),
        Procedure(at(510), "429283006", successful=False),
        Procedure(at(520), "426220008", successful=False),
    )
    (care,) = read_made(tmp_path, record(procedures=done))
    airways = care.events[care.events["type"] == "airway_placed"]
    assert [text[:26] for text in airways["text"]] == ["attempts=2 successful=no o", "attempts=1 successful=yes "]
    assert told(care, "access", "device_on") == []
    assert [row for row in told(care, "note") if len(row) == 3] == [
        ("09:08:32", "note", "access_failed"),
        ("09:08:42", "note", "device_failed"),
    ]
    assert told(care, "shock") == [("09:08:52", "shock")]  # a shock without effect is still a shock


def test_nil_is_no_value_and_a_complication_is_kept(tmp_path: Path):
    """xsi:nil takes a value back whatever else stands there (1.2); eProcedures.07 complications, .14 technique stay in the text."""
    write(tmp_path / "a.xml", reports=[record(first_rhythm="VF", procedures=(Procedure(at(400), "232674004"),))])
    content = (tmp_path / "a.xml").read_text(encoding="utf-8").replace("<eArrest.11>", '<eArrest.11 xsi:nil="true" NV="7701003">')
    trouble = "<eProcedures.07>3907025</eProcedures.07><eProcedures.14>3914011</eProcedures.14>"
    content = content.replace('<eProcedures.07 xsi:nil="true" NV="7701003"/>', trouble)
    (tmp_path / "a.xml").write_text(content, encoding="utf-8")
    (care,) = nemsis.read(tmp_path / "a.xml", ABOUT)
    assert care.facts.first_rhythm is None
    (text,) = care.events.loc[care.events["type"] == "airway_placed", "text"]
    assert text.endswith("(SNOMED CT 232674004); video laryngoscopy; complication: hypoxia")


def test_acd_cpr_with_itd_is_both(tmp_path: Path):
    """SNOMED CT 441893003 is compressions and an ITD in one, the only timed ITD in the procedure list (data-standards.md 1.6)."""
    (care,) = read_made(tmp_path, record(procedures=(Procedure(at(400), "441893003"),)))
    assert told(care, "cpr_started", "device_on") == [("09:06:52", "cpr_started"), ("09:06:52", "device_on", "itd")]


def test_minute_only_times_are_wider(tmp_path: Path):
    """data-standards.md 1.10: at least 80 % of four or more times end in :00, so each is ± 60 s, and it is said."""
    start = NINE.replace(second=0)
    words = ("call_received", "dispatched", "en_route", "on_scene")
    times = {word: start + timedelta(minutes=number) for number, word in enumerate(words)} | {
        "at_patient": start + timedelta(seconds=401)
    }
    (care,) = read_made(tmp_path, record(times=times, back_in_service=start + timedelta(minutes=90)))
    by_type = dict(zip(care.events["type"], care.events["uncertainty_s"], strict=True))
    assert by_type == {"call_received": 60, "dispatched": 60, "en_route": 60, "on_scene": 60, "at_patient": 0, "note": 60}
    assert any("charted to the minute" in text for text in texts(care))
    (exact,) = read_made(tmp_path, record(times={word: time + timedelta(seconds=7) for word, time in times.items()}))
    assert set(exact.events["uncertainty_s"]) == {0.0}


@pytest.mark.parametrize(
    ("bad", "why"),
    [
        ("2031-04-17T24:00:00-06:00", "hour 24"),
        ("2031-04-17T09:05:60-06:00", "end at 59"),
        ("2031-02-30T09:05:00-06:00", "day"),
        ("2031-04-17T09:05:00", "no offset"),
        ("1931-04-17T09:05:00-06:00", "1950 to 2050"),
        ("yesterday", "is not a time"),
    ],
)
def test_a_bad_time_is_kept_aside_with_its_line(tmp_path: Path, bad: str, why: str):
    """case-format.md section 3: the row is kept aside and listed with its line; the good ones load."""
    good = Medication(at(500), "317361", dose=1, unit="mg")
    times = {"call_received": bad, "dispatched": at(0)}
    (care,) = read_made(tmp_path, record(times=times, medications=(Medication(bad, "317361", dose=1, unit="mg"), good)))
    lines = (tmp_path / "made.xml").read_text(encoding="utf-8").splitlines()
    aside = [note for note in care.notes if note.level == "warning" and why in note.text]
    assert len(aside) == 2
    for note in aside:
        assert bad in lines[int(note.where.split("line ")[1]) - 1]
    assert told(care, "call_received", "dispatched", "drug") == [("09:00:12", "dispatched"), ("09:08:32", "drug", "epinephrine")]


def test_offsets_are_exact_and_compared_with_the_zone(tmp_path: Path):
    """data-standards.md section 4: arithmetic in UTC, the offset is kept, a wrong-season offset is said."""
    east = timezone(timedelta(hours=-5))
    times = {"dispatched": at(0), "on_scene": at(300).astimezone(east)}
    (care,) = read_made(tmp_path, record(times=times, back_in_service=at(600)), about=SourceHeader(zone="America/Denver"))
    assert care.events["time_s"].tolist() == [0.0, 300.0, 600.0]
    assert care.start is not None
    assert care.start.utcoffset() == timedelta(hours=-6)
    assert any("2 different offsets" in text for text in texts(care))
    assert not any("h off" in text for text in texts(care))
    (other,) = read_made(tmp_path, record(), about=SourceHeader(zone="America/Chicago"))
    assert any("-1 h against America/Chicago" in text for text in texts(other, "warning"))


def test_times_against_the_rules_are_said(tmp_path: Path):
    """National rules of order (data-standards.md 1.3): said, never mended."""
    times = {"dispatched": at(0), "en_route": at(60), "on_scene": at(50), "at_patient": at(120)}
    (care,) = read_made(
        tmp_path,
        record(
            times=times,
            medications=(Medication(at(100), "317361", dose=1, unit="mg"), Medication(at(130), "317361", prior=True)),
            back_in_service=at(900),
        ),
    )
    said = " ".join(texts(care))
    assert "eTimes.06 is 10 s before eTimes.05" in said
    assert "eMedications.01 is 20 s before at patient" in said
    assert "marked as prior care, yet is 10 s after" in said
    assert told(care, "en_route", "on_scene") == [("09:01:02", "on_scene"), ("09:01:12", "en_route")]


def test_facts_that_contradict_are_unknown_and_said(tmp_path: Path):
    """eArrest.04, .12 and .03 are lists and may contradict themselves; .01 No with arrest facts is said (data-standards.md 1.4)."""
    (care,) = read_made(
        tmp_path, record(arrest="no", witnessed=("no", "family"), rosc=("no", "sustained"), attempted=("compressions", "dnr"))
    )
    assert (care.facts.witnessed, care.facts.outcome["any_rosc"], care.facts.attempted) == ("unknown", "unknown", True)
    assert "sustained_rosc" not in care.facts.outcome
    assert any("no cardiac arrest, yet eArrest.02" in text for text in texts(care, "warning"))


@pytest.mark.parametrize(
    ("age", "unit", "years"), [(61, "years", 61.0), (18, "months", 1.5), (73, "days", 0.19986), (12, "hours", 0.001369)]
)
def test_age_in_years(tmp_path: Path, age: int, unit: str, years: float):
    """ePatient.15 with its unit ePatient.16; 365.25 days a year."""
    (care,) = read_made(tmp_path, record(age=age, age_unit=unit))
    assert care.facts.age_years == pytest.approx(years, rel=1e-3)


def test_a_discontinued_effort_without_a_reason_is_neither(tmp_path: Path):
    """eArrest.15 is ROSC only with .16 = 3016011, the end of the effort with another reason, and neither without one."""
    for reason, kind in (("rosc", "rosc"), ("protocol", "terminated"), (None, "note")):
        (care,) = read_made(tmp_path, record(discontinued=at(900), reason=reason))
        rows = care.events[care.events["text"].str.contains("eArrest.15", regex=False)]
        assert rows["type"].tolist() == [kind]


def test_an_unstated_version_is_said(tmp_path: Path):
    """The version stands only in xsi:schemaLocation (data-standards.md 1.1)."""
    write(tmp_path / "a.xml", reports=[record()])
    content = (tmp_path / "a.xml").read_text(encoding="utf-8")
    (tmp_path / "a.xml").write_text(content.replace("/3.5.1.250403CP1/", "/3.4.0.200910CP2/"), encoding="utf-8")
    (old,) = nemsis.read(tmp_path / "a.xml", ABOUT)
    assert old.format == "NEMSIS 3.4.0"
    assert any("states version 3.4.0" in text for text in texts(old, "warning"))


def test_two_incidents_in_one_file_are_said(tmp_path: Path):
    """eResponse.03 joins the reports of one arrest; different numbers are a warning, both reports are kept."""
    first, second = read_made(tmp_path, record(), record(incident="RV-2", report="RV-2-31"))
    assert any("2 different incident numbers" in text for text in texts(first, "warning"))
    assert second.file == "made.xml#2"


def test_nothing_with_a_time(tmp_path: Path):
    """A report whose every time is bad has no start and empty tables, and all times are listed."""
    write(tmp_path / "a.xml", reports=[record(times={"dispatched": at(0)})])
    content = (tmp_path / "a.xml").read_text(encoding="utf-8").replace("2031-04-17T09:00:12-06:00", "never")
    (tmp_path / "a.xml").write_text(content, encoding="utf-8")
    (care,) = nemsis.read(tmp_path / "a.xml", ABOUT)
    assert care.start is None
    assert care.events.empty
    assert len(texts(care, "warning")) == 2


def test_an_ecg_of_twelve_leads_is_an_event_and_any_other_is_none(tmp_path: Path):
    """eVitals.04: 12-lead left and right, 15- and 18-lead; not 3-lead; not where eVitals.03 says by a PN that none was taken."""
    kinds = ("3304007", "3304009", "3304011", "3304013", "3304001", "3304099")
    vitals = [Vital(at(400 + number), rhythms=("organised",), ecg_type=code) for number, code in enumerate(kinds)]
    (part,) = read_made(tmp_path, record(vitals=(*vitals, Vital(at(500), ecg_type="3304007", prior=True))))
    assert [row[0] for row in told(part, "ecg_12_lead")] == ["09:06:52", "09:06:53", "09:06:54", "09:06:55", "09:08:32"]
    assert part.events[part.events["type"] == "ecg_12_lead"]["by"].dropna().tolist() == ["prior"]
    assert [one.name for one in part.unknown] == ["eVitals.04 3304099"]
    content = (tmp_path / "made.xml").read_text(encoding="utf-8")
    nothing = content.replace("<eVitals.03>9901047</eVitals.03>", '<eVitals.03 xsi:nil="true" PN="8801019"/>')
    (tmp_path / "made.xml").write_text(nothing, encoding="utf-8")
    (part,) = nemsis.read(tmp_path / "made.xml", ABOUT)
    assert [row[0] for row in told(part, "ecg_12_lead")] == ["09:08:32"]


def test_a_twelve_lead_without_a_time_is_kept_aside(tmp_path: Path):
    (part,) = read_made(tmp_path, record(vitals=(Vital(None, ecg_type="3304007", systolic=90),)))
    assert told(part, "ecg_12_lead") == []
    assert "vital signs without a time kept aside: systolic 90, 12-lead, left-sided" in " ".join(texts(part))


def test_what_the_hospital_is_able_to_do(tmp_path: Path):
    """eDisposition.23: several kinds in their order; an unknown code is said and left out; nil with an NV is not recorded."""
    (part,) = read_made(tmp_path, record(hospital=("9908033", "9908021", "9908099")))
    assert part.facts.hospital == ("PCI capable 24/7", "trauma level 1")
    assert "eDisposition.23 has code 9908099, which is not in the standard's list" in " ".join(texts(part, "warning"))
    assert [one.name for one in part.unknown] == ["eDisposition.23 9908099"]
    (part,) = read_made(tmp_path, record())
    assert part.facts.hospital == ()
