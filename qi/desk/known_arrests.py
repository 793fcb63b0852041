"""A list from dispatch or care records of the arrests that they know, so that those without a recording are counted too.

A CSV in UTF-8 with comma, semicolon or tab, one row an arrest, and two columns that are read: the case number (case, case number,
incident number, run number, number …) and the date of the call (date, day, call date, incident date …). Every other column is left
unread, and nothing but number and day is kept: no patient, place or crew.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

import pandas as pd

from qi.desk.over_time import GROUPED, Which, chosen
from qi.library.library import Library
from qi.library.outcome_csv import cells
from qi.model.errors import QiError, UnreadableFile
from qi.model.vocabulary import plain

LARGEST_BYTES = 20_000_000  # our default, no source
LONGEST_NUMBER = 100  # characters (our default, no source)
# Names of the columns, matched without regard to case, spaces and punctuation (common practice, no source).
_NAMES: Mapping[str, tuple[str, ...]] = {
    "case": (
        "number",
        "case number",
        "case no",
        "case id",
        "incident number",
        "incident no",
        "incident",
        "run number",
        "call number",
    ),
    "date": ("day", "call date", "call day", "date of call", "incident date", "date of arrest", "date of incident"),
}
_BY_NAME = {plain(name): own for own, names in _NAMES.items() for name in (own, *names)}
_FORMS = ("%Y-%m-%d", "%d.%m.%Y")
_SLASHES = {"month first": "%m/%d/%Y", "day first": "%d/%m/%Y"}
_SHOWN = 20  # characters of a wrong cell that are shown


@dataclass(frozen=True)
class Refused:
    """A row that is not kept: its line in the file, the number as written, and why."""

    line: int
    case: str
    why: str

    def __str__(self) -> str:
        """As a person reads it."""
        return f"line {self.line}{f', {self.case}' if self.case else ''}: {self.why}"


@dataclass(frozen=True)
class Brought:
    """What became of a list: its rows; arrests that are new, known already, and of those moved to another day; rows refused."""

    rows: int
    new: int
    same: int
    moved: int
    refused: tuple[Refused, ...] = ()

    def words(self) -> str:
        """In a sentence."""
        moved = f" ({self.moved} on another day than before)" if self.moved else ""
        refused = f", {_count(len(self.refused), 'row')} not kept" if self.refused else ""
        return f"{_count(self.rows, 'row')}: {_count(self.new, 'arrest')} new, {self.same} known already{moved}{refused}"


def _count(count: int, noun: str) -> str:
    return f"{count} {noun}{'' if count == 1 else 's'}"


def bring_list(library: Library, path: Path, *, who: str, agency: str) -> Brought:
    """Bring in a list of arrests; the same list again adds nothing.

    Parameters: library; path, of the CSV; who brings it in; agency, whose arrests they are.
    Returns: Brought. A number that is known already takes the day that this list gives.
    Raises: UnreadableFile where the file as a whole cannot be used; QiError without an agency or a name. Nothing is kept then.
    """
    if not agency.strip():
        raise QiError("say whose arrests these are: without an agency they cannot be told from another one's of the same number")
    found, rows, refused = read(path)
    kept = library.keep_known(found, agency=agency.strip(), source=path.name, who=who)
    return Brought(rows, kept.new, kept.same, kept.moved, tuple(refused))


def for_capture(library: Library, cases: pd.DataFrame, agency: str | None = None) -> pd.DataFrame | None:
    """The arrests known, for qi.trends.capture.capture, told from the cases by agency and number.

    Parameters: library; cases, the cohort table with key, case_id and agency; agency, whose arrests alone are asked for.
    Returns: case_id, year, month; None where no list was brought in. An arrest that is one of the cases has the number as the case
    has it, whatever signs the list puts between (one whose case was taken out is known by the case's key); any other one a number
    that no case has.
    """
    known = library.known_arrests(agency)
    if known.empty:
        return None
    ours: dict[str, list[tuple[str, str]]] = {}
    for key, number, whose in cases[["key", "case_id", "agency"]].astype("str").itertuples(index=False):
        for name in {_folded(number), _folded(key)}:
            ours.setdefault(name, []).append((number, _named(whose)))
    told = [
        next((one for one, of in ours.get(_folded(number), ()) if of in ("", _named(whose))), f"{number} of {whose}, no case")
        for number, whose in zip(known["case_id"], known["agency"], strict=True)
    ]
    return known.assign(case_id=pd.array(told, dtype="str"))[["case_id", "year", "month"]]


def over_choice(library: Library, table: pd.DataFrame, which: Which) -> tuple[pd.DataFrame | None, str]:
    """The arrests known over a choice of cases, for qi.trends.capture.capture.

    Parameters: library; table, the whole cohort table: an arrest that is a case which was not chosen is not one without a
    recording; which, the choice.
    Returns: case_id, year and month of the arrests that are chosen cases or, where no case is theirs, lie between the chosen days;
    and a sentence. None where no list was brought in, where all cases are invented, and where cases were chosen by what a list does
    not tell: the sentence says so then.
    """
    real, _ = library.kinds_held()
    known = library.known_arrests() if real else pd.DataFrame()
    if known.empty:
        return None, ""
    if untold := _untold(which):
        return None, f"A list of arrests is kept, but it does not tell {untold}: arrests that it alone knows are not counted here."
    told = for_capture(library, table)
    if told is None:  # no row is kept any more
        return None, ""
    everywhere, chosen_ = (set(one["case_id"].astype("str")) for one in (table, chosen(table, which)))
    inside = pd.Series(data=True, index=told.index)
    if which.first:
        inside &= known["day"] >= pd.Timestamp(which.first)
    if which.last:
        inside &= known["day"] <= pd.Timestamp(which.last)
    return told[told["case_id"].isin(chosen_) | (~told["case_id"].isin(everywhere) & inside)], ""


def _untold(which: Which) -> str:
    """What cases were chosen by that a list does not tell, in words; empty where there is no such choice."""
    words = [GROUPED[name].lower() if GROUPED[name] != "ITD used" else "ITD use" for name, some in which.groups.items() if some]
    return " or ".join([*words, *(["which cases are signed"] if which.source != "all" else [])])


def _folded(number: str) -> str:
    """A case number without regard to case and to what stands between letters and digits."""
    return re.sub(r"[^A-Za-z0-9]+", "-", number).strip("-").casefold()


def _named(agency: str) -> str:
    return agency.strip().casefold()


def read(path: Path) -> tuple[list[tuple[str, date]], int, list[Refused]]:
    """Read a list of arrests.

    Parameters: path, of the CSV.
    Returns: number and day of each arrest, every number once; how many rows there are; the rows that cannot be used.
    Raises: UnreadableFile where the file as a whole cannot be used.
    """
    text = _text(path)
    first = next((line for line in text.splitlines() if line.strip()), "")
    written = cells(path, text, max(",;\t", key=first.count))
    _, header = next(written, (1, []))
    columns = _columns(path, header)
    refused: list[Refused] = []
    told: dict[str, list[tuple[int, str]]] = {}
    rows = 0
    for line, row in written:
        rows += 1
        number, day = (row[columns[name]].strip() if columns[name] < len(row) else "" for name in ("case", "date"))
        if why := _wrong(number, day, len(row), len(header)):
            refused.append(Refused(line, number[:_SHOWN], why))
        else:
            told.setdefault(number, []).append((line, day))
    found = list(_arrests(told, _slashes(path, told), refused))
    return found, rows, sorted(refused, key=lambda one: one.line)


def _text(path: Path) -> str:
    try:
        content = path.read_bytes()
    except OSError as error:
        raise UnreadableFile(path, f"cannot be opened: {error.strerror or error}") from error
    if len(content) > LARGEST_BYTES:
        raise UnreadableFile(path, f"holds {len(content)} bytes, more than {LARGEST_BYTES}: refused")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise UnreadableFile(path, f"byte {error.start}: not UTF-8; save it as CSV UTF-8") from error


def _columns(path: Path, header: Sequence[str]) -> dict[str, int]:
    found: dict[str, int] = {}
    for at, name in enumerate(header):
        own = _BY_NAME.get(plain(name))
        if own in found:
            raise UnreadableFile(path, f"line 1: the columns “{header[found[own]]}” and “{name}” both say {own}; keep one")
        if own is not None:
            found[own] = at
    if lacking := [name for name in _NAMES if name not in found]:
        what = " and ".join({"case": "the case number", "date": "the date"}[name] for name in lacking)
        raise UnreadableFile(path, f"line 1: no column holds {what}; right would be a header such as case,date")
    return found


def _wrong(number: str, day: str, cells: int, named: int) -> str:
    """Why a row cannot be used; empty where it can."""
    if cells > named:
        return f"holds {cells} cells where the header has {named}"
    if not number:
        return "has no case number"
    if len(number) > LONGEST_NUMBER or not number.isprintable():
        return f"the case number is longer than {LONGEST_NUMBER} characters, or holds signs that cannot be printed"
    if not day:
        return "has no date"
    if not any(_day(day, form) for form in (*_FORMS, *_SLASHES.values())):
        return f"“{day[:_SHOWN]}” is not understood as a date; right would be 2031-04-17"
    return ""


def _slashes(path: Path, told: Mapping[str, Sequence[tuple[int, str]]]) -> str:
    """How the list writes dates with slashes: the one order in which all of them are dates.

    Raises: UnreadableFile where neither order fits all of them, or both do and tell different days.
    """
    written = [(line, day) for rows in told.values() for line, day in rows if "/" in day]
    fitting = {name: form for name, form in _SLASHES.items() if all(_day(day, form) for _, day in written)}
    if not fitting:
        lines = ", ".join(str(min(line for line, day in written if not _day(day, form))) for form in _SLASHES.values())
        raise UnreadableFile(path, f"lines {lines}: some dates put the month first and some the day; write them as 2031-04-17")
    forms = list(fitting.values())
    if len(forms) == 2 and (open_ := [one for one in written if _day(one[1], forms[0]) != _day(one[1], forms[1])]):
        line, day = min(open_)
        raise UnreadableFile(
            path, f"line {line}: “{day[:_SHOWN]}” can mean two days, and no other row tells which; write 2031-04-17"
        )
    return forms[0]


def _day(text: str, form: str) -> date | None:
    """The day of a date, whatever time of day stands behind it."""
    try:
        return datetime.strptime(re.split(r"[T ]", text)[0], form).date()
    except ValueError:
        return None


def _arrests(told: Mapping[str, Sequence[tuple[int, str]]], slashes: str, refused: list[Refused]) -> Iterator[tuple[str, date]]:
    """Each number with its day; one whose rows tell different days is refused with their lines."""
    for number, rows in told.items():
        days = {day for _, text in rows for form in (*_FORMS, slashes) if (day := _day(text, form))}
        if len(days) == 1:
            yield number, days.pop()
            continue
        lines = ", ".join(str(line) for line, _ in rows)
        refused += [Refused(line, number, f"lines {lines} tell different days for this number") for line, _ in rows]
