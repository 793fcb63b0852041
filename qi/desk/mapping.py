"""From what a person says of unknown columns and words to a map, kept by agency as a file of its own."""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from itertools import count
from pathlib import Path

import pandas as pd

from qi.desk.agencies import maps_folder
from qi.intake.look_over import FileReport
from qi.intake.map_draft import Draft
from qi.intake.map_form import EventColumns, Map, TimeFormat
from qi.intake.maps import check_map, parse_map, write_map
from qi.intake.meanings import Column, Word
from qi.intake.written_times import FORMATS
from qi.library.library import Library
from qi.model.errors import QiError
from qi.model.vocabulary import CHANNELS, EVENT_VALUES, IGNORED, plain

ASK = "?"  # a name that nobody has said anything of yet
CHANNEL_CHOICES = (ASK, IGNORED, *CHANNELS)
EVENT_CHOICES = (ASK, *EVENT_VALUES)
NOT_USED = "not used"
ROLES = ("type", "value", "text", "end", "dose", "unit", "by")  # what a column of a list of events may hold
_DIRECTIVES = {
    "d": "day",
    "m": "month",
    "Y": "year",
    "y": "year (two digits)",
    "H": "hour",
    "I": "hour (of 12)",
    "M": "minute",
    "S": "second",
    "f": "fraction",
    "p": "AM/PM",
    "z": "offset from UTC",
    "b": "month's name",
    "B": "month's name",
}


def units_of() -> list[str]:
    """Every unit that some channel knows."""
    units = {unit for about in CHANNELS.values() for unit in (about.factors or {about.unit: 1.0}) if unit}
    return sorted(units, key=str.casefold)


def columns_of(draft: Draft) -> pd.DataFrame:
    """The columns of a table as a person fills them in: column, first values, is, unit, scale."""
    known = units_of()
    rows = []
    for guess in draft.columns:
        bracketed = re.search(r"[\[(]([^\])]+)[\])]", guess.name)
        named = bracketed[1].strip() if bracketed and bracketed[1].strip() in known else None
        rows.append(
            {
                "column": guess.name,
                "first values": ", ".join(guess.examples),
                "is": guess.channel or (ASK if guess.is_numbers else IGNORED),
                "unit": guess.unit or named,
                "scale": 1.0,
            }
        )
    return pd.DataFrame(rows, columns=["column", "first values", "is", "unit", "scale"])


def roles_of(draft: Draft) -> pd.DataFrame:
    """The columns of a list of events as a person fills them in: column, first values, holds."""
    told = {column: role for role, column in draft.map.events.named.items()}
    rows = [
        {"column": guess.name, "first values": ", ".join(guess.examples), "holds": told.get(guess.name, NOT_USED)}
        for guess in draft.columns
    ]
    return pd.DataFrame(rows, columns=["column", "first values", "holds"])


def is_list(draft: Draft) -> bool:
    """Whether the table is a list of events, one a row."""
    return draft.map.kind in ("events", "dispatch") and bool(draft.map.events.type)


def format_in_words(form: str) -> str:
    """A form of times as a person reads it: day.month.year hour:minute:second for %d.%m.%Y %H:%M:%S."""
    if form in FORMATS:
        return FORMATS[form]
    return re.sub(r"%(.)", lambda found: _DIRECTIVES.get(found[1], found[0]), form)


def words_of(draft: Draft) -> pd.DataFrame:
    """The event words of a table as a person fills them in: word, times, is, value."""
    rows = [{"word": guess.text, "times": guess.count, "is": guess.type or ASK, "value": None} for guess in draft.words]
    return pd.DataFrame(rows, columns=["word", "times", "is", "value"])


def unknowns_of(report: FileReport) -> pd.DataFrame:
    """What is not understood in a recognised file, as a person fills it in: name, what, times, is, unit, value."""
    rows = [
        {"name": one.name, "what": one.kind, "times": one.count, "is": ASK, "unit": None, "value": None, "why": one.detail}
        for one in report.unknown
        if one.kind in ("channel", "unit", "event")
    ]
    return pd.DataFrame(rows, columns=["name", "what", "times", "is", "unit", "value", "why"]).drop_duplicates(["name", "what"])


def table_map(
    draft: Draft,
    name: str,
    time: TimeFormat,
    columns: Iterable[Mapping[str, object]],
    words: Iterable[Mapping[str, object]],
    roles: Iterable[Mapping[str, object]] = (),
) -> Map:
    """The map that a person confirmed for a table.

    Parameters: draft; name of the map; time, the form that was chosen; columns, words and roles, the rows as filled in.
    Raises: QiError where it does not hold together, saying what would be right.
    """
    said = [
        Column(str(row["column"]), str(row["is"]), _said(row["unit"]), float(_said(row["scale"]) or 1.0))
        for row in columns
        if row["is"] != ASK
    ]
    meant = [Word(str(row["word"]), str(row["is"]), _said(row["value"])) for row in words if row["is"] != ASK]
    made = replace(draft.map, name=name, time=time, columns=tuple(said), words=tuple(meant))
    if made.kind == "dispatch":
        made = replace(made, columns=draft.map.columns, time=replace(time, columns=()))
    if is_list(draft):
        told = {str(row["holds"]): str(row["column"]) for row in roles if row["holds"] in ROLES}
        made = replace(made, columns=(), events=EventColumns(**told), time=time)
    check_map(made)
    return made


def _said(cell: object) -> str:
    """What a person filled in; a cell that was left empty is missing in the table, and says nothing."""
    return "" if pd.isna(cell) else str(cell).strip()


def words_map(name: str, rows: Iterable[Mapping[str, object]]) -> Map:
    """The map that a person confirmed for labels and words of a file that is recognised by itself.

    Raises: QiError as table_map.
    """
    filled = [row for row in rows if row["is"] != ASK]
    labels = [Column(str(row["name"]), str(row["is"]), _said(row["unit"])) for row in filled if row["what"] != "event"]
    words = [Word(str(row["name"]), str(row["is"]), _said(row["value"])) for row in filled if row["what"] == "event"]
    made = Map(name, "words", labels=tuple(labels), words=tuple(words), events=EventColumns())
    check_map(made)
    return made


def keep(library: Library, agency: str, map_: Map) -> Path:
    """Keep a map for an agency: in place of the one that it had for such tables, beside one of the same name for others.

    Words and labels are added to those that a map of that name holds already.
    Returns: its file, which can be shared.
    """
    folder = maps_folder(library, agency)
    folder.mkdir(parents=True, exist_ok=True)
    stem = re.sub(r"[^A-Za-z0-9]+", "-", map_.name).strip("-").lower()[:60] or "map"
    for number in count(1):
        named = map_ if number == 1 else replace(map_, name=f"{map_.name} {number}")
        path = folder / (f"{stem}.toml" if number == 1 else f"{stem}-{number}.toml")
        before = _kept_in(path)
        if before is None or (before.kind, before.finds) == (map_.kind, map_.finds):
            break
    path.write_text(write_map(_with(named, before) if before and map_.kind == "words" else named), encoding="utf-8")
    return path


def _kept_in(path: Path) -> Map | None:
    """The map that a file holds; None where there is none, or none that can be read."""
    try:
        return parse_map(path.read_text(encoding="utf-8-sig"), path.name) if path.is_file() else None
    except (QiError, OSError, UnicodeDecodeError):
        return None


def _with(map_: Map, before: Map) -> Map:
    """A map of words with those of an earlier one that it says nothing of."""
    labels, words = {plain(one.name) for one in map_.labels}, {plain(one.text) for one in map_.words}
    return replace(
        map_,
        labels=(*map_.labels, *(one for one in before.labels if plain(one.name) not in labels)),
        words=(*map_.words, *(one for one in before.words if plain(one.text) not in words)),
    )


def take_in(library: Library, agency: str, text: str) -> Map:
    """Keep a map that another agency shared.

    Raises: QiError where it is no map, naming the line.
    """
    map_ = parse_map(text)
    keep(library, agency, map_)
    return map_


def kept(library: Library, agency: str) -> Sequence[Path]:
    """The files of an agency's maps."""
    folder = maps_folder(library, agency)
    return sorted(folder.glob("*.toml")) if folder.is_dir() else []


def to_share(path: Path, banner: str) -> str:
    """The text of a map to be given away.

    Parameters: path, of its file; banner, the agency's own line, which becomes a first line that starts with #.
    """
    return (f"# {banner}\n" if banner else "") + path.read_text(encoding="utf-8")
