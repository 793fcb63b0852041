"""Hospital outcomes as CSV, one row a case: the agency's case number, and what became of the patient.

Outcome words are those of the Utstein reporting template (core outcomes: any ROSC, survived event, survival to discharge,
neurological status as CPC or mRS; Perkins, Resuscitation 96 (2015) 328, the list from memory). Cerebral performance category 1
(good) to 5 (death or brain death); modified Rankin scale 0 (no symptoms) to 6 (death): both scales from memory.
"""

import csv
import io
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import Any

from qi.model.errors import UnreadableFile
from qi.model.vocabulary import plain

LARGEST_BYTES = 20_000_000  # our default, no source
YES_OR_NO = ("any_rosc", "sustained_rosc", "survived_event", "survived_to_discharge")
SCALES: Mapping[str, range] = {"cpc": range(1, 6), "mrs": range(7)}
FIELDS = (*YES_OR_NO, *SCALES)
UNKNOWN = "unknown"
_TRUE, _FALSE = {"true", "t", "yes", "y", "1"}, {"false", "f", "no", "n", "0"}
_NOT_KNOWN = {"unknown", "unk", "u", "not known", "?"}
# Names of columns, matched without regard to case, spaces and punctuation (common practice, no source).
_NAMES: Mapping[str, tuple[str, ...]] = {
    "case": ("case number", "case no", "case id", "case #", "incident number", "run number", "agency case number"),
    "agency": ("agency name", "ems agency"),
    "date": ("call date", "date of call", "incident date", "date of arrest"),
    "any_rosc": ("rosc", "return of spontaneous circulation"),
    "sustained_rosc": ("rosc sustained",),
    "survived_event": ("survival of event", "event survival"),
    "survived_to_discharge": ("survival to discharge", "survived to hospital discharge", "discharged alive", "alive at discharge"),
    "cpc": ("cpc at discharge", "cpc score", "cerebral performance category"),
    "mrs": ("mrs at discharge", "mrs score", "modified rankin scale", "modified rankin score"),
}
_BY_NAME = {plain(name): own for own, names in _NAMES.items() for name in (own, *names)}
_SHOWN = 20  # characters of a wrong cell that are shown
_DATES = ("%Y-%m-%d", "%m/%d/%Y", "%d/%m/%Y", "%d.%m.%Y")


@dataclass(frozen=True)
class Mismatch:
    """Something in the file that was not simply joined: the line it stands on, the case number as written, and what, in words."""

    line: int
    case: str
    what: str


@dataclass(frozen=True)
class Row:
    """One row: its line in the file, case number, agency (empty where not said), days that its date can mean, outcome by field."""

    line: int
    case: str
    agency: str = ""
    dates: tuple[date, ...] = ()
    values: Mapping[str, Any] = field(default_factory=dict)


def read(source: Path | str, content: bytes) -> tuple[list[Row], int, list[Mismatch]]:
    """Read outcomes from CSV: UTF-8, with comma, semicolon or tab between cells.

    Parameters: source, the file's path or name, for messages; content, its bytes.
    Returns: the rows that can be joined; how many rows there are in all; what cannot be used, with its line.
    Raises: UnreadableFile where the file as a whole cannot be used.
    """
    if len(content) > LARGEST_BYTES:
        raise UnreadableFile(source, f"holds {len(content)} bytes, more than {LARGEST_BYTES}: refused")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise UnreadableFile(source, f"byte {error.start}: not UTF-8; save it as CSV UTF-8") from error
    first = next((line for line in text.splitlines() if line.strip()), "")
    written = cells(source, text, max(",;\t", key=first.count))
    _, header = next(written, (1, []))
    said: list[Mismatch] = []
    columns = _columns(source, header, said)
    rows, count = [], 0
    for line, row in written:
        count += 1
        if len(row) > len(header):
            said.append(Mismatch(line, "", f"holds {len(row)} cells where the header has {len(header)}; not joined"))
        elif (made := _row(line, {name: row[at].strip() for name, at in columns.items() if at < len(row)}, said)) is not None:
            rows.append(made)
    return rows, count, said


def cells(source: Path | str, text: str, delimiter: str) -> Iterator[tuple[int, list[str]]]:
    """Each row that is not blank, with the number of its first line."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    line = 1
    try:
        for row in reader:
            if any(cell.strip() for cell in row):
                yield line, row
            line = reader.line_num + 1
    except csv.Error as error:
        raise UnreadableFile(source, f"line {line}: not CSV ({error})") from error


def _columns(source: Path | str, header: Sequence[str], said: list[Mismatch]) -> dict[str, int]:
    """Where each known column stands; the others are listed and never read."""
    found: dict[str, int] = {}
    for at, name in enumerate(header):
        own = _BY_NAME.get(plain(name))
        if own is None:
            said.append(Mismatch(1, "", f"the column “{name.strip()[:40]}” is not read"))
        elif own in found:
            raise UnreadableFile(source, f"line 1: the columns “{header[found[own]]}” and “{name}” both say {own}; keep one")
        else:
            found[own] = at
    if "case" not in found:
        raise UnreadableFile(
            source, "line 1: no column holds the case number; right would be a header such as case,survived_event,cpc"
        )
    if not set(found) & set(FIELDS):
        raise UnreadableFile(source, f"line 1: no column holds an outcome; known are {', '.join(FIELDS)}")
    return found


def _row(line: int, cells: Mapping[str, str], said: list[Mismatch]) -> Row | None:
    case = cells.get("case", "")
    if not case:
        said.append(Mismatch(line, "", "has no case number; not joined"))
        return None
    dates = _dates(cells.get("date", ""))
    if dates is None:
        said.append(
            Mismatch(line, case, f"“{cells['date'][:_SHOWN]}” is not understood as a date; right would be 2031-04-17; not joined")
        )
        return None
    values = {}
    for name in FIELDS:
        try:
            if cells.get(name):
                values[name] = _value(name, cells[name])
        except ValueError as error:
            said.append(Mismatch(line, case, f"{name}: {error}; this cell is left out"))
    if not values:
        said.append(Mismatch(line, case, "says no outcome that can be used; not joined"))
        return None
    return Row(line, case, cells.get("agency", ""), dates, values)


def _value(name: str, text: str) -> Any:  # noqa: ANN401 - true or false, a number, or unknown
    word = text.casefold()
    if word in _NOT_KNOWN:
        return UNKNOWN
    if name in YES_OR_NO:
        if word in _TRUE | _FALSE:
            return word in _TRUE
        raise ValueError(f"“{text[:_SHOWN]}” is none of true, false, yes, no, 1, 0, unknown")
    scale = SCALES[name]
    if re.fullmatch(r"\d(\.0+)?", word) and int(word[0]) in scale:
        return int(word[0])
    raise ValueError(f"“{text[:_SHOWN]}” is no whole number from {scale.start} to {scale.stop - 1}, nor unknown")


def _dates(text: str) -> tuple[date, ...] | None:
    """The days that a date can mean (a date with slashes can mean two); none where there is none; None where it is no date."""
    found = []
    for form in _DATES:
        try:
            found.append(datetime.strptime(re.split(r"[T ]", text)[0], form).date())
        except ValueError:
            continue
    return tuple(dict.fromkeys(found)) if found or not text else None
