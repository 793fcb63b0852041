"""Columns of a signal table to Signals: what the CSV and the Parquet readers share."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from qi.intake.header import SourceHeader
from qi.intake.moments import FARTHEST_S, in_lines, moment, readings
from qi.intake.signals import Remark, named_alike, notes_of, signal_from, timeline, unknown_of
from qi.model.case import Note, Part, Signal, Unknown
from qi.model.errors import UnreadableFile
from qi.model.vocabulary import channel_named

TIME_COLUMNS = ("time_s", "time")
# A step back of an hour, give or take this much, in wall-clock times is the end of daylight saving [s] (our default, no source).
DAYLIGHT_WITHIN_S = 120.0

_COLUMN = re.compile(r"\s*(.*?)\s*\[(.*)\]\s*")
_WELL_FORMED = r"^\s*\d{4}-\d\d-\d\d[T ]\d\d:\d\d(?::\d\d(?:[.,]\d+)?)?\s*(?:Z|z|[+-]\d\d:?\d\d)?\s*$"
_OFFSET = r"(?:Z|z|[+-]\d\d:?\d\d)\s*$"


class NoTimes(UnreadableFile):
    """A table none of whose rows has a time that can be read: its column of times is in a form that is not understood."""

    def __init__(self, path: Path, column: str, example: str) -> None:
        shown = f" (the first is “{example[:40]}”)" if example else ""
        super().__init__(path, f"column “{column}”: no row has a time that can be read{shown}")
        self.unknown = Unknown("time", column, path.name, f"no row has a time that can be read{shown}")


@dataclass(frozen=True)
class Named:
    """One column of numbers: the label and unit that stand above it, its values (NaN = no sample), and its channel if settled."""

    label: str
    unit: str
    values: np.ndarray
    channel: str = ""


@dataclass(frozen=True)
class Times:
    """A time column as read: seconds from start (NaN where a row's time cannot be read), and what a person should know of it.

    column is its name, example the first of its texts that could not be read.
    """

    seconds: np.ndarray
    start: datetime | None
    notes: tuple[tuple[str, str], ...] = ()
    column: str = "1"
    example: str = ""


def split_name(column: str) -> tuple[str, str]:
    """A column's label and unit: "co2[mmHg]" is ("co2", "mmHg"); without brackets the unit is empty."""
    found = _COLUMN.fullmatch(column)
    return (found[1], found[2]) if found else (column.strip(), "")


def has_signal_columns(columns: Sequence[str]) -> bool:
    """Whether these are the columns of a signal table: time first, then at least one channel."""
    names = [name.strip() for name in columns]
    if not names or names[0] not in TIME_COLUMNS or "type" in names:
        return False
    return any(_COLUMN.fullmatch(name) or channel_named(name) for name in names[1:])


def iso_stamps(texts: pd.Series) -> tuple[pd.Series, datetime | None]:
    """Read texts in ISO 8601.

    Returns: moments in UTC, wall-clock times as if they were; NaT for a text that is no time, or lacks an offset where the first
    has one, or has one where it lacks. And the first that can be read, aware or naive; None where there is none.
    """
    texts = texts.astype("str")
    none = pd.Series(pd.NaT, index=texts.index, dtype="datetime64[us, UTC]")
    good = texts.str.contains(_WELL_FORMED, regex=True, na=False)
    if not good.any():
        return none, None
    aware = texts.str.contains(_OFFSET, regex=True, na=False)
    is_aware = bool(aware[good.idxmax()])
    good &= aware == is_aware
    plain = texts.where(good).str.strip().str.replace(",", ".", regex=False).str.upper()
    parsed = pd.to_datetime(plain, format="ISO8601", errors="coerce", utc=True)
    if not parsed.notna().any():
        return none, None
    first_row = int(parsed.notna().to_numpy().argmax())
    return parsed, moment(str(plain.iloc[first_row]))


def clock_times(texts: pd.Series, zone: str | None) -> Times:
    """Read a `time` column of ISO 8601 texts.

    Parameters: texts, one for each row; zone, the agency's zone, for wall-clock times that run over a clock change.
    Returns: seconds from the earliest row [s]; start aware where the rows have an offset, else naive. Rows that are no time, or
    lack an offset where the first has one, are NaN.
    """
    stamps, first = iso_stamps(texts)
    return Times(np.full(len(texts), np.nan), None) if first is None else anchored(stamps, first, zone)


def near(seconds: np.ndarray, *, middle: float = 0.0) -> np.ndarray:
    """The times that can be meant; NaN for those that lie years from the middle, or are no number [s]."""
    return np.where(np.abs(seconds - middle) <= FARTHEST_S, seconds, np.nan)


def anchored(stamps: pd.Series, first: datetime, zone: str | None) -> Times:
    """Seconds from the earliest of a column of time stamps; first is the first of them that is not missing, aware or naive."""
    known = stamps.dropna()
    seconds = ((stamps - known.iloc[0]) / pd.Timedelta(seconds=1)).to_numpy(dtype=float)
    ordered = np.sort(seconds[np.isfinite(seconds)])
    seconds = near(seconds, middle=float(ordered[len(ordered) // 2]))
    notes: tuple[tuple[str, str], ...] = ()
    if first.tzinfo is None:
        seconds, notes = over_clock_change(seconds, first, zone)
    earliest = float(np.nanmin(seconds))
    return Times(seconds - earliest, first + timedelta(seconds=earliest), notes)


def over_clock_change(seconds: np.ndarray, start: datetime, zone: str | None) -> tuple[np.ndarray, tuple[tuple[str, str], ...]]:
    """Count on where wall-clock times step over a change of the clocks.

    Parameters: seconds, wall-clock time of each row from start [s], NaN allowed; start, naive; zone, IANA name or None.
    Returns: true seconds from start [s] and notes. A step back of an hour is taken as the end of daylight saving, where the
    zone is known only if it has one then; a step forward only where the zone has its change inside it, for else it is a gap.
    """
    rows = np.flatnonzero(np.isfinite(seconds))
    steps = np.diff(seconds[rows])
    back = np.abs(steps + 3600) <= DAYLIGHT_WITHIN_S
    for at in np.flatnonzero(back) if zone else []:
        back[at] = len(readings(start + timedelta(seconds=float(seconds[rows[at + 1]])), ZoneInfo(str(zone)))) > 1
    ahead = np.zeros(len(steps), dtype=bool)
    for at in np.flatnonzero(steps >= 3600 - DAYLIGHT_WITHIN_S) if zone else []:
        edges = [
            (start + timedelta(seconds=float(seconds[rows[at + side]]))).replace(tzinfo=ZoneInfo(str(zone))) for side in (0, 1)
        ]
        before, after = (edge.utcoffset() or timedelta(0) for edge in edges)
        ahead[at] = (after - before).total_seconds() == 3600
    if not (back.any() or ahead.any()):
        return seconds, ()
    true = seconds.copy()
    true[rows[1:]] += 3600.0 * np.cumsum(back.astype(int) - ahead.astype(int))
    notes = []
    for at in np.flatnonzero(back | ahead):
        which = "back" if back[at] else "ahead"
        notes.append(
            (
                "warning",
                f"the wall clock steps {which} by 1 h at row {rows[at + 1] + 1}: read as a change of the clocks, time counted on",
            )
        )
    return true, tuple(notes)


def part_of(path: Path, form: str, columns: Sequence[Named], times: Times, about: SourceHeader, notes: Sequence[Note]) -> Part:
    """Make the Part of one signal table.

    Parameters: columns, each channel in the order of the file; times, of the rows; about, what the header says of the file; notes,
    what the reader has to say already.
    Returns: Part of kind monitor. Each channel stands on the rows in which it has a value, so that a slower sensor's blanks are no
    gaps.
    Raises: UnreadableFile where no row has a time.
    """
    usable = np.isfinite(times.seconds)
    if len(usable) and not usable.any():
        raise NoTimes(path, times.column, times.example)
    if usable.any() and (earliest := float(np.nanmin(times.seconds))) > 1:
        notes = [
            *notes,
            Note("info", path.name, f"its first row stands at {earliest:g} s; a start given for the file is that of 0 s"),
        ]
    shared = timeline(times.seconds) if usable.all() else None
    signals: list[Signal] = []
    remarks: dict[str, list[Remark]] = {}
    aside = 0
    for column in columns:
        label, unit, values = column.label, column.unit, column.values
        there = usable & np.isfinite(values)
        if not there.any():
            remarks.setdefault(label, []).append(Remark("info", "has no value in any row"))
            continue
        full = there.all() and shared is not None
        line = shared if full and shared else timeline(times.seconds[there])
        aside = max(aside, len(line.aside))
        pieces = line.pieces(values if full else values[there])
        signal, said = signal_from(label, unit, pieces, source=path.name, about=about, known_as=column.channel)
        remarks.setdefault(label, []).extend([*line.remarks, *said])
        signals += [signal] if signal else []
    for level, text in times.notes:
        notes = [*notes, Note(level, path.name, text)]
    told = (*notes, *notes_of(path.name, remarks), *named_alike(signals, path.name))
    return Part(path.name, form, "monitor", times.start, tuple(signals), notes=told, unknown=unknown_of(path.name, remarks))


def bad_lines(path: Path, lines: Sequence[int], why: str) -> list[Note]:
    """A note on rows that were put aside, with their lines."""
    return [Note("warning", path.name, f"{in_lines(list(lines))}: {why}; put aside")] if len(lines) else []
