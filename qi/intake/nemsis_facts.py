"""What a NEMSIS report tells without a time: age, sex, arrest facts, crew and outcome. No name or address of a person is read."""

from typing import Any

from lxml import etree

from qi.intake import nemsis_codes as codes
from qi.intake.nemsis_tree import Said, each, first, parts
from qi.intake.record_chart import Chart
from qi.model.case import Facts

# data-standards.md sections 1.3, 1.4, 1.9; schema types AgeUnits, Gender, Sex. Causes: the Utstein words (from memory) for
# eArrest.02; presumed cardiac and non-traumatic exsanguination are both "medical".
AGE_YEARS = {"2516009": 1.0, "2516007": 1 / 12, "2516001": 1 / 365.25, "2516003": 1 / 8766, "2516005": 1 / 525_960}
SEXES = {"9919001": "female", "9919003": "male", "9906001": "female", "9906003": "male"}
OTHER_SEXES = dict.fromkeys(("9906007", "9906009", "9906011"), "other")
ARREST_NO, ARREST_BEFORE_EMS, ARREST_AFTER_EMS = "3001001", "3001003", "3001005"
CAUSES = {
    "3002001": "medical",
    "3002003": "drowning",
    "3002005": "overdose",
    "3002007": "electrocution",
    "3002009": "medical",
    "3002011": "other",
    "3002013": "asphyxia",
    "3002015": "trauma",
}
TRIED, NOT_TRIED = {"3003001", "3003003", "3003005"}, {"3003007", "3003009", "3003011"}
NOT_WITNESSED = "3004001"
FIRST_RHYTHMS = {
    "3011001": "asystole",
    "3011005": "PEA",
    "3011007": "unknown_not_shockable",
    "3011009": "unknown_shockable",
    "3011011": "VF",
    "3011013": "pVT",
}
# Ends of eArrest.20 and .21: a bystander is whoever did not come as part of the response (our reading of Utstein, from memory).
BYSTANDERS, RESPONDERS = {"001", "003", "005"}, {"007", "009", "011", "013"}
DISPATCH: dict[str, bool | str] = {"2302001": False, "2302003": True, "2302005": False, "2302007": "unknown"}
ROSC_NO, ROSC_AT_ED, ROSC_SUSTAINED = "3012001", "3012003", "3012007"
EXPIRED_ED, EXPIRED_FIELD = "3018001", "3018003"
CPC = {"3013001": 1, "3013003": 2, "3013005": 3, "3013007": 4}
DIED, ADMITTED = "20", "09"
STILL_IN_CARE = {"02", "30", "43", "66"}  # moved to another hospital or still a patient: alive, but not discharged from care
PLACES = {  # ICD-10 Y92 headings, from memory
    "Y92.0": "home",
    "Y92.1": "residential institution",
    "Y92.2": "public building",
    "Y92.3": "sports area",
    "Y92.4": "street or highway",
    "Y92.5": "trade or service area",
    "Y92.6": "industrial or construction area",
    "Y92.7": "farm",
    "Y92.8": "other place",
    "Y92.9": "unknown",
}
CREW_ROLES = {
    "2403001": "driver, response",
    "2403003": "driver, transport",
    "2403005": "other",
    "2403007": "other caregiver, scene",
    "2403009": "other caregiver, transport",
    "2403011": "primary caregiver, scene",
    "2403013": "primary caregiver, transport",
}


def read_facts(chart: Chart, report: etree._Element) -> Facts:
    """Facts of one report; what is nil or taken back by a PN is not recorded, what contradicts itself is "unknown" and said."""
    _known_codes(chart, report)
    members, roles = _crew(report)
    place = first(report, "eScene.09")
    unit = first(report, "eResponse.14")
    return Facts(
        age_years=_age_years(chart, report),
        sex=_sex(chart, report),
        witnessed=_witnessed(chart, report),
        bystander_cpr=_bystander(first(report, "eArrest.20")),
        bystander_aed=_bystander_aed(report),
        dispatcher_cpr=_dispatcher_cpr(chart, report),
        cause=_word(first(report, "eArrest.02"), CAUSES),
        first_rhythm=_word(first(report, "eArrest.11"), FIRST_RHYTHMS),
        location=PLACES.get(str(place.value)[:5], place.value) if place.stands else None,
        attempted=_attempted(chart, report),
        unit=unit.value if unit.stands else None,
        members=members,
        crew_roles=roles,
        hospital=_hospital(chart, report),
        outcome=_outcome(chart, report),
    )


def _known_codes(chart: Chart, report: etree._Element) -> None:
    """Say each code of a single-valued fact that is not in its list; it is kept as it stands where text can hold it."""
    lists = {
        "eArrest.01": {ARREST_NO, ARREST_BEFORE_EMS, ARREST_AFTER_EMS},
        "eArrest.02": CAUSES,
        "eArrest.11": FIRST_RHYTHMS,
        "eArrest.13": CPC,
        "eDispatch.02": DISPATCH,
        "ePatient.25": (*SEXES, "9919005"),
        "ePatient.13": (*SEXES, *OTHER_SEXES, "9906005"),
    }
    for name, known in lists.items():
        said = first(report, name)
        if said.stands and said.value not in known:
            chart.note("warning", said.line, f"{name} has code {said.value}, which is not in the standard's list; not interpreted")
            chart.not_known(said, "not in the standard's list: not interpreted")


def _word(said: Said, words: dict[str, str]) -> str | None:
    return words.get(str(said.value), said.value) if said.stands else None


def _age_years(chart: Chart, report: etree._Element) -> float | None:
    age, unit = first(report, "ePatient.15"), first(report, "ePatient.16")
    if not age.stands:
        return None
    try:
        return float(str(age.value)) * AGE_YEARS[str(unit.value)]
    except (ValueError, KeyError):
        chart.note("warning", age.line, f"age “{age.value}” with unit code {unit.value} is not understood; age is not recorded")
        return None


def _sex(chart: Chart, report: etree._Element) -> str | None:
    for name in ("ePatient.25", "ePatient.13"):
        said = first(report, name)
        if said.stands:
            return (SEXES | OTHER_SEXES).get(str(said.value))
    return None


def _witnessed(chart: Chart, report: etree._Element) -> str | None:
    """After EMS arrival is EMS-witnessed, unless "not witnessed" stands alone; both "not" and "by" is a contradiction."""
    witnesses = [said for said in each(report, "eArrest.04") if said.stands]
    told = {said.value for said in witnesses}
    if told > {NOT_WITNESSED}:
        chart.note("warning", witnesses[0].line, "eArrest.04 says both not witnessed and witnessed; taken as unknown")
        return "unknown"
    if told == {NOT_WITNESSED}:
        return "no"
    if first(report, "eArrest.01").value == ARREST_AFTER_EMS:
        return "ems"
    return "bystander" if told else None


def _bystander(said: Said) -> bool | None:
    """Whether the one who began was a bystander, by the last three digits of eArrest.20 or .21."""
    end = str(said.value)[-3:]
    return (end in BYSTANDERS) if said.stands and end in BYSTANDERS | RESPONDERS else None


def _bystander_aed(report: etree._Element) -> bool | None:
    """eArrest.07 says whether an AED was on before EMS came, .21 by whom; without .21 the bystander is not proven."""
    used = first(report, "eArrest.07")
    if not used.stands:
        return None
    return False if used.value == "3007001" else _bystander(first(report, "eArrest.21"))


def _dispatcher_cpr(chart: Chart, report: etree._Element) -> bool | str | None:
    said = first(report, "eDispatch.02")
    if said.stands and said.value == "2302003":
        chart.note(
            "info", said.line, "pre-arrival instructions given (eDispatch.02), taken as for CPR; the element does not say for what"
        )
    return DISPATCH.get(str(said.value)) if said.stands else None


def _attempted(chart: Chart, report: etree._Element) -> bool | None:
    tries = [said for said in each(report, "eArrest.03") if said.stands]
    told = {said.value for said in tries}
    if told & TRIED and told & NOT_TRIED:
        chart.note("warning", tries[0].line, "eArrest.03 says both attempted and not attempted; taken as attempted")
    return True if told & TRIED else False if told & NOT_TRIED else None


def _crew(report: etree._Element) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Crew ids as given, and beside each its level with its roles."""
    members, roles = [], []
    for group in parts(report, "eCrew.CrewGroup"):
        who, level = first(group, "eCrew.01"), first(group, "eCrew.02")
        if not who.stands and not level.stands:
            continue
        duties = "; ".join(CREW_ROLES.get(str(said.value), str(said.value)) for said in each(group, "eCrew.03") if said.stands)
        title = codes.ROLES.get(str(level.value), str(level.value)) if level.stands else "level not recorded"
        members.append(str(who.value) if who.stands else "not recorded")
        roles.append(f"{title} ({duties})" if duties else title)
    return tuple(members), tuple(roles)


def _hospital(chart: Chart, report: etree._Element) -> tuple[str, ...]:
    """What the destination is able to do, by eDisposition.23; a code that is not in the list is said and left out."""
    kinds = []
    for said in each(report, "eDisposition.23"):
        if said.stands and str(said.value) in codes.HOSPITALS:
            kinds.append(codes.HOSPITALS[str(said.value)])
        elif said.stands:
            chart.note(
                "warning", said.line, f"{said.name} has code {said.value}, which is not in the standard's list; not interpreted"
            )
            chart.not_known(said, "not in the standard's list: not interpreted")
    return tuple(dict.fromkeys(kinds))


def _outcome(chart: Chart, report: etree._Element) -> dict[str, Any]:
    """any_rosc, sustained_rosc, survived_event, survived_to_discharge, cpc: only what the record tells."""
    rosc = [said for said in each(report, "eArrest.12") if said.stands]
    told = {said.value for said in rosc}
    end, emergency = first(report, "eArrest.18").value, first(report, "eOutcome.01").value
    outcome: dict[str, Any] = {}
    if told > {ROSC_NO}:
        chart.note("warning", rosc[0].line, "eArrest.12 says both no ROSC and ROSC; taken as unknown")
        outcome["any_rosc"] = "unknown"
    elif told:
        outcome["any_rosc"] = told != {ROSC_NO}
    if told == {ROSC_NO}:
        outcome["sustained_rosc"] = False
    elif ROSC_SUSTAINED in told and ROSC_NO not in told:
        outcome["sustained_rosc"] = True
    if end in (EXPIRED_FIELD, EXPIRED_ED):
        outcome["survived_event"] = False
    elif (emergency not in (None, DIED)) or (ROSC_AT_ED in told and ROSC_NO not in told):
        outcome["survived_event"] = True
    outcome |= _discharge(chart, report, dead=end in (EXPIRED_FIELD, EXPIRED_ED) or emergency == DIED)
    score = first(report, "eArrest.13")
    if score.stands and score.value in CPC:
        outcome["cpc"] = CPC[score.value]
    return outcome


def _discharge(chart: Chart, report: etree._Element, *, dead: bool) -> dict[str, Any]:
    """survived_to_discharge by eOutcome.02, else by .01 where the patient was not admitted."""
    hospital, emergency = first(report, "eOutcome.02"), first(report, "eOutcome.01")
    last = hospital if hospital.stands else emergency
    if dead or (last.stands and last.value == DIED):
        return {"survived_to_discharge": False}
    if not last.stands or (last is emergency and last.value == ADMITTED):
        return {}
    if last.value in STILL_IN_CARE:
        chart.note(
            "info", last.line, f"{last.name} code {last.value}: moved on in hospital care, so survival to discharge is not known"
        )
        return {"survived_to_discharge": "unknown"}
    return {"survived_to_discharge": True}
