"""Codes of the FHIR export: LOINC for arrest facts and times, SNOMED CT for procedures, RxNorm for drugs, UCUM for units.

Only codes that our notes on data standards list (sections 1.6, 1.7 and 7) are used; what has none gets a code of our own system and
clear text. No LOINC code for compression measures is known to us. Displays are left out, texts are our own words: the terms of
these systems are licensed.
"""

from collections.abc import Mapping
from typing import Any

LOINC, SNOMED, UCUM = "http://loinc.org", "http://snomed.info/sct", "http://unitsofmeasure.org"
RXNORM = "http://www.nlm.nih.gov/research/umls/rxnorm"
ACT_CODE = "http://terminology.hl7.org/CodeSystem/v3-ActCode"
ABSENT = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
ABSENT_EXTENSION = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"
# Our own systems: experimental names (the form urn:x-…), for no registered one is ours.
OWN = "urn:x-qi"
MEASURE, FACT, PROCEDURE, BOUND, VERDICT = (f"{OWN}:{name}" for name in ("measure", "fact", "procedure", "bound", "verdict"))
TOLD_BY, PURPOSE, CASE_ID, ELAPSED = (f"{OWN}:{name}" for name in ("told-by", "purpose", "case-id", "elapsed-seconds"))
NOTICE = f"{OWN}:notice"

# Fact -> LOINC code and our words (section 7).
FACTS: Mapping[str, tuple[str, str]] = {
    "arrest": ("67502-5", "Cardiac arrest"),
    "cause": ("67503-3", "Cause of the arrest"),
    "attempted": ("72115-9", "Resuscitation attempted"),
    "witnessed": ("67505-8", "Arrest witnessed by"),
    "bystander_cpr": ("67507-4", "CPR before EMS, by a bystander"),
    "bystander_aed": ("67508-2", "AED used before EMS"),
    "first_rhythm": ("67519-9", "First cardiac rhythm"),
    "any_rosc": ("88670-5", "Return of spontaneous circulation"),
    "end": ("77152-7", "How the arrest ended"),
}
# Event type -> LOINC code and our words (section 7).
TIMES: Mapping[str, tuple[str, str]] = {
    "call_received": ("69469-5", "Time of the call"),
    "dispatched": ("69471-1", "Time the unit was notified"),
    "en_route": ("69472-9", "Time the unit was on its way"),
    "on_scene": ("69473-7", "Time the unit was on scene"),
    "at_patient": ("69474-5", "Time the unit was at the patient"),
    "left_scene": ("69475-2", "Time the unit left the scene"),
    "at_hospital": ("69476-0", "Time at the destination"),
    "cpr_started": ("88438-7", "Time of the first CPR"),
    "terminated": ("88101-1", "Time resuscitation was discontinued"),
}
# Kind -> SNOMED CT code (None: the list has none for it) and our words (section 1.6). The code for defibrillation is that which the
# care record standard uses for a manual defibrillator; which kind shocked is mostly not recorded, and the text says so.
PROCEDURES: Mapping[str, tuple[str | None, str]] = {
    "shock": ("426220008", "External defibrillation (manual or automated: not told here)"),
    "bag_mask": ("425447009", "Bag-mask ventilation"),
    "oropharyngeal": ("7443007", "Oropharyngeal airway"),
    "nasopharyngeal": ("182692007", "Nasopharyngeal airway"),
    "supraglottic": (None, "Supraglottic airway (kind not told)"),
    "tracheal_tube": ("16883004", "Tracheal intubation"),
    "mechanical_cpr": ("429283006", "Mechanical chest compression"),
    "capnography": ("284029005", "End-tidal CO2 monitoring"),
    "iv": ("392230005", "Intravenous access"),
    "io": ("430824005", "Intraosseous access"),
    "itd": (None, "Impedance threshold device"),
    "defib_pads": (None, "Defibrillation pads on"),
}
DRUGS: Mapping[str, str] = {
    "epinephrine": "3992",
    "adrenaline": "3992",
    "amiodarone": "703",
    "lidocaine": "6387",
    "atropine": "1223",
    "vasopressin": "11149",
    "norepinephrine": "7512",
    "dopamine": "3628",
    "sodium bicarbonate": "36676",
    "calcium chloride": "1901",
    "calcium gluconate": "1908",
    "magnesium sulfate": "6585",
    "naloxone": "7242",
    "dextrose": "4850",
    "oxygen": "7806",
    "saline": "313002",
    "ringer's solution": "1008377",
    "adenosine": "296",
    "ketamine": "6130",
    "rocuronium": "68139",
    "succinylcholine": "10154",
    "midazolam": "6960",
    "fentanyl": "4337",
    "tranexamic acid": "10691",
}
# Our units and those of charted doses -> UCUM, case-sensitive (from memory); a unit that is not here goes without a code.
UNITS: Mapping[str, str] = {
    "1": "1",
    "s": "s",
    "1/min": "/min",
    "mm": "mm",
    "N": "N",
    "J": "J",
    "mmHg": "mm[Hg]",
    "cmH2O": "cm[H2O]",
    "count": "{count}",
    "%": "%",
    "mg": "mg",
    "mcg": "ug",
    "ug": "ug",
    "g": "g",
    "mL": "mL",
    "L": "L",
    "L/min": "L/min",
    "mEq": "meq",
    "mg/kg": "mg/kg",
    "mcg/kg": "ug/kg",
    "mcg/min": "ug/min",
    "mg/min": "mg/min",
    "a": "a",
}


def quantity(value: float, unit: str | None, **more: object) -> dict[str, Any]:
    """A number with its unit, in UCUM where we know its code."""
    made: dict[str, Any] = {"value": round(float(value), 6), **more}
    if unit:
        made["unit"] = unit
    if unit and unit in UNITS:
        made |= {"system": UCUM, "code": UNITS[unit]}
    return made


def concept(text: str, *codings: tuple[str, str]) -> dict[str, Any]:
    """A concept in our words, with its codes as (system, code)."""
    made: dict[str, Any] = {"coding": [{"system": system, "code": code} for system, code in codings]} if codings else {}
    return made | {"text": text}


def loinc(code: str) -> tuple[str, str]:
    """A LOINC code as (system, code)."""
    return LOINC, code
