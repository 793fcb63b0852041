"""Writes invented patient care records as NEMSIS v3.5 EMSDataSet files that are valid against the schema.

It shares no code and no code map with the reader: what is written here is the answer that the reader is held against. Element
numbers and codes: data-standards.md, sections 1.2 to 1.9. Everything else (agency, places, people) is made up.

    zone = timezone(timedelta(hours=-6))
    nine = datetime(2031, 4, 17, 9, 0, 12, tzinfo=zone)
    at = lambda seconds: nine + timedelta(seconds=seconds)
    write(
        folder / "record.xml",
        reports=[
            CareRecord(
                incident="RV-0417",
                report="RV-0417-31",
                call_sign="Medic 31",
                age=61,
                sex="female",
                times={"call_received": at(0), "dispatched": at(48), "on_scene": at(371), "at_patient": at(440)},
                back_in_service=at(5400),
                arrest="prior",
                witnessed=("family",),
                first_rhythm="VF",
                rosc=("before_ed", "sustained"),
                arrest_time=at(-60),
                initial_cpr=at(20),
                discontinued=at(1810),
                reason="rosc",
                vitals=(Vital(at(520), rhythms=("VF",)), Vital(at(900), rhythms=("PEA",), etco2=18, etco2_type="mmHg")),
                procedures=(Procedure(at(450), "89666000"), Procedure(at(700), "232674004", attempts=2, correlation="tube")),
                medications=(Medication(at(640), "317361", dose=1, unit="mg", route="IO"),),
                confirmations=(Confirmation(at(715), device="tracheal_tube", methods=("4004019",), procedure="tube"),),
                crew=(CrewMember("C-104", level="paramedic", roles=("primary_scene",)),),
            ),
        ],
    )
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from lxml import etree

from tests.simulator.care_record_sections import add, add_group, add_report
from tests.simulator.care_record_words import BUILDS, SCHEMA_INSTANCE, SPACE


@dataclass(frozen=True)
class Vital:
    """One eVitals group; rhythms are words of RHYTHMS or NEMSIS codes; etco2_pn: an EtCO2 that could not be taken;
    ecg_type is a code of eVitals.04."""

    time: datetime | str | None
    rhythms: tuple[str, ...] = ()
    heart_rate: int | None = None
    spo2: int | None = None
    etco2: float | None = None
    etco2_type: str | None = None
    respiratory_rate: int | None = None
    systolic: int | None = None
    diastolic: int | str | None = None
    glucose: int | str | None = None
    prior: bool = False
    etco2_pn: str | None = None
    ecg_type: str | None = None


@dataclass(frozen=True)
class Procedure:
    """One eProcedures group; code is SNOMED CT, role a word of ROLES or a code, pn means considered and not done."""

    time: datetime | str | None
    code: str
    attempts: int = 1
    successful: bool | None = True
    role: str = "paramedic"
    crew: str | None = None
    prior: bool = False
    pn: str | None = None
    site: str | None = None
    correlation: str | None = None


@dataclass(frozen=True)
class Medication:
    """One eMedications group; code is RxNorm unless code_type says otherwise, pn means considered and not given."""

    time: datetime | str | None
    code: str
    dose: float | None = None
    unit: str | None = None
    route: str | None = None
    role: str = "paramedic"
    crew: str | None = None
    prior: bool = False
    pn: str | None = None
    code_type: str | None = "9924003"


@dataclass(frozen=True)
class Confirmation:
    """One eAirway confirmation; methods are codes of eAirway.04, procedure the correlation of the airway's own procedure."""

    time: datetime | str | None
    device: str = "tracheal_tube"
    methods: tuple[str, ...] = ()
    procedure: str | None = None


@dataclass(frozen=True)
class DeviceEvent:
    """One eDevice group by the device's own clock; code of eDevice.03, energy in J."""

    time: datetime | str
    code: str
    energy: float | None = None


@dataclass(frozen=True)
class CrewMember:
    """One crew member; roles are words of CREW_ROLES."""

    id: str
    level: str = "paramedic"
    roles: tuple[str, ...] = ("primary_scene",)


@dataclass(frozen=True)
class CareRecord:
    """One unit's report. Words are keys of the code maps in care_record_words; None is written as "not recorded".

    times by our event words, aware; a text instead of a time is written as it stands (to make a bad row). back_in_service and
    dispatched are mandatory in the standard: where not given they are the latest and the earliest time known. hospital, codes of
    eDisposition.23.
    """

    incident: str
    report: str
    response: str = "R-1"
    call_sign: str = "Medic 31"
    age: int | None = 61
    age_unit: str = "years"
    sex: str | None = "male"
    times: Mapping[str, datetime | str] = field(default_factory=dict)
    back_in_service: datetime | str | None = None
    emd: str | None = None
    place: str | None = "Y92.00"
    arrest: str | None = "prior"
    cause: str | None = "cardiac"
    attempted: tuple[str, ...] = ("ventilation", "compressions")
    witnessed: tuple[str, ...] = ()
    aed_prior: str | None = "no"
    cpr_types: tuple[str, ...] = ("3009001", "3009013")
    first_rhythm: str | None = None
    rosc: tuple[str, ...] = ("no",)
    cpc: int | None = None
    arrest_time: datetime | str | None = None
    arrest_time_pn: str | None = None
    discontinued: datetime | str | None = None
    reason: str | None = None
    rhythms_at_destination: tuple[str, ...] = ()
    end: str | None = None
    initial_cpr: datetime | str | None = None
    first_cpr_by: str | None = None
    first_aed_by: str | None = None
    first_shock_by: str | None = None
    vitals: tuple[Vital, ...] = ()
    procedures: tuple[Procedure, ...] = ()
    medications: tuple[Medication, ...] = ()
    confirmations: tuple[Confirmation, ...] = ()
    device_events: tuple[DeviceEvent, ...] = ()
    crew: tuple[CrewMember, ...] = ()
    ed_disposition: str | None = None
    hospital_disposition: str | None = None
    hospital: tuple[str, ...] = ()


def write(path: Path, *, reports: Sequence[CareRecord], version: str = "3.5.1") -> None:
    """Write the reports of one agency, Rillstone Valley EMS (invented), to one EMSDataSet file.

    Parameters: path, file to write; reports, one a unit; version, "3.5.1" or "3.5.0".
    Raises: KeyError for a word that is not in the code maps of care_record_words.
    """
    root = etree.Element(f"{{{SPACE}}}EMSDataSet", nsmap={None: SPACE, "xsi": SCHEMA_INSTANCE})
    home = f"{SPACE} http://www.nemsis.org/media/nemsis_v3/{BUILDS[version]}/XSDs/NEMSIS_XSDs/EMSDataSet_v3.xsd"
    root.set(f"{{{SCHEMA_INSTANCE}}}schemaLocation", home)
    header = add_group(root, "Header")
    agency = add_group(header, "DemographicGroup")
    for number, value in (("01", "RV-01"), ("02", "RV-01"), ("04", "08")):
        add(agency, f"dAgency.{number}", value)
    for record in reports:
        add_report(header, record, version=version)
    path.write_bytes(etree.tostring(root, xml_declaration=True, encoding="UTF-8", pretty_print=True))
