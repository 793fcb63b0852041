"""Which words of a case may be shared: closed lists of trade words, and the case's own free words, which no sentence may hold.

Whatever is not on a list is left out, never guessed to be harmless.

References: HIPAA Safe Harbor, 45 CFR 164.514(b)(2) (read on the web; mapped to case data in our own notes).
"""

import re
from collections.abc import Iterable

from qi.model.review import Review
from qi.model.vocabulary import AIRWAYS, CHANNELS, DEVICE_KINDS, EVENT_VALUES, PAUSE_CAUSES, RHYTHMS, UNMAPPED

ROLES = frozenset(
    (
        "advanced EMT",
        "bystander",
        "community paramedic",
        "critical care paramedic",
        "EMT",
        "EMT-intermediate",
        "emergency medical responder",
        "family member",
        "fire personnel (non EMS)",
        "first responder",
        "law enforcement",
        "lay person",
        "licensed practical nurse",
        "nurse practitioner",
        "other healthcare professional",
        "other person",
        "paramedic",
        "patient",
        "physician",
        "physician assistant",
        "prior",
        "registered nurse",
        "respiratory therapist",
        "reviewer",
        "student",
    )
)
DRUGS = frozenset(
    (
        "adenosine",
        "adrenaline",
        "albumin",
        "amiodarone",
        "atropine",
        "blood product",
        "calcium chloride",
        "calcium gluconate",
        "cryoprecipitate",
        "dextrose",
        "dopamine",
        "epinephrine",
        "fentanyl",
        "fresh frozen plasma",
        "ketamine",
        "lidocaine",
        "magnesium sulfate",
        "midazolam",
        "naloxone",
        "norepinephrine",
        "oxygen",
        "packed red blood cells",
        "platelets",
        "ringer's solution",
        "rocuronium",
        "saline",
        "sodium bicarbonate",
        "succinylcholine",
        "tranexamic acid",
        "vasopressin",
        "whole blood",
    )
)
OTHER_DRUG = "other drug"
UNITS = frozenset(
    "J mg mcg ug g kg mL L mEq IU units mg/kg mcg/kg mcg/min mg/min mg/h mL/h L/min units/h mcg/kg/min mg/kg/min mmHg kPa % 1/min "
    "1 mg/dL mmol/L Cel drops puffs".split()
)
VITALS = frozenset(
    "etco2 spo2 heart_rate respiratory_rate systolic diastolic mean_arterial glucose temperature gcs carbon_monoxide".split()
)
CAUSES = frozenset("medical trauma drowning overdose electrocution asphyxia other unknown".split())
PLACES = frozenset(
    (
        "home",
        "residential institution",
        "public building",
        "sports area",
        "street or highway",
        "trade or service area",
        "industrial or construction area",
        "farm",
        "other place",
        "unknown",
    )
)
SEXES, WITNESSED = frozenset(("female", "male", "other")), frozenset(("bystander", "ems", "no", "unknown"))
FACT_RHYTHMS = frozenset((*RHYTHMS, "unknown"))
PROTOCOLS = frozenset(("adult-2020", "child-2020", "infant-2020", "newborn"))  # those that come with the app
EVENT_TYPES = frozenset(EVENT_VALUES) - {"note"}
OUTCOMES = ("any_rosc", "sustained_rosc", "survived_event", "survived_to_discharge", "cpc", "mrs")
# Names that files and clocks often have and that tell nothing of anybody; our own sentences use them.
PLAIN = ("capnogram", "clock", "device", "dispatch", "ecg", "events", "monitor", "record", "signals", "stroke", "waveforms")
OURS = frozenset(
    (
        *PLAIN,
        *EVENT_VALUES,
        *AIRWAYS,
        *CHANNELS,
        *DEVICE_KINDS,
        *PAUSE_CAUSES,
        *RHYTHMS,
        *DRUGS,
        *ROLES,
        *UNITS,
        *CAUSES,
        *PLACES,
        UNMAPPED,
    )
)
# What a text may still say in pairs: whether it went in, in how many attempts, by which route. Everything else of it is dropped.
_PAIR = re.compile(r"\b(?:attempts=\d{1,2}|successful=(?:yes|no)|route=(?:IV|IO|IM|IN|ET|BVM))\b")
_ENERGY = re.compile(r"\d{1,3}(?:\.\d+)?")


def pairs(text: object) -> str | None:
    """Only the known pairs of an event's text; None where it has none."""
    return " ".join(_PAIR.findall(text)) or None if isinstance(text, str) else None


def value_of(kind: str, value: object) -> str | None:
    """The value of an event, where its type has a closed list of them, or it is an energy or a known drug."""
    if not isinstance(value, str):
        return None
    if kind in ("charge", "shock"):
        return value if _ENERGY.fullmatch(value) else None
    if kind == "drug":
        return value.casefold() if value.casefold() in DRUGS else OTHER_DRUG
    return value if value in (EVENT_VALUES.get(kind) or ()) else None


def listed(value: object, allowed: Iterable[str]) -> str | None:
    """The value where it is on the list."""
    return value if isinstance(value, str) and value in frozenset(allowed) else None


class Private:
    """The free words of one case: names of files, clocks and labels, crew, station, and what its files say in their own words."""

    def __init__(self, review: Review) -> None:
        case, facts = review.case, review.case.facts
        words: set[object] = {case.id, case.protocol, review.protocol.name, review.protocol.title, *case.clocks}
        words |= {facts.station, facts.shift, facts.unit, *facts.members, *facts.crew_roles, facts.cause, facts.location}
        for signal in (*case.signals, *case.unplaced):
            words |= {signal.name, signal.label, signal.source, signal.channel}
        for source in case.sources:
            words |= {source.file, source.file.rpartition(".")[0]}
        for name in ("value", "text", "by", "unit", "source"):
            words |= set(case.events[name].dropna())
        words |= set(case.vitals["text"].dropna())
        for one in review.corrections:
            words |= {one.why, one.value, one.unit, one.anchor, one.sensor}
        own = {word.strip() for word in words if isinstance(word, str)} - OURS
        parts = (re.escape(word) for word in sorted(own, key=len, reverse=True) if _tells(word))
        joined = "|".join(parts)
        self._pattern = re.compile(rf"(?<!\w)(?:{joined})(?!\w)", re.IGNORECASE) if joined else None

    def without(self, sentence: str | None) -> str | None:
        """A sentence of ours as it is; None where it holds a free word of the case."""
        if sentence is None or not isinstance(sentence, str) or (self._pattern and self._pattern.search(sentence)):
            return None
        return sentence


def _tells(word: str) -> bool:
    """Whether a word is long enough to be told from the numbers and letters of our own sentences."""
    return len(word) > 3 if word.isdecimal() else len(word) > 2
