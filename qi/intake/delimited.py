"""Tables as text, with any delimiter, or as Parquet: their head, and their rows as a map says they lie."""

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from qi.intake import signal_parquet
from qi.intake.map_form import DELIMITERS, Map, TimeFormat, same_name
from qi.intake.signal_columns import bad_lines
from qi.intake.written_times import numbers_in
from qi.model.case import Note
from qi.model.errors import UnreadableFile

HEAD_BYTES = 65_536
LARGEST_BYTES = 1_000_000_000  # our default, no source
MOST_COLUMNS = 2000  # our default, no source
FEWEST_LINES = 2  # of equally many cells, to be taken for a table; our default, no source

_UTF_16 = (b"\xff\xfe", b"\xfe\xff")


@dataclass(frozen=True)
class Head:
    """The beginning of a table: whole lines of text, or the names of a Parquet file's columns. coding is that of the text."""

    lines: tuple[str, ...] = ()
    columns: tuple[str, ...] = ()
    coding: str = "UTF-8"

    @property
    def is_table(self) -> bool:
        """Whether it looks like one: a few lines in a row that one delimiter parts into as many cells."""
        if self.columns:
            return True
        for delimiter in DELIMITERS:
            counts = [len(cells(line, delimiter)) for line in self.lines[:200]]
            runs = [len(list(run)) for count, run in groupby(counts) if count > 1]
            if max(runs, default=0) >= FEWEST_LINES:
                return True
        return False

    def names(self, delimiter: str, skip_lines: int = 0) -> list[str]:
        """The names of the columns, made different where two are alike; none where that line is not there."""
        if self.columns:
            return distinct(self.columns)
        return distinct(cells(self.lines[skip_lines], delimiter)) if skip_lines < len(self.lines) else []


@dataclass(frozen=True)
class Table:
    """The rows of a table: the frame's columns by position, in the order of names; lines say where each row stands in the file."""

    names: tuple[str, ...]
    frame: pd.DataFrame
    lines: np.ndarray
    notes: tuple[Note, ...] = ()

    @property
    def places(self) -> dict[str, int]:
        """Where each column stands, by its name as it is compared."""
        return {same_name(name): at for at, name in enumerate(self.names)}

    def column(self, name: str) -> pd.Series:
        """The cells of one column."""
        return self.frame[self.places[same_name(name)]]

    def times(self, form: TimeFormat, decimal: str) -> pd.Series:
        """The cells of the time column, or of date and time of day together."""
        parts = [self.column(name) for name in form.columns]
        if len(parts) == 1:
            return parts[0]
        if form.counts:
            return pd.Series(numbers_in(parts[0], decimal) + numbers_in(parts[1], decimal))
        return (parts[0].astype("str") + " " + parts[1].astype("str")).str.strip()


def cells(line: str, delimiter: str) -> list[str]:
    """The cells of one line; none where it cannot be parted."""
    try:
        return [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter), [])]
    except csv.Error:
        return []


def distinct(names: Sequence[str]) -> list[str]:
    """Names made different: the second “ECG” is “ECG (2)”, the third column without a name “column 3”."""
    result: list[str] = []
    seen: set[str] = set()
    for at, name in enumerate(names, 1):
        own = unlike = name.strip() or f"column {at}"
        count = 1
        while same_name(unlike) in seen:
            count += 1
            unlike = f"{own} ({count})"
        seen.add(same_name(unlike))
        result.append(unlike)
    return result


def head_of(path: Path) -> Head | None:
    """The beginning of a table; None where the file is neither text nor Parquet, is empty, or its first line never ends."""
    with path.open("rb") as file:
        raw = file.read(HEAD_BYTES)
        more = bool(file.read(1))
    if raw[:4] == b"PAR1":
        try:
            return Head(columns=tuple(_own(pq.read_schema(path).names)))
        except (pa.ArrowException, OSError, ValueError):
            return None
    text, coding = decoded(raw)
    if text is None:
        return None
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    whole = lines[:-1] if more else [line for at, line in enumerate(lines) if line or at < len(lines) - 1]
    return Head(tuple(whole), coding=coding) if any(line.strip() for line in whole) else None


def _own(names: Sequence[str]) -> list[str]:
    """The columns of a Parquet file without those that pandas adds for its own index."""
    return [name for name in names if not name.startswith("__index_level_")]


def decoded(raw: bytes) -> tuple[str | None, str]:
    """A text and the coding it was found to be in: UTF-8, UTF-16 where its mark says so, else Windows-1252. None for no text."""
    if raw[:2] in _UTF_16:
        return raw[: len(raw) // 2 * 2].decode("utf-16", errors="replace"), "UTF-16"
    if b"\0" in raw[:HEAD_BYTES]:
        return None, ""
    try:
        return raw.decode("utf-8-sig"), "UTF-8"
    except UnicodeDecodeError as error:
        if len(raw) == HEAD_BYTES and error.start >= len(raw) - 3:
            return raw[: error.start].decode("utf-8-sig"), "UTF-8"
    return raw.decode("cp1252", errors="replace"), "Windows-1252"


def fits(map_: Map, head: Head) -> bool:
    """Whether a table's names hold all that the map must find."""
    names = {same_name(name) for name in head.names(map_.delimiter, map_.skip_lines)}
    return bool(map_.finds) and {same_name(name) for name in map_.finds} <= names


def read_table(path: Path, map_: Map) -> Table:
    """Read the rows of a table as a map says they lie.

    Returns: Table; cells of text are stripped, and empty where a null word stands. Rows with another number of cells are put aside.
    Raises: UnreadableFile where the file is no table, is too large, or its line of names is not there.
    """
    size = path.stat().st_size
    if size > LARGEST_BYTES:
        raise UnreadableFile(path, f"found {size} bytes; a table is read up to {LARGEST_BYTES} bytes")
    head = head_of(path)
    names = head.names(map_.delimiter, map_.skip_lines) if head else []
    if head is None or not names:
        raise UnreadableFile(path, f"line {map_.skip_lines + 1}: no line of names is there")
    if len(names) > MOST_COLUMNS:
        raise UnreadableFile(path, f"line {map_.skip_lines + 1}: found {len(names)} columns; a table has at most {MOST_COLUMNS}")
    if head.columns:
        return _of_parquet(path, names, map_)
    text, coding = decoded(path.read_bytes())
    notes = []
    if coding != "UTF-8":
        notes.append(Note("info", path.name, f"its text is taken as {coding}; UTF-8 would be sure"))
    frame, lines, said = _rows(text or "", map_, len(names), path)
    frame = pd.DataFrame({at: _without_nulls(frame[at], map_) for at in frame})
    return Table(tuple(names), frame, lines, (*notes, *said))


def _of_parquet(path: Path, names: list[str], map_: Map) -> Table:
    content = signal_parquet.content(path, lambda schema, _: _own(schema.names))
    columns = {}
    for at, column in enumerate(content.columns):
        numbers = signal_parquet.numbers_of(column)
        if numbers is not None:
            columns[at] = pd.Series(numbers)
        elif pa.types.is_timestamp(column.type):
            columns[at] = column.cast(pa.timestamp("us", column.type.tz), safe=False).to_pandas()
        elif pa.types.is_string(column.type) or pa.types.is_large_string(column.type):
            columns[at] = _without_nulls(column.to_pandas().astype("str").fillna(""), map_)
        else:
            columns[at] = pd.Series([str(item) for item in column.to_pylist()], dtype="str")
    return Table(tuple(names), pd.DataFrame(columns), np.arange(1, content.num_rows + 1))


def _without_nulls(texts: pd.Series, map_: Map) -> pd.Series:
    """Cells stripped; those that are a null word, without regard to case, are empty."""
    texts = texts.str.strip()
    nulls = {word.strip().casefold() for word in map_.null_words}
    return texts.mask(texts.str.casefold().isin(nulls), "") if nulls else texts


def _rows(text: str, map_: Map, count: int, path: Path) -> tuple[pd.DataFrame, np.ndarray, list[Note]]:
    """All rows as text. At once where every line is a row of as many cells, else line by line."""
    before = map_.skip_lines + 1
    body = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")[before:]
    while body and not body[-1]:
        body.pop()
    even = count > 1 and all(line.count(map_.delimiter) == count - 1 for line in body)
    if body and even and '"' not in text and "\0" not in text:
        frame = pd.read_csv(
            io.StringIO("\n".join(body)),
            sep=map_.delimiter,
            header=None,
            names=range(count),
            dtype="str",
            keep_default_na=False,
            skip_blank_lines=False,
            quoting=csv.QUOTE_NONE,
        )
        return frame, np.arange(before + 1, before + 1 + len(frame)), []
    return _line_by_line(body, map_, count, path)


def _line_by_line(body: list[str], map_: Map, count: int, path: Path) -> tuple[pd.DataFrame, np.ndarray, list[Note]]:
    """Row by row; a row with another number of cells is put aside and named by its line."""
    before = map_.skip_lines + 1
    reader = csv.reader((line.replace("\0", "\ufffd") + "\n" for line in body), delimiter=map_.delimiter)
    rows, lines, short, broken = [], [], [], []
    while True:
        try:
            row = next(reader)
        except StopIteration:
            break
        except csv.Error:
            broken.append(before + reader.line_num)
            continue
        if len(row) == count + 1 and not row[-1].strip():
            row.pop()  # a delimiter at the end of each line
        if len(row) == count and (count > 1 or row[0].strip()):
            rows.append(row)
            lines.append(before + reader.line_num)
        elif any(cell.strip() for cell in row):
            short.append(before + reader.line_num)
    notes = bad_lines(path, short, f"not {count} cells as in line {before}")
    notes += bad_lines(path, broken, "a cell that is too long, or has no end")
    columns = list(zip(*rows, strict=True)) if rows else [()] * count
    frame = pd.DataFrame({at: pd.Series(list(column), dtype="str") for at, column in enumerate(columns)})
    return frame, np.array(lines, dtype=int), notes
