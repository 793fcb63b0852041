"""Waveforms of a case in Parquet, one file a signal: one column of integers, a scale, and no column of times.

One file a signal, since signals differ in rate and in their gaps: a shared table would be padded, and a page that shows one channel
would read them all. Each piece's start, rate and rows stand in the file's metadata under the key "signal"; a value is
integer * scale + offset. Row groups hold a minute of samples, so that a stretch is read without the rest.

References: Apache Parquet format, encodings (DELTA_BINARY_PACKED) and page checksums,
parquet.apache.org/docs/file-format/data-pages/encodings (from memory).
"""

import hashlib
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from qi.library.integers import back, to_integers
from qi.library.originals import private_file
from qi.library.plain import kinds, made, plain
from qi.model.case import Piece, Signal
from qi.model.errors import BadTable, UnreadableFile

MINUTE_S = 60.0
KEY, SHA256 = b"signal", b"sha256"
REBUILD = "it can be rebuilt from the originals"


@dataclass(frozen=True)
class Rows:
    """Where one piece stands in its file: start [s from case start], rate [Hz], first row, count of rows, scale and offset."""

    start_s: float
    rate_hz: float
    first: int
    count: int
    scale: float
    offset: float


def write(path: Path, signal: Signal) -> None:
    """Write one signal into a new file.

    Parameters: path; signal, whose samples come back in float32, as qi.library.integers says: as they were but for rounding where
    they lie on an even grid (as those of EDF files and of written decimals do), else within 2⁻³¹ of the range of their piece.
    Raises: BadTable where a sample is missing, infinite or beyond float32.
    """
    samples = [_finite(piece.values, signal) for piece in signal.pieces]
    stored = to_integers(samples, signal.rails)
    firsts = np.cumsum([0, *map(len, samples)])
    rows = [
        Rows(piece.start_s, piece.rate_hz, int(first), len(one.values), one.scale, one.offset)
        for piece, first, one in zip(signal.pieces, firsts, stored, strict=False)
    ]
    about = {field.name: plain(getattr(signal, field.name)) for field in fields(Signal) if field.name != "pieces"}
    column = np.concatenate([one.values for one in stored]) if stored else np.empty(0, np.int16)
    document = json.dumps({**about, "pieces": plain(rows)}, allow_nan=False).encode()
    table = pa.table({signal.channel: column}).replace_schema_metadata({KEY: document, SHA256: _digest(document)})
    with private_file(path) as file:
        pq.write_table(
            table,
            file,
            row_group_size=rows_a_minute(signal.pieces),
            compression="zstd",
            use_dictionary=False,
            column_encoding="DELTA_BINARY_PACKED",
            write_statistics=False,
            write_page_checksum=True,
        )


def read(path: Path) -> Signal:
    """Read a whole signal.

    Raises: UnreadableFile where the file is missing, damaged or of another form.
    """
    return _read(path, None)


def read_between(path: Path, start_s: float, end_s: float) -> Signal:
    """Read a stretch of a signal, and of the file no more than the minutes that hold it.

    Parameters: path; start_s and end_s, of the stretch [s from case start].
    Returns: the signal with the samples at start_s or later and before end_s; pieces without one are left out.
    Raises: UnreadableFile where the file is missing, of another form, or damaged in these minutes.
    """
    return _read(path, (start_s, end_s))


def rows_a_minute(pieces: Sequence[Piece]) -> int:
    """Rows of a row group: a minute at the rate of the longest piece."""
    longest = max(pieces, key=lambda piece: len(piece.values), default=None)
    return max(1, round(MINUTE_S * longest.rate_hz)) if longest else 1


def _read(path: Path, stretch_s: tuple[float, float] | None) -> Signal:
    try:
        with pq.ParquetFile(path, page_checksum_verification=True) as file:
            about, rows = _about(file)
            wanted = rows if stretch_s is None else list(_within(rows, *stretch_s))
            first, column = _column(file, wanted, whole=stretch_s is None)
        pieces = tuple(
            Piece(one.start_s, one.rate_hz, back(column[one.first - first :][: one.count], one.scale, one.offset)) for one in wanted
        )
        return Signal(**about, pieces=pieces)
    except FileNotFoundError:
        raise UnreadableFile(path, f"is missing; {REBUILD}") from None
    except (pa.ArrowException, OSError, ValueError, TypeError, KeyError) as error:
        raise UnreadableFile(path, f"is damaged, or of another version ({str(error)[:200]}); {REBUILD}") from None


def _about(file: pq.ParquetFile) -> tuple[dict[str, Any], list[Rows]]:
    """All of a signal but its samples, and where each piece stands."""
    metadata = file.schema_arrow.metadata or {}
    if _digest(metadata[KEY]) != metadata[SHA256]:
        raise ValueError("its metadata are not what was written")
    document = json.loads(metadata[KEY])
    rows = [made(one, Rows) for one in document.pop("pieces")]
    wanted = {name: kind for name, kind in kinds(Signal).items() if name != "pieces"}
    if set(document) != set(wanted):
        raise ValueError(f"a signal has not the fields {', '.join(wanted)}")
    if (file.metadata.num_columns, file.metadata.num_rows) != (1, sum(one.count for one in rows)):
        raise ValueError("its rows are not those that its metadata tell of")
    return {name: made(document[name], kind) for name, kind in wanted.items()}, rows


def _digest(document: bytes) -> bytes:
    return hashlib.sha256(document).hexdigest().encode()


def _within(rows: Sequence[Rows], start_s: float, end_s: float) -> Iterator[Rows]:
    """The rows of each piece that lie in a stretch."""
    for one in rows:
        edges = [np.ceil(round((edge - one.start_s) * one.rate_hz, 6)) for edge in (start_s, end_s)]
        low, high = (int(np.clip(edge, 0, one.count)) for edge in edges)
        if low < high:
            start = one.start_s + low / one.rate_hz
            yield Rows(start, one.rate_hz, one.first + low, high - low, one.scale, one.offset)


def _column(file: pq.ParquetFile, rows: Sequence[Rows], *, whole: bool) -> tuple[int, np.ndarray]:
    """The integers of these rows: number of the first row that was read, and the rows from there on."""
    if whole or not rows:
        groups = range(file.metadata.num_row_groups if whole else 0)
        first = 0
    else:
        size = file.metadata.row_group(0).num_rows
        groups = range(rows[0].first // size, (rows[-1].first + rows[-1].count - 1) // size + 1)
        first = groups[0] * size
    table = file.read_row_groups(list(groups), use_threads=False)
    return first, table.column(0).to_numpy()


def _finite(values: np.ndarray, signal: Signal) -> np.ndarray:
    with np.errstate(over="ignore"):
        values = values.astype(np.float32, copy=False)
    if not np.isfinite(values).all():
        raise BadTable(f"{signal.name}: sample {int(np.argmin(np.isfinite(values)))} of a piece is missing, or beyond float32")
    return values
