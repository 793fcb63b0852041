"""A reviewed case as a FHIR R4 (4.0.1) Bundle: patient and encounter, measures and arrest facts as Observations, shocks, airways
and devices as Procedures, drugs as MedicationAdministrations. Plain values, ready for JSON.

Where things stand that FHIR has no place for: cautions in the bundle's tag and in an OperationOutcome; elapsed seconds from case
start in an extension of our own on every timed resource; who told a thing (machine, file or reviewer) in its tag.

References: HL7 FHIR R4, hl7.org/fhir/R4 (structure from memory, held against an independent package in the tests); codes: see
qi.exports.fhir_codes.
"""

import json
import math
import uuid
from collections.abc import Callable, Iterator, Mapping
from datetime import timedelta
from pathlib import Path
from typing import Any

import pandas as pd

from qi.exports import fhir_codes as codes
from qi.exports.fhir_codes import concept, loinc, quantity
from qi.exports.masking import last_s, placed, without_identity
from qi.exports.tellers import by_rule, by_sensor, by_source
from qi.model.case import Case
from qi.model.cautions import LONG, SHORT
from qi.model.journal import REVIEWER
from qi.model.review import Judged, Limit, Review
from qi.model.words import name

Resource = dict[str, Any]
_GENDERS = {"female": "female", "male": "male", "other": "other"}


def random_id() -> str:
    """A new random id for a resource (UUID, version 4)."""
    return str(uuid.uuid4())


def write(path: Path, review: Review, *, identity: bool = False, signed: bool = False, banner: str = "") -> None:
    """Write the bundle as JSON (UTF-8)."""
    made = bundle(review, identity=identity, signed=signed, banner=banner)
    path.write_text(json.dumps(made, ensure_ascii=False, indent=1, allow_nan=False) + "\n", encoding="utf-8")


def bundle(
    review: Review,
    *,
    identity: bool = False,
    signed: bool = False,
    new_id: Callable[[], str] = random_id,
    id_: str | None = None,
    banner: str = "",
) -> Resource:
    """One case as a Bundle of type collection.

    Parameters: review, of one case; identity, whether the case's id, dates and the words of its files may stand in it; signed,
    whether a reviewer has signed it (Observations are final then, else preliminary); new_id, gives each resource its id; id_, the
    case's id without identity (default: a random one); banner, the agency's own line, which stands among the bundle's security
    labels and before the cautions. The same input and ids give the same bundle.
    Returns: plain values. Without identity: no name, no date but the year, age over 89 as 90 or more, elapsed seconds.
    """
    masked = None if identity else without_identity(review, id_=id_)
    shown = masked.review if masked else review
    year = masked.year if masked else None
    return _Making(shown, year, "final" if signed else "preliminary", identity=identity, new_id=new_id, banner=banner).bundle()


class _Making:
    """One pass over a review: its resources, which all speak of one patient in one encounter."""

    def __init__(
        self, review: Review, year: int | None, status: str, *, identity: bool, new_id: Callable[[], str], banner: str
    ) -> None:
        self.review, self.case, self.year, self.status, self.identity = review, review.case, year, status, identity
        self.new_id, self.banner = new_id, banner
        self.bundle_id, self.patient, self.encounter = new_id(), new_id(), new_id()

    def bundle(self) -> Resource:
        """The whole bundle."""
        resources = [self._patient(), self._encounter(), self._cautions()]
        resources += [self._measure(one) for one in self.review.numbers]
        resources += [*self._facts(), *self._times(), *self._procedures(), *self._drugs()]
        tag = {"system": codes.PURPOSE, "code": "retrospective-quality-improvement", "display": SHORT}
        entries = [{"fullUrl": f"urn:uuid:{one['id']}", "resource": one} for one in resources]
        meta: Resource = {"tag": [tag]}
        if self.banner:
            meta["security"] = [{"system": codes.NOTICE, "code": "agency-notice", "display": self.banner}]
        made: Resource = {"resourceType": "Bundle", "id": self.bundle_id, "meta": meta, "type": "collection"}
        if self.identity:
            made["identifier"] = {"system": codes.CASE_ID, "value": self.case.id}
        return made | {"entry": entries}

    def _patient(self) -> Resource:
        made: Resource = {"resourceType": "Patient", "id": self.patient}
        gender = _GENDERS.get(str(self.case.facts.sex), "unknown")
        return made | {"gender": gender}

    def _encounter(self) -> Resource:
        kind = {"system": codes.ACT_CODE, "code": "EMER", "display": "emergency"}
        made: Resource = {"resourceType": "Encounter", "id": self.encounter, "status": "finished", "class": kind}
        made["subject"] = {"reference": f"urn:uuid:{self.patient}"}
        if self.identity and self.case.start:
            made["period"] = {"start": self._moment(0.0), "end": self._moment(last_s(self.case))}
        return made

    def _cautions(self) -> Resource:
        protocol = f"Protocol in force: {self.review.protocol.name}, chosen by {self.review.protocol.chosen_by}."
        said = [*([self.banner] if self.banner else []), *LONG, protocol]
        issues = [{"severity": "information", "code": "informational", "diagnostics": text} for text in said]
        return {"resourceType": "OperationOutcome", "id": self.new_id(), "issue": issues}

    def _moment(self, time_s: float) -> str | None:
        """Date and time with the offset where identity may be shown, else the year; None where no file says what time it was."""
        if not self.identity:
            return f"{self.year:04d}" if self.year else None
        return (self.case.start + timedelta(seconds=time_s)).isoformat(timespec="milliseconds") if self.case.start else None

    def _when(self, field: str, start_s: float, end_s: float | None = None) -> Resource:
        """When a thing was: dated as far as may be (effective or performed, as FHIR names it), and in elapsed seconds."""
        elapsed = [{"url": "start", "valueQuantity": quantity(start_s, "s")}]
        if end_s is not None and math.isfinite(end_s):
            elapsed.append({"url": "end", "valueQuantity": quantity(end_s, "s")})
        made: Resource = {"extension": [{"url": codes.ELAPSED, "extension": elapsed}]}
        moment = self._moment(start_s)
        if moment is None:
            why = "unknown" if self.identity else "masked"
            return made | {f"{field}Period": {"extension": [{"url": codes.ABSENT_EXTENSION, "valueCode": why}]}}
        if self.identity and len(elapsed) > 1 and end_s is not None:
            return made | {f"{field}Period": {"start": moment, "end": self._moment(end_s)}}
        return made | {f"{field}DateTime": moment}

    def _observation(self, code: Resource, teller: str = "machine") -> Resource:
        return {
            "resourceType": "Observation",
            "id": self.new_id(),
            "meta": {"tag": [{"system": codes.TOLD_BY, "code": teller}]},
            "status": self.status,
            "code": code,
            "subject": {"reference": f"urn:uuid:{self.patient}"},
            "encounter": {"reference": f"urn:uuid:{self.encounter}"},
        }

    def _measure(self, one: Judged) -> Resource:
        """One answer of one measure with its bounds, limit, verdict and method."""
        teller = "machine-corrected-by-reviewer" if self.review.corrections else "machine"
        number, made = one.number, self._observation(concept(name(one), (codes.MEASURE, one.id)), teller)
        if number.value is not None and math.isfinite(number.value):
            made["valueQuantity"] = quantity(number.value, one.unit)
        else:
            made["dataAbsentReason"] = concept(number.reason or "not measurable", (codes.ABSENT, "unknown"))
        if one.verdict in ("met", "not met"):
            made["interpretation"] = [concept(one.verdict, (codes.VERDICT, one.verdict.replace(" ", "-")))]
        said = (f"Method: {one.method}" if one.method else "", f"Defined by: {one.source}", f"Remark: {number.remark or ''}")
        made["note"] = [{"text": text} for text in said if text.partition(": ")[2]]
        ranges = [*_range(one.limit, one.unit, "limit"), *_range(one.goal, one.unit, "goal")]
        return made | ({"referenceRange": ranges} if ranges else {}) | _components(one)

    def _facts(self) -> Iterator[Resource]:
        """What is known of patient and arrest."""
        facts, course = self.case.facts, self.review.findings.course
        known: Mapping[str, object] = {
            "arrest": True if course.spans else None,
            "cause": facts.cause,
            "attempted": facts.attempted,
            "witnessed": facts.witnessed,
            "bystander_cpr": facts.bystander_cpr,
            "bystander_aed": facts.bystander_aed,
            "first_rhythm": facts.first_rhythm,
            "any_rosc": facts.outcome.get("any_rosc"),
            "end": course.closed_by,
        }
        for key, value in known.items():
            if value is not None:
                code, text = codes.FACTS[key]
                teller = "file"
                if key in ("arrest", "end"):
                    teller = by_rule([edge.rule for edge in course.edges])
                yield self._observation(concept(text, loinc(code), (codes.FACT, key)), teller) | _answer(value)
        if facts.age_years is not None:
            over = {"comparator": ">="} if not self.identity and facts.age_years >= 90 else {}
            made = self._observation(concept("Age at the arrest", (codes.FACT, "age")), "file")
            yield made | {"valueQuantity": quantity(facts.age_years, "a", **over)}

    def _times(self) -> Iterator[Resource]:
        """The first charted time of each named moment of the call, by each source that tells it."""
        events = self.case.events
        for kind, (code, text) in codes.TIMES.items():
            for row in events[events["type"] == kind].drop_duplicates("source").itertuples():
                if not placed(self.case, str(row.clock)):
                    continue
                made = self._observation(concept(text, loinc(code), (codes.FACT, kind)), by_source(row.source))
                made |= self._when("effective", float(row.time_s))
                moment = self._moment(float(row.time_s)) if self.identity else None
                absent = concept("date and time are not shared", (codes.ABSENT, "masked" if not self.identity else "unknown"))
                yield made | ({"valueDateTime": moment} if moment else {"dataAbsentReason": absent}) | self._clock(str(row.clock))

    def _clock(self, clock: str) -> Resource:
        """A note on what a time may be off by, where its clock is not the one that the case counts from."""
        about = self.case.clocks.get(clock)
        if about is None or not about.uncertainty_s:
            return {}
        return {"note": [{"text": f"Told by the clock {about.name}, ± {about.uncertainty_s:g} s."}]}

    def _procedures(self) -> Iterator[Resource]:
        """Shocks, devices, airways and access."""
        found, events = self.review.findings, self.case.events
        for shock in found.shocks.itertuples():
            made = self._procedure("shock", by_sensor(shock.sensor)) | self._when("performed", float(shock.time_s))
            yield made | ({"note": [{"text": f"{shock.energy_j:g} J"}]} if shock.energy_j == shock.energy_j else {})
        for device in found.devices.itertuples():
            if placed(self.case, str(device.clock)):
                made = self._procedure(str(device.kind), by_source(device.source))
                yield made | self._when("performed", float(device.on_s), float(device.off_s)) | self._clock(str(device.clock))
        told = events["type"].isin(("access", "airway_placed")) & ~events["value"].isin(found.devices["kind"])
        for row in _one_source(self.case, events[told]).itertuples():
            made = self._procedure(str(row.value), by_source(row.source))
            if "successful=no" in str(row.text):
                made["outcome"] = {"text": "not successful"}
            yield made | self._when("performed", float(row.time_s)) | self._clock(str(row.clock))

    def _procedure(self, kind: str, teller: str) -> Resource:
        snomed, text = codes.PROCEDURES.get(kind, (None, kind.replace("_", " ")))
        own = (codes.PROCEDURE, kind if kind in codes.PROCEDURES else "other")
        return {
            "resourceType": "Procedure",
            "id": self.new_id(),
            "meta": {"tag": [{"system": codes.TOLD_BY, "code": teller}]},
            "status": "completed",
            "code": concept(text, *([(codes.SNOMED, snomed)] if snomed else []), own),
            "subject": {"reference": f"urn:uuid:{self.patient}"},
            "encounter": {"reference": f"urn:uuid:{self.encounter}"},
        }

    def _drugs(self) -> Iterator[Resource]:
        """Doses as the one source charts them that charts most: another may chart the same dose again."""
        for row in _one_source(self.case, self.case.events[self.case.events["type"] == "drug"]).itertuples():
            drug = str(row.value) if isinstance(row.value, str) else "drug not named"
            rxnorm = codes.DRUGS.get(drug.casefold())
            made: Resource = {
                "resourceType": "MedicationAdministration",
                "id": self.new_id(),
                "meta": {"tag": [{"system": codes.TOLD_BY, "code": by_source(row.source)}]},
                "status": "completed",
                "medicationCodeableConcept": concept(drug, *([(codes.RXNORM, rxnorm)] if rxnorm else [])),
                "subject": {"reference": f"urn:uuid:{self.patient}"},
                "context": {"reference": f"urn:uuid:{self.encounter}"},
            }
            if row.dose == row.dose and row.dose is not None:
                made["dosage"] = {"dose": quantity(float(row.dose), row.unit if isinstance(row.unit, str) else None)}
            yield made | self._when("effective", float(row.time_s)) | self._clock(str(row.clock))


def _answer(value: object) -> Resource:
    """A fact: yes or no, a word, or not known."""
    if value == "unknown":
        return {"dataAbsentReason": concept("recorded as not known", (codes.ABSENT, "asked-unknown"))}
    if isinstance(value, bool):
        return {"valueBoolean": value}
    return {"valueCodeableConcept": concept(str(value).replace("_", " "))}


def _range(limit: Limit | None, unit: str, what: str) -> list[Resource]:
    """A limit or a goal as a reference range."""
    if limit is None:
        return []
    ends = {"low": limit.low, "high": limit.high}
    made: Resource = {end: quantity(value, unit) for end, value in ends.items() if math.isfinite(value)}
    source = f" ({limit.source})" if limit.source else ""
    return [made | {"text": f"{what} {limit.text}{', edges not included' if limit.strict else ''}{source}"}]


def _components(one: Judged) -> Resource:
    """Bounds, error, coverage and count, and what tells several answers of one measure apart."""
    number = one.number
    numbers = {
        "low": (number.low, one.unit, "lowest possible, whatever happened in time not recorded"),
        "high": (number.high, one.unit, "highest possible, whatever happened in time not recorded"),
        "error": (number.error, one.unit, "half-width of what detection or clocks may be off by"),
        "coverage": (number.coverage, "1", "known share of the time or moments asked about"),
        "n": (number.n, "count", "moments or stretches that the value came from"),
    }
    made: list[Resource] = [
        {"code": concept(text, (codes.BOUND, key)), "valueQuantity": quantity(value, unit)}
        for key, (value, unit, text) in numbers.items()
        if value is not None and math.isfinite(value)
    ]
    texts = {"of": (number.of, "which of several answers"), "from": (number.from_, "zero point")}
    made += [
        {"code": concept(text, (codes.BOUND, key)), "valueString": value}
        for key, (value, text) in texts.items()
        if value is not None
    ]
    return {"component": made} if made else {}


def _one_source(case: Case, rows: pd.DataFrame) -> pd.DataFrame:
    """The rows of the one source that tells most of them, of equal ones that of the lead clock, and a reviewer's beside them."""
    rows = rows[[placed(case, str(clock)) for clock in rows["clock"]]] if len(rows) else rows
    said = rows[rows["source"] != REVIEWER]
    if said.empty:
        return rows
    counts = said.groupby("source", sort=False).agg(count=("time_s", "size"), clock=("clock", "first"))
    counts["apart"] = [clock != case.lead_clock for clock in counts["clock"]]
    best = counts.sort_values(["count", "apart"], ascending=[False, True], kind="stable").index[0]
    return rows[rows["source"].isin((best, REVIEWER))]
