"""Any table of signals, events or dispatch times that a map says how to read: delimited text, or Parquet."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from qi.intake import mapped_events
from qi.intake.delimited import Table, read_table
from qi.intake.header import SourceHeader
from qi.intake.map_form import Map, TimeFormat, same_name
from qi.intake.signal_columns import Named, NoTimes, Times, bad_lines, part_of, split_name
from qi.intake.written_times import as_times, numbers_in, read_times, why_not
from qi.model.case import Note, Part, Unknown
from qi.model.errors import UnreadableFile
from qi.model.vocabulary import IGNORED, plain

_NO_SAMPLE = ("", "nan", "null", "na", "inf", "-inf")


@dataclass(frozen=True)
class _Channel:
    """A column of numbers: its place, its label and unit, and the channel that the map says it is."""

    at: int
    label: str
    unit: str
    channel: str = ""
    scale: float = 1.0


def read(path: Path, about: SourceHeader, map_: Map) -> tuple[Part, ...]:
    """Read one table through a map.

    Parameters: path; about, what the case's header says of this file, which goes before the map; map_, one for tables.
    Returns: one Part, of kind monitor where it has channels, else events or dispatch; times in seconds from its earliest row, or as
    counted from the file's start [s]. Its first note names the map.
    Raises: UnreadableFile naming line or column, where the table lacks a column of the map, or no row has a time.
    """
    table = read_table(path, map_)
    _check(table, map_, path)
    form = f"table by the map “{map_.name}”"
    notes = [Note("info", path.name, f"read by the map “{map_.name}”"), *table.notes]
    if not len(table.frame):
        notes.append(Note("warning", path.name, "holds no rows"))
    if map_.kind != "signals":
        return (mapped_events.part_of(path, form, table, map_, about, notes),)
    return (_signals(path, form, table, map_, about, notes),)


def _check(table: Table, map_: Map, path: Path) -> None:
    """All columns that the map needs must be there."""
    needed = [*map_.finds, *(map_.time.columns if map_.time else ()), *map_.events.named.values()]
    if absent := [name for name in dict.fromkeys(needed) if same_name(name) not in table.places]:
        found = ", ".join(table.names[:20])
        text = f"line {map_.skip_lines + 1}: lacks {', '.join(absent)}, which the map “{map_.name}” needs; found {found}"
        raise UnreadableFile(path, text)


def _signals(path: Path, form: str, table: Table, map_: Map, about: SourceHeader, notes: list[Note]) -> Part:
    """The channels of a table, and its events where it has a column for them."""
    columns, unknown, said = _columns(table, map_, about, path)
    table, numbers, bad = _whole_rows(table, columns, map_, path)
    times, untimed = _times(path, table, map_, about)
    part = part_of(path, form, numbers, times, replace(about, labels={}), [*notes, *said, *bad, *untimed])
    part = replace(part, unknown=(*unknown, *part.unknown))
    if not map_.events.type:
        return part
    events = mapped_events.beside_signals(path, table, map_, about, times.seconds)
    return replace(
        part,
        events=events.events,
        notes=(*part.notes, *events.notes),
        could_chart=events.could_chart,
        unknown=(*part.unknown, *events.unknown),
    )


def _times(path: Path, table: Table, map_: Map, about: SourceHeader) -> tuple[Times, list[Note]]:
    """The times of the rows; a row whose time cannot be read is named by its line."""
    form = map_.time or TimeFormat()
    cells = table.times(form, map_.decimal)
    times = as_times(read_times(cells, form.format, decimal=map_.decimal), form, about.zone)
    bad = np.flatnonzero(~np.isfinite(times.seconds))
    if not len(bad):
        return times, []
    column, example = " and ".join(form.columns), str(cells.iloc[bad[0]])
    if len(bad) == len(cells):
        raise NoTimes(path, column, example)
    why = f"no usable {column} (the first: {why_not(example, form.format)})"
    return times, bad_lines(path, [int(table.lines[at]) for at in bad], why)


def _columns(table: Table, map_: Map, about: SourceHeader, path: Path) -> tuple[list[_Channel], list[Unknown], list[Note]]:
    """Which columns hold channels, at which place and in which unit; and what is said of those that the map does not name."""
    said_of = {same_name(column.name): column for column in map_.columns}
    by_header = {plain(label) for label in about.channels}
    used = {same_name(name) for name in (*(map_.time.columns if map_.time else ()), *map_.events.named.values())}
    columns, unknown, ignored = [], [], []
    for at, label in enumerate(table.names):
        mapped = said_of.get(same_name(label))
        if same_name(label) in used or (mapped and mapped.event):
            continue
        if mapped and mapped.channel == IGNORED and plain(label) not in by_header:
            ignored.append(label)
        elif mapped:
            columns.append(_Channel(at, label, mapped.unit, "" if plain(label) in by_header else mapped.channel, mapped.scale))
        elif _holds_numbers(table.frame[at], map_.decimal):
            columns.append(_Channel(at, *split_name(label)))
        else:
            unknown.append(Unknown("column", label, path.name, "the map does not name it: not read"))
    absent = [column.name for column in map_.columns if same_name(column.name) not in table.places]
    scaled = [f"{column.label} × {column.scale:g}" for column in columns if column.scale != 1.0]
    told = {
        "left out, as the map says": ignored,
        "columns of the map that the file lacks": absent,
        "multiplied, as the map says": scaled,
    }
    return columns, unknown, [Note("info", path.name, f"{text}: {', '.join(names)}") for text, names in told.items() if names]


def _holds_numbers(cells: pd.Series, decimal: str) -> bool:
    """Whether a column that nobody named holds numbers in every cell that is not empty, and in one at least."""
    filled = np.asarray(cells.astype("str").str.strip() != "")
    return bool(filled.any()) and bool(np.isfinite(numbers_in(cells, decimal))[filled].all())


def _whole_rows(table: Table, columns: Sequence[_Channel], map_: Map, path: Path) -> tuple[Table, list[Named], list[Note]]:
    """The numbers of each channel; a row with a cell that is no number is put aside and named by its line."""
    bad = np.zeros(len(table.frame), dtype=bool)
    read, example = [], {}
    for column in columns:
        cells = table.frame[column.at]
        values = numbers_in(cells, map_.decimal)
        wrong = ~np.isfinite(values)
        if cells.dtype == "str" and wrong.any():
            wrong &= np.asarray(~cells.str.casefold().isin(_NO_SAMPLE))
            if wrong.any():
                example[int(wrong.argmax())] = str(cells[int(wrong.argmax())])
            bad |= wrong
        read.append(Named(column.label, column.unit, values * column.scale, column.channel))
    if not bad.any():
        return table, read, []
    good = ~bad
    first = example[min(example)]
    notes = bad_lines(path, [int(line) for line in table.lines[bad]], f"a cell that is no number (the first is “{first[:40]}”)")
    frame = table.frame[good].reset_index(drop=True)
    kept = [replace(column, values=column.values[good]) for column in read]
    return Table(table.names, frame, table.lines[good]), kept, notes
