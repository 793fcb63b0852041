"""From the words of an events file or an annotation to rows of the EVENTS table: known words only, the rest kept as unmapped."""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from qi.model.tables import EVENTS, make
from qi.model.vocabulary import EVENT_VALUES, UNMAPPED, plain

_TYPE_BY_NAME = {plain(word): word for word in EVENT_VALUES}
_PAIR = re.compile(r"([A-Za-z_]+)=(\S*)")
_ENERGY = re.compile(r"(\d+(?:\.\d+)?)\s*J?", re.IGNORECASE)
_FIELDS = ("value", "dose", "unit", "text", "by")


@dataclass(frozen=True)
class Entry:
    """One event as read: fields of an EVENTS row, time in seconds on the file's own clock."""

    time_s: float
    type: str
    end_s: float | None = None
    value: str | None = None
    dose: float | None = None
    unit: str | None = None
    text: str | None = None
    by: str | None = None


def entry(
    time_s: float, word: str, fields: Mapping[str, str | None], *, words: Mapping[str, str], end_s: float | None = None
) -> tuple[Entry, list[str]]:
    """Make one event of a type word and its fields.

    Parameters: time_s and end_s [s]; word, the file's own type word; fields, value, dose, unit, text and by as written; words, the
    header's map from the file's own words to event types.
    Returns: the event (type `unmapped` with the word in its text where the word is not known) and what a person should know of it.
    """
    given = {name: (fields.get(name) or "").strip() or None for name in _FIELDS}
    own_words = {plain(own): known for own, known in words.items()}
    kind = own_words.get(plain(word)) or _TYPE_BY_NAME.get(plain(word))
    said: list[str] = []
    dose = None
    try:
        dose = float(given["dose"]) if given["dose"] else None
    except ValueError:
        said.append(f"the dose “{given['dose']}” is not a number and is kept in the text")
        given["text"] = " ".join(filter(None, (given["text"], f"dose={given['dose']}")))
    if kind is None:
        said.append(f"“{word}” is not a known event: kept as it stands, unmapped")
        text = " ".join(filter(None, (word, given["text"])))
        return Entry(time_s, UNMAPPED, end_s, given["value"], dose, given["unit"], text, given["by"]), said
    value, unit, remark = _value(kind, given["value"], given["unit"])
    said += [remark] if remark else []
    return Entry(time_s, kind, end_s, value, dose, unit, given["text"], given["by"]), said


def _value(kind: str, value: str | None, unit: str | None) -> tuple[str | None, str | None, str | None]:
    """The value in the vocabulary of its type, its unit, and a remark where the value is not in the vocabulary."""
    if value is None:
        return None, unit, None
    if kind in ("charge", "shock") and (energy := _ENERGY.fullmatch(value)):
        return energy.group(1), unit or "J", None
    choices = EVENT_VALUES[kind]
    if choices is None:
        return value, unit, None
    known = {plain(choice): choice for choice in choices}.get(plain(value))
    if known:
        return known, unit, None
    right = f"choose from {', '.join(choices)}" if choices else "none is expected"
    return value, unit, f"the value “{value}” is not known for {kind} ({right}): kept as it stands"


def from_annotation(time_s: float, text: str, *, words: Mapping[str, str], end_s: float | None) -> tuple[Entry, list[str]]:
    """Read one annotation: its first word the type, then key=value pairs, the rest the value.

    A text that the header's map names whole is that event. A key that is no field of an event stays in the text; `energy` is the
    value of a shock or a charge.
    """
    if plain(text) in {plain(own) for own in words}:
        return entry(time_s, text, {"text": text}, words=words, end_s=end_s)
    head, _, rest = text.strip().partition(" ")
    if plain(head) not in _TYPE_BY_NAME and plain(head) not in {plain(own) for own in words}:
        return entry(time_s, text.strip(), {}, words={}, end_s=end_s)
    fields: dict[str, str | None] = {}
    other = []
    for key, value in _PAIR.findall(rest):
        name = "value" if key.casefold() == "energy" and plain(head) in ("shock", "charge") else key.casefold()
        if name in _FIELDS and name not in fields:
            fields[name] = value
        else:
            other.append(f"{key}={value}")
    fields.setdefault("value", " ".join(_PAIR.sub("", rest).split()) or None)
    if other:
        fields["text"] = " ".join(filter(None, (fields.get("text"), *other)))
    return entry(time_s, head, fields, words=words, end_s=end_s)


def table(entries: Iterable[Entry], source: str) -> pd.DataFrame:
    """The EVENTS table of one file, sorted by time."""
    rows = sorted(entries, key=lambda row: row.time_s)
    columns: dict[str, Any] = {name: [getattr(row, name) for row in rows] for name in Entry.__dataclass_fields__}
    for name in ("time_s", "end_s", "dose"):
        columns[name] = pd.array([float("nan") if value is None else value for value in columns[name]], dtype="float64")
    return make(EVENTS, **columns, source=[source] * len(rows), clock=[""] * len(rows), uncertainty_s=[0.0] * len(rows))
