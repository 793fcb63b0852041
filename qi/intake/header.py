"""The optional header of a case folder, `case.toml`.

A header that is not TOML is left out whole, an entry that is misspelt or of the wrong kind is left out alone; each is an error note
that names the line and, for a word, lists the choices. The rest of the case loads in both cases.
"""

import difflib
import re
import tomllib
import zoneinfo
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from qi.intake.meanings import Column, Word
from qi.intake.moments import FARTHEST_S, moment
from qi.model.case import Facts, Note
from qi.model.errors import UnknownWord
from qi.model.vocabulary import CHANNELS, EVENT_VALUES, HOSPITAL_KINDS, IGNORED, RHYTHMS, plain

NAME = "case.toml"
_TYPES = frozenset(plain(word) for word in EVENT_VALUES)


@dataclass(frozen=True)
class SourceHeader:
    """What the header says of one file (one [[source]] of case.toml); every field may be left out.

    start is the moment of the file's first sample; channels maps the file's own labels to channel ids or “ignored”; columns maps
    the file's own column names (dispatch) or texts (annotations, events) to event types. offset_s and uncertainty_s are None
    where the header does not say. zone is the agency's. labels and words are what the agency's maps say, by plain name: they speak
    where neither the header nor the vocabulary does.
    """

    file: str = ""
    start: datetime | None = None
    depth_reference: str | None = None
    clock: str | None = None
    offset_s: float | None = None
    uncertainty_s: float | None = None
    channels: Mapping[str, str] = field(default_factory=dict)
    columns: Mapping[str, str] = field(default_factory=dict)
    zone: str | None = None
    labels: Mapping[str, Column] = field(default_factory=dict)
    words: Mapping[str, Word] = field(default_factory=dict)

    @property
    def event_words(self) -> dict[str, Word]:
        """What event words stand for, by plain text: the header's, then those of the maps that the vocabulary does not have."""
        own = {plain(text): Word(text, type_) for text, type_ in self.columns.items() if plain(text)}
        return {text: word for text, word in self.words.items() if text not in _TYPES} | own

    def ignores(self, name: str) -> bool:
        """Whether a map says that a column of that name is not to be read."""
        label = self.labels.get(plain(name))
        return label is not None and label.channel == IGNORED


@dataclass(frozen=True)
class Given:
    """What a person typed on screen for a case that may have no header: its id and its zone; case.toml goes before them."""

    id: str | None = None
    zone: str | None = None


@dataclass(frozen=True)
class Header:
    """What case.toml says of the whole case; without one the folder's name is the id and the rest is not recorded."""

    id: str
    zone: str | None = None
    protocol: str | None = None
    facts: Facts = field(default_factory=Facts)
    sources: Mapping[str, SourceHeader] = field(default_factory=dict)
    notes: tuple[Note, ...] = ()


class _Wrong(ValueError):
    """An entry of the header cannot be used; the text says what would be right."""


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise _Wrong(f"is {value!r}, should be a text in quotes")
    return value


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) <= FARTHEST_S:
        raise _Wrong(f"is {value!r}, should be a number that is not out of all bounds")
    return float(value)


def _not_negative(value: object) -> float:
    number = _number(value)
    if number < 0:
        raise _Wrong(f"is {value!r}, should be 0 or more")
    return number


def _known(value: object) -> bool | str:
    if value is True or value is False or value == "unknown":
        return value
    raise _Wrong(f'is {value!r}, should be true, false or "unknown"')


def _yes_or_no(value: object) -> bool:
    if not isinstance(value, bool):
        raise _Wrong(f"is {value!r}, should be true or false")
    return value


def _texts(value: object) -> tuple[str, ...]:
    if not isinstance(value, list):
        raise _Wrong(f'is {value!r}, should be a list such as ["C-104", "C-233"]')
    return tuple(_text(item) for item in value)


def _each_of(*choices: str) -> Callable[[object], tuple[str, ...]]:
    def chosen(value: object) -> tuple[str, ...]:
        for item in _texts(value):
            if item not in choices:
                raise UnknownWord("", item, choices)
        return _texts(value)

    return chosen


def _one_of(*choices: str) -> Callable[[object], str]:
    def chosen(value: object) -> str:
        if _text(value) not in choices:
            raise UnknownWord("", str(value), choices)
        return str(value)

    return chosen


def _start(value: object) -> datetime:
    if isinstance(value, datetime):
        return value
    try:
        return moment(_text(value))
    except ValueError as error:
        raise _Wrong(str(error)) from None


def zone_named(name: str) -> str:
    """The name of a zone, if there is one of that name.

    Raises: ValueError saying which names are near it.
    """
    try:
        zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        near = difflib.get_close_matches(name, zoneinfo.available_timezones(), n=5, cutoff=0.5)
        raise _Wrong(
            f"“{name}” is not an IANA zone; near it are {', '.join(near) or 'none; an example is America/Denver'}"
        ) from None
    return name


def _zone(value: object) -> str:
    return zone_named(_text(value))


def _file(value: object) -> str:
    name = _text(value)
    if ".." in Path(name).parts or "/" in name or "\\" in name:
        raise _Wrong(f"“{name}” leads out of the case folder; right would be the bare name of a file in it")
    return name


def _words(choices: Mapping[str, Any]) -> Callable[[object], dict[str, str]]:
    def mapped(value: object) -> dict[str, str]:
        if not isinstance(value, dict):
            raise _Wrong(f"is {value!r}, should be a table of names")
        for label, word in value.items():
            if word not in choices:
                raise UnknownWord(f"“{label}”", str(word), choices)
        return value

    return mapped


_PATIENT = {"age_years": _not_negative, "sex": _one_of("female", "male", "other")}
_ARREST = {
    "witnessed": _one_of("bystander", "ems", "no", "unknown"),
    **dict.fromkeys(("bystander_cpr", "bystander_aed", "dispatcher_cpr"), _known),
    **dict.fromkeys(("cause", "location"), _text),
    "first_rhythm": _one_of(*RHYTHMS, "unknown"),
    "attempted": _yes_or_no,
    "hospital": _each_of(*HOSPITAL_KINDS),
}
_CREW = {"station": _text, "shift": _text, "unit": _text, "members": _texts, "crew_roles": _texts}
_OUTCOME = {
    **dict.fromkeys(("any_rosc", "sustained_rosc", "survived_event", "survived_to_discharge"), _known),
    **dict.fromkeys(("cpc", "mrs"), lambda value: value if value == "unknown" else _number(value)),
}
_SOURCE = {
    "file": _file,
    "start": _start,
    "depth_reference": _one_of("absolute", "stroke"),
    "clock": _text,
    "offset_s": _number,
    "uncertainty_s": _not_negative,
    "channels": _words({**CHANNELS, IGNORED: None}),
    "columns": _words(EVENT_VALUES),
}
_TOP = {"id": _text, "zone": _zone, "protocol": _text}
_TABLES: dict[str, Mapping[str, Callable[[object], Any]]] = {
    "patient": _PATIENT,
    "arrest": _ARREST,
    "crew": _CREW,
    "outcome": _OUTCOME,
}


class _Reading:
    """One pass over a header: the entries that hold, and a note for each that does not."""

    def __init__(self, text: str) -> None:
        self.lines = text.splitlines()
        self.notes: list[Note] = []

    def wrong(self, key: str, what: str) -> None:
        """Keep a note that names the first line on which the key, or the word in question, stands."""
        pattern = re.compile(rf"^\s*\[*[\w.\" ]*?\b{re.escape(key)}\b\"?\s*[=\].]")
        line = next((number for number, line in enumerate(self.lines, 1) if pattern.search(line)), None)
        self.notes.append(Note("error", f"{NAME}, line {line}" if line else NAME, f"{what}; this entry is left out"))

    def entries(self, table: object, rules: Mapping[str, Callable[[object], Any]], within: str) -> dict[str, Any]:
        """The entries of one table that are known and of the right kind."""
        if not isinstance(table, dict):
            self.wrong(within, f"{within} should be a table, [{within}]")
            return {}
        kept = {}
        for key, value in table.items():
            try:
                if key not in rules:
                    raise UnknownWord(within, key, rules)
                kept[key] = rules[key](value)
            except UnknownWord as error:
                self.wrong(key, str(UnknownWord(" ".join(filter(None, (key, error.where))), error.word, error.choices)))
            except _Wrong as error:
                self.wrong(key, f"{key} {error}")
        return kept

    def sources(self, tables: object, zone: str | None) -> dict[str, SourceHeader]:
        """What the [[source]] tables say, by file."""
        if not isinstance(tables, list):
            self.wrong("source", "source should be written [[source]], one for each file")
            return {}
        found: dict[str, SourceHeader] = {}
        for table in tables:
            kept = self.entries(table, _SOURCE, "source")
            if "file" not in kept:
                self.wrong("source", "a [[source]] without a usable file")
            elif kept["file"] in found:
                self.wrong("file", f"“{kept['file']}” has two [[source]] tables; the first is used")
            else:
                found[kept["file"]] = SourceHeader(**kept, zone=zone)
        return found


def safe_id(name: str) -> str:
    """A case id that is safe as a file name: A-Z a-z 0-9 . _ -, no leading dot, at most 64."""
    return re.sub(r"[^A-Za-z0-9._-]+", "-", name).lstrip(".")[:64] or "case"


def _named(wish: str, place: str) -> tuple[str, tuple[Note, ...]]:
    safe = safe_id(wish)
    if safe == wish:
        return safe, ()
    return safe, (Note("warning", place, f"the id “{wish[:80]}” is not safe as a file name; the case is called “{safe}”"),)


def read_header(folder: Path, given: Given | None = None) -> Header:
    """Read `case.toml` of a case folder; without one, or for a single file, the name is the id and nothing else is recorded.

    Parameters: folder, the case folder or the single file; given, what a person typed, which stands where case.toml says nothing.
    Returns: Header; what could not be used is in its notes.
    """
    path = folder / NAME
    own = folder.name if folder.is_dir() else folder.stem
    given = given or Given()
    plain_id, plain_notes = _named(given.id or own or folder.resolve().name, folder.name)
    zone, zone_notes = _typed_zone(given.zone)
    if not folder.is_dir() or not path.is_file() or path.is_symlink():
        return Header(plain_id, zone, notes=(*plain_notes, *zone_notes))
    try:
        text = path.read_text(encoding="utf-8-sig")
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, OSError, RecursionError) as error:
        what = f"not readable as TOML: {error}; the case is read without its header"
        return Header(plain_id, zone, notes=(Note("error", NAME, what), *plain_notes, *zone_notes))
    reading = _Reading(text)
    rules: dict[str, Callable[[object], Any]] = _TOP | dict.fromkeys((*_TABLES, "source"), lambda value: value)
    top = reading.entries(data, rules, "the header")
    facts: dict[str, Any] = {}
    for name in ("patient", "arrest", "crew"):
        facts |= reading.entries(top.get(name, {}), _TABLES[name], name)
    facts["outcome"] = reading.entries(top.get("outcome", {}), _OUTCOME, "outcome")
    zone, zone_notes = (top["zone"], ()) if "zone" in top else (zone, zone_notes)
    sources = reading.sources(top.get("source", []), zone)
    case_id, id_notes = _named(top["id"], NAME) if "id" in top else (plain_id, plain_notes)
    return Header(case_id, zone, top.get("protocol"), Facts(**facts), sources, (*reading.notes, *id_notes, *zone_notes))


def _typed_zone(name: str | None) -> tuple[str | None, tuple[Note, ...]]:
    """A zone that a person typed; one that does not exist is left out and said."""
    try:
        return (zone_named(name) if name else None), ()
    except ValueError as error:
        return None, (Note("error", "zone", f"{error}; it is left out"),)
