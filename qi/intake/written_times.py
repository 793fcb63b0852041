"""Times in whatever form a table writes them: by a pattern, as elapsed time, as seconds since 1970 or as days of a spreadsheet.

References: days of a spreadsheet: Microsoft, “Date systems in Excel” (1900 date system; 5 July 2011 is 40729), counted from
1899-12-30, so that every day from 1900-03-01 on is right. Directives of a pattern: Python, datetime, “strftime() and
strptime() Format Codes”.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from qi.intake.map_form import TimeFormat
from qi.intake.moments import moment, readings
from qi.intake.signal_columns import Times, anchored, iso_stamps, near

FORMATS: Mapping[str, str] = {
    "iso": "date and time as in 2031-04-17T14:02:11-06:00",
    "elapsed_s": "seconds from the start of the file",
    "elapsed_ms": "milliseconds from the start of the file",
    "elapsed_clock": "minutes and seconds from the start of the file, as in 12:07.5 or 1:12:07",
    "epoch_s": "seconds since 1970-01-01 UTC",
    "epoch_ms": "milliseconds since 1970-01-01 UTC",
    "excel_days": "days as a spreadsheet counts them (45000 is 2023-03-15)",
}
DAY_S = 86400.0
# A time of day that drops by more than this has passed midnight [s] (data-standards.md section 4).
PAST_MIDNIGHT_S = 43200.0
# Moments outside 1970 to 2200 are no moments of a recording (our default, no source).
EARLIEST, LATEST = pd.Timestamp(1970, 1, 1), pd.Timestamp(2200, 1, 1)

_BASES = {"epoch_s": (pd.Timestamp(1970, 1, 1), 1e6), "epoch_ms": (pd.Timestamp(1970, 1, 1), 1e3)}
_BASES["excel_days"] = (pd.Timestamp(1899, 12, 30), DAY_S * 1e6)
_FACTORS = {"elapsed_s": 1.0, "elapsed_ms": 0.001}
_CLOCK = r"^(-?)(?:(\d+):)?(\d+):([0-5]\d)([.,]\d+)?$"
_DIRECTIVE = re.compile(r"%(.)")
_SHAPES = {
    **dict.fromkeys("dmHIM", r"\d{1,2}"),
    "S": r"(?P<S>\d{1,2})",
    "H": r"(?P<H>\d{1,2})",
    "y": r"\d{2}",
    "Y": r"\d{4}",
    "f": r"\d{1,9}",
    **dict.fromkeys("bB", r"[^\W\d_]+"),
    "p": r"\w+",
    "z": r"(?:Z|[+-]\d\d:?\d\d)",
}


@dataclass(frozen=True)
class Written:
    """A column of times as read: stamps (in UTC where first has an offset, else wall clock), or seconds, elapsed or of the day.

    What cannot be read is missing. first is the earliest row's moment that can be read, with its own offset or none.
    """

    stamps: pd.Series | None = None
    seconds: np.ndarray | None = None
    first: datetime | None = None
    is_time_of_day: bool = False

    @property
    def usable(self) -> np.ndarray:
        """Which rows have a time."""
        if self.stamps is not None:
            return self.stamps.notna().to_numpy(dtype=bool)
        return np.isfinite(self.seconds if self.seconds is not None else np.empty(0))


def wrong_format(text: str) -> str | None:
    """Why a text is no form of time; None where it is one."""
    if text in FORMATS:
        return None
    found = _DIRECTIVE.findall(text)
    choices = f"choose from {', '.join(FORMATS)} or write a pattern such as %d.%m.%Y %H:%M:%S"
    if not found:
        return f"“{text}” is not known; {choices}"
    if odd := sorted({f"%{letter}" for letter in found if letter not in _SHAPES} | ({"%"} if text.endswith("%") else set())):
        return f"“{text}” has {', '.join(odd)}, which is not known here; known are {', '.join(f'%{letter}' for letter in _SHAPES)}"
    if twice := sorted({f"%{letter}" for letter in found if found.count(letter) > 1}):
        return f"“{text}” has {', '.join(twice)} twice"
    if not {"H", "I"} & set(found):
        return f"“{text}” has no hour (%H, or %I with %p); {choices}"
    if "I" in found and "p" not in found:
        return f"“{text}” has %I, which needs %p beside it"
    date = [bool({"d"} & set(found)), bool({"m", "b", "B"} & set(found)), bool({"y", "Y"} & set(found))]
    if any(date) and not all(date):
        return f"“{text}” has a part of a date only; right would be day, month and year, or none of them"
    return None


def has_date(format_: str) -> bool:
    """Whether a pattern tells the day."""
    return "d" in _DIRECTIVE.findall(format_)


def numbers_in(cells: pd.Series, decimal: str) -> np.ndarray:
    """A column's numbers, NaN where a cell is blank or no number."""
    if not pd.api.types.is_string_dtype(cells.dtype) and cells.dtype != object:
        return pd.to_numeric(cells, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    texts = cells.astype("str").str.strip()
    if decimal == ",":
        texts = texts.where(~texts.str.contains(".", regex=False)).str.replace(",", ".", regex=False)
    numbers = pd.to_numeric(texts, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    return np.where(np.isfinite(numbers), numbers, np.nan)


def read_times(cells: pd.Series, format_: str, *, decimal: str = ".") -> Written:
    """Read a column of times.

    Parameters: cells, one for each row, texts (or what a Parquet file holds); format_, a name of FORMATS or a pattern; decimal, the
    sign before the fraction of a number.
    Returns: Written, a row that cannot be read missing; 24:00:00 and a second of 60 are not rolled over.
    """
    if pd.api.types.is_datetime64_any_dtype(cells.dtype):
        return _of_stamps(cells)
    if format_ in _FACTORS:
        return Written(seconds=near(numbers_in(cells, decimal) * _FACTORS[format_]))
    if format_ in _BASES:
        return _counted(numbers_in(cells, decimal), format_)
    texts = cells.astype("str").str.strip()
    if format_ == "elapsed_clock":
        return Written(seconds=near(_elapsed(texts)))
    if format_ == "iso":
        stamps, first = iso_stamps(texts)
        return Written(stamps=stamps.dt.tz_localize(None), first=first)
    return _by_pattern(texts, format_)


def _of_stamps(cells: pd.Series) -> Written:
    """A column that holds moments already."""
    known = cells.dropna()
    first = known.iloc[0].to_pydatetime() if len(known) else None
    aware = getattr(cells.dtype, "tz", None) is not None
    return Written(stamps=cells.dt.tz_convert("UTC").dt.tz_localize(None) if aware else cells, first=first)


def _counted(numbers: np.ndarray, format_: str) -> Written:
    """Moments counted from a base; spreadsheet days below 1 throughout are times of day."""
    known = numbers[np.isfinite(numbers)]
    if format_ == "excel_days" and len(known) and (known >= 0).all() and (known < 1).all():
        return Written(seconds=numbers * DAY_S, is_time_of_day=True)
    base, unit_us = _BASES[format_]
    lowest, highest = ((edge - base) / pd.Timedelta(microseconds=1) for edge in (EARLIEST, LATEST))
    counts = numbers * unit_us
    good = (counts >= lowest) & (counts < highest)
    ticks = np.where(good, np.round(np.where(good, counts, 0.0)), 0).astype("int64")
    stamps = pd.Series(base.as_unit("us") + pd.to_timedelta(pd.Series(ticks), unit="us")).where(pd.Series(good))
    first = stamps.dropna().iloc[0].to_pydatetime() if good.any() else None
    return Written(stamps=stamps, first=first.replace(tzinfo=UTC) if first and format_ != "excel_days" else first)


def _elapsed(texts: pd.Series) -> np.ndarray:
    """Seconds of elapsed times such as 12:07.5 and 1:12:07; of three parts the minutes end at 59."""
    found = texts.str.extract(_CLOCK)
    hours, minutes, seconds, part = (
        pd.to_numeric(found[at].str.replace(",", ".", regex=False), errors="coerce") for at in (1, 2, 3, 4)
    )
    total = hours.fillna(0) * 3600 + minutes * 60 + seconds + part.fillna(0)
    total = total.where(hours.isna() | (minutes < 60))
    return (total * np.where(found[0] == "-", -1, 1)).to_numpy(dtype=float)


def _by_pattern(texts: pd.Series, pattern: str) -> Written:
    """Moments, or times of day, by a strptime pattern; a fraction of a second that it ends in may be left out."""
    aware = "%z" in pattern
    stamps = pd.to_datetime(texts, format=pattern, errors="coerce", utc=aware)
    if (end := re.search(r"[.,]%f", pattern)) and stamps.isna().any():
        whole = pd.to_datetime(texts.where(stamps.isna()), format=pattern.replace(end[0], "", 1), errors="coerce", utc=aware)
        stamps = stamps.fillna(whole)
    stamps = stamps.dt.tz_localize(None)
    suspects = texts[texts.str.contains("6[01]", regex=True, na=False) & stamps.notna()]
    if len(suspects):
        shapes = _shapes(pattern)
        leap = [at for at, text in suspects.items() if _impossible(str(text), shapes)]
        stamps = stamps.mask(stamps.index.isin(leap))
    if not has_date(pattern):
        return Written(seconds=((stamps - pd.Timestamp(1900, 1, 1)) / pd.Timedelta(seconds=1)).to_numpy(float), is_time_of_day=True)
    stamps = stamps.where((stamps >= EARLIEST) & (stamps < LATEST))
    known = stamps.dropna()
    if not len(known):
        return Written(stamps=stamps)
    first = known.iloc[0].to_pydatetime()
    return Written(stamps=stamps, first=_with_offset(first, str(texts.loc[known.index[0]]), pattern) if aware else first)


def _with_offset(first: datetime, text: str, pattern: str) -> datetime:
    """A moment in UTC with the offset that its text has."""
    try:
        return first.replace(tzinfo=UTC).astimezone(datetime.strptime(text, pattern).tzinfo)
    except ValueError:  # more digits of a second than Python reads, or none where the pattern has some
        return first.replace(tzinfo=UTC)


def _shapes(pattern: str) -> list[re.Pattern[str]]:
    """What a text of a pattern looks like, with and without the fraction of a second that it ends in."""
    shapes = []
    for form in (pattern, re.sub("[.,]%f", "", pattern)):
        pieces = re.findall(r"%.|\s+|[^%\s]+", form)
        parts = [_SHAPES[part[1]] if part[0] == "%" else r"\s+" if part.isspace() else re.escape(part) for part in pieces]
        shapes.append(re.compile("".join(parts)))
    return shapes


def _impossible(text: str, shapes: Sequence[re.Pattern[str]]) -> str | None:
    """What a text's hour or second has that no clock shows; None where they can be."""
    found = next((match for shape in shapes if (match := shape.fullmatch(text))), None)
    parts = found.groupdict() if found else {}
    if parts.get("H") == "24":
        return "the hour 24 does not exist; right would be 00 on the next day"
    return "minutes and seconds end at 59" if int(parts.get("S") or 0) >= 60 else None


def why_not(text: str, format_: str) -> str:
    """Why one time cannot be read, in words for a person."""
    shown = text.strip()[:40]
    if not shown:
        return "the time is blank"
    if format_ == "iso":
        try:
            moment(shown)
        except ValueError as error:
            return str(error)
        return f"“{shown}” has an offset where the first row has none, or none where it has one"
    if format_ in FORMATS:
        return f"“{shown}” is not a time in {FORMATS[format_]}"
    return f"“{shown}”: {_impossible(shown, _shapes(format_)) or f'not of the form {format_}'}"


def past_midnight(seconds: np.ndarray) -> tuple[np.ndarray, list[int]]:
    """Count on where the time of day passes midnight: a drop of more than 12 h is the next day, a rise of as much back to it.

    Parameters: seconds, since midnight, in the order of the file; NaN allowed [s].
    Returns: seconds since midnight of the first row's day [s], and the rows at which a day was added or taken back.
    """
    rows = np.flatnonzero(np.isfinite(seconds))
    days = np.zeros(len(seconds))
    steps = np.diff(seconds[rows])
    day, turns = 0, []
    for at in np.flatnonzero(np.abs(steps) > PAST_MIDNIGHT_S):
        change = 1 if steps[at] < 0 else -1
        if day + change >= 0:
            day += change
            turns.append(int(rows[at + 1]))
            days[rows[at + 1] :] = day
    return seconds + days * DAY_S, turns


def as_times(written: Written, form: TimeFormat, zone: str | None) -> Times:
    """The times of the rows of a signal table.

    Parameters: written, as read; form, how they are written; zone, the case's own, used where the form names none.
    Returns: Times; for a time of day without a date they count from the first row, and that is said.
    """
    if written.stamps is not None:
        if written.first is None:
            return Times(np.full(len(written.stamps), np.nan), None)
        times = anchored(written.stamps, written.first, form.zone or zone)
        start, said = in_zone(times.start, form.zone)
        return Times(times.seconds, start, (*times.notes, *said))
    seconds = written.seconds if written.seconds is not None else np.empty(0)
    if not written.is_time_of_day or not np.isfinite(seconds).any():
        return Times(seconds, None)
    seconds, turns = past_midnight(seconds)
    base = float(seconds[np.isfinite(seconds)][0])
    return Times(seconds - base, None, tuple(("warning", text) for text in said_of_days(base, turns)))


def in_zone(start: datetime | None, zone: str) -> tuple[datetime | None, tuple[tuple[str, str], ...]]:
    """A wall-clock start in the zone that the map names; both readings are said in the hour that a clock change repeats."""
    if start is None or start.tzinfo is not None or not zone:
        return start, ()
    first, *other = (datetime.fromisoformat(each.isoformat()) for each in readings(start, ZoneInfo(zone)))
    text = f"starts at {start}, which falls into a change of the clocks in {zone}: read as {first}"
    return first, tuple(("warning", f"{text}; the other reading is {each}; `start` in case.toml chooses") for each in other)


def said_of_days(base_s: float, turns: list[int]) -> list[str]:
    """What to say of times of day without a date."""
    clock = f"{timedelta(seconds=round(base_s % DAY_S))}"
    said = [f"tells the time of day and no date: its seconds count from {clock}; `start` in case.toml would place it"]
    if turns:
        said.append(f"the time of day passes midnight at row {', '.join(str(at + 1) for at in turns[:5])}: counted on by a day")
    return said
