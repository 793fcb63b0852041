"""The sections of a NEMSIS v3.5 patient care report, one function each, in the order of the standard (data-standards.md 1.1)."""

import uuid
from collections.abc import Iterable
from datetime import datetime
from typing import TYPE_CHECKING

from lxml import etree

from tests.simulator.care_record_words import (
    AED_USES,
    AGE_UNITS,
    AIRWAY_DEVICES,
    ARRESTS,
    ATTEMPTS,
    CAUSES,
    CREW_ROLES,
    DOSE_UNITS,
    ENDS,
    ETCO2_TYPES,
    FIRST_BY,
    FIRST_RHYTHMS,
    NO,
    NO_VITALS,
    NOT_APPLICABLE,
    NOT_RECORDED,
    REASONS,
    REQUIRED_TIMES,
    RHYTHMS,
    ROLES,
    ROSC,
    ROUTES,
    SCHEMA_INSTANCE,
    SEXES,
    SEXES_351,
    SPACE,
    TIMES,
    WITNESSES,
    YES,
)

if TYPE_CHECKING:
    from tests.simulator.care_record import CareRecord, Medication, Vital


def add_group(parent: etree._Element, name: str, **attributes: str) -> etree._Element:
    return etree.SubElement(parent, f"{{{SPACE}}}{name}", attributes)


def _text(value: object) -> str:
    if isinstance(value, datetime):
        if value.tzinfo is None:
            raise ValueError(f"{value} has no zone; every NEMSIS time needs one")
        return value.isoformat(timespec="seconds" if not value.microsecond else "milliseconds")
    return f"{value:g}" if isinstance(value, float) else str(value)


def add(
    parent: etree._Element, name: str, value: object, *, nv: str = NOT_RECORDED, pn: str | None = None, **attributes: str
) -> None:
    """One element; without a value it is nil with a reason, with pn and a value it says "not done" of that value."""
    leaf = add_group(parent, name, **attributes)
    if pn:
        leaf.set("PN", pn)
    if value is not None:
        leaf.text = _text(value)
        return
    leaf.set(f"{{{SCHEMA_INSTANCE}}}nil", "true")
    if not pn:
        leaf.set("NV", nv)


def add_each(parent: etree._Element, name: str, values: Iterable[object], *, nv: str = NOT_RECORDED) -> None:
    for value in tuple(values) or (None,):
        add(parent, name, value, nv=nv)


def add_nils(parent: etree._Element, section: str, numbers: str, *, nv: str = NOT_APPLICABLE) -> None:
    for number in numbers.split():
        add(parent, f"{section}.{number}", None, nv=nv)


def add_report(header: etree._Element, record: "CareRecord", *, version: str) -> None:
    """All sections in the order of the standard (data-standards.md 1.1)."""
    unique = uuid.uuid5(uuid.NAMESPACE_OID, f"{record.incident}/{record.report}")
    report = add_group(header, "PatientCareReport", UUID=str(unique))
    for section in (_record, _response, _dispatch, _crew, _times):
        section(report, record)
    _patient(report, record, version=version)
    for section in (_payment, _scene, _situation, _injury, _arrest, _history, _vitals, _protocols):
        section(report, record)
    for section in (_medications, _procedures, _airway, _device, _disposition, _outcome):
        section(report, record)


def _record(report: etree._Element, record: "CareRecord") -> None:
    part = add_group(report, "eRecord")
    add(part, "eRecord.01", record.report)
    software = add_group(part, "eRecord.SoftwareApplicationGroup")
    for number, value in (("02", "Rillstone Valley EMS (invented)"), ("03", "Invented record writer"), ("04", "1")):
        add(software, f"eRecord.{number}", value)


def _response(report: etree._Element, record: "CareRecord") -> None:
    part = add_group(report, "eResponse")
    agency = add_group(part, "eResponse.AgencyGroup")
    add(agency, "eResponse.01", "RV-01")
    add(agency, "eResponse.02", "Rillstone Valley EMS (invented)")
    add(part, "eResponse.03", record.incident)
    add(part, "eResponse.04", record.response)
    add(add_group(part, "eResponse.ServiceGroup"), "eResponse.05", "2205001")
    add(part, "eResponse.07", "2207015")
    add_nils(part, "eResponse", "08 09 10 11 12", nv=NOT_RECORDED)
    add(part, "eResponse.13", record.call_sign)
    add(part, "eResponse.14", record.call_sign)
    add(part, "eResponse.23", "2223001")
    add(part, "eResponse.24", None)


def _dispatch(report: etree._Element, record: "CareRecord") -> None:
    part = add_group(report, "eDispatch")
    words = {"no": "2302001", "with_instructions": "2302003", "without_instructions": "2302005", "unknown": "2302007"}
    add(part, "eDispatch.01", "2301019")
    add(part, "eDispatch.02", record.emd and words[record.emd])


def _crew(report: etree._Element, record: "CareRecord") -> None:
    if not record.crew:
        return
    part = add_group(report, "eCrew")
    for member in record.crew:
        group = add_group(part, "eCrew.CrewGroup")
        add(group, "eCrew.01", member.id)
        add(group, "eCrew.02", "99250" + ROLES[member.level])
        add_each(group, "eCrew.03", (CREW_ROLES[role] for role in member.roles))


def _times(report: etree._Element, record: "CareRecord") -> None:
    given = {TIMES[word]: time for word, time in record.times.items()}
    known = sorted(time for time in record.times.values() if isinstance(time, datetime))
    given.setdefault("03", known[0])
    given["13"] = record.back_in_service or known[-1]
    part = add_group(report, "eTimes")
    for number in sorted({*given, *REQUIRED_TIMES, "08"}):
        add(part, f"eTimes.{number}", given.get(number))


def _patient(report: etree._Element, record: "CareRecord", *, version: str) -> None:
    part = add_group(report, "ePatient")
    names = add_group(part, "ePatient.PatientNameGroup")
    add_nils(names, "ePatient", "02 03", nv=NOT_RECORDED)
    add_nils(part, "ePatient", "07 08 09", nv=NOT_RECORDED)
    if version == "3.5.0":
        add(part, "ePatient.13", record.sex and SEXES[record.sex])
    add(part, "ePatient.14", None)
    age = add_group(part, "ePatient.AgeGroup")
    add(age, "ePatient.15", record.age)
    add(age, "ePatient.16", None if record.age is None else AGE_UNITS[record.age_unit])
    if version == "3.5.1":
        add(part, "ePatient.25", record.sex and SEXES_351[record.sex])


def _payment(report: etree._Element, record: "CareRecord") -> None:
    part = add_group(report, "ePayment")
    add_nils(part, "ePayment", "01 50", nv=NOT_RECORDED)


def _scene(report: etree._Element, record: "CareRecord") -> None:
    part = add_group(report, "eScene")
    add_nils(part, "eScene", "01 06", nv=NOT_RECORDED)
    add(part, "eScene.07", NO)
    add(part, "eScene.08", None, nv=NOT_APPLICABLE)
    add(part, "eScene.09", record.place)
    add_nils(part, "eScene", "18 19 21", nv=NOT_RECORDED)


def _situation(report: etree._Element, record: "CareRecord") -> None:
    part = add_group(report, "eSituation")
    add_nils(part, "eSituation", "01 02", nv=NOT_RECORDED)
    add_nils(part, "eSituation", "07 08 09 10 11 12 13 18 20", nv=NOT_RECORDED)


def _injury(report: etree._Element, record: "CareRecord") -> None:
    add_nils(add_group(report, "eInjury"), "eInjury", "01 02 03 04")


def _first_by(element: str, word: str | None) -> str | None:
    return None if word is None else f"30{element}0{FIRST_BY[word]}"


def _arrest(report: etree._Element, record: "CareRecord") -> None:
    part = add_group(report, "eArrest")
    add(part, "eArrest.01", record.arrest and ARRESTS[record.arrest])
    add(part, "eArrest.02", record.cause and CAUSES[record.cause])
    add_each(part, "eArrest.03", (ATTEMPTS[word] for word in record.attempted))
    add_each(part, "eArrest.04", (WITNESSES[word] for word in record.witnessed))
    add(part, "eArrest.07", record.aed_prior and AED_USES[record.aed_prior])
    add_each(part, "eArrest.09", record.cpr_types)
    add(part, "eArrest.11", record.first_rhythm and FIRST_RHYTHMS[record.first_rhythm])
    add_each(part, "eArrest.12", (ROSC[word] for word in record.rosc))
    if record.cpc:
        add(part, "eArrest.13", f"301300{2 * record.cpc - 1}")
    add(part, "eArrest.14", record.arrest_time, pn=record.arrest_time_pn)
    if record.discontinued is not None:
        add(part, "eArrest.15", record.discontinued)
    add(part, "eArrest.16", record.reason and REASONS[record.reason])
    add_each(part, "eArrest.17", (RHYTHMS.get(word, word) for word in record.rhythms_at_destination))
    add(part, "eArrest.18", record.end and ENDS[record.end])
    if record.initial_cpr is not None:
        add(part, "eArrest.19", record.initial_cpr)
    add(part, "eArrest.20", _first_by("20", record.first_cpr_by))
    add(part, "eArrest.21", _first_by("21", record.first_aed_by))
    add(part, "eArrest.22", _first_by("22", record.first_shock_by))


def _history(report: etree._Element, record: "CareRecord") -> None:
    add_nils(add_group(report, "eHistory"), "eHistory", "01 17", nv=NOT_RECORDED)


def _vitals(report: etree._Element, record: "CareRecord") -> None:
    part = add_group(report, "eVitals")
    if not record.vitals:
        _no_vital(add_group(part, "eVitals.VitalGroup"))
    for vital in record.vitals:
        _vital(add_group(part, "eVitals.VitalGroup"), vital)


def _no_vital(group: etree._Element) -> None:
    """The standard's way to say "no vital signs": one group whose every child is nil."""
    add_nils(group, "eVitals", "01 02")
    for name, numbers in NO_VITALS:
        add_nils(add_group(group, f"eVitals.{name}") if name else group, "eVitals", numbers)


def _vital(group: etree._Element, vital: "Vital") -> None:
    add(group, "eVitals.01", vital.time)
    add(group, "eVitals.02", YES if vital.prior else NO)
    rhythm = add_group(group, "eVitals.CardiacRhythmGroup")
    add_each(rhythm, "eVitals.03", (RHYTHMS.get(word, word) for word in vital.rhythms))
    add(rhythm, "eVitals.04", vital.ecg_type)
    add(rhythm, "eVitals.05", None)
    pressure = add_group(group, "eVitals.BloodPressureGroup")
    add(pressure, "eVitals.06", vital.systolic)
    add(pressure, "eVitals.07", vital.diastolic)
    add(add_group(group, "eVitals.HeartRateGroup"), "eVitals.10", vital.heart_rate)
    add(group, "eVitals.12", vital.spo2)
    add(group, "eVitals.14", vital.respiratory_rate)
    kind = {} if vital.etco2_type is None else {"ETCO2Type": ETCO2_TYPES[vital.etco2_type]}
    add(group, "eVitals.16", vital.etco2, pn=vital.etco2_pn, **kind)
    add(group, "eVitals.18", vital.glucose)
    add_nils(add_group(group, "eVitals.GlasgowScoreGroup"), "eVitals", "19 20 21 22", nv=NOT_RECORDED)
    add(group, "eVitals.26", None)
    add(add_group(group, "eVitals.PainScaleGroup"), "eVitals.27", None)
    add_nils(add_group(group, "eVitals.StrokeScaleGroup"), "eVitals", "29 30", nv=NOT_RECORDED)
    add(group, "eVitals.31", None)


def _protocols(report: etree._Element, record: "CareRecord") -> None:
    add(add_group(add_group(report, "eProtocols"), "eProtocols.ProtocolGroup"), "eProtocols.01", None)


def _medications(report: etree._Element, record: "CareRecord") -> None:
    part = add_group(report, "eMedications")
    if not record.medications:
        group = add_group(part, "eMedications.MedicationGroup")
        add_nils(group, "eMedications", "01 02 03 04")
        add_nils(add_group(group, "eMedications.DosageGroup"), "eMedications", "05 06")
        add_nils(group, "eMedications", "07 08 10")
    for drug in record.medications:
        _medication(add_group(part, "eMedications.MedicationGroup"), drug)


def _medication(group: etree._Element, drug: "Medication") -> None:
    add(group, "eMedications.01", drug.time)
    add(group, "eMedications.02", YES if drug.prior else NO)
    kind = {} if drug.code_type is None else {"CodeType": drug.code_type}
    add(group, "eMedications.03", drug.code, pn=drug.pn, **kind)
    add(group, "eMedications.04", drug.route and ROUTES[drug.route])
    dosage = add_group(group, "eMedications.DosageGroup")
    add(dosage, "eMedications.05", drug.dose)
    add(dosage, "eMedications.06", drug.unit and DOSE_UNITS[drug.unit])
    add_nils(group, "eMedications", "07 08", nv=NOT_RECORDED)
    if drug.crew:
        add(group, "eMedications.09", drug.crew)
    add(group, "eMedications.10", "99050" + ROLES.get(drug.role, drug.role[-2:]))


def _procedures(report: etree._Element, record: "CareRecord") -> None:
    part = add_group(report, "eProcedures")
    if not record.procedures:
        add_nils(add_group(part, "eProcedures.ProcedureGroup"), "eProcedures", "01 02 03 05 06 07 08 10")
    for done in record.procedures:
        linked = {} if done.correlation is None else {"CorrelationID": done.correlation}
        group = add_group(part, "eProcedures.ProcedureGroup", **linked)
        add(group, "eProcedures.01", done.time)
        add(group, "eProcedures.02", YES if done.prior else NO)
        add(group, "eProcedures.03", done.code, pn=done.pn)
        add(group, "eProcedures.05", done.attempts)
        add(group, "eProcedures.06", None if done.successful is None else YES if done.successful else NO)
        add_nils(group, "eProcedures", "07 08", nv=NOT_RECORDED)
        if done.crew:
            add(group, "eProcedures.09", done.crew)
        add(group, "eProcedures.10", "99050" + ROLES.get(done.role, done.role[-2:]))
        if done.site:
            add(group, "eProcedures.13", done.site)


def _airway(report: etree._Element, record: "CareRecord") -> None:
    if not record.confirmations:
        return
    group = add_group(add_group(report, "eAirway"), "eAirway.AirwayGroup")
    add(group, "eAirway.01", "4001005")
    for shown in record.confirmations:
        linked = {} if shown.procedure is None else {"ProcedureGroupCorrelationID": shown.procedure}
        part = add_group(group, "eAirway.ConfirmationGroup", **linked)
        add(part, "eAirway.02", shown.time)
        add(part, "eAirway.03", AIRWAY_DEVICES[shown.device])
        add_each(part, "eAirway.04", shown.methods)


def _device(report: etree._Element, record: "CareRecord") -> None:
    if not record.device_events:
        return
    part = add_group(report, "eDevice")
    for event in record.device_events:
        group = add_group(part, "eDevice.DeviceGroup")
        add(group, "eDevice.02", event.time)
        add(group, "eDevice.03", event.code)
        if event.energy is not None:
            shock = add_group(group, "eDevice.ShockGroup")
            add(shock, "eDevice.09", "4109001")
            add(shock, "eDevice.10", event.energy)


def _disposition(report: etree._Element, record: "CareRecord") -> None:
    part = add_group(report, "eDisposition")
    add_nils(add_group(part, "eDisposition.DestinationGroup"), "eDisposition", "05 06 07", nv=NOT_RECORDED)
    add(part, "eDisposition.11", None)
    unit = add_group(part, "eDisposition.IncidentDispositionGroup")
    add(unit, "eDisposition.27", "4227001")
    add(unit, "eDisposition.28", "4228001")
    add(unit, "eDisposition.29", "4229001")
    add(unit, "eDisposition.30", "4230001" if "at_hospital" in record.times else "4230013")
    add_nils(part, "eDisposition", "16 17 18 19 20 21 22", nv=NOT_RECORDED)
    add_each(part, "eDisposition.23", record.hospital)
    team = add_group(part, "eDisposition.HospitalTeamActivationGroup")
    add_nils(team, "eDisposition", "24 25", nv=NOT_RECORDED)
    add(part, "eDisposition.32", None)


def _outcome(report: etree._Element, record: "CareRecord") -> None:
    part = add_group(report, "eOutcome")
    add(part, "eOutcome.01", record.ed_disposition)
    add(part, "eOutcome.02", record.hospital_disposition)
    add_nils(add_group(part, "eOutcome.EmergencyDepartmentProceduresGroup"), "eOutcome", "09 19")
    add_nils(part, "eOutcome", "10 11")
    add_nils(add_group(part, "eOutcome.HospitalProceduresGroup"), "eOutcome", "12 20")
    add_nils(part, "eOutcome", "13 16 18")
