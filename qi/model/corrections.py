"""A reviewer's correction: what was there, what shall be there, and why. Times are seconds from case start as it stood then."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields
from typing import Any

from qi.model.case import Case
from qi.model.journal import Line
from qi.model.vocabulary import EVENT_VALUES, UNMAPPED

ACTIONS = ("add", "move", "remove", "relabel")
# Subjects that detectors find, beside every event type of the vocabulary (EVENT_VALUES and unmapped), which files chart.
FOUND = ("compression", "ventilation", "shock", "pause", "arrest", "artefact")
SUBJECTS = (*FOUND, *(word for word in (*EVENT_VALUES, UNMAPPED) if word not in FOUND))


@dataclass(frozen=True)
class Correction:
    """One correction.

    action is add, move, remove or relabel; subject is one of SUBJECTS. start_s and end_s say where the subject is (for add: shall
    be); end_s is missing for a single moment. to_start_s and to_end_s say where it moves. value is the new value (a pause's cause,
    an airway kind, a shock's energy, a rate for a stretch of compressions); dose and unit are those of a drug; type is the new
    event type of a relabel. sensor names the one signal that an artefact is on, empty for all. before is what was there, as a record of
    plain values; why is the reviewer's reason.
    anchor is the file whose recording the times hang on, anchor_s where that file began on the case axis when the line was written:
    should the axis move (another monitor is added, a clock is set), the correction moves with the file.
    """

    action: str
    subject: str
    start_s: float
    end_s: float | None = None
    to_start_s: float | None = None
    to_end_s: float | None = None
    value: str | None = None
    dose: float | None = None
    unit: str | None = None
    type: str | None = None
    sensor: str = ""
    before: Mapping[str, Any] = field(default_factory=dict)
    why: str = ""
    anchor: str = ""
    anchor_s: float = 0.0
    number: int = 0

    @property
    def span(self) -> tuple[float, float]:
        """Where the subject is; a moment as a stretch without length [s]."""
        return self.start_s, self.start_s if self.end_s is None else self.end_s

    def record(self) -> dict[str, Any]:
        """As plain values, for the journal; fields that say nothing are left out, and the number is the line's own."""
        return {key: value for key, value in asdict(self).items() if value not in (None, "", {}) and key != "number"}


def anchor_of(case: Case) -> tuple[str, float]:
    """The file that corrections on this case hang on, and where it begins: the lead clock's, else the first that is placed."""
    placed = [source for source in case.sources if source.start_s == source.start_s]
    own = [source for source in placed if source.clock == case.lead_clock]
    first = next(iter(own or placed), None)
    return (first.file, first.start_s) if first else ("", 0.0)


def shift_s(case: Case, anchor: str, anchor_s: float) -> float:
    """What to add to times written when the anchor began at anchor_s [s]; 0 where the anchor is no longer placed."""
    now = next((source.start_s for source in case.sources if source.file == anchor and source.start_s == source.start_s), None)
    return 0.0 if now is None else now - anchor_s


def correction_of(line: Line, case: Case) -> Correction:
    """The correction that a line holds, on the axis as the case stands now.

    Raises: KeyError for a line without action, subject or time (no such line is written).
    """
    known = {one.name for one in fields(Correction)}
    body = {key: value for key, value in line.body.items() if key in known}
    by_s = shift_s(case, str(body.get("anchor", "")), float(body.get("anchor_s", 0.0)))
    for name in ("start_s", "end_s", "to_start_s", "to_end_s"):
        if body.get(name) is not None:
            body[name] = float(body[name]) + by_s
    body["anchor_s"] = float(body.get("anchor_s", 0.0)) + by_s
    return Correction(**{**body, "number": line.number})
