"""Events of a table that a map says how to read: a row an event, or columns that hold the moment of one event each."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from qi.intake.delimited import Table
from qi.intake.event_words import Entry, entry, not_understood, table
from qi.intake.header import SourceHeader
from qi.intake.map_form import Map, TimeFormat, same_name
from qi.intake.meanings import Word, by_plain_text
from qi.intake.moments import FARTHEST_S, in_lines, readings
from qi.intake.signal_columns import NoTimes, near
from qi.intake.written_times import DAY_S, PAST_MIDNIGHT_S, Written, past_midnight, read_times, said_of_days, why_not
from qi.model.case import Note, Part, Unknown
from qi.model.vocabulary import TIME_POINTS, UNMAPPED

HOUR_S = 3600.0
_MAY_REPEAT = ("compression", "ventilation")
_FIELDS = ("value", "text", "dose", "unit", "by")
_BASE = datetime(2000, 1, 1)


@dataclass(frozen=True)
class _Row:
    """One event on its way: its line in the file, when it began and ended as written, its word and fields."""

    line: int
    cell: object
    end: object
    word: str
    fields: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class _Axis:
    """When each event began and ended [s from start, NaN where that cannot be read], and which lie in a change of the clocks."""

    begun: np.ndarray
    ended: np.ndarray
    start: datetime | None
    unsure: np.ndarray
    said: tuple[str, ...] = ()


def part_of(path: Path, form: str, content: Table, map_: Map, about: SourceHeader, notes: Sequence[Note]) -> Part:
    """Read a list of events, or of dispatch times.

    Parameters: form, the format's name; content, the table; map_, what its columns and words stand for; about, what case.toml says
    of the file, whose words go before the map's; notes, what is known already.
    Returns: Part of kind events or dispatch; times in seconds from the earliest event where they tell the time of day, else as
    counted from the start of the file [s]. It can hold the event types that the map names, and those that it does hold.
    Raises: NoTimes where no row has a time that can be read.
    """
    said: dict[str, list[int]] = {}
    words = _words(map_, about)
    rows = list(_once(_long(content, map_, said) if map_.events.type else _wide(content, map_), words, said))
    time = map_.time or TimeFormat()
    axis = _axis(rows, time, map_.decimal, about.zone)
    if rows and not np.isfinite(axis.begun).any():
        raise NoTimes(path, " and ".join(time.columns) or rows[0].word, str(rows[0].cell))
    entries = [one for at, row in enumerate(rows) if (one := _entry(row, at, axis, time, words, said))]
    if [one.time_s for one in entries] != sorted(one.time_s for one in entries) and map_.events.type:
        said["rows are not in order of time; they are put in order"] = [map_.skip_lines + 1]
    lines = [Note("warning", path.name, f"{in_lines(where)}: {text}") for text, where in said.items()]
    lines += [Note("warning", path.name, text) for text in axis.said]
    return Part(
        path.name,
        form,
        map_.kind,
        axis.start,
        events=table(entries, path.name),
        notes=(*notes, *lines),
        could_chart=_could_chart(map_, entries),
        unknown=(*_not_read(content, map_, path), *not_understood(entries, path.name)),
    )


def beside_signals(path: Path, content: Table, map_: Map, about: SourceHeader, seconds: np.ndarray) -> Part:
    """The events that stand in a table of signals, in rows that have an event word.

    Parameters: seconds, of each row [s]; the others as in part_of.
    Returns: Part with events, notes on them, and the words that are not understood.
    """
    said: dict[str, list[int]] = {}
    words = _words(map_, about)
    axis = _Axis(seconds, np.full(len(seconds), np.nan), None, np.zeros(len(seconds), dtype=bool))
    entries = []
    for at, row in enumerate(_long(content, map_, None)):
        if row.word and np.isfinite(seconds[at]):
            made = _entry(row, at, axis, map_.time or TimeFormat(), words, said)
            entries += [made] if made else []
    notes = tuple(Note("warning", path.name, f"{in_lines(where)}: {text}") for text, where in said.items())
    return Part(
        path.name,
        "",
        "events",
        events=table(entries, path.name),
        notes=notes,
        could_chart=_could_chart(map_, entries),
        unknown=not_understood(entries, path.name),
    )


def _words(map_: Map, about: SourceHeader) -> dict[str, Word]:
    """What the words of the table stand for: by case.toml, else by this map, else by the agency's other maps."""
    own = replace(about, words={}).event_words
    moments = (Word(column.name, column.event, column.value) for column in map_.columns if column.event)
    return about.event_words | by_plain_text((*map_.words, *moments)) | own


def _could_chart(map_: Map, entries: Sequence[Entry]) -> frozenset[str]:
    """Event types that such a table can hold, so far as is known: those that the map names, and those that are there."""
    kinds = {one.type for one in entries} | {word.type for word in map_.words} | {column.event for column in map_.columns}
    if map_.kind == "dispatch" and map_.events.type:
        kinds |= set(TIME_POINTS)
    return frozenset(kinds - {UNMAPPED, ""})


def _not_read(content: Table, map_: Map, path: Path) -> Iterator[Unknown]:
    """The columns that the map does not name."""
    named = {same_name(name) for name in (*(map_.time.columns if map_.time else ()), *map_.events.named.values())}
    named |= {same_name(column.name) for column in map_.columns}
    for name in content.names:
        if same_name(name) not in named:
            yield Unknown("column", name, path.name, "the map does not name it: not read")


def _cells(content: Table, map_: Map) -> dict[str, list[str]]:
    """The cells of the columns that hold fields of events."""
    named = {what: content.column(column) for what, column in map_.events.named.items() if what != "end"}
    return {what: ["" if pd.isna(cell) else _plain_number(cell) for cell in cells] for what, cells in named.items()}


def _plain_number(cell: object) -> str:
    """A cell as text; a number of a Parquet file without a needless fraction."""
    return f"{cell:g}" if isinstance(cell, float) else str(cell).strip()


def _long(content: Table, map_: Map, said: dict[str, list[int]] | None) -> Iterator[_Row]:
    """A row an event. Rows without an event word are said, or, where there is no place to say it, told with an empty one."""
    times = content.times(map_.time or TimeFormat(), map_.decimal)
    ends = content.column(map_.events.end) if map_.events.end else pd.Series([""] * len(times), dtype="str")
    fields = _cells(content, map_)
    for at, line in enumerate(content.lines):
        word = fields["type"][at]
        if not word and said is not None:
            said.setdefault("no event word; put aside", []).append(int(line))
            continue
        own = tuple((what, _decimal_point(what, fields[what][at], map_)) for what in _FIELDS if what in fields)
        yield _Row(int(line), times.iloc[at], ends.iloc[at], word, own)


def _decimal_point(what: str, cell: str, map_: Map) -> str:
    """A dose as Python writes numbers; other cells as they stand."""
    return cell.replace(",", ".", 1) if what == "dose" and map_.decimal == "," else cell


def _wide(content: Table, map_: Map) -> Iterator[_Row]:
    """A column for each event: one for each cell that is not blank."""
    there = [column.name for column in map_.columns if column.event and same_name(column.name) in content.places]
    moments = [(name, content.column(name)) for name in there]
    fields = _cells(content, map_)
    for at, line in enumerate(content.lines):
        own = {what: fields[what][at] for what in _FIELDS if what in fields}
        for name, cells in moments:
            cell = cells.iloc[at]
            if not pd.isna(cell) and str(cell).strip():
                text = " ".join(filter(None, (name, own.get("text"))))
                yield _Row(int(line), cell, "", name, tuple((own | {"text": text}).items()))


def _once(rows: Iterator[_Row], words: Mapping[str, Word], said: dict[str, list[int]]) -> Iterator[_Row]:
    """Each row once; one that says the same as another is put aside, unless several in one second are no double entry."""
    seen: set[tuple[object, ...]] = set()
    for row in rows:
        key = (str(row.cell), str(row.end), row.word, row.fields)
        if key in seen and entry(0.0, row.word, {}, words=words)[0].type not in _MAY_REPEAT:
            said.setdefault("the same as a row above; put aside", []).append(row.line)
            continue
        seen.add(key)
        yield row


def _entry(
    row: _Row, at: int, axis: _Axis, time: TimeFormat, words: Mapping[str, Word], said: dict[str, list[int]]
) -> Entry | None:
    """One event; None, and said, where its time cannot be read."""
    if not np.isfinite(axis.begun[at]):
        written = read_times(pd.Series([row.cell]), time.format) if isinstance(row.cell, str) else None
        far = written is not None and written.usable.all()
        why = "lies years from the others, or has an offset unlike the first" if far else why_not(str(row.cell), time.format)
        said.setdefault(f"{why}; put aside", []).append(row.line)
        return None
    begun, ended = float(axis.begun[at]), float(axis.ended[at])
    remarks = []
    if str(row.end).strip() and not begun <= ended <= begun + FARTHEST_S:
        why = "its end cannot be read" if np.isnan(ended) else "it ends before it begins, or years later"
        remarks.append(f"{why}; the event is kept without it")
    end_s = ended if begun <= ended <= begun + FARTHEST_S else None
    made, more = entry(begun, row.word, dict(row.fields), words=words, end_s=end_s)
    if axis.unsure[at]:
        remarks.append("falls in the hour that a clock change repeats or skips; the first reading is used, ± 1 h")
        made = replace(made, uncertainty_s=HOUR_S)
    for remark in (*remarks, *more):
        said.setdefault(remark, []).append(row.line)
    return made


def _axis(rows: Sequence[_Row], time: TimeFormat, decimal: str, zone: str | None) -> _Axis:
    """Put all moments on one axis of seconds."""
    none = np.empty(0)
    if not rows:
        return _Axis(none, none, None, none.astype(bool))
    written = read_times(_series([row.cell for row in rows]), time.format, decimal=decimal)
    later = read_times(_series([row.end for row in rows]), time.format, decimal=decimal)
    zone = time.zone or zone
    begun, unsure = _seconds(written, zone, written.first)
    ended, _ = _seconds(later, zone, written.first)
    if written.is_time_of_day:
        return _by_day(begun, ended if later.is_time_of_day else np.full(len(rows), np.nan), unsure)
    middle = float(np.nanmedian(begun)) if written.stamps is not None and np.isfinite(begun).any() else 0.0
    begun = near(begun, middle=middle)
    if written.first is None or not np.isfinite(begun).any():
        return _Axis(begun, ended, None, unsure)
    base = float(np.nanmin(begun))
    return _Axis(np.round(begun - base, 6), np.round(ended - base, 6), _moment(base, written.first, zone), unsure)


def _series(cells: list[object]) -> pd.Series:
    """Cells as a column: texts, or what a Parquet file held."""
    return pd.Series(cells, dtype="str") if any(isinstance(cell, str) for cell in cells) else pd.Series(cells)


def _seconds(written: Written, zone: str | None, first: datetime | None) -> tuple[np.ndarray, np.ndarray]:
    """Seconds from a fixed base, in true time where offset or zone is known; and which lie in a change of the clocks."""
    if written.stamps is None:
        seconds = written.seconds if written.seconds is not None else np.empty(0)
        return seconds, np.zeros(len(seconds), dtype=bool)
    seconds = ((written.stamps - pd.Timestamp(_BASE)) / pd.Timedelta(seconds=1)).to_numpy(dtype=float).copy()
    unsure = np.zeros(len(seconds), dtype=bool)
    if written.first is not None and first is not None and (written.first.tzinfo is None) != (first.tzinfo is None):
        return np.full(len(seconds), np.nan), unsure
    if first is None or first.tzinfo is not None or not zone:
        return seconds, unsure
    for at, stamp in enumerate(written.stamps):
        if not pd.isna(stamp):
            meant = readings(stamp.to_pydatetime(), ZoneInfo(zone))
            unsure[at] = len(meant) > 1
            seconds[at] -= (meant[0].utcoffset() or timedelta()).total_seconds()
    return seconds, unsure


def _moment(seconds: float, first: datetime, zone: str | None) -> datetime:
    """The moment so many seconds after the base, with the offset of the file or the zone; wall clock where none is known."""
    naive = _BASE + timedelta(seconds=round(seconds, 6))
    if first.tzinfo is None and not zone:
        return naive
    there = naive.replace(tzinfo=UTC).astimezone(first.tzinfo or ZoneInfo(str(zone)))
    return datetime.fromisoformat(there.isoformat())


def _by_day(begun: np.ndarray, ended: np.ndarray, unsure: np.ndarray) -> _Axis:
    """Times of day without a date, counted on past midnight, from the first."""
    rolled, turns = past_midnight(begun)
    ended = ended + (rolled - begun)
    ended = np.where(ended < rolled - PAST_MIDNIGHT_S, ended + DAY_S, ended)
    good = np.isfinite(rolled)
    base = float(rolled[good][0]) if good.any() else 0.0
    return _Axis(rolled - base, ended - base, None, unsure, tuple(said_of_days(base, turns)) if good.any() else ())
