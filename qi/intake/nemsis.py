"""NEMSIS v3.5 patient care records (EMSDataSet, 3.5.0 and 3.5.1).

One report is one part. Events that the standard takes from a medical device stand on that device's own clock, so they are a part of
their own. Nobody's name, address, birth date or number is read.
"""

import re
from dataclasses import replace
from pathlib import Path

from lxml import etree

from qi.intake.header import SourceHeader
from qi.intake.nemsis_care import read_airway, read_arrest, read_device, read_medications, read_procedures, read_times, read_vitals
from qi.intake.nemsis_facts import read_facts
from qi.intake.nemsis_rules import check_facts, check_offset, check_order
from qi.intake.nemsis_tree import SPACE, first, parse, parts, root_name
from qi.intake.record_chart import Chart
from qi.model.case import Note, Part
from qi.model.errors import UnreadableFile

FORMAT = "NEMSIS"
ROOT = f"{SPACE} EMSDataSet"
KNOWN_VERSIONS = ("3.5.0", "3.5.1")
LOCATION = "{http://www.w3.org/2001/XMLSchema-instance}schemaLocation"
# What a record form can hold with a time. A device is named with its kind: the form has no place for an ITD going on, and none
# for any device coming off, so the plain words device_on and device_off are not here (data-standards.md section 0, row 7).
COULD_CHART = frozenset(
    (
        "call_received dispatched en_route on_scene at_patient left_scene at_hospital care_transferred arrest_recognised "
        "cpr_started airway_placed rhythm shock access drug rosc terminated ecg_12_lead systolic spo2 etco2 note"
    ).split()
) | {"device_on mechanical_cpr", "device_on capnography"}
DEVICE_COULD_CHART = frozenset({"shock", "rhythm", "rhythm_check", "ecg_12_lead", "note"})


def recognises(path: Path) -> bool:
    """Tell by the root element and its namespace, never by the file's name."""
    return root_name(path) == ROOT


def read(path: Path, about: SourceHeader) -> tuple[Part, ...]:
    """Read every patient care report of a NEMSIS file.

    Parameters: path, the file; about, what the case's header says of it (only the agency's zone is used here).
    Returns: one part a report, named by the file and "#2", "#3" for further ones, and "…#device" for events by a device's clock.
    Raises: UnreadableFile for a file that is too large, has a DTD, is malformed, cut short, or without a report.
    """
    root = parse(path)
    if root.tag != f"{{{SPACE}}}EMSDataSet":
        raise UnreadableFile(path, f"line {root.sourceline}: found <{root.tag}>; right would be <EMSDataSet> in {SPACE}")
    reports = list(parts(root, "PatientCareReport"))
    if not reports:
        raise UnreadableFile(path, f"line {root.sourceline}: found no PatientCareReport; right would be one or more in each Header")
    found = re.search(r"/(\d+\.\d+\.\d+)\.", root.get(LOCATION, ""))
    version = found[1] if found else None
    incidents = {first(report, "eResponse.03").value for report in reports}
    result: list[Part] = []
    for number, report in enumerate(reports, start=1):
        file = path.name if number == 1 else f"{path.name}#{number}"
        result += _report_parts(path, report, about, file=file, version=version)
    return (_with_note(result[0], path, version, reports=len(reports), incidents=len(incidents)), *result[1:])


def _report_parts(path: Path, report: etree._Element, about: SourceHeader, *, file: str, version: str | None) -> list[Part]:
    """The care record of one report and, where it has device events, the device's part."""
    chart = Chart(path, file)
    for section in (read_times, read_arrest, read_vitals, read_procedures, read_medications, read_airway):
        section(chart, report)
    facts = read_facts(chart, report)
    check_order(chart)
    check_facts(chart, report)
    start, events, vitals = chart.tables()
    check_offset(chart, start, about.zone)
    name = f"{FORMAT} {version}" if version else FORMAT
    made = [Part(file, name, "record", start, (), events, vitals, facts, tuple(chart.notes), COULD_CHART, tuple(chart.unknown))]
    device = Chart(path, f"{file}#device")
    read_device(device, report)
    start, events, _ = device.tables()
    if start is not None or device.notes:
        notes, unknown = tuple(device.notes), tuple(device.unknown)
        made.append(
            Part(
                device.file,
                name,
                "device",
                start,
                events=events,
                notes=notes,
                could_chart=DEVICE_COULD_CHART,
                unknown=unknown,
            )
        )
    return made


def _with_note(part: Part, path: Path, version: str | None, *, reports: int, incidents: int) -> Part:
    """Say what holds for the whole file, on its first part."""
    notes = list(part.notes)
    if version not in KNOWN_VERSIONS:
        told = f"version {version}" if version else "no version in its schemaLocation"
        notes.append(
            Note("warning", path.name, f"the file states {told}; it was read by the rules of {' and '.join(KNOWN_VERSIONS)}")
        )
    if reports > 1:
        notes.append(Note("info", path.name, f"the file holds {reports} reports, each kept as a source of its own"))
    if incidents > 1:
        text = f"the reports are of {incidents} different incident numbers (eResponse.03); one case should hold one incident"
        notes.append(Note("warning", path.name, text))
    return replace(part, notes=tuple(notes))
