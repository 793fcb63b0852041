"""Signals in CSV: first column `time_s` or `time`, the others `channel[unit]`; an empty cell is no sample.

The fast way reads all rows at once. Where that fails, or the count of commas does not fit, the file is read line by line, so that a
bad row can be named and the good ones kept.
"""

import csv
import io
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from qi.intake.header import SourceHeader
from qi.intake.signal_columns import Named, Times, bad_lines, clock_times, has_signal_columns, near, part_of, split_name
from qi.model.case import Note, Part
from qi.model.errors import UnreadableFile

FORMAT = "CSV signals"
_LONGEST_HEAD = 65536  # bytes that a header line can have
_BLANK = ("", "null", "nan", "na")


def head(path: Path, *, after: int = 0) -> list[str]:
    """The cells of the line that stands after so many others; empty where it is not there, or the file is no text."""
    with path.open("rb") as file:
        raw = file.read(_LONGEST_HEAD)
    if b"\0" in raw:
        return []
    lines = raw.decode("utf-8-sig", errors="replace").split("\n", after + 1)
    line = lines[after].rstrip("\r") if after < len(lines) else ""
    try:
        return [cell.strip() for cell in next(csv.reader([line]), [])]
    except csv.Error:
        return []


def recognises(path: Path) -> bool:
    """Tell from the names in the first line."""
    return has_signal_columns(head(path))


def read(path: Path, about: SourceHeader) -> tuple[Part, ...]:
    """Read one table of signals.

    Parameters: path; about, what the case's header says of this file.
    Returns: one Part; times in seconds from the file's start [s]; start is None for `time_s`, else the earliest time in the file.
    Raises: UnreadableFile naming the line, when the first line is not that of a signal table or no row has a time.
    """
    columns = head(path)
    if not has_signal_columns(columns):
        raise UnreadableFile(path, "line 1: should be time_s or time, then channels such as ecg[mV],co2[mmHg]")
    raw = path.read_bytes()
    notes: list[Note] = []
    try:
        frame, lines = _all_at_once(raw, columns)
    except ValueError:
        frame, lines, notes = _line_by_line(raw, columns, path)
    if not len(frame):
        notes.append(Note("warning", path.name, "holds no rows"))
    if columns[0] == "time":
        times = clock_times(pd.Series(frame[0]), about.zone)
    else:
        seconds = frame[0].to_numpy(dtype=float)
        times = Times(near(seconds), None)
    bad = np.flatnonzero(~np.isfinite(times.seconds))
    example = str(frame[0].iloc[bad[0]]) if len(bad) else ""
    shown = f" (the first is “{example}”)" if len(bad) else ""
    notes += bad_lines(path, [int(lines[at]) for at in bad], f"no usable {columns[0]}{shown}")
    times = replace(times, column=columns[0], example=example)
    values = [Named(*split_name(columns[at]), frame[at].to_numpy(dtype=float)) for at in range(1, len(columns))]
    return (part_of(path, FORMAT, values, times, about, notes),)


def _all_at_once(raw: bytes, columns: list[str]) -> tuple[pd.DataFrame, np.ndarray]:
    """All rows by pandas; ValueError where a row is not like the others."""
    body = raw[raw.find(b"\n") + 1 :].rstrip(b"\r\n") if b"\n" in raw else b""
    lines = body.count(b"\n") + bool(body)
    if b'"' in body or b"\0" in body or body.count(b",") != lines * (len(columns) - 1):
        raise ValueError("a row has another number of cells than the first line")
    if not body or body.isspace():
        return pd.DataFrame({at: pd.Series(dtype="str" if at == 0 else float) for at in range(len(columns))}), np.empty(0, int)
    kinds: Any = {at: "str" if at == 0 and columns[0] == "time" else "float64" for at in range(len(columns))}
    frame = pd.read_csv(
        io.BytesIO(body), header=None, names=range(len(columns)), dtype=kinds, skip_blank_lines=False, encoding_errors="replace"
    )
    return frame, np.arange(2, len(frame) + 2)


def _line_by_line(raw: bytes, columns: list[str], path: Path) -> tuple[pd.DataFrame, np.ndarray, list[Note]]:
    """Row by row; a row with another number of cells, or with a cell that is no number, is put aside and named by its line."""
    rows: list[list[object]] = []
    lines: list[int] = []
    short: list[int] = []
    wrong: dict[int, str] = {}
    text = raw.decode("utf-8-sig", errors="replace").replace("\0", "\ufffd")
    reader = csv.reader(io.StringIO(text))
    is_clock = columns[0] == "time"
    next(reader, None)
    while True:
        try:
            cells = next(reader)
        except StopIteration:
            break
        except csv.Error as error:
            wrong[reader.line_num] = str(error)
            continue
        if not cells:
            continue
        if len(cells) != len(columns):
            short.append(reader.line_num)
            continue
        try:
            rows.append([cells[0] if is_clock else _number(cells[0]), *map(_number, cells[1:])])
            lines.append(reader.line_num)
        except ValueError:
            bad = next(cell for cell in cells[int(is_clock) :] if not _is_number(cell))
            wrong[reader.line_num] = bad[:40]
    notes = bad_lines(path, short, f"not {len(columns)} cells as in line 1")
    notes += bad_lines(path, list(wrong), f"a cell that is no number (the first is “{next(iter(wrong.values()), '')}”)")
    frame = (
        pd.DataFrame(rows, columns=range(len(columns)))
        if rows
        else pd.DataFrame({at: pd.Series(dtype=float) for at in range(len(columns))})
    )
    return frame, np.array(lines, dtype=int), notes


def _number(cell: str) -> float:
    """A cell's number; NaN where it is blank."""
    if "_" in cell:
        raise ValueError(f"“{cell}” is no number")
    return float("nan") if cell.strip().casefold() in _BLANK else float(cell)


def _is_number(cell: str) -> bool:
    try:
        _number(cell)
    except ValueError:
        return False
    return True
