"""Maps as files: one TOML text each, that a person can read, change and pass on.

A map says once for an agency what the columns, labels and words of one kind of file stand for. One that is meant for tables names
the columns that a table must have to be read by it; one for any file holds words and labels only. Nothing of a patient is in it.
"""

import json
import math
import re
import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import fields
from pathlib import Path
from typing import Any

from qi.intake.header import zone_named
from qi.intake.map_form import DECIMALS, DELIMITERS, KINDS, EventColumns, Map, TimeFormat, same_name
from qi.intake.meanings import Column, Word
from qi.intake.written_times import wrong_format
from qi.model.case import Note
from qi.model.errors import QiError, UnknownWord, UnreadableFile
from qi.model.vocabulary import CHANNELS, EVENT_VALUES, IGNORED, plain, unit_factor

ANY = "any"
LARGEST_BYTES = 1_000_000  # a map is a page of text; our default, no source
MOST_LINES = 1000  # lines that may stand before the line of names; our default, no source

_TOP = ("name", "kind", "for_tables_with", "table", "time", "column", "events", "word", "label")
_TABLE = ("delimiter", "decimal", "lines_before_names", "null_words")
_TIME = ("columns", "format", "zone")
_COLUMN = ("name", "channel", "unit", "scale", "event", "value")
_LABEL = ("name", "channel", "unit", "scale")
_WORD = ("text", "type", "value")
_EVENTS = tuple(field.name for field in fields(EventColumns))


class _WrongError(ValueError):
    """An entry of a map cannot be used; the text says what was found and what would be right."""

    def __init__(self, what: str, key: str = "") -> None:
        self.key = key
        super().__init__(what)


class _Reading:
    """One pass over a map's text: entries of the right kind, else an error that names the line."""

    def __init__(self, text: str, file: str) -> None:
        self.lines = text.splitlines()
        self.file = file

    def line(self, key: str, table: str, number: int) -> int | None:
        """The line on which a key of a table stands, of several tables of one name the one of that number; else the table's."""
        begin = re.compile(rf"\s*\[+\s*{re.escape(table)}\s*\]")
        starts = [at for at, line in enumerate(self.lines) if begin.match(line)] if table else [-1]
        if len(starts) <= number:
            return None
        for at in range(starts[number] + 1, len(self.lines)):
            if re.match(r"\s*\[[^\]\"']*\]+\s*(#.*)?$", self.lines[at]) and not key.startswith("["):
                break
            if key and re.match(rf"\s*\[*\s*\"?{re.escape(key.strip('['))}\"?\s*[=\]]", self.lines[at]):
                return at + 1
        return starts[number] + 1 if table else None

    def where(self, key: str, table: str = "", number: int = 0) -> str:
        """File and line of an entry."""
        line = self.line(key, table, number)
        return f"line {line}" if line else "the text"

    def entries(self, table: object, known: Sequence[str], name: str = "", number: int = 0) -> dict[str, Any]:
        """A table all of whose entries are known."""
        if not isinstance(table, dict):
            raise UnreadableFile(self.file, f"{self.where(f'[{name}')}: {name} is {table!r}, should be a table, [{name}]")
        for key in table:
            if key not in known:
                place = f"{self.file}: {self.where(key, name, number)}{f', {name}' if name else ''}"
                raise UnknownWord(place, str(key), known)
        return table

    def tables(self, value: object, known: Sequence[str], name: str) -> list[dict[str, Any]]:
        """The tables of a list [[name]]."""
        if not isinstance(value, list):
            raise UnreadableFile(self.file, f"{self.where(f'[{name}')}: should be written [[{name}]], one for each")
        return [self.entries(table, known, name, number) for number, table in enumerate(value)]

    def made(self, make: Callable[[dict[str, Any]], Any], table: dict[str, Any], name: str = "", number: int = 0) -> Any:  # noqa: ANN401
        """What a table says; an entry that cannot be used is named with its line."""
        try:
            return make(table)
        except _WrongError as error:
            raise UnreadableFile(self.file, f"{self.where(error.key, name, number)}: {error}") from None
        except UnknownWord as error:
            place = f"{self.file}: {self.where(error.where, name, number)}, {error.where}"
            raise UnknownWord(place, error.word, error.choices) from None


def read_map(path: Path) -> Map:
    """Read one map.

    Raises: UnreadableFile, or UnknownWord for a word that is not in the list of choices; both name the line.
    """
    size = path.stat().st_size if path.is_file() and not path.is_symlink() else None
    if size is None:
        raise UnreadableFile(path, "is no ordinary file; give a map's own file")
    if size > LARGEST_BYTES:
        raise UnreadableFile(path, f"found {size} bytes; a map has at most {LARGEST_BYTES}")
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise UnreadableFile(path, f"byte {error.start}: no UTF-8 text; a map is a text in TOML") from None
    return parse_map(text, path.name)


def parse_map(text: str, file: str = "map.toml") -> Map:
    """Read one map from its text; file is the name that errors give.

    Raises: as read_map.
    """
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise UnreadableFile(file, f"not readable as TOML: {error}") from None
    reading = _Reading(text, file)
    top = reading.entries(data, _TOP)
    kind, name, finds = reading.made(_heading, top)
    table = reading.made(_table, reading.entries(top.get("table", {}), _TABLE, "table"), "table")
    time = None
    if "time" in top:
        time = reading.made(_time, reading.entries(top["time"], _TIME, "time"), "time")
    events = reading.made(_event_columns, reading.entries(top.get("events", {}), _EVENTS, "events"), "events")
    lists = {}
    for key, known, make in (("column", _COLUMN, _column), ("word", _WORD, _word), ("label", _LABEL, _label)):
        tables = reading.tables(top.get(key, []), known, key)
        lists[key] = tuple(reading.made(make, each, key, number) for number, each in enumerate(tables))
    columns, words, labels = lists["column"], lists["word"], lists["label"]
    result = Map(name, kind, finds, **table, time=time, columns=columns, events=events, words=words, labels=labels)
    reading.made(lambda _: _check(result), {})
    return result


def check_map(map_: Map) -> None:
    """Refuse a map made on screen that would not read back.

    Raises: UnreadableFile or UnknownWord, with what would be right.
    """
    parse_map(write_map(map_), map_.name or "map")


def _text(table: Mapping[str, Any], key: str, default: str | None = None) -> str:
    value = table.get(key, default)
    if not isinstance(value, str):
        raise _WrongError(f"{key} is {'missing' if value is None else repr(value)}, should be a text in quotes", key)
    return value


def _texts(table: Mapping[str, Any], key: str) -> tuple[str, ...]:
    value = table.get(key, [])
    if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
        raise _WrongError(f'{key} is {value!r}, should be a list of texts such as ["a", "b"]', key)
    return tuple(value)


def _one_of(table: Mapping[str, Any], key: str, choices: Iterable[str], default: str | None = None) -> str:
    value = _text(table, key, default)
    if value not in tuple(choices):
        raise UnknownWord(key, value, choices)
    return value


def _heading(top: Mapping[str, Any]) -> tuple[str, str, tuple[str, ...]]:
    name, kind = _text(top, "name"), _one_of(top, "kind", KINDS)
    if not name.strip():
        raise _WrongError("name is empty, should say what the map is for", "name")
    finds = () if top.get("for_tables_with", ANY) == ANY else _texts(top, "for_tables_with")
    return kind, name, finds


def _table(table: Mapping[str, Any]) -> dict[str, Any]:
    lines = table.get("lines_before_names", 0)
    if isinstance(lines, bool) or not isinstance(lines, int) or not 0 <= lines <= MOST_LINES:
        raise _WrongError(f"lines_before_names is {lines!r}, should be a whole number from 0 to {MOST_LINES}", "lines_before_names")
    delimiter, decimal = _one_of(table, "delimiter", DELIMITERS, ","), _one_of(table, "decimal", DECIMALS, ".")
    return {"delimiter": delimiter, "decimal": decimal, "skip_lines": lines, "null_words": _texts(table, "null_words")}


def _time(table: Mapping[str, Any]) -> TimeFormat:
    form = TimeFormat(_texts(table, "columns"), _text(table, "format"), _text(table, "zone", ""))
    if wrong := wrong_format(form.format):
        raise _WrongError(f"format {wrong}", "format")
    if len(form.columns) > 2 or len(set(map(same_name, form.columns))) < len(form.columns):
        raise _WrongError("columns should be one column, or two different ones for date and time of day", "columns")
    try:
        if form.zone:
            zone_named(form.zone)
    except ValueError as error:
        raise _WrongError(f"zone {error}", "zone") from None
    return form


def _event_columns(table: Mapping[str, Any]) -> EventColumns:
    return EventColumns(**{key: _text(table, key) for key in table})


def _named(table: Mapping[str, Any], key: str) -> str:
    name = _text(table, key)
    if not plain(name):
        raise _WrongError(f"{key} is “{name}”, should have a letter or a number in it", key)
    return name


def _scale(table: Mapping[str, Any]) -> float:
    value = table.get("scale", 1.0)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value) or not 1e-9 <= abs(value) <= 1e9:
        raise _WrongError(f"scale is {value!r}, should be a number that is not 0", "scale")
    return float(value)


def _unit(table: Mapping[str, Any], channel: str, *, may_lack: bool) -> str:
    unit = _text(table, "unit", "")
    if channel == IGNORED or (not unit and may_lack):
        return unit
    if unit_factor(channel, unit) is None:
        raise UnknownWord("unit", unit, [name for name in CHANNELS[channel].factors or {CHANNELS[channel].unit: 1.0} if name])
    return unit


def _label(table: Mapping[str, Any]) -> Column:
    channel = _one_of(table, "channel", (*CHANNELS, IGNORED))
    return Column(_named(table, "name"), channel, _unit(table, channel, may_lack=True), _scale(table))


def _column(table: Mapping[str, Any]) -> Column:
    name = _text(table, "name")
    if ("channel" in table) == ("event" in table):
        raise _WrongError("a column should have a channel, or the event whose moments it holds, and not both", "name")
    if "event" in table:
        event = _one_of(table, "event", EVENT_VALUES)
        return Column(name, event=event, value=_value(table, event), scale=_scale(table))
    channel = _one_of(table, "channel", (*CHANNELS, IGNORED))
    return Column(name, channel, _unit(table, channel, may_lack=False), _scale(table))


def _value(table: Mapping[str, Any], event: str) -> str:
    value = _text(table, "value", "")
    choices = EVENT_VALUES[event]
    if value and choices == ():
        raise _WrongError(f"value is “{value}”, but {event} has none; leave it out", "value")
    if value and choices and value not in choices:
        raise UnknownWord("value", value, choices)
    return value


def _word(table: Mapping[str, Any]) -> Word:
    type_ = _one_of(table, "type", EVENT_VALUES)
    return Word(_named(table, "text"), type_, _value(table, type_))


def _check(map_: Map) -> None:
    """Refuse entries that do not go together."""
    for key, names in (
        ("word", [plain(word.text) for word in map_.words]),
        ("label", [plain(label.name) for label in map_.labels]),
        ("column", [same_name(column.name) for column in map_.columns]),
    ):
        if twice := next((name for name in names if names.count(name) > 1), None):
            raise _WrongError(f"two [[{key}]] of the same name, “{twice}”; one of them should go", f"[{key}")
    (_check_table if map_.is_for_tables else _check_words)(map_)


def _check_table(map_: Map) -> None:
    """A map for tables says where the times are, and what stands in the other columns."""
    if not map_.finds:
        raise _WrongError(f"a map of {map_.kind} should name the columns that a table must have", "for_tables_with")
    moments = [column for column in map_.columns if column.event]
    if map_.time is None or (not map_.time.columns and not moments):
        raise _WrongError("a map of a table should have a table [time] that names its columns and their format", "[time")
    if map_.kind != "signals" and not map_.events.type and not moments:
        what = f"a map of {map_.kind} should say in [events] which column is the type, or have a [[column]] with an event"
        raise _WrongError(what, "kind")
    if map_.kind == "signals" and not map_.columns:
        raise _WrongError("a map of signals should have a [[column]] for each channel", "kind")
    if map_.kind != "signals" and (odd := [column.name for column in map_.columns if column.channel not in ("", IGNORED)]):
        raise _WrongError(f'“{odd[0]}” has a channel in a map of {map_.kind}; a table with channels has kind = "signals"', "kind")
    if map_.kind == "signals" and (map_.events.end or moments):
        raise _WrongError("a map of signals can have events of one time only: no end, no column that holds moments", "kind")
    used = [same_name(name) for name in (*map_.time.columns, *map_.events.named.values())]
    used += [same_name(column.name) for column in map_.columns]
    if twice := next((name for name in used if used.count(name) > 1), None):
        raise _WrongError(f"the column “{twice}” is used twice; it can hold one thing only", "kind")


def _check_words(map_: Map) -> None:
    """A map for any file says nothing of tables."""
    alone = Map(map_.name, words=map_.words, labels=map_.labels)
    if map_ != alone:
        what = "a map of words is for any file and holds [[word]] and [[label]] only; a table's is signals, events or dispatch"
        raise _WrongError(what, "kind")
    if not map_.words and not map_.labels:
        raise _WrongError("holds no [[word]] and no [[label]], so that it says nothing", "kind")


def write_map(map_: Map) -> str:
    """A map as TOML text that reads back as the same map."""
    finds: object = list(map_.finds) if map_.is_for_tables else ANY
    lines = ["# What the columns, labels and words of one kind of file stand for. Holds nothing of a patient; may be passed on."]
    lines += _pairs({"name": map_.name, "kind": map_.kind, "for_tables_with": finds})
    if map_.is_for_tables:
        table = {"delimiter": map_.delimiter, "decimal": map_.decimal, "lines_before_names": map_.skip_lines}
        lines += ["", "[table]", *_pairs(table | {"null_words": list(map_.null_words)})]
    if map_.time:
        lines += ["", "[time]", *_pairs({"columns": list(map_.time.columns), "format": map_.time.format})]
        lines += _pairs({"zone": map_.time.zone}, leave_out=("",))
    if map_.events.named:
        lines += ["", "[events]", *_pairs(map_.events.named)]
    for key, columns in (("column", map_.columns), ("label", map_.labels)):
        for column in columns:
            lines += ["", f"[[{key}]]", *_pairs({"name": column.name})]
            more = {"channel": column.channel, "unit": column.unit, "event": column.event, "value": column.value}
            lines += _pairs(more | {"scale": column.scale}, leave_out=("", 1.0))
    for word in map_.words:
        lines += ["", "[[word]]", *_pairs({"text": word.text, "type": word.type})]
        lines += _pairs({"value": word.value}, leave_out=("",))
    return "\n".join(lines) + "\n"


def _pairs(entries: Mapping[str, object], *, leave_out: Sequence[object] = ()) -> list[str]:
    return [f"{key} = {_as_toml(value)}" for key, value in entries.items() if value not in leave_out]


def _as_toml(value: object) -> str:
    """A text, number or list as TOML writes it: JSON's escapes are TOML's, but for the delete sign."""
    if isinstance(value, list):
        return f"[{', '.join(map(_as_toml, value))}]"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007F")
    return repr(value)


def load_maps(folder: Path) -> tuple[list[Map], list[Note]]:
    """Read all maps of a folder (`<library>/maps/<agency>`), in order of their files' names.

    Returns: the maps; a note for each file that is no map, or has a name that a map before it has. None where there is no folder.
    """
    maps: dict[str, Map] = {}
    notes: list[Note] = []
    for path in sorted(folder.glob("*.toml")) if folder.is_dir() else []:
        try:
            found = read_map(path)
        except (QiError, OSError) as error:
            notes.append(Note("error", path.name, f"{str(error).removeprefix(f'{path.name}: ')}; this map is left out"))
            continue
        if found.name in maps:
            notes.append(Note("error", path.name, f"a map before it is called “{found.name}” too; this one is left out"))
        else:
            maps[found.name] = found
    return list(maps.values()), notes
