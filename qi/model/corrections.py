"""A reviewer's correction: what was there, what shall be there, and why. Times are seconds from case start as it stood then."""

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from math import isfinite
from numbers import Real
from typing import Any

from qi.model.case import Case
from qi.model.errors import QiError, UnknownWord
from qi.model.journal import Line
from qi.model.vocabulary import EVENT_VALUES, PAUSE_CAUSES, UNMAPPED

ACTIONS = ("add", "move", "remove", "relabel")
# Subjects that detectors find, beside every event type of the vocabulary (EVENT_VALUES and unmapped), which files chart.
FOUND = ("compression", "ventilation", "shock", "pause", "arrest", "artefact")
SUBJECTS = (*FOUND, *(word for word in (*EVENT_VALUES, UNMAPPED) if word not in FOUND))
# What has a length by its nature -> the actions that must say from when to when.
STRETCHES: Mapping[str, tuple[str, ...]] = {
    "pause": ("add", "move", "remove"),
    "artefact": ("add", "move", "remove"),
    "arrest": ("add",),
}
UNLABELLED = ("compression", "ventilation", "arrest", "artefact")  # what has neither value nor type to be changed
RATES_PER_MIN = (30.0, 250.0)  # of compressions that a person tells of (our default, no source)
LONGEST_BREATH_S = 10.0  # a longer one is no breath (our default, no source)
FURTHEST_S = 86400.0  # nothing of a case lies further from its start (our default, no source)
_TIMES = ("start_s", "end_s", "to_start_s", "to_end_s")


@dataclass(frozen=True)
class Correction:
    """One correction.

    action is add, move, remove or relabel; subject is one of SUBJECTS. start_s and end_s say where the subject is (for add: shall
    be); end_s is missing for a single moment. to_start_s and to_end_s say where it moves. value is the new value (a pause's cause,
    an airway kind, a shock's energy, a rate for a stretch of compressions); dose and unit are those of a drug; type is the new
    event type of a relabel. sensor names the one signal that an artefact is on, empty for all. before is what was there, as a
    record of plain values (of a charted event its row, and file_s, how long after the beginning of its file it lies, so that it is
    found again when its clock is set); why is the reviewer's reason.
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
    for name in _TIMES:
        if body.get(name) is not None:
            body[name] = float(body[name]) + by_s
    body["anchor_s"] = float(body.get("anchor_s", 0.0)) + by_s
    return Correction(**{**body, "number": line.number})


def file_s(case: Case, file: str, time_s: float) -> float | None:
    """How long after the beginning of a file a moment of the case lies [s]; None for a file that is not placed, or not there."""
    start = next((source.start_s for source in case.sources if source.file == file and source.start_s == source.start_s), None)
    return None if start is None else time_s - start


def checked(one: Correction) -> Correction:
    """A correction that can be carried out: its stretches in order of time, or refused in words.

    A stretch drawn from its end to its beginning is the same stretch; one without length is a moment.
    Raises: UnknownWord for an action, a subject, a type or a value that is not in its list; QiError for a time that is no number or
    out of reach, a stretch without length where one is needed, a move to nowhere, a rate, energy or dose that is none.
    """
    if one.action not in ACTIONS:
        raise UnknownWord("correction", one.action, ACTIONS)
    if one.subject not in SUBJECTS:
        raise UnknownWord("correction", one.subject, SUBJECTS)
    for name in _TIMES:
        time = getattr(one, name)
        if (time is not None or name == "start_s") and not (_is_number(time) and abs(time) <= FURTHEST_S):
            raise QiError(f"{_named(one)}: {name} is {time}, it should be a number of seconds within a day of the case's start")
    start, end = one.start_s if one.end_s is None else min(one.start_s, one.end_s), _in_order(one.start_s, one.end_s)[1]
    to_start, to_end = _in_order(one.to_start_s, one.to_end_s)
    if one.subject in STRETCHES and to_start is not None and one.to_end_s == one.to_start_s:
        raise QiError(f"{_named(one)}: it would have no length")
    tidy = replace(one, start_s=start, end_s=end, to_start_s=to_start, to_end_s=to_end)
    _check_places(tidy)
    _check_value(tidy)
    return tidy


def carried_out(corrections: Iterable[Correction]) -> tuple[list[Correction], list[Correction]]:
    """Corrections that can be carried out, each as `checked` gives it, and those that cannot, as they stand."""
    sound: list[Correction] = []
    refused: list[Correction] = []
    for one in corrections:
        try:
            sound.append(checked(one))
        except QiError:
            refused.append(one)
    return sound, refused


def _named(one: Correction) -> str:
    return f"{one.action} {one.subject.replace('_', ' ')}"


def _is_number(value: object) -> bool:
    return isinstance(value, Real) and not isinstance(value, bool) and isfinite(value)


def _in_order(start_s: float | None, end_s: float | None) -> tuple[float | None, float | None]:
    """Both times in order; the end missing where there is no length."""
    if start_s is None or end_s is None:
        return start_s, end_s
    return (min(start_s, end_s), max(start_s, end_s)) if start_s != end_s else (start_s, None)


def _check_places(one: Correction) -> None:
    """Refuse what has no place, or none to go to."""
    if one.end_s is None and one.action in STRETCHES.get(one.subject, ()):
        raise QiError(f"{_named(one)}: a stretch is needed, with an end after its start")
    if one.action == "move" and one.to_start_s is None and (one.subject != "arrest" or one.to_end_s is None):
        raise QiError(f"{_named(one)}: where to is missing (to_start_s)")
    lasts = one.span[1] - one.span[0]
    if (one.action, one.subject) == ("add", "ventilation") and lasts > LONGEST_BREATH_S:
        raise QiError(f"{_named(one)}: {lasts:.1f} s is no breath; one lasts at most {LONGEST_BREATH_S:g} s")


def _check_value(one: Correction) -> None:
    """Refuse a value, type or dose that the subject cannot have, and a relabel without any."""
    if one.action == "relabel" and one.subject in UNLABELLED:
        raise QiError(f"{_named(one)}: it has no value to be changed; it can be added, moved or removed")
    if one.action == "relabel" and one.value is None and one.type is None and one.dose is None and one.unit is None:
        raise QiError(f"{_named(one)}: the new value is missing")
    if one.type is not None:
        _check_type(one, one.type)
    if one.dose is not None and not (_is_number(one.dose) and one.dose >= 0):
        raise QiError(f"{_named(one)}: a dose of {one.dose} is none")
    kind = one.type or one.subject
    if one.action == "remove":
        return
    if kind in ("shock", "charge"):
        _check_number(one, "an energy in J", 0.0, float("inf"))
    elif kind == "compression":
        _check_number(one, "a rate per minute", *RATES_PER_MIN)
    else:
        _check_word(one, PAUSE_CAUSES if kind == "pause" else EVENT_VALUES.get(kind))


def _check_type(one: Correction, type_: str) -> None:
    if type_ not in (*EVENT_VALUES, UNMAPPED):
        raise UnknownWord("correction", type_, (*EVENT_VALUES, UNMAPPED))
    if one.action != "relabel" or one.subject in (*UNLABELLED, "pause") or type_ in UNLABELLED:
        raise QiError(f"{_named(one)}: it cannot become a {type_.replace('_', ' ')}")


def _check_number(one: Correction, what: str, low: float, high: float) -> None:
    if one.value is None:
        return
    try:
        number = float(one.value)
    except (TypeError, ValueError):
        number = float("nan")
    if not (isfinite(number) and low <= number <= high):
        reach = f"from {low:g} to {high:g}" if isfinite(high) else f"of {low:g} or more"
        raise QiError(f"{_named(one)}: “{one.value}” is not {what}, a number {reach}")


def _check_word(one: Correction, choices: tuple[str, ...] | None) -> None:
    """Refuse a value that is not in the list of its kind, and something put in that says nothing without one."""
    kind = one.type or one.subject
    asked = one.action == "add" or (one.type is not None and one.before.get("value") not in (choices or ()))
    if asked and not one.value and kind not in ("pause", "airway_removed") and (choices or kind == "drug"):
        raise QiError(f"{_named(one)}: which one is missing ({', '.join(choices) if choices else 'its name'})")
    if one.value is None or choices is None:
        return
    if not choices:
        raise QiError(f"{_named(one)}: it takes no value, “{one.value}” was given")
    if one.value not in choices:
        raise UnknownWord(_named(one), one.value, choices)
