"""A reviewed case: the protocol in force, each measure's answer with its verdict, and what was found."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from qi.model.case import Case, Note
from qi.model.corrections import Correction
from qi.model.findings import Findings
from qi.model.number import Number

PATIENTS = ("adult", "child", "infant")  # whom a protocol is for, as they are spoken of; newborns are infants


@dataclass(frozen=True)
class Definition:
    """A number that defines a measure: its value, unit, edition, how far it was checked, its source, and what it means."""

    value: Any
    unit: str
    edition: str
    checked: str
    source: str
    meaning: str = ""


@dataclass(frozen=True)
class Limit:
    """A stretch that a value should lie in, edges included unless strict; either edge may be open."""

    text: str
    low: float
    high: float
    strict: bool
    source: str


@dataclass(frozen=True)
class Rule:
    """What is asked of one measure: a limit (the floor) and a goal (a tighter aim); of names the answers it is asked of."""

    limit: Limit | None
    goal: Limit | None
    of: tuple[str, ...]


@dataclass(frozen=True)
class Protocol:
    """The protocol in force: who chose it, its definitions by name, its rules by measure id, and whom it is for (PATIENTS)."""

    name: str
    title: str
    edition: str
    chosen_by: str
    definitions: Mapping[str, Definition]
    rules: Mapping[str, Rule]
    judged: bool = True
    age_known: bool = True
    patient: str = "adult"

    @property
    def values(self) -> dict[str, Any]:
        """The definitions' values by name, as measures take them."""
        return {name: definition.value for name, definition in self.definitions.items()}


@dataclass(frozen=True)
class Judged:
    """One measure's answer with its verdict and everything that a screen or file says of it."""

    id: str
    label: str
    unit: str
    number: Number
    verdict: str
    limit: Limit | None
    goal: Limit | None
    goal_verdict: str
    method: str
    source: str

    @property
    def value(self) -> float | None:
        """The value, None where the case cannot show it."""
        return self.number.value

    @property
    def of(self) -> str | None:
        """Which of several answers of one measure this is."""
        return self.number.of

    @property
    def from_(self) -> str | None:
        """The zero point, where there are several."""
        return self.number.from_


@dataclass(frozen=True, eq=False)
class Review:
    """One case, what was found on it, and every measure held against the protocol in force.

    corrections are the reviewer's that count in it, in the order they were written; none for the machine's own view.
    """

    case: Case
    findings: Findings
    protocol: Protocol
    numbers: tuple[Judged, ...]
    notes: tuple[Note, ...]
    corrections: tuple[Correction, ...] = ()

    @property
    def unread(self) -> tuple[str, ...]:
        """The files and places of which something could not be read, each once."""
        return tuple(sorted({note.where for note in self.notes if note.level == "error"}))

    def all_of(self, id_: str) -> list[Judged]:
        """Every answer of one measure, in its order."""
        return [number for number in self.numbers if number.id == id_]

    def of(self, id_: str, of: str | None = None, from_: str | None = None) -> Judged:
        """One answer of one measure; without `of` and `from_` the plain one, or the first where there is none.

        A measure that this case cannot show at all has one answer, which stands for every `of` and `from_`.
        Raises: KeyError when there is no such answer.
        """
        answers = self.all_of(id_)
        for number in answers:
            if (number.of, number.from_) == (of, from_):
                return number
        alone = len(answers) == 1 and answers[0].value is None
        if answers and (alone or (of is None and from_ is None)):
            return answers[0]
        raise KeyError(f"{id_} of {of} from {from_}")
