"""Signals in Parquet: the same columns as the CSV table, the file's start in its metadata under the key `start`."""

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from qi.intake.header import SourceHeader
from qi.intake.moments import moment
from qi.intake.signal_columns import Named, Times, anchored, bad_lines, clock_times, has_signal_columns, near, part_of, split_name
from qi.model.case import Note, Part
from qi.model.errors import UnreadableFile

FORMAT = "Parquet signals"

# A file that unpacks to more than this is refused before it is unpacked [bytes]: about 6 h of 12 channels at 250 Hz in float64 (our
# default, no source).
UNPACKED_LIMIT_BYTES = 512 * 1024 * 1024


def recognises(path: Path) -> bool:
    """Tell from the first four bytes."""
    with path.open("rb") as file:
        return file.read(4) == b"PAR1"


def read(path: Path, about: SourceHeader) -> tuple[Part, ...]:
    """Read one table of signals.

    Parameters: path; about, what the case's header says of this file.
    Returns: one Part; times in seconds from the file's start [s]; start from the metadata key `start` for `time_s`, else the
    earliest time in the file.
    Raises: UnreadableFile where the file is cut or damaged, unpacks past UNPACKED_LIMIT_BYTES, or has other columns.
    """
    table = content(path, _columns)
    schema, wanted = table.schema, table.column_names
    notes: list[Note] = []
    times = _times(table.column(0), wanted[0], about)
    bad = np.flatnonzero(~np.isfinite(times.seconds))
    notes += bad_lines(path, [int(at) + 1 for at in bad], f"(rows counted from 1) no usable {wanted[0]}")
    if wanted[0] == "time_s":
        start, said = _start(schema, path)
        times, notes = Times(times.seconds, start, times.notes), [*notes, *said]
    times = replace(times, column=wanted[0], example=str(table.column(0)[int(bad[0])]) if len(bad) else "")
    values = []
    for at, name in enumerate(table.column_names[1:], 1):
        numbers = numbers_of(table.column(at))
        if numbers is None:
            notes.append(
                Note("warning", path.name, f"“{name}”: holds {table.column(at).type}, not numbers; the column is left out")
            )
        else:
            values.append(Named(*split_name(name), numbers))
    return (part_of(path, FORMAT, values, times, about, notes),)


def content(path: Path, wanted: Callable[[pa.Schema, Path], list[str]]) -> pa.Table:
    """The columns of a Parquet file that are wanted of those it has.

    Raises: UnreadableFile where the file is cut or damaged, or unpacks past UNPACKED_LIMIT_BYTES.
    """
    try:
        with pq.ParquetFile(path) as file:
            _refuse_large(path, file.metadata)
            return file.read(columns=wanted(file.schema_arrow, path))
    except (pa.ArrowException, OSError, ValueError) as error:
        size = path.stat().st_size
        what = (
            f"byte {max(0, size - 8)}: not a whole Parquet file, which ends in a table of contents and “PAR1” ({str(error)[:200]})"
        )
        raise UnreadableFile(path, what) from None


def _refuse_large(path: Path, metadata: pq.FileMetaData) -> None:
    """Refuse a file by what its table of contents says: packed sizes, and rows times columns (repeats pack to almost nothing)."""
    stated = sum(metadata.row_group(at).total_byte_size for at in range(metadata.num_row_groups))
    unpacked = max(stated, metadata.num_rows * metadata.num_columns * 8)
    if unpacked > UNPACKED_LIMIT_BYTES:
        limit = UNPACKED_LIMIT_BYTES // 1024**2
        raise UnreadableFile(path, f"table of contents: unpacks to {unpacked / 1024**2:.0f} MB, the limit is {limit} MB; refused")


def _columns(schema: pa.Schema, path: Path) -> list[str]:
    """The columns to read; those that pandas adds for its own index are not signals."""
    names = [name for name in schema.names if not name.startswith("__index_level_")]
    if not has_signal_columns(names):
        found = ", ".join(names[:5]) or "none"
        raise UnreadableFile(path, f"columns: found {found}; should be time_s or time, then channels such as ecg[mV]")
    if doubled := sorted({name for name in names if names.count(name) > 1}):
        raise UnreadableFile(path, f"columns: {', '.join(doubled)} stand there twice")
    return names


def _times(column: pa.ChunkedArray, name: str, about: SourceHeader) -> Times:
    """The time column, as numbers, timestamps or texts."""
    if name == "time_s":
        seconds = numbers_of(column)
        return Times(np.full(len(column), np.nan) if seconds is None else near(seconds), None)
    if pa.types.is_timestamp(column.type):
        stamps = column.cast(pa.timestamp("us", column.type.tz), safe=False).to_pandas()
        known = stamps.dropna()
        return (
            anchored(stamps, known.iloc[0].to_pydatetime(), about.zone) if len(known) else Times(np.full(len(column), np.nan), None)
        )
    if pa.types.is_string(column.type) or pa.types.is_large_string(column.type):
        return clock_times(column.to_pandas(), about.zone)
    return Times(np.full(len(column), np.nan), None)


def numbers_of(column: pa.ChunkedArray) -> np.ndarray | None:
    """A column's numbers, NaN for null; None where it does not hold numbers."""
    kind = column.type
    if pa.types.is_null(kind):
        return np.full(len(column), np.nan)
    if not (pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind)):
        return None
    return column.cast(pa.float64(), safe=False).to_numpy()


def _start(schema: pa.Schema, path: Path) -> tuple[datetime | None, list[Note]]:
    """The file's start from its metadata."""
    text = (schema.metadata or {}).get(b"start")
    if text is None:
        return None, []
    try:
        return moment(text.decode("utf-8", errors="replace")), []
    except ValueError as error:
        return None, [Note("warning", f"{path.name}, metadata key start", f"{error}; the file's start is not known")]
