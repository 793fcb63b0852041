"""From the words of an events file or an annotation to rows of the EVENTS table: known words only, the rest kept as unmapped."""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from qi.intake.meanings import Word
from qi.model.case import Note, Unknown
from qi.model.tables import EVENTS, make
from qi.model.vocabulary import EVENT_VALUES, UNMAPPED, plain

_TYPE_BY_NAME = {plain(word): word for word in EVENT_VALUES}
_PAIR = re.compile(r"([A-Za-z_]+)=(\S*)")
_ENERGY = re.compile(r"(\d+(?:\.\d+)?)\s*J?", re.IGNORECASE)
_FIELDS = ("value", "dose", "unit", "text", "by")


@dataclass(frozen=True)
class Entry:
    """One event as read: fields of an EVENTS row, time in seconds on the file's own clock.

    not_known is the file's own word where it is not understood, with its value where that is what is not; mapped is the word of a
    map that it was read by.
    """

    time_s: float
    type: str
    end_s: float | None = None
    value: str | None = None
    dose: float | None = None
    unit: str | None = None
    text: str | None = None
    by: str | None = None
    uncertainty_s: float = 0.0
    not_known: str | None = None
    mapped: Word | None = None


def entry(
    time_s: float, word: str, fields: Mapping[str, str | None], *, words: Mapping[str, Word], end_s: float | None = None
) -> tuple[Entry, list[str]]:
    """Make one event of a type word and its fields.

    Parameters: time_s and end_s [s]; word, the file's own type word; fields, value, dose, unit, text and by as written; words, what
    the file's own words, or a word with its value behind it, stand for, by plain text.
    Returns: the event (type `unmapped` with the word in its text where the word is not known) and what a person should know of it.
    """
    given = {name: (fields.get(name) or "").strip() or None for name in _FIELDS}
    own = words.get(plain(f"{word} {given['value'] or ''}")) or words.get(plain(word))
    kind = own.type if own else _TYPE_BY_NAME.get(plain(word))
    if own and own.value:
        if given["value"] and plain(own.text) == plain(word):
            given["text"] = " ".join(filter(None, (given["value"], given["text"])))
        given["value"] = own.value
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
        return Entry(time_s, UNMAPPED, end_s, given["value"], dose, given["unit"], text, given["by"], not_known=word), said
    value, unit, remark = _value(kind, given["value"], given["unit"])
    said += [remark] if remark else []
    not_known = f"{word} {given['value']}" if remark else None
    mapped = own if own and own.of_map else None
    return Entry(time_s, kind, end_s, value, dose, unit, given["text"], given["by"], not_known=not_known, mapped=mapped), said


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


def from_annotation(time_s: float, text: str, *, words: Mapping[str, Word], end_s: float | None) -> tuple[Entry, list[str]]:
    """Read one annotation: its first word the type, then key=value pairs, the rest the value.

    A text that the words name whole is that event; a text that begins with one of them is that event with the rest behind it, of
    several the longest. A key that is no field of an event stays in the text; `energy` is the value of a shock or a charge.
    """
    if plain(text) in words:
        return entry(time_s, text, {"text": text}, words=words, end_s=end_s)
    head, rest = _split(text, words)
    if plain(head) not in _TYPE_BY_NAME and plain(head) not in words:
        return entry(time_s, text.strip(), {}, words={}, end_s=end_s)
    kind = words[plain(head)].type if plain(head) in words else _TYPE_BY_NAME[plain(head)]
    fields: dict[str, str | None] = {}
    other = []
    for key, value in _PAIR.findall(rest):
        name = "value" if key.casefold() == "energy" and kind in ("shock", "charge") else key.casefold()
        if name in _FIELDS and name not in fields:
            fields[name] = value
        else:
            other.append(f"{key}={value}")
    fields.setdefault("value", " ".join(_PAIR.sub("", rest).split()) or None)
    if other:
        fields["text"] = " ".join(filter(None, (fields.get("text"), *other)))
    return entry(time_s, head, fields, words=words, end_s=end_s)


def _split(text: str, words: Mapping[str, Word]) -> tuple[str, str]:
    """The beginning of a text that is an event word, the longest that the map names or else its first word, and the rest."""
    parts = text.strip().split(" ")
    for count in range(len(parts) - 1, 1, -1):
        if plain(head := " ".join(parts[:count])) in words:
            return head, " ".join(parts[count:])
    return parts[0], " ".join(parts[1:])


def not_understood(entries: Iterable[Entry], file: str) -> tuple[Unknown, ...]:
    """The words of a file that are not understood, each with how often it stands there."""
    counts: dict[tuple[str, str], int] = {}
    for row in entries:
        if row.not_known is not None:
            detail = "kept as it stands, unmapped" if row.type == UNMAPPED else f"not a value of {row.type}: kept as it stands"
            counts[row.not_known, detail] = counts.get((row.not_known, detail), 0) + 1
    return tuple(Unknown("event", word, file, detail, count) for (word, detail), count in counts.items())


def read_by_maps(entries: Iterable[Entry], file: str) -> tuple[Note, ...]:
    """A note for each map whose words were used: which, and what they were taken for."""
    used: dict[str, dict[str, int]] = {}
    for row in entries:
        if row.mapped:
            told = f"“{row.mapped.text}” as {' '.join(filter(None, (row.mapped.type, row.mapped.value)))}"
            counts = used.setdefault(row.mapped.of_map, {})
            counts[told] = counts.get(told, 0) + 1
    return tuple(
        Note("info", file, f"by the map “{name}” read: {', '.join(f'{told} ({count})' for told, count in counts.items())}")
        for name, counts in used.items()
    )


def table(entries: Iterable[Entry], source: str) -> pd.DataFrame:
    """The EVENTS table of one file, sorted by time."""
    rows = sorted(entries, key=lambda row: row.time_s)
    columns: dict[str, Any] = {name: [getattr(row, name) for row in rows] for name in ("time_s", "type", "end_s", *_FIELDS)}
    for name in ("time_s", "end_s", "dose"):
        columns[name] = pd.array([float("nan") if value is None else value for value in columns[name]], dtype="float64")
    columns["uncertainty_s"] = [row.uncertainty_s for row in rows]
    return make(EVENTS, **columns, source=[source] * len(rows), clock=[""] * len(rows))
