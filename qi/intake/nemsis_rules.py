"""Times and facts of one report that contradict each other: the national rules of order, restated (data-standards.md 1.3)."""

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from lxml import etree

from qi.intake.nemsis_facts import ARREST_NO, TRIED
from qi.intake.nemsis_tree import each, first
from qi.intake.record_chart import Chart
from qi.model.case import Note

# element -> elements that it may not come before. eTimes.07 after .06 is our own addition, as data-standards.md 1.3 says.
NOT_BEFORE = {
    "eTimes.03": ("eTimes.01",),
    "eTimes.05": ("eTimes.03",),
    "eTimes.06": ("eTimes.03", "eTimes.05"),
    "eTimes.07": ("eTimes.03", "eTimes.06"),
    "eTimes.09": ("eTimes.03", "eTimes.05", "eTimes.06", "eTimes.07"),
    "eTimes.11": ("eTimes.03", "eTimes.05", "eTimes.06", "eTimes.07", "eTimes.09"),
    "eTimes.12": ("eTimes.03", "eTimes.05", "eTimes.06", "eTimes.07", "eTimes.09", "eTimes.11", "eArrest.14"),
    "eTimes.13": ("eTimes.03", "eTimes.05", "eTimes.06", "eTimes.07", "eTimes.09", "eTimes.11", "eArrest.14"),
}
CARE = ("eVitals.01", "eMedications.01", "eProcedures.01")
ARREST_ELEMENTS = [f"eArrest.{number:02d}" for number in (2, 3, 4, 7, 9, 11, 12, 14, 15, 17, 18, 19, 20, 21, 22)]


def check_order(chart: Chart) -> None:
    """Note each pair of times that runs against the rules; nothing is moved."""
    single = {name: (time, line) for name, time, _, line in chart.entries if not name.startswith(CARE)}
    for name, earlier in NOT_BEFORE.items():
        for other in earlier:
            if name in single and other in single and single[name][0] < single[other][0]:
                chart.note("warning", single[name][1], f"{name} is {_by(single[other][0], single[name][0])} before {other}")
    for name, time, prior, line in chart.entries:
        if name in CARE:
            _check_care(chart, single, name=name, time=time, prior=prior, line=line)


def _check_care(chart: Chart, single: dict, *, name: str, time: datetime, prior: bool | None, line: int) -> None:
    """Care by this unit lies between patient contact and hand-over; care before this unit lies before contact."""
    patient = single.get("eTimes.07", (None,))[0]
    if patient and time < patient and not prior:
        chart.note("info", line, f"{name} is {_by(patient, time)} before at patient (eTimes.07) and is not marked as prior care")
    if patient and time > patient and prior:
        chart.note("info", line, f"{name} is marked as prior care, yet is {_by(time, patient)} after at patient (eTimes.07)")
    for end in ("eTimes.12", "eTimes.13"):
        if end in single and time > single[end][0]:
            chart.note("info", line, f"{name} is {_by(time, single[end][0])} after {end}")
            return


def _by(later: datetime, earlier: datetime) -> str:
    return f"{(later - earlier).total_seconds():.0f} s"


def check_facts(chart: Chart, report: etree._Element) -> None:
    """Note facts of eArrest that do not go together."""
    arrest = first(report, "eArrest.01")
    if not arrest.stands:
        chart.note("info", arrest.line, "eArrest.01 does not say whether there was a cardiac arrest")
    if arrest.value == ARREST_NO:
        told = [name for name in ARREST_ELEMENTS if any(said.stands for said in each(report, name))]
        more = f", yet {', '.join(told)} tell of one" if told else ""
        chart.note("warning" if told else "info", arrest.line, f"eArrest.01 says there was no cardiac arrest{more}")
    tried = any(said.value in TRIED for said in each(report, "eArrest.03"))
    used = first(report, "eArrest.07").value
    for expected, name, reason in (
        (tried, "eArrest.20", "eArrest.03 says that resuscitation was attempted"),
        (used in ("3007003", "3007005"), "eArrest.21", "eArrest.07 says that an AED was used"),
        (used == "3007005", "eArrest.22", "eArrest.07 says that the AED defibrillated"),
    ):
        if expected and not first(report, name).stands:
            chart.note("info", first(report, name).line, f"{name} is not recorded although {reason}")


def check_offset(chart: Chart, start: datetime | None, zone: str | None) -> None:
    """Compare the offset that the file's software believed with the agency's zone on that day (data-standards.md section 4)."""
    offsets = {time.utcoffset() for _, time, _, _ in chart.entries}
    if len(offsets) > 1:
        chart.notes.append(
            Note("info", chart.path.name, f"times carry {len(offsets)} different offsets from UTC; all are kept exactly")
        )
    if start is None or zone is None:
        return
    try:
        right = start.astimezone(ZoneInfo(zone)).utcoffset()
    except (ZoneInfoNotFoundError, ValueError, OSError):
        chart.notes.append(
            Note("warning", chart.path.name, f"zone “{zone}” is not an IANA zone name, so offsets were not compared")
        )
        return
    apart = (start.utcoffset() or timedelta()) - (right or timedelta())
    if apart:
        hours = apart.total_seconds() / 3600
        text = (
            f"times are offset {start:%z} from UTC, {hours:+g} h against {zone} on that day: all times may be {abs(hours):g} h off"
        )
        chart.notes.append(Note("warning", chart.path.name, text))
