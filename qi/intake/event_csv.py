"""Events by hand in CSV: columns `time` (ISO 8601) or `time_s`, `type`, and optionally end, value, dose, unit, text and by.

Above the names of the columns there may be lines of words, each of which begins with `# `: cautions, as our own files have them.
"""

import csv
import io
import math
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from itertools import takewhile
from pathlib import Path

from qi.intake.event_words import Entry, entry, not_understood, read_by_maps, table
from qi.intake.header import SourceHeader
from qi.intake.moments import FARTHEST_S, in_lines, moment
from qi.intake.signal_table import head
from qi.model.case import Note, Part, Unknown
from qi.model.errors import UnreadableFile
from qi.model.vocabulary import EVENT_VALUES

FORMAT = "CSV events"
_OPTIONAL = ("end", "value", "dose", "unit", "text", "by")
# Two of these in one second are no double entry.
_MAY_REPEAT = ("compression", "ventilation")
_WORDS = "# "  # what a line of words begins with; a column may be called “#”
_MOST_WORDS = 65536  # bytes that they can have


def recognises(path: Path) -> bool:
    """Tell from the names in the first line that is not one of words."""
    return _names_events(_names(path, _lines_of_words(path)))


def _names_events(names: Sequence[str]) -> bool:
    return "type" in names and ("time" in names) != ("time_s" in names)


def _names(path: Path, above: int) -> list[str]:
    return [name.casefold() for name in head(path, after=above)]


def _lines_of_words(path: Path) -> int:
    """How many lines of words stand above the names of the columns."""
    with path.open("rb") as file:
        text = file.read(_MOST_WORDS).decode("utf-8-sig", errors="replace")
    return sum(1 for _ in takewhile(lambda line: line.startswith(_WORDS), text.split("\n")))


def read(path: Path, about: SourceHeader) -> tuple[Part, ...]:
    """Read one list of events.

    Parameters: path; about, what the case's header says of this file.
    Returns: one Part of kind events; times in seconds from the earliest event where the file tells the time of day, else as written
    [s]. Such a file can hold every event type.
    Raises: UnreadableFile naming the line, when the first line that is not one of words does not name the columns.
    """
    above = _lines_of_words(path)
    names = _names(path, above)
    if not _names_events(names):
        what = "should name the columns time (or time_s) and type, and may name end, value, dose, unit, text, by"
        raise UnreadableFile(path, f"line {above + 1}: {what}")
    said: dict[str, list[int]] = {}
    rows = list(_rows(path, names, above, said))
    other = [name for name in names if name not in ("time", "time_s", "type", *_OPTIONAL) and not about.ignores(name)]
    if other:
        said[f"columns {', '.join(other)} are not known and not read"] = [above + 1]
    start, entries = _entries(rows, names, about, said)
    if [row.time_s for row in entries] != sorted(row.time_s for row in entries):
        said["rows are not in order of time; they are put in order"] = [above + 1]
    notes = tuple(Note("warning", path.name, f"{in_lines(lines)}: {text}") for text, lines in said.items())
    unknown = [Unknown("column", name, path.name, "not read") for name in other]
    if rows and not entries:
        column = "time" if "time" in names else "time_s"
        example = rows[0][1][column][:40]
        unknown.append(Unknown("time", column, path.name, f"no row has a time that can be read (the first is “{example}”)"))
    return (
        Part(
            path.name,
            FORMAT,
            "events",
            start,
            events=table(entries, path.name),
            notes=(*notes, *read_by_maps(entries, path.name)),
            could_chart=frozenset(EVENT_VALUES),
            unknown=(*unknown, *not_understood(entries, path.name)),
        ),
    )


def _rows(path: Path, names: Sequence[str], above: int, said: dict[str, list[int]]) -> Iterator[tuple[int, dict[str, str]]]:
    """Each row with its line; one that has another number of cells, or repeats another, is put aside.

    Parameters: above, how many lines of words stand over the names.
    """
    text = path.read_bytes().decode("utf-8-sig", errors="replace").replace("\0", "\ufffd")
    reader = csv.reader(io.StringIO(text.split("\n", above)[-1]))
    next(reader, None)
    seen: set[tuple[str, ...]] = set()
    while True:
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            said.setdefault(f"{error}; put aside", []).append(above + reader.line_num)
            continue
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) != len(names):
            said.setdefault(f"not {len(names)} cells as in line {above + 1}; put aside", []).append(above + reader.line_num)
            continue
        row = dict(zip(names, (cell.strip() for cell in cells), strict=True))
        if tuple(cells) in seen and row["type"] not in _MAY_REPEAT:
            said.setdefault("the same as a row above; put aside", []).append(above + reader.line_num)
            continue
        seen.add(tuple(cells))
        yield above + reader.line_num, row


def _entries(
    rows: list[tuple[int, dict[str, str]]], names: Sequence[str], about: SourceHeader, said: dict[str, list[int]]
) -> tuple[datetime | None, list[Entry]]:
    """The events, and the moment from which their seconds count (None for `time_s`)."""
    column = "time" if "time" in names else "time_s"
    timed = []
    for line, row in rows:
        try:
            timed.append((line, row, *_when(row[column], column)))
        except ValueError as error:
            said.setdefault(f"{error}; put aside", []).append(line)
    timed = _alike(timed, said)
    first = min(timed, key=lambda item: item[2], default=None) if column == "time" else None
    base, start = (first[2], first[3]) if first else (0.0, None)
    entries = []
    words = about.event_words
    for line, row, seconds, when in timed:
        end_s, why = _end(row.get("end", ""), column, seconds, when)
        end_s = None if end_s is None else end_s - base
        made, remarks = entry(seconds - base, row["type"], row, words=words, end_s=end_s)
        entries.append(made)
        for remark in [*why, *remarks]:
            said.setdefault(remark, []).append(line)
    return start, entries


Timed = tuple[int, dict[str, str], float, datetime | None]  # line, row, seconds, and the moment where the file tells one


def _alike(timed: list[Timed], said: dict[str, list[int]]) -> list[Timed]:
    """The rows that have an offset as the first has, or none as it; and that lie within years of the others."""
    if not timed:
        return timed
    aware = _is_aware(timed[0][3])
    if odd := [line for line, _, _, when in timed if _is_aware(when) != aware]:
        said[f"the time has {'no' if aware else 'an'} offset, unlike the first row; put aside"] = odd
    timed = [item for item in timed if _is_aware(item[3]) == aware]
    middle = 0.0 if timed[0][3] is None else sorted(seconds for _, _, seconds, _ in timed)[len(timed) // 2]
    if far := [line for line, _, seconds, _ in timed if abs(seconds - middle) > FARTHEST_S]:
        said["lies years from the others; put aside"] = far
    return [item for item in timed if abs(item[2] - middle) <= FARTHEST_S]


def _is_aware(when: datetime | None) -> bool:
    return when is not None and when.tzinfo is not None


def _when(text: str, column: str) -> tuple[float, datetime | None]:
    """A cell's time in seconds, for `time` from a fixed moment, and that moment of the cell itself."""
    if column == "time":
        when = moment(text)
        return (when - datetime(2000, 1, 1, tzinfo=UTC if when.tzinfo else None)).total_seconds(), when
    try:
        seconds = float(text)
    except ValueError:
        seconds = math.nan
    if not math.isfinite(seconds):
        raise ValueError(f"“{text[:40]}” is no number of seconds")
    return seconds, None


def _end(text: str, column: str, begun: float, when: datetime | None) -> tuple[float | None, list[str]]:
    """When the event ended, in the same seconds; None where that is not said, or cannot be, and then why."""
    if not text:
        return None, []
    try:
        ended, moment_of_end = _when(text, column)
    except ValueError as error:
        return None, [f"end: {error}; the event is kept without it"]
    if _is_aware(moment_of_end) != _is_aware(when):
        return None, ["only one of time and end has an offset; the event is kept without its end"]
    if not begun <= ended <= begun + FARTHEST_S:
        return None, ["it ends before it begins, or years later; the event is kept without its end"]
    return ended, []
