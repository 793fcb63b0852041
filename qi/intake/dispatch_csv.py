"""Dispatch times in CSV: one row a unit with a column for each time, or one row a status change.

Wide columns are named in the header's map, or as the national incident-reporting standard (NERIS) names them. A long file has
columns for time and status; its status words are named in the same map.
"""

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from qi.intake.header import SourceHeader
from qi.intake.meanings import Word
from qi.intake.moments import listed, moment, readings
from qi.intake.record_chart import Chart
from qi.model.case import Note, Part, Unknown
from qi.model.errors import UnknownWord, UnreadableFile
from qi.model.vocabulary import EVENT_VALUES, TIME_POINTS, UNMAPPED, plain

FORMAT = "dispatch CSV"
LARGEST_BYTES = 20_000_000  # our default, no source
HEAD_BYTES = 65_536
HOUR_S = 3600.0

# NERIS field names: data-standards.md section 3, dispatch/neris/core_mod_dispatch.csv and mod_unit_response.csv.
COLUMNS: Mapping[str, tuple[str, str]] = {
    "dispatch_time_call_arrival": ("call_received", ""),
    "dispatch_time_call_answering": ("call_answered", ""),
    "dispatch_time_call_create": ("note", "call created"),
    "time_incident_clear": ("note", "incident cleared"),
    "time_dispatch": ("dispatched", ""),
    "time_enroute_to_scene": ("en_route", ""),
    "time_on_scene": ("on_scene", ""),
    "time_canceled_enroute": ("note", "cancelled on the way"),
    "time_staging": ("note", "at staging"),
    "time_at_patient": ("at_patient", ""),
    "time_enroute_hospital": ("left_scene", ""),
    "time_arrived_hospital": ("at_hospital", ""),
    "time_transfer_to_agency": ("note", "care transferred to another agency"),
    "time_transfer_to_facility": ("care_transferred", ""),
    "time_hospital_clear": ("note", "clear of the hospital"),
    "time_unit_clear": ("note", "unit clear"),
}
WHOLE_CALL = ("call_received", "call_answered")  # one for all units; the rows of several units repeat it
WHOLE_CALL_NOTES = ("dispatch_time_call_create", "time_incident_clear")
LENGTHS = ("time_turnout", "time_travel", "dispatch_time_alarm_answering", "dispatch_time_alarm_processing")  # durations, computed
UNIT_COLUMNS = tuple(plain(name) for name in ("unit_id_reported", "unit_id_linked", "unit", "unit_id", "call_sign"))
TIME_COLUMNS = tuple(plain(name) for name in ("time", "timestamp", "status_time", "datetime"))
STATUS_COLUMNS = tuple(plain(name) for name in ("status", "unit_status"))
NOTHING = ("", "null", "none", "n/a", "na", "-")


@dataclass
class _Log:
    """The file so far: its rows of events and, by wording, the lines that were put aside or need a look."""

    chart: Chart
    zone: ZoneInfo | None
    said: dict[str, list[int]] = field(default_factory=dict)
    seen: set[tuple[object, ...]] = field(default_factory=set)
    unknown: dict[tuple[str, str, str], int] = field(default_factory=dict)
    used: dict[Word, None] = field(default_factory=dict)
    read: set[str] = field(default_factory=set)
    unread: dict[str, str] = field(default_factory=dict)

    def not_known(self, kind: str, name: str, detail: str) -> None:
        """Count something that is not understood."""
        self.unknown[kind, name, detail] = self.unknown.get((kind, name, detail), 0) + 1

    def say(self, line: int, text: str) -> None:
        self.said.setdefault(text, []).append(line)


def recognises(path: Path, about: SourceHeader | None = None) -> bool:
    """Tell from the names in the first line: NERIS times, a column of the header's map, or time and status side by side."""
    try:
        names = _head(path)
    except UnreadableFile:
        return False
    mapped = {plain(name) for name in about.columns} if about else set()
    plains = [plain(name) for name in names]
    if "type" in plains:
        return False
    return any(name.casefold() in COLUMNS for name in names) or any(name in mapped for name in plains) or _is_long(plains)


def read(path: Path, about: SourceHeader) -> tuple[Part, ...]:
    """Read the times of one dispatch log.

    Parameters: path; about, what the case's header says of it: columns maps their columns (or status words) to event types, zone is
    what times without an offset are told in.
    Returns: one Part of kind dispatch, times in seconds from its earliest event; `by` is the unit. Without offset and zone its
    start is a wall-clock time.
    Raises: UnreadableFile when the file is too large, empty, or names no column that holds a time; UnknownWord for a map entry
    whose event type is not in the vocabulary.
    """
    names = _head(path)
    words = _words(about, path)
    plains = [plain(name) for name in names]
    log = _Log(Chart(path, path.name), _zone(about.zone, path))
    if _is_long(plains):
        _read_long(path, names, words, log, about)
        could_chart = frozenset(TIME_POINTS) | {word.type for word in words.values() if word in log.used or not word.of_map}
    else:
        could_chart = _read_wide(path, names, words, log, about)
    for column in sorted(log.unread.keys() - log.read):
        log.not_known("time", column, f"none of its times can be read (the first is “{log.unread[column][:40]}”)")
    _one_kind_of_time(log)
    _check_order(log)
    start, events, _ = log.chart.tables()
    notes = [Note("warning", path.name, f"line {listed(lines)}: {text}") for text, lines in log.said.items()]
    if start is not None and start.tzinfo is None:
        notes.append(Note("info", path.name, "times have no offset and the header names no zone: they are wall-clock times"))
    notes += [Note("info", path.name, f"“{word.text}” is read as {word.type} by the map “{word.of_map}”") for word in log.used]
    unknown = tuple(Unknown(kind, name, path.name, detail, count) for (kind, name, detail), count in log.unknown.items())
    told = (*notes, *log.chart.notes)
    return (Part(path.name, FORMAT, "dispatch", start, events=events, notes=told, could_chart=could_chart, unknown=unknown),)


def _text(path: Path, *, at_most: int | None = None) -> str:
    with path.open("rb") as file:
        return file.read(at_most or -1).decode("utf-8-sig", errors="replace").replace("\0", "\ufffd")


def _head(path: Path) -> list[str]:
    """Names in the first line."""
    first = _text(path, at_most=HEAD_BYTES).splitlines()[:1]
    if not first or not first[0].strip():
        raise UnreadableFile(path, "line 1: found nothing; should name the columns")
    return [name.strip() for name in next(csv.reader(first, delimiter=_delimiter(first[0])))]


def _delimiter(first_line: str) -> str:
    """Comma, semicolon or tab: whichever the first line has most of."""
    return max(",;\t", key=first_line.count)


def _is_long(plains: Sequence[str]) -> bool:
    return any(name in TIME_COLUMNS for name in plains) and any(name in STATUS_COLUMNS for name in plains)


def _words(about: SourceHeader, path: Path) -> dict[str, Word]:
    for name, word in about.columns.items():
        if word not in EVENT_VALUES:
            raise UnknownWord(f"{path.name}, column map, {name}", word, EVENT_VALUES)
    return about.event_words


def _zone(name: str | None, path: Path) -> ZoneInfo | None:
    try:
        return None if name is None else ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise UnreadableFile(path, f"zone “{name}” is not an IANA zone name; right would be one like America/Denver") from error


def _rows(path: Path, names: Sequence[str], log: _Log) -> Iterator[tuple[int, list[str]]]:
    """Each row with its line; one that has another number of cells is put aside."""
    size = path.stat().st_size
    if size > LARGEST_BYTES:
        raise UnreadableFile(path, f"found {size} bytes; a dispatch log is read up to {LARGEST_BYTES} bytes")
    text = _text(path)
    reader = csv.reader(io.StringIO(text), delimiter=_delimiter(text.splitlines()[0]))
    next(reader)
    while True:
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            log.say(reader.line_num, f"{error}; put aside")
            continue
        if len(cells) == len(names):
            yield reader.line_num, [cell.strip() for cell in cells]
        elif any(cell.strip() for cell in cells):
            log.say(reader.line_num, f"{len(cells)} cells where line 1 has {len(names)}; put aside")


def _read_wide(path: Path, names: Sequence[str], words: Mapping[str, Word], log: _Log, about: SourceHeader) -> frozenset[str]:
    """One row a unit: each named column is an event. Returns the event types that the columns can hold."""
    kinds = [_kind(name, words) for name in names]
    timed = [(column, kind) for column, kind in enumerate(kinds) if kind is not None]
    if not timed:
        choices = ", ".join(COLUMNS)
        raise UnreadableFile(path, f"line 1: found {', '.join(names)}; should name one of {choices}, or the header's map a column")
    known = {plain(name) for name in names}
    if absent := [plain(name) for name in about.columns if plain(name) not in known]:
        log.chart.notes.append(Note("warning", path.name, f"columns of the header's map that the file lacks: {', '.join(absent)}"))
    for name, kind in zip(names, kinds, strict=True):
        if about.ignores(name):
            continue
        if kind is None and plain(name) not in UNIT_COLUMNS and name.casefold() not in LENGTHS:
            log.not_known("column", name, "not read")
        elif kind is not None and kind[0].type == UNMAPPED:
            log.not_known("event", name, "a column of times that no event is known for: kept, unmapped")
    for line, cells in _rows(path, names, log):
        unit = _unit(names, cells)
        for column, (word, label) in timed:
            name = names[column]
            whole = word.type in WHOLE_CALL or name.casefold() in WHOLE_CALL_NOTES
            text = f"{label} ({name})" if label else name
            _add(log, line, name, cells[column], word=word, text=text, unit=None if whole else unit)
    return frozenset(word.type for _, (word, _) in timed if word.type != UNMAPPED)


def _kind(name: str, words: Mapping[str, Word]) -> tuple[Word, str] | None:
    """What a column stands for, and words for it: the header's map first, then NERIS, then the agency's maps; a time column that
    none of them knows stays unmapped.
    """
    own = words.get(plain(name))
    if own and not own.of_map:
        return own, ""
    if name.casefold() in COLUMNS:
        kind, label = COLUMNS[name.casefold()]
        return Word(name, kind), label
    if own:
        return own, ""
    known_prefix = name.casefold().startswith(("time_", "dispatch_time_"))
    return (Word(name, UNMAPPED), "unknown time column") if known_prefix and name.casefold() not in LENGTHS else None


def _read_long(path: Path, names: Sequence[str], words: Mapping[str, Word], log: _Log, about: SourceHeader) -> None:
    """One row a status change; a status that neither a map nor the vocabulary knows stays unmapped with its own words."""
    when = next(column for column, name in enumerate(names) if plain(name) in TIME_COLUMNS)
    what = next(column for column, name in enumerate(names) if plain(name) in STATUS_COLUMNS)
    own = {plain(word): Word(word, word) for word in TIME_POINTS}
    for column, name in enumerate(names):
        if column not in (when, what) and plain(name) not in UNIT_COLUMNS and not about.ignores(name):
            log.not_known("column", name, "not read")
    for line, cells in _rows(path, names, log):
        status = cells[what]
        word = words.get(plain(status)) or own.get(plain(status)) or Word(status, UNMAPPED)
        if word.type == UNMAPPED and status:
            log.not_known("event", status, "kept as it stands, unmapped")
        unit = None if word.type in WHOLE_CALL else _unit(names, cells)
        _add(log, line, names[when], cells[when], word=word, text=status or "status is empty", unit=unit)


def _unit(names: Sequence[str], cells: Sequence[str]) -> str | None:
    for wanted in UNIT_COLUMNS:
        for name, cell in zip(names, cells, strict=True):
            if plain(name) == wanted and cell.casefold() not in NOTHING:
                return cell
    return None


def _add(log: _Log, line: int, column: str, cell: str, *, word: Word, text: str, unit: str | None) -> None:
    """Keep one time; one that is empty is not recorded, one that cannot be is put aside, one that repeats itself is kept once."""
    if cell.casefold() in NOTHING or cell.startswith("1900-01-01"):
        return
    try:
        time = moment(cell)
    except ValueError as error:
        log.say(line, f"{column}: {error}; put aside")
        log.unread.setdefault(column, cell)
        return
    log.read.add(column)
    uncertain = False
    if time.tzinfo is None and log.zone is not None:
        time, uncertain = _placed(log, line, column, time, log.zone)
    key = (time, word.type, text, unit)
    if key in log.seen:
        return
    log.seen.add(key)
    if word.of_map:
        log.used[word] = None
    log.chart.entries.append((word.type, time, None, line))
    log.chart.add(time, word.type, value=word.value or None, text=text, by=unit)
    if uncertain:
        log.chart.events[-1]["uncertainty_s"] = HOUR_S


def _placed(log: _Log, line: int, column: str, naive: datetime, zone: ZoneInfo) -> tuple[datetime, bool]:
    """A wall-clock time with the zone's offset then; in the hour that a clock change repeats or skips, both readings are said."""
    meant = [_fixed(time) for time in readings(naive, zone)]
    if len(meant) == 1:
        return meant[0], False
    log.say(
        line,
        f"{column}: {naive.isoformat(' ')} falls in the hour that a clock change repeats or skips; it can mean "
        f"{' or '.join(time.isoformat() for time in meant)}; the first is used, ± 1 h",
    )
    return meant[0], True


def _fixed(time: datetime) -> datetime:
    """The same moment with its offset alone, so that arithmetic never goes by the wall clock."""
    return datetime.fromisoformat(time.isoformat())


def _one_kind_of_time(log: _Log) -> None:
    """Where some times have an offset and others do not, and no zone is known, those without cannot be placed beside them."""
    aware = [row["time"].tzinfo is not None for row in log.chart.events]
    if all(aware) or not any(aware):
        return
    lines = [line for _, time, _, line in log.chart.entries if time.tzinfo is None]
    for line in lines:
        log.say(line, "time without an offset beside others that have one, and the header names no zone; put aside")
    log.chart.events[:] = [row for row in log.chart.events if row["time"].tzinfo is not None]
    log.chart.entries[:] = [entry for entry in log.chart.entries if entry[1].tzinfo is not None]


def _check_order(log: _Log) -> None:
    """Say where a unit's later time point stands before its earlier one; nothing is moved."""
    by_unit: dict[str | None, dict[str, datetime]] = {}
    for row in log.chart.events:
        if row["type"] in TIME_POINTS:
            by_unit.setdefault(row["by"], {}).setdefault(row["type"], row["time"])
    for unit, times in by_unit.items():
        told = [word for word in TIME_POINTS if word in times]
        for earlier, later in pairwise(told):
            back = times[earlier] - times[later]
            if back > timedelta(0):
                text = f"{later} is {back.total_seconds():.0f} s before {earlier}{f' for {unit}' if unit else ''}"
                log.chart.notes.append(Note("warning", log.chart.path.name, text))
