"""Which forms of time the first rows of a table can be in, with how each would be read: for a person to choose from."""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import pandas as pd

from qi.intake.map_form import TimeFormat
from qi.intake.written_times import has_date, numbers_in, read_times

_DATES = (
    *("%d.%m.%Y", "%m.%d.%Y", "%d/%m/%Y", "%m/%d/%Y", "%d-%m-%Y", "%m-%d-%Y", "%Y-%m-%d", "%Y/%m/%d", "%Y.%m.%d", "%Y%m%d"),
    *("%d.%m.%y", "%m.%d.%y", "%d/%m/%y", "%m/%d/%y", "%d-%b-%Y", "%d %b %Y", "%d-%b-%y", "%b %d %Y", "%d %B %Y"),
)
_CLOCKS = (
    *("%H:%M:%S.%f", "%H:%M:%S,%f", "%H:%M:%S", "%H:%M", "%H:%M:%S:%f"),
    *("%I:%M:%S.%f %p", "%I:%M:%S %p", "%I:%M %p", "%I:%M:%S%p"),
)
_BETWEEN = (" ", "T", ", ")
# Names that a column of times goes by, as words.
_TIME_WORDS = frozenset(
    (
        "time times t sec secs second seconds s ms msec millisecond milliseconds timestamp elapsed clock epoch date datetime day"
    ).split()
)
_SECONDS, _MILLISECONDS = frozenset("s sec secs second seconds".split()), frozenset("ms msec millisecond milliseconds".split())
_EPOCH_S, _EPOCH_MS = (1e9, 5e9), (1e12, 5e12)  # 2001 to 2128
_SERIAL_DAYS = (36526.0, 73051.0)  # 2000 to 2100
_SHOWN = 3
_TRIED = 50


@dataclass(frozen=True)
class TimeChoice:
    """One form that the times can be in; examples are the first cells as written and as they would be read."""

    time: TimeFormat
    examples: tuple[tuple[str, str], ...]


def time_choices(columns: Mapping[str, Sequence[str]], *, decimal: str) -> list[TimeChoice]:
    """All forms that fit every one of the first cells of a column, or of a date and a time of day beside it.

    Parameters: columns, by name the first cells, blank ones among them; decimal, the sign before a fraction.
    Returns: choices, those that tell the day first. Several for one column mean that a person has to choose.
    """
    cells = {name: [cell.strip() for cell in own if cell.strip()][:_TRIED] for name, own in columns.items()}
    texts = {name: own for name, own in cells.items() if own and not _is_number(own, decimal)}
    numbers = {name: own for name, own in cells.items() if own and name not in texts}
    whole = [choice for name, own in texts.items() for choice in _moments((name,), own)]
    if not whole:
        whole = list(_in_two(columns, texts))
    clock = [choice for name, own in texts.items() for choice in _clocks(name, own)] if not whole else []
    first = next(iter(columns), "")
    counted = [choice for name, own in numbers.items() for choice in _counted(name, own, decimal, is_first=name == first)]
    return [*whole, *clock, *counted]


def is_day_month_open(choices: Sequence[TimeChoice]) -> bool:
    """Whether two of the choices differ in the order of day and month alone."""
    forms = {(choice.time.columns, choice.time.format) for choice in choices}
    return any((columns, _swapped(form)) in forms for columns, form in forms if _swapped(form) != form)


def _swapped(form: str) -> str:
    return form.replace("%d", "\0").replace("%m", "%d").replace("\0", "%m")


def _is_number(cells: Sequence[str], decimal: str) -> bool:
    return bool(np.isfinite(numbers_in(pd.Series(list(cells), dtype="str"), decimal)).all())


def _moments(names: tuple[str, ...], cells: Sequence[str]) -> Iterator[TimeChoice]:
    """Forms of date and time of day."""
    if choice := _fits(names, cells, "iso"):
        yield choice
        return
    for date in _DATES:
        for clock in _CLOCKS:
            for between in _BETWEEN:
                if choice := _fits(names, cells, f"{date}{between}{clock}"):
                    yield choice


def _in_two(columns: Mapping[str, Sequence[str]], texts: Mapping[str, Sequence[str]]) -> Iterator[TimeChoice]:
    """A column of dates with a column of times of day."""
    dates = [name for name in columns if any(_parses(cell, date) for date in _DATES for cell in list(columns[name])[:1] if cell)]
    for day in dates:
        for clock in texts:
            if clock != day:
                both = [f"{one} {other}" for one, other in zip(columns[day], columns[clock], strict=True) if one and other][:_TRIED]
                yield from _moments((day, clock), both) if both else ()


def _clocks(name: str, cells: Sequence[str]) -> Iterator[TimeChoice]:
    """Times of day without a date, and what could as well be time from the start."""
    for form in (*_CLOCKS, "elapsed_clock"):
        if choice := _fits((name,), cells, form):
            yield choice


def _counted(name: str, cells: Sequence[str], decimal: str, *, is_first: bool) -> Iterator[TimeChoice]:
    """Forms of a column of numbers, if it is named like one of times, or is the first and never falls."""
    values = numbers_in(pd.Series(list(cells), dtype="str"), decimal)
    words = set(re.findall(r"[a-z]+", name.casefold()))
    rises = bool((np.diff(values) >= 0).all()) and len(values) > 1
    if not (words & _TIME_WORDS and not words - _TIME_WORDS) and not (is_first and rises):
        return
    middle = float(np.median(values))
    if _EPOCH_S[0] <= middle < _EPOCH_S[1]:
        forms = ["epoch_s"]
    elif _EPOCH_MS[0] <= middle < _EPOCH_MS[1]:
        forms = ["epoch_ms"]
    elif words & _MILLISECONDS:
        forms = ["elapsed_ms"]
    elif words & _SECONDS:
        forms = ["elapsed_s"]
    else:
        forms = ["elapsed_s", "elapsed_ms"]
        if (_SERIAL_DAYS[0] <= values).all() and (values < _SERIAL_DAYS[1]).all():
            forms.insert(0, "excel_days")
        elif (values >= 0).all() and (values < 1).all():
            forms.append("excel_days")
    for form in forms:
        if choice := _fits((name,), cells, form, decimal=decimal):
            yield choice


def _parses(cell: str, form: str) -> bool:
    try:
        datetime.strptime(cell.strip(), form)
    except ValueError:
        return False
    return True


def _fits(names: tuple[str, ...], cells: Sequence[str], form: str, *, decimal: str = ".") -> TimeChoice | None:
    """The choice of a form, with examples; None where a cell does not fit."""
    if "%" in form and not any(_parses(cell, form) for cell in cells[:5]):
        return None
    series = pd.Series(list(cells), dtype="str")
    written = read_times(series, form, decimal=decimal)
    if not len(series) or not written.usable.all():
        return None
    if written.stamps is not None:
        read = [
            _shown(stamp, aware=written.first is not None and written.first.tzinfo is not None) for stamp in written.stamps[:_SHOWN]
        ]
    else:
        seconds = written.seconds if written.seconds is not None else np.empty(0)
        read = [_of_day(value) if written.is_time_of_day else f"{value:g} s from the start" for value in seconds[:_SHOWN]]
    columns = names if has_date(form) or form == "iso" or len(names) == 1 else names[-1:]
    return TimeChoice(TimeFormat(columns, form), tuple(zip(cells[:_SHOWN], read, strict=True)))


def _shown(stamp: pd.Timestamp, *, aware: bool) -> str:
    """A moment with its month in letters, so that day and month cannot be confused."""
    text = f"{stamp.day} {stamp:%b %Y} {stamp:%H:%M:%S}"
    part = f".{stamp.microsecond:06d}".rstrip("0").rstrip(".")
    return f"{text}{part}{' UTC' if aware else ''}"


def _of_day(seconds: float) -> str:
    return f"{timedelta(seconds=round(seconds, 3))} of an unknown day".replace("000 of", " of")
