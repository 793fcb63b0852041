"""A sentence of a feedback sheet with the measures it rests on, and the words that depend on the patient's age."""

from dataclasses import dataclass

from qi.model.review import Judged, Limit, Review
from qi.model.words import amount, asked


@dataclass(frozen=True)
class Said:
    """One sentence: the key by which it is edited, its text, the measures it rests on, and whether the words are a reviewer's."""

    key: str
    text: str
    rests_on: tuple[str, ...] = ()
    by_reviewer: bool = False


@dataclass(frozen=True)
class AgeWords:
    """How the compressions and the patient are spoken of: for an infant two thumbs may press, and nobody says “hands” alone."""

    patient: str
    hands: str

    @property
    def on_chest(self) -> str:
        """That they were on the chest."""
        return f"{self.hands} were on the chest"


def age_words(review: Review) -> AgeWords:
    """The words for the patients that the protocol in force is for, as it says or the one that it extends."""
    patient = review.protocol.patient
    return AgeWords(patient, "hands or thumbs" if patient == "infant" else "hands")


def sentence(key: str, text: str, *judged: Judged) -> Said:
    """A sentence that begins with a capital and ends with a stop, and what it rests on, each id once."""
    whole = text[:1].upper() + text[1:]
    return Said(key, whole if whole.endswith((".", "?")) else whole + ".", tuple(dict.fromkeys(one.id for one in judged)))


def limit_of(limit: Limit, unit: str) -> str:
    """What is asked for, whole seconds without a decimal."""
    return asked(limit, unit).replace(".0 s", " s")


def seconds_of(seconds: float) -> str:
    """A time that was counted, in whole seconds."""
    return f"{seconds:.0f} s" if seconds < 120 else amount(seconds, "s")


def held_to(judged: Judged) -> str:
    """What is asked for, in brackets; empty where nothing is."""
    if judged.limit is not None:
        return f" ({limit_of(judged.limit, judged.unit)} asked for)"
    if judged.goal is not None:
        return f" (the aim: {limit_of(judged.goal, judged.unit)})"
    return ""


def value_of(judged: Judged) -> str:
    """The value with its unit."""
    return amount(judged.value, judged.unit)


def value_near(judged: Judged, limit: Limit) -> str:
    """The value with its unit; beside a limit that it missed by less than its digits show, just under or just over."""
    text, value = value_of(judged), judged.value
    if value is not None and value < limit.low and text == amount(limit.low, judged.unit):
        return f"just under {text}"
    if value is not None and value > limit.high and text == amount(limit.high, judged.unit):
        return f"just over {text}"
    return text


def found(review: Review, id_: str, of: str | None = None, from_: str | None = None) -> Judged | None:
    """That very answer of a measure where it has a value; None where it has none, or is not there."""
    return next((one for one in review.all_of(id_) if (one.of, one.from_) == (of, from_) and one.value is not None), None)


def why_not(judged: Judged) -> str:
    """Why there is no value, and which recording would have shown it."""
    return (judged.number.reason or "too little of the arrest was recorded for one number").rstrip(".")
