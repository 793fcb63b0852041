"""WFDB records (`.hea` with `.dat`): waveforms. An optional extra that needs the package `wfdb`.

References: the header format, header(5) of the WFDB applications guide, physionet.org/physiotools/wag/header-5.htm (from memory).
"""

import importlib
import importlib.util
import re
import warnings
from datetime import datetime
from pathlib import Path

import numpy as np

from qi.intake.header import SourceHeader
from qi.intake.signals import Remark, named_alike, notes_of, signal_from, unknown_of
from qi.model.case import Part, Piece, Signal
from qi.model.errors import UnreadableFile

FORMAT = "WFDB"

_RECORD = re.compile(r"[\w-]+(/\d+)?\s+\d+(\s+[\d.]+(/[\d.]+(\([-\d.]+\))?)?(\s+\d+(\s+\S+){0,2})?)?\s*", re.ASCII)
_SIGNAL = re.compile(r"(\S+)\s+\d+(x\d+)?(:\d+)?(\+\d+)?(\s.*)?")
_LONGEST_HEAD = 65536


def _lines(path: Path) -> list[tuple[int, str]]:
    """The lines of a header that are no comments, with their numbers; none where the file is no text."""
    with path.open("rb") as file:
        raw = file.read(_LONGEST_HEAD)
    if b"\0" in raw:
        return []
    lines = enumerate(raw.decode("utf-8", errors="replace").splitlines(), 1)
    return [(number, line) for number, line in lines if line.strip() and not line.startswith("#")]


def recognises(path: Path) -> bool:
    """Tell from the record line and the first signal line."""
    lines = _lines(path)
    return len(lines) > 1 and bool(_RECORD.fullmatch(lines[0][1])) and bool(_SIGNAL.fullmatch(lines[1][1]))


def companions(path: Path) -> set[str]:
    """Names of the files that hold the samples of a record."""
    return {line.split()[0] for _, line in _lines(path)[1:]} if recognises(path) else set()


def read(path: Path, about: SourceHeader) -> tuple[Part, ...]:
    """Read one record.

    Parameters: path, of the `.hea` file; about, what the case's header says of it.
    Returns: one Part; times in seconds from the first sample [s]; start as the header has it, without a zone.
    Raises: UnreadableFile where the package is not installed, a named file lies outside the folder, or the record is damaged.
    """
    _refuse_outside(path)
    if importlib.util.find_spec("wfdb") is None:
        raise UnreadableFile(path, "line 1: a WFDB record; to read it install the package wfdb (pip install wfdb)")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)  # the package's own use of pandas
            record = importlib.import_module("wfdb").rdrecord(str(path.with_suffix("")), smooth_frames=False, physical=True)
    except Exception as error:  # the package raises bare Exceptions for damaged records
        raise UnreadableFile(path, f"line 1: the record cannot be read: {error}") from None
    signals: list[Signal] = []
    remarks: dict[str, list[Remark]] = {}
    frames = np.atleast_1d(record.samps_per_frame)
    for values, label, unit, per_frame in zip(record.e_p_signal, record.sig_name, record.units, frames, strict=True):
        said: list[Remark] = remarks.setdefault(label, [])
        piece = Piece(0.0, float(record.fs) * float(per_frame), np.asarray(values, dtype=float))
        signal, more = signal_from(str(label), str(unit or ""), [piece], source=path.name, about=about)
        said += more
        signals += [signal] if signal else []
    start = record.base_datetime if isinstance(record.base_datetime, datetime) else None
    notes = (*notes_of(path.name, remarks), *named_alike(signals, path.name))
    return (Part(path.name, FORMAT, "monitor", start, tuple(signals), notes=notes, unknown=unknown_of(path.name, remarks)),)


def _refuse_outside(path: Path) -> None:
    """Refuse a record whose samples would be read from outside its folder, and one in segments."""
    lines = _lines(path)
    if not recognises(path):
        raise UnreadableFile(path, "line 1: not the record line of a WFDB header (name, channels, rate)")
    if path.suffix != ".hea":
        raise UnreadableFile(path, "line 1: a WFDB header whose name does not end in .hea")
    if "/" in lines[0][1].split()[0]:
        raise UnreadableFile(path, f"line {lines[0][0]}: a record in several segments; give each segment's own .hea file")
    for number, line in lines[1:]:
        name = line.split()[0]
        own = path.parent / name
        if "/" in name or "\\" in name or name == ".." or own.is_symlink():
            raise UnreadableFile(path, f"line {number}: “{name}” lies outside the case folder or is a link; refused")
        if not own.is_file():
            raise UnreadableFile(path, f"line {number}: the file “{name}” that holds the samples is not there")
