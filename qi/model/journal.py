"""What people say of a case: lines of a journal that only grows. A line is never changed and never taken away."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

REVIEWER = "reviewer"  # the sensor, source or teller of whatever a person, not a machine, put there
FIRST, SECOND = 1, 2  # readings of a case: the reviewer's, and an independent one by a second reviewer

# kind -> what its body holds
KINDS: Mapping[str, str] = {
    "correction": "a Correction of qi.model.corrections, as a record",
    "undo": "undoes: number of the line that no longer counts; an undo can be undone",
    "clock": "clock, offset_s, uncertainty_s, method, before (the Clock as it stood), why",
    "finding": "a Finding, as a record",
    "finding_changed": "of: number of the finding; then a Finding, as a record",
    "finding_withdrawn": "of: number of the finding; why",
    "signed": "version, record (the measures as they stood)",
    "reopened": "why",
    "excluded": "reason (one of EXCLUSIONS), why",
    "included": "why",
    "assigned": "to: a reviewer's name, empty for nobody",
    "feedback": "how: in what way the crew were told",
    "second_asked": "why",
    "second_signed": "the second reader is done",
    "outcome": "field, value, before, file, row",
    "files": "added: names of files that came later",
}
EXCLUSIONS: Mapping[str, str] = {
    "no_attempt": "no resuscitation was attempted",
    "dnr": "a valid order not to resuscitate",
    "trauma": "arrest from trauma",
    "not_an_arrest": "not a cardiac arrest",
    "duplicate": "the same call is here under another number",
    "other": "another reason, in words",
}
# kinds that a signed version locks out until it is reopened; facts that arrive later and the running of the worklist go on
LOCKED_OUT = frozenset({"correction", "undo", "clock", "finding", "finding_changed", "finding_withdrawn", "excluded", "included"})


@dataclass(frozen=True)
class Line:
    """One line of a case's journal: its number from 1 without a gap, who wrote it, when (aware, UTC), in which reading, what.

    marks tell the writer from others of the same name, see qi.model.people.Person; none where nobody signs in.
    """

    number: int
    who: str
    when: datetime
    kind: str
    body: Mapping[str, Any] = field(default_factory=dict)
    reading: int = FIRST
    marks: frozenset[str] = frozenset()


# A finding's kind -> what a person reads. Process, never a person.
FINDINGS: Mapping[str, str] = {
    "went_well": "Went well",
    "work_on": "To work on",
    "equipment": "Equipment",
    "teamwork": "Teamwork and roles",
    "record": "Recording and charting",
    "protocol": "Protocol itself",
    "other": "Other",
}


@dataclass(frozen=True)
class Finding:
    """What a reviewer found: kind of FINDINGS, words, and the stretch or moment it is tied to [s from case start], if any.

    anchor and anchor_s: see Correction.
    """

    kind: str
    text: str
    start_s: float | None = None
    end_s: float | None = None
    measure: str | None = None
    anchor: str = ""
    anchor_s: float = 0.0
    number: int = 0
    who: str = ""
    when: datetime | None = None


OF_THE_CASE = ("clock", "files", "outcome")  # kinds that belong to the case, whoever reads it


def counting(lines: Sequence[Line], *, reading: int = FIRST) -> list[Line]:
    """The lines of one reading that count: those that no later counting line undoes, undo lines themselves left out.

    An undo can be undone, which brings back what it took away. Lines that belong to the case (OF_THE_CASE), and what undoes them,
    count in both readings.
    """
    kinds: dict[int, str] = {}
    for line in lines:
        kinds[line.number] = kinds.get(int(line.body["undoes"]), "") if line.kind == "undo" else line.kind
    mine = [line for line in lines if line.reading == reading or kinds[line.number] in OF_THE_CASE]
    undone: set[int] = set()
    for line in reversed(mine):
        if line.kind == "undo" and line.number not in undone:
            undone.add(int(line.body["undoes"]))
    return [line for line in mine if line.number not in undone and line.kind != "undo"]


def version_of(lines: Sequence[Line]) -> tuple[int, bool]:
    """The version that the journal stands at, from 1, and whether it is signed."""
    version, signed = 1, False
    for line in lines:
        if line.kind == "signed":
            signed = True
        elif line.kind == "reopened" and signed:
            version, signed = version + 1, False
    return version, signed
