"""A draft of a map for a table that nothing knows yet: what can be told from its look, and what a person has to say.

Nothing of a draft is in force: a person confirms or changes it, answers what it asks, and the map is kept for the agency.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from pathlib import Path

import numpy as np
import pandas as pd

from qi.intake.delimited import Head, Table, cells, head_of, read_table
from qi.intake.dispatch_csv import COLUMNS as DISPATCH_COLUMNS
from qi.intake.event_words import entry
from qi.intake.map_form import DELIMITERS, EventColumns, Map, same_name
from qi.intake.meanings import Column
from qi.intake.time_guess import TimeChoice, is_day_month_open, time_choices
from qi.intake.written_times import numbers_in
from qi.model.errors import UnreadableFile
from qi.model.vocabulary import CHANNELS, EVENT_VALUES, TIME_POINTS, UNMAPPED, channel_named, plain, unit_factor

MOST_ROWS = 200  # rows of the head that are looked at
MOST_WORDS = 200  # different texts that a column of event words can have; more is free text (our default, no source)

_NULLS = frozenset(("-", "--", "---", "----", "n/a", "na", "null", "none", "nan", "*", "**", "***", "?", "///", "."))
_NUMBER = re.compile(r"[-+]?(\d+([.,]\d*)?|[.,]\d+)([eE][-+]?\d+)?")
_IN_BRACKETS = re.compile(r"(.*?)\s*[\[(]\s*([^\[\]()]*?)\s*[\])]\s*")
_BEHIND = re.compile(r"(.*?)\s*[ _,/:;-]\s*([^ _,:;-]+)")
_ROLES = {
    "type": ("type", "event", "event type", "event name", "marker", "annotation", "action", "status", "unit status", "message"),
    "value": ("value", "event value", "result"),
    "text": ("text", "note", "notes", "comment", "comments", "remark", "remarks", "description"),
    "end": ("end", "end time", "ended"),
    "dose": ("dose", "amount"),
    "unit": ("unit of dose", "dose unit"),
    "by": ("by", "user", "who", "crew", "unit id", "unit", "call sign"),
}
_ROLE_OF = {plain(name): role for role, names in _ROLES.items() for name in names}


@dataclass(frozen=True)
class ColumnGuess:
    """One column of the table: its first cells, and what its name says it may be; "" where a person has to say.

    unit is what stands in its name, or below it, where the channel knows that unit.
    """

    name: str
    examples: tuple[str, ...]
    is_numbers: bool
    channel: str = ""
    unit: str = ""
    event: str = ""

    @property
    def is_open(self) -> bool:
        """Whether a person has to say what it is, or in which unit."""
        return not self.event and (not self.channel or unit_factor(self.channel, self.unit) is None)


@dataclass(frozen=True)
class WordGuess:
    """One event word of the table, how often it stands there, and the event type it is by the vocabulary; "" where it is none."""

    text: str
    count: int
    type: str = ""


@dataclass(frozen=True)
class Draft:
    """What can be told of a table. map is the draft: its time is None while times has several choices to ask about.

    asks are questions for a person, in words; is_day_month_open says that the order of day and month has to be asked.
    """

    map: Map
    times: tuple[TimeChoice, ...] = ()
    columns: tuple[ColumnGuess, ...] = ()
    words: tuple[WordGuess, ...] = ()
    asks: tuple[str, ...] = ()
    is_day_month_open: bool = False


@dataclass(frozen=True)
class _Look:
    """How the table lies in its file: delimiter, lines before the names, names, first rows, and a row of units below the names."""

    delimiter: str
    skip_lines: int
    names: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    units: tuple[str, ...] = ()

    def cells(self, name: str) -> list[str]:
        """The first cells of a column."""
        at = self.names.index(name)
        return [row[at].strip() for row in self.rows]


def propose(path: Path) -> Draft:
    """Draft a map for a table: delimiter, decimal sign, line of names, times, channels and units by their names.

    Parameters: path, of a delimited text or a Parquet file.
    Returns: Draft; what its look does not tell for sure is left open and asked.
    Raises: UnreadableFile where the file is no table, or has no line of names.
    """
    head = head_of(path)
    look = _of_parquet(path, head) if head and head.columns else _of_text(path, head)
    decimal, both = _decimal(look)
    nulls = _null_words(look, decimal)
    times = tuple(time_choices({name: _filled(look.cells(name), nulls) for name in look.names}, decimal=decimal))
    timed = {name for choice in times for name in choice.time.columns}
    first = [choice for choice in times if choice.time.columns == times[0].time.columns]
    guesses = [_guess(look, name, decimal, nulls) for name in look.names]
    wide = [guess for guess in guesses if guess.name in timed] if _is_wide(times, guesses) else []
    if wide:
        guesses = [replace(guess, event=_event_of(guess.name)) if guess in wide else guess for guess in guesses]
    elif first:
        guesses = [guess for guess in guesses if guess.name not in first[0].time.columns]
    map_ = Map(
        f"table with {', '.join(look.names[:3])}{' …' if len(look.names) > 3 else ''}",
        "dispatch" if wide else "signals",
        look.names,
        look.delimiter,
        decimal,
        look.skip_lines,
        nulls,
        time=first[0].time if len(first) == 1 else None,
        columns=tuple(_sure(guess) for guess in guesses if not guess.is_open),
    )
    if wide:
        forms = list(dict.fromkeys(choice.time.format for choice in times))
        by = next((guess.name for guess in guesses if _ROLE_OF.get(plain(guess.name)) == "by"), "")
        time = replace(times[0].time, columns=()) if len(forms) == 1 else None
        map_ = replace(map_, time=time, events=EventColumns(by=by))
    map_, words = (map_, ()) if wide else _with_events(path, map_, guesses)
    asks = _asks(times, first, guesses, words, map_, both=both)
    asks += tuple(f"“{guess.name}”: which event is it?" for guess in wide if not _event_of(guess.name))
    return Draft(map_, times, tuple(guesses), words, asks, is_day_month_open(times))


def _of_text(path: Path, head: Head | None) -> _Look:
    """How a text table lies: the delimiter that parts most lines into as many cells below a line of names."""
    best: tuple[tuple[int, int], _Look] | None = None
    for delimiter in DELIMITERS if head else ():
        rows = [cells(line, delimiter) for line in (head.lines if head else ())[: MOST_ROWS + 50]]
        at = 0
        for count, run in groupby(rows, key=len):
            block = list(run)
            if count > 1 and len(block) > 1 and _are_names(block[0]) and (best is None or (len(block), count) > best[0]):
                names = (head or Head()).names(delimiter, at)
                best = ((len(block), count), _look(delimiter, at, names, block[1:]))
            at += len(block)
    if best is None:
        raise UnreadableFile(
            path, "no table found: right would be a line of names with rows of as many cells below it, parted by , ; | or tabs"
        )
    return best[1]


def _look(delimiter: str, at: int, names: Sequence[str], rows: list[list[str]]) -> _Look:
    """A table with the row of units below its names taken apart, if there is one."""
    units: tuple[str, ...] = ()
    if len(rows) > 1 and _are_names(rows[0]) and any(_NUMBER.fullmatch(cell) for cell in rows[1]):
        units, rows = tuple(cell.strip("[]() ") for cell in rows[0]), rows[1:]
    return _Look(delimiter, at, tuple(names), tuple(tuple(row) for row in rows[:MOST_ROWS]), units)


def _are_names(row: Sequence[str]) -> bool:
    """Whether a row holds names and neither numbers nor times."""
    return any(row) and not any(
        re.match(r"[-+]?\d+([.,:/-]\d*)*$", cell) or re.match(r"\d{1,4}[-./]\d", cell) for cell in row if cell
    )


def _of_parquet(path: Path, head: Head) -> _Look:
    """The first rows of a Parquet file, as text."""
    table = read_table(path, Map("", "signals"))
    shown = table.frame.iloc[:MOST_ROWS]
    texts = [["" if pd.isna(cell) else str(cell) for cell in shown[at]] for at in shown]
    return _Look(",", 0, tuple(head.names(",")), tuple(zip(*texts, strict=True)))


def _filled(own: Sequence[str], nulls: Sequence[str]) -> list[str]:
    """Cells with null words left blank."""
    return ["" if cell.casefold() in nulls else cell for cell in own]


def _decimal(look: _Look) -> tuple[str, bool]:
    """The sign before the fraction of a number, and whether both signs stand there."""
    every = [cell for row in look.rows for cell in row]
    comma = any(re.fullmatch(r"[-+]?\d*,\d+", cell) for cell in every)
    point = any(re.fullmatch(r"[-+]?\d*\.\d+", cell) for cell in every)
    return ("," if comma and not point else "."), comma and point


def _null_words(look: _Look, decimal: str) -> tuple[str, ...]:
    """Cells that hold nothing, by their look, in columns that hold numbers else."""
    found: dict[str, None] = {}
    for name in look.names:
        own = [cell for cell in look.cells(name) if cell]
        nulls = [cell.casefold() for cell in own if cell.casefold() in _NULLS]
        if nulls and len(nulls) < len(own) and _holds_numbers([cell for cell in own if cell.casefold() not in _NULLS], decimal):
            found |= dict.fromkeys(nulls)
    return tuple(found)


def _holds_numbers(own: Sequence[str], decimal: str) -> bool:
    return bool(own) and bool(np.isfinite(numbers_in(pd.Series(list(own), dtype="str"), decimal)).all())


def _guess(look: _Look, name: str, decimal: str, nulls: Sequence[str]) -> ColumnGuess:
    """What a column may be by its name, and the unit in brackets, behind it, or in a row of units."""
    own = [cell for cell in _filled(look.cells(name), nulls) if cell]
    guess = ColumnGuess(name, tuple(own[:3]), _holds_numbers(own, decimal))
    below = look.units[look.names.index(name)] if look.units else ""
    channel, unit = named_in(name)
    if guess.is_numbers and channel:
        written = unit or (below if unit_factor(channel, below) is not None else "")
        return replace(guess, channel=channel, unit=written)
    return guess


def named_in(name: str) -> tuple[str, str]:
    """Channel and unit that a column's name tells: "CC depth (cm)", "co2_mmHg"; "" where it does not, or the unit is not known."""
    if found := _IN_BRACKETS.fullmatch(name):
        channel = channel_named(found[1]) or ""
        unit = found[2].replace("\u03bc", "\u00b5").replace("\u2126", "\u03a9")
        return channel, unit if channel and unit_factor(channel, unit) is not None else ""
    if whole := channel_named(name):
        return whole, ""
    found = _BEHIND.fullmatch(name)
    channel = (channel_named(found[1]) or "") if found else ""
    return (channel, found[2]) if found and channel and unit_factor(channel, found[2]) is not None else ("", "")


def _is_wide(times: Sequence[TimeChoice], guesses: Sequence[ColumnGuess]) -> bool:
    """Whether it looks like a log with a column for each moment: two or more of them, and no column that has a channel."""
    columns = {choice.time.columns for choice in times if len(choice.time.columns) == 1 and not choice.time.is_elapsed}
    named = [name for (name,) in columns]
    is_end = any(_ROLE_OF.get(plain(name)) == "end" for name in named)
    return len(columns) >= 2 and not is_end and not any(guess.channel for guess in guesses)


def _event_of(name: str) -> str:
    """The event whose moments a column holds, by its name."""
    own = {plain(word): word for word in EVENT_VALUES}
    return own.get(plain(name)) or DISPATCH_COLUMNS.get(name.casefold(), ("", ""))[0]


def _sure(guess: ColumnGuess) -> Column:
    return Column(guess.name, event=guess.event) if guess.event else Column(guess.name, guess.channel, guess.unit)


def _with_events(path: Path, map_: Map, guesses: Sequence[ColumnGuess]) -> tuple[Map, tuple[WordGuess, ...]]:
    """The map with the columns of its events, where one of them holds event words; and these words."""
    roles: dict[str, str] = {}
    texts = [guess for guess in guesses if guess.examples and not guess.is_numbers]
    for guess in [*texts, *(guess for guess in guesses if guess.is_numbers and not guess.channel)]:
        role = _ROLE_OF.get(plain(guess.name))
        if role and (role != "type" or guess in texts):
            roles.setdefault(role, guess.name)
    if "type" not in roles and (known := [guess.name for guess in texts if any(_type_of(cell) for cell in guess.examples)]):
        roles["type"] = known[0]
    if "type" not in roles:
        return map_, ()
    words = _words(read_table(path, map_), roles["type"])
    if len(words) > MOST_WORDS:
        return map_, ()
    has_channels = any(guess.channel for guess in guesses)
    if has_channels:
        roles.pop("end", None)
        return replace(map_, events=EventColumns(**roles)), words
    types = {word.type for word in words if word.type}
    kind = "dispatch" if types and types <= set(TIME_POINTS) else "events"
    return replace(map_, kind=kind, columns=(), events=EventColumns(**roles)), words


def _words(table: Table, column: str) -> tuple[WordGuess, ...]:
    """The different words of a column, the most frequent first."""
    counts: Mapping[str, int] = table.column(column).value_counts().to_dict()
    return tuple(WordGuess(str(text), int(count), _type_of(str(text))) for text, count in counts.items() if str(text))


def _type_of(word: str) -> str:
    """The event type that a word is by the vocabulary."""
    kind = entry(0.0, word, {}, words={})[0].type
    return "" if kind == UNMAPPED else kind


def _asks(
    times: Sequence[TimeChoice],
    first: Sequence[TimeChoice],
    guesses: Sequence[ColumnGuess],
    words: Sequence[WordGuess],
    map_: Map,
    *,
    both: bool,
) -> tuple[str, ...]:
    """What a person has to say."""
    asks = []
    if not times:
        asks.append("Which column holds the times, and in which form?")
    elif is_day_month_open(times):
        asks.append("Does the day or the month come first?")
    elif map_.time is None:
        asks.append("In which form are the times?")
    if first and not any(_tells_day(choice) for choice in first) and not all(choice.time.is_elapsed for choice in first):
        asks.append(
            "The times have no date. If they are times of day, on which day was it? It is set for the case, not in the map."
        )
    if both:
        asks.append("Both a point and a comma stand in numbers: which one is before the fraction?")
    roles = {same_name(name) for name in map_.events.named.values()}
    for guess in guesses:
        if guess.is_numbers and guess.is_open and same_name(guess.name) not in roles:
            units = [unit for unit in CHANNELS[guess.channel].factors if unit] if guess.channel else []
            what = f"in which unit is it ({', '.join(units)})" if guess.channel else "which channel is it, in which unit"
            asks.append(f"“{guess.name}”: {what}?")
    asks += [f"“{word.text}”: which event is it?" for word in words if not word.type]
    return tuple(asks)


def _tells_day(choice: TimeChoice) -> bool:
    form = choice.time.format
    return form == "iso" or "%d" in form or (choice.time.counts and "unknown day" not in choice.examples[0][1])
