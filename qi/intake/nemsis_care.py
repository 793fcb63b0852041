"""What a NEMSIS report tells with a time: time points, arrest, vital signs, procedures, drugs, airway and device events."""

import math
from datetime import datetime

from lxml import etree

from qi.intake import nemsis_codes as codes
from qi.intake import nemsis_device_codes as device_codes
from qi.intake.nemsis_tree import Said, each, first, good_moment, parts
from qi.intake.record_chart import Chart
from qi.model.vocabulary import BEFORE_OUR_CARE, UNMAPPED, unit_factor

PRIOR = "prior"
FIRST_CPR_BY = {
    "3020001": "bystander",
    "3020003": "family member",
    "3020005": "healthcare provider (non-911)",
    "3020007": "first responder (EMS)",
    "3020009": "law enforcement",
    "3020011": "fire personnel (non EMS)",
    "3020013": "transport EMS",
}


def read_times(chart: Chart, report: etree._Element) -> None:
    """eTimes and the single times elsewhere: time points as their own events, others as notes that name the element."""
    for name, kind in codes.TIME_EVENTS.items():
        chart.add_said(first(report, name), kind, what="time point", text=name)
    for name, label in codes.OTHER_TIMES.items():
        chart.add_said(first(report, name), "note", what="time", text=f"{label} ({name})")
    for team in parts(report, "eDisposition.HospitalTeamActivationGroup"):
        alert, said = first(team, "eDisposition.24"), first(team, "eDisposition.25")
        label = codes.ALERTS.get(alert.value or "", alert.value or "reason not recorded")
        chart.add_said(said, "note", what="alert", text=f"pre-arrival alert: {label} (eDisposition.25)")
    for name, label in codes.FAR_TIMES.items():
        said = first(report, name)
        if said.stands:
            chart.note("info", said.line, f"{label}: {said.value} ({name}), not on the time axis")


def read_arrest(chart: Chart, report: etree._Element) -> None:
    """The arrest's own times: eArrest.14 recognised, .19 first CPR, .15 with .16 ROSC or terminated, .17 at the destination."""
    chart.add_said(first(report, "eArrest.14"), "arrest_recognised", what="time of arrest", text="time of arrest (eArrest.14)")
    who = first(report, "eArrest.20").value
    by = FIRST_CPR_BY.get(who or "", who)
    chart.add_said(
        first(report, "eArrest.19"), "cpr_started", what="initial CPR", text="initial CPR, by anyone (eArrest.19)", by=by
    )
    _discontinued(chart, report)
    arrival = good_moment(first(report, "eTimes.11"))
    found = [said for said in each(report, "eArrest.17") if said.stands]
    if found and arrival is None:
        chart.note("info", found[0].line, f"rhythm at the destination without an arrival time: {', '.join(map(_label, found))}")
    for said in found:
        if arrival is not None:
            _rhythm(chart, arrival, said, by=None, more="on arrival at the destination")
    for said in each(report, "eArrest.09"):
        if said.value == codes.ITD_USED and said.stands:
            chart.note("info", said.line, "impedance threshold device charted without a time (eArrest.09)")


def _discontinued(chart: Chart, report: etree._Element) -> None:
    """eArrest.15 is ROSC or the end of the effort: .16 says which; without a reason it is neither."""
    said, reason = first(report, "eArrest.15"), first(report, "eArrest.16").value
    why = "reason not recorded" if reason is None else codes.REASONS_STOPPED.get(reason, f"reason code {reason}")
    kind = "note" if reason is None else "rosc" if reason == codes.REASON_ROSC else "terminated"
    chart.add_said(said, kind, what="time discontinued", text=f"resuscitation discontinued (eArrest.15, .16): {why}")


def _label(said: Said) -> str:
    return f"{codes.RHYTHM_LABELS.get(str(said.value), 'unknown code')} ({said.name} {said.value})"


def _rhythm(chart: Chart, time: datetime, said: Said, *, by: str | None, more: str = "") -> None:
    word = codes.RHYTHM_WORDS.get(str(said.value))
    if str(said.value) not in codes.RHYTHM_LABELS:
        chart.not_known(said, "unknown rhythm: kept with its number, unmapped")
    text = _label(said) + (f"; {more}" if more else "")
    chart.add(time, "rhythm" if word else UNMAPPED, value=word or str(said.value), text=text, by=by)


def read_vitals(chart: Chart, report: etree._Element) -> None:
    """Each eVitals group: numbers as vital signs, rhythms and 12-lead ECGs as events. A group of nothing but nil leaves no row."""
    for group in parts(report, "eVitals.VitalGroup"):
        prior = _prior(first(group, "eVitals.02"))
        taken = first(group, "eVitals.01")
        rhythms = [said for said in each(group, "eVitals.03") if said.stands]
        ecg = _twelve_leads(chart, group)
        numbers = [said for name in codes.VITAL_NAMES for said in each(group, name, kind="ETCO2Type") if said.stands]
        withheld = [said for name in codes.VITAL_NAMES for said in each(group, name) if said.value is not None and not said.stands]
        for said in withheld:
            chart.note("info", said.line, f"{said.name} {said.value} not counted: {_why(said)}")
        if not rhythms and not numbers and ecg is None:
            continue
        time = chart.time_of(taken, what="vital signs", prior=prior)
        if time is None:
            told = ", ".join(
                [f"{codes.VITAL_NAMES[said.name][0]} {said.value}" for said in numbers]
                + [_label(said) for said in rhythms]
                + ([] if ecg is None else [codes.ECG_TYPES[str(ecg.value)]])
            )
            when = f", {BEFORE_OUR_CARE}" if prior else ""
            chart.note("warning", taken.line, f"vital signs without a time kept aside{when}: {told}")
            continue
        for said in rhythms:
            _rhythm(chart, time, said, by=PRIOR if prior else None, more=BEFORE_OUR_CARE if prior else "")
        if ecg is not None:
            text = f"ECG {codes.ECG_TYPES[str(ecg.value)]} ({ecg.name} {ecg.value})" + (f"; {BEFORE_OUR_CARE}" if prior else "")
            chart.add(time, "ecg_12_lead", text=text, by=PRIOR if prior else None)
        for said in numbers:
            _number(chart, time, said, prior=bool(prior))


def _twelve_leads(chart: Chart, group: etree._Element) -> Said | None:
    """The entry of eVitals.04 that tells of twelve leads or more; none where a PN says that no ECG was taken."""
    types = [said for said in each(group, "eVitals.04") if said.stands]
    for said in types:
        if said.value not in codes.ECG_TYPES:
            chart.not_known(said, "unknown ECG type: not interpreted")
    told = each(group, "eVitals.03")
    if any(said.pn is not None for said in told) and not any(said.stands for said in told):
        return None
    return next((said for said in types if said.value in codes.TWELVE_LEADS), None)


def _number(chart: Chart, time: datetime, said: Said, *, prior: bool) -> None:
    """One vital sign in our unit; words ("High", "P") stay words, an EtCO2 is converted by its own unit attribute."""
    name, unit = codes.VITAL_NAMES[said.name]
    text = BEFORE_OUR_CARE if prior else None
    try:
        value = float(str(said.value))
        if not math.isfinite(value):
            raise ValueError
    except ValueError:
        chart.add_vital(time, name, math.nan, unit, "; ".join(filter(None, (said.value, text))))
        return
    if name == "etco2":
        value, text = _etco2(chart, said, value, text)
    chart.add_vital(time, name, value, unit, text)


def _etco2(chart: Chart, said: Said, value: float, text: str | None) -> tuple[float, str | None]:
    if said.kind is None:
        chart.note("info", said.line, f"EtCO2 {said.value} has no unit attribute; taken as mmHg")
        return value, text
    unit = codes.ETCO2_UNITS.get(said.kind)
    factor = None if unit is None else unit_factor("etco2", unit)
    if factor is None:
        chart.not_known(Said(said.name, said.kind, None, said.line), "unknown unit of EtCO2: no number is taken from it")
        chart.note(
            "warning", said.line, f"EtCO2 {said.value} has unit code {said.kind}, which is not known; no number is taken from it"
        )
        return math.nan, "; ".join(filter(None, (f"{said.value} (unit code {said.kind})", text)))
    if unit == "mmHg":
        return value, text
    chart.note("info", said.line, f"EtCO2 {said.value} {unit} converted to {value * factor:.1f} mmHg")
    return round(value * factor, 3), "; ".join(filter(None, (f"charted as {said.value} {unit}", text)))


def _prior(said: Said) -> bool | None:
    return None if said.value is None else said.value == codes.YES


def _why(said: Said) -> str:
    return codes.NOT_DONE.get(said.pn or "", f"PN code {said.pn}")


def _role(said: Said) -> str | None:
    return None if not said.stands else codes.ROLES.get(str(said.value), str(said.value))


def read_procedures(chart: Chart, report: etree._Element) -> None:
    """Each eProcedures group as an event; one that carries a PN, or access or a device that failed, is a note, not done."""
    for group in parts(report, "eProcedures.ProcedureGroup"):
        code = first(group, "eProcedures.03")
        if code.value is None:
            if code.pn is not None:
                chart.note("info", code.line, f"procedure considered, none given: {_why(code)}")
            continue
        prior = _prior(first(group, "eProcedures.02"))
        kind, value, label = codes.PROCEDURES.get(code.value, (UNMAPPED, code.value, "unknown procedure code"))
        if kind == UNMAPPED:
            chart.not_known(code, "unknown procedure: kept with its number, unmapped")
        about = f"{label} (SNOMED CT {code.value})"
        time = chart.time_of(first(group, "eProcedures.01"), what=about, prior=prior)
        if time is None:
            chart.note("warning", code.line, f"procedure without a time kept aside: {about}" + _withheld(code, "not done"))
        elif not code.stands:
            chart.add(time, "note", value="not_done", text=f"{about}{_withheld(code, 'not done')}")
        else:
            _procedure(chart, time, group, (kind, value, about), prior=bool(prior))


def _withheld(said: Said, word: str) -> str:
    return "" if said.stands else f"; {word}: {_why(said)}"


def _procedure(chart: Chart, time: datetime, group: etree._Element, what: tuple[str, str | None, str], *, prior: bool) -> None:
    """One procedure that was done or tried; its text starts with attempts=, successful= and crew= where charted."""
    kind, value, about = what
    attempts, success = first(group, "eProcedures.05"), first(group, "eProcedures.06")
    succeeded = None if success.value is None else success.value == codes.YES
    words = [f"attempts={attempts.value}"] if attempts.stands else []
    words += [] if succeeded is None else [f"successful={'yes' if succeeded else 'no'}"]
    if kind in codes.FAILURE_UNDOES and succeeded is False:
        words.append(f"tried={value or kind}")
        kind, value = "note", f"{kind.split('_')[0]}_failed"
    words += [f"crew={said.value}" for said in each(group, "eProcedures.09") if said.stands]
    role = _role(first(group, "eProcedures.10"))
    text = " ".join([*words, about]) + _details(group) + _before(role, prior=prior)
    if about.endswith("(SNOMED CT 441893003)") and kind == "device_on":
        chart.add(time, "cpr_started", text=text, by=PRIOR if prior else role)
    chart.add(time, kind, value=value, text=text, by=PRIOR if prior else role)


def _details(group: etree._Element) -> str:
    """How an airway was placed and what went wrong: eProcedures.14 and .07."""
    how = [codes.TECHNIQUES.get(str(said.value), str(said.value)) for said in each(group, "eProcedures.14") if said.stands]
    troubles = [said for said in each(group, "eProcedures.07") if said.stands and said.value != codes.NO_COMPLICATION]
    wrong = [codes.COMPLICATIONS.get(str(said.value), str(said.value)) for said in troubles]
    return "".join(f"; {word}" for word in how) + (f"; complication: {', '.join(wrong)}" if wrong else "")


def _before(role: str | None, *, prior: bool) -> str:
    return f"; {BEFORE_OUR_CARE}, by {role or 'someone not recorded'}" if prior else ""


def read_medications(chart: Chart, report: etree._Element) -> None:
    """Each eMedications group as a drug; one that carries a PN is a note and never given; an unknown code keeps its number."""
    for group in parts(report, "eMedications.MedicationGroup"):
        code = first(group, "eMedications.03", kind="CodeType")
        if code.value is None:
            if code.pn is not None:
                chart.note("info", code.line, f"drug considered, none named: {_why(code)}")
            continue
        prior = _prior(first(group, "eMedications.02"))
        system = codes.CODE_SYSTEMS.get(code.kind or "9924003", f"code type {code.kind}")
        name = codes.DRUGS.get((system, code.value))
        if name is None:
            chart.not_known(code, f"unknown drug ({system}): kept with its number, unmapped")
        about = f"{name or 'unknown drug code'} ({system} {code.value})"
        time = chart.time_of(first(group, "eMedications.01"), what=about, prior=prior)
        if time is None:
            chart.note("warning", code.line, f"drug without a time kept aside: {about}" + _withheld(code, "not given"))
        elif not code.stands:
            chart.add(time, "note", value="not_given", text=f"{about}{_withheld(code, 'not given')}")
        else:
            _drug(chart, time, group, (name, code.value, about), prior=bool(prior))


def _drug(chart: Chart, time: datetime, group: etree._Element, what: tuple[str | None, str, str], *, prior: bool) -> None:
    """One drug that was given; mL become mg only where the code itself states the concentration."""
    name, code, about = what
    dose, unit, charted = _dose(chart, group, code)
    route = first(group, "eMedications.04")
    words = [f"route={codes.ROUTES.get(str(route.value), route.value)}"] if route.stands else []
    words += [f"crew={said.value}" for said in each(group, "eMedications.09") if said.stands]
    role = _role(first(group, "eMedications.10"))
    text = " ".join([*words, about]) + charted + _before(role, prior=prior)
    kind = "drug" if name else UNMAPPED
    chart.add(time, kind, value=name or code, dose=dose, unit=unit, text=text, by=PRIOR if prior else role)


def _dose(chart: Chart, group: etree._Element, code: str) -> tuple[float, str | None, str]:
    amount, measure = first(group, "eMedications.05"), first(group, "eMedications.06")
    unit = codes.DOSE_UNITS.get(str(measure.value), measure.value) if measure.stands else None
    if not amount.stands:
        return math.nan, unit, ""
    try:
        dose = float(str(amount.value))
    except ValueError:
        chart.note("warning", amount.line, f"dose “{amount.value}” is not a number; the drug stays, without a dose")
        return math.nan, unit, f"; charted as {amount.value} {unit or ''}".rstrip()
    if unit == "mL" and code in codes.MG_PER_ML:
        return round(dose * codes.MG_PER_ML[code], 6), "mg", f"; charted as {amount.value} mL of {codes.MG_PER_ML[code]} mg/mL"
    return dose, unit, ""


def read_airway(chart: Chart, report: etree._Element) -> None:
    """eAirway: each placement confirmation as a note with the device and the methods; complications have no time."""
    for group in parts(report, "eAirway.ConfirmationGroup"):
        device = first(group, "eAirway.03")
        methods = [
            device_codes.CONFIRMED_BY.get(str(said.value), str(said.value)) for said in each(group, "eAirway.04") if said.stands
        ]
        name = device_codes.AIRWAY_DEVICES.get(str(device.value), str(device.value)) if device.stands else "not recorded"
        time = chart.time_of(first(group, "eAirway.02"), what="airway confirmation")
        text = f"airway={name} confirmed by {', '.join(methods) or 'a method not recorded'} (eAirway.02)"
        if time is not None:
            chart.add(time, "note", value="airway_confirmed", text=text)
        elif device.stands or methods:
            chart.note("warning", device.line, f"airway confirmation without a time kept aside: {text}")
    for name, label in (("eAirway.08", "airway complication"), ("eAirway.09", "reason the airway failed")):
        for said in each(report, name):
            if said.stands:
                told = device_codes.AIRWAY_TROUBLE.get(str(said.value), "unknown code")
                chart.note("info", said.line, f"{label}: {told} ({name} {said.value}), charted without a time")


def read_device(chart: Chart, report: etree._Element) -> None:
    """eDevice: events by the device's own clock; shocks with their energy. `.11` is a running total and is not counted."""
    for group in parts(report, "eDevice.DeviceGroup"):
        kinds = [said for said in each(group, "eDevice.03") if said.stands]
        if not kinds:
            continue
        time = chart.time_of(first(group, "eDevice.02"), what="device event")
        if time is None:
            told = ", ".join(device_codes.DEVICE_EVENTS.get(str(said.value), ("", "", f"code {said.value}"))[2] for said in kinds)
            chart.note("warning", kinds[0].line, f"device event without a time kept aside: {told}")
            continue
        for said in kinds:
            _device_event(chart, time, said, group)


def _device_event(chart: Chart, time: datetime, said: Said, group: etree._Element) -> None:
    kind, value, label = device_codes.DEVICE_EVENTS.get(str(said.value), (UNMAPPED, said.value, "unknown device event"))
    if kind == UNMAPPED:
        chart.not_known(said, "unknown device event: kept with its number, unmapped")
    energy, reading = first(group, "eDevice.10"), first(group, "eDevice.08")
    text = f"{label} (eDevice.03 {said.value})"
    if kind == "note" and reading.stands:
        text += f": {reading.value}"
    if kind == "shock" and energy.stands:
        chart.add(time, kind, value=energy.value, unit="J", text=text)
    else:
        chart.add(time, kind, value=value, text=text)
