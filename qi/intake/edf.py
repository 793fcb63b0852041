"""EDF, EDF+ and BDF+ recordings: waveforms with record gaps kept as gaps, and timed annotations as events.

The header and the samples are decoded by edfio; what edfio leaves out is done here: the place of a fault in a broken header, the
onset of every record (edfio joins records over a gap), and annotations one by one, so that a bad one does not hide the others.

References: B. Kemp, J. Olivan, Clin Neurophysiol 114 (2003) 1755, EDF+; specification at www.edfplus.info/specs/edfplus.html
(time-keeping annotations, section 2.2.4; start date and time, sections 2.1.3 and 2.1.4).
"""

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import edfio
import numpy as np

from qi.intake.event_words import Entry, from_annotation, not_understood, read_by_maps, table
from qi.intake.header import SourceHeader
from qi.intake.moments import FARTHEST_S, listed
from qi.intake.signals import Remark, in_order, named_alike, notes_of, signal_from, unknown_of
from qi.model.case import Note, Part, Piece, Signal, Unknown
from qi.model.cautions import tells_no_event
from qi.model.errors import UnreadableFile

FORMAT = "EDF+"

# A record may begin this much off the end of the record before it without a gap: two samples of the fastest channel, but at most
# this many seconds (our default, no source).
LARGEST_JITTER_S = 0.02

_EDF, _BDF = b"0       ", b"\xffBIOSEMI"
_BEFORE_RANGES = 16 + 80 + 8  # bytes of a channel's header before its physical minimum
_BEFORE_COUNT = 16 + 80 + 8 * 5 + 80
_ONSET = re.compile(rb"([+-]\d+(?:\.\d*)?)(?:\x15(\d+(?:\.\d*)?))?\x14(.*)", re.DOTALL)
_DATE = re.compile(r"\s?(\d{1,2})[.:'/ -]\s?(\d{1,2})[.:'/ -]\s?(\d{1,2})")
_MONTHS = "JAN FEB MAR APR MAY JUN JUL AUG SEP OCT NOV DEC".split()


@dataclass(frozen=True)
class Layout:
    """Where things stand in the file, as its header says; records is what is really there, stated what the header says."""

    is_bdf: bool
    plus: str
    header_bytes: int
    record_s: float
    labels: tuple[str, ...]
    counts: tuple[int, ...]
    stated: int
    records: int
    left_bytes: int

    @property
    def sample_bytes(self) -> int:
        """Bytes of one sample."""
        return 3 if self.is_bdf else 2

    @property
    def record_bytes(self) -> int:
        """Bytes of one data record."""
        return sum(self.counts) * self.sample_bytes

    @property
    def annotation_channels(self) -> list[int]:
        """Channels that hold annotations, not samples."""
        return [at for at, label in enumerate(self.labels) if label == ("BDF Annotations" if self.is_bdf else "EDF Annotations")]

    @property
    def fastest_hz(self) -> float:
        """Sampling rate of the fastest channel [Hz]."""
        counts = [count for at, count in enumerate(self.counts) if at not in self.annotation_channels]
        return max(counts, default=0) / self.record_s if self.record_s else 0.0


@dataclass(frozen=True)
class Records:
    """The data records in order of time: stretches of records that follow each other, and the onset of each stretch [s]."""

    stretches: tuple[np.ndarray, ...]
    onsets_s: tuple[float, ...]
    record_s: float

    @property
    def first_s(self) -> float:
        """Onset of the earliest record [s]."""
        return self.onsets_s[0] if self.onsets_s else 0.0


def recognises(path: Path) -> bool:
    """Tell from the first eight bytes."""
    with path.open("rb") as file:
        return file.read(8) in (_EDF, _BDF)


def read(path: Path, about: SourceHeader) -> tuple[Part, ...]:
    """Read one recording.

    Parameters: path; about, what the case's header says of this file.
    Returns: one Part: signals in float32, annotations as events; times in seconds from its first record [s]; start as a wall-clock
    time without a zone, with the fraction of a second that the first time-keeping annotation gives; None where it is anonymised.
    Raises: UnreadableFile naming the byte, when the header is cut, or is no header, or not one record is whole.
    """
    raw = path.read_bytes()
    layout = _layout(raw, path)
    notes = [Note(level, path.name, text) for level, text in _missing(layout)]
    tals, onsets, bad = _annotations(raw, layout)
    if bad:
        text = f"annotations in record{'s' if len(bad) > 1 else ''} {listed(bad)} are not in the form of EDF+ and are put aside"
        notes.append(Note("warning", path.name, text))
    records, said = _stretches(onsets, layout)
    notes += [Note("warning", path.name, text) for text in said]
    signals, more, unknown = _signals(raw, layout, records, path, about)
    entries, remarks = _events(tals, records.first_s, about)
    notes += [Note("info", path.name, text) for text in remarks]
    start, why = _start(raw)
    notes += [Note("warning", path.name, text) for text in why]
    try:
        start = start + timedelta(seconds=records.first_s) if start else None
    except OverflowError:
        start = None
    could_chart = frozenset(row.type for row in entries) - {"unmapped"}
    kind = "monitor" if signals or layout.fastest_hz else "events"
    return (
        Part(
            path.name,
            _format(layout),
            kind,
            start,
            signals,
            table(entries, path.name),
            notes=(*notes, *more, *read_by_maps(entries, path.name)),
            could_chart=could_chart,
            unknown=(*unknown, *not_understood(entries, path.name)),
        ),
    )


def _format(layout: Layout) -> str:
    name = "BDF" if layout.is_bdf else "EDF"
    return layout.plus if layout.plus in (f"{name}+C", f"{name}+D") else name


def _layout(raw: bytes, path: Path) -> Layout:
    """Check the header field by field; the first that cannot be right is named with its byte."""
    if not raw:
        raise UnreadableFile(path, "byte 0: the file is empty; an EDF file begins with a header of 256 bytes")
    if raw[:8] not in (_EDF, _BDF):
        raise UnreadableFile(
            path, f"byte 0: found {raw[:8]!r}; an EDF file begins with “0” and seven blanks, a BDF file with 255 “BIOSEMI”"
        )
    if len(raw) < 256:
        raise UnreadableFile(path, f"byte {len(raw)}: the file ends inside its header, which has at least 256 bytes")

    def field(at: int, what: str, kind: type = int, size: int = 8, low: float = 0) -> float:
        text = raw[at : at + size].decode("ascii", errors="replace").strip()
        try:
            value = kind(text)
        except ValueError:
            value = None
        if value is None or not low <= value < 1e9:
            right = "whole number" if kind is int else "number"
            raise UnreadableFile(path, f"byte {at}: {what} is “{text}”, should be a {right} of at least {low:g}")
        return value

    channels = int(field(252, "the number of channels", size=4, low=1))
    header_bytes = int(field(184, "the length of the header"))
    if header_bytes != 256 * (channels + 1):
        raise UnreadableFile(
            path, f"byte 184: the header's length is {header_bytes}, for {channels} channels it is {256 * (channels + 1)}"
        )
    if len(raw) < header_bytes:
        raise UnreadableFile(path, f"byte {len(raw)}: the file ends inside its header, which has {header_bytes} bytes")
    labels = tuple(raw[256 + 16 * at : 272 + 16 * at].decode("latin-1").rstrip() for at in range(channels))
    counts_at = 256 + channels * _BEFORE_COUNT
    counts = tuple(int(field(counts_at + 8 * at, f"samples per record of channel {at + 1}")) for at in range(channels))
    layout = Layout(
        raw[:8] == _BDF,
        raw[192:197].decode("ascii", errors="replace").strip(),
        header_bytes,
        field(244, "the length of a record", float),
        labels,
        counts,
        int(field(236, "the number of records", low=-1)),
        0,
        0,
    )
    return _with_records(layout, len(raw), path)


def _with_records(layout: Layout, size: int, path: Path) -> Layout:
    """The layout with the number of whole records that are there."""
    if not layout.record_bytes:
        raise UnreadableFile(path, "byte 236: no channel has a sample in a record, so that the file holds nothing")
    has_samples = any(count for at, count in enumerate(layout.counts) if at not in layout.annotation_channels)
    if has_samples and not layout.record_s:
        raise UnreadableFile(path, "byte 244: the length of a record is 0 s, though its channels hold samples")
    records, left = divmod(size - layout.header_bytes, layout.record_bytes)
    if not records:
        whole = layout.header_bytes + layout.record_bytes
        raise UnreadableFile(path, f"byte {size}: the file ends before its first record is whole, which it is at byte {whole}")
    return replace(layout, records=records, left_bytes=left)


def _missing(layout: Layout) -> Iterator[tuple[str, str]]:
    """What to say of records that are not there, or are there beyond what the header states."""
    if layout.stated >= 0 and layout.records < layout.stated:
        lost = layout.stated - layout.records
        there = f"cut short: {layout.records} of {layout.stated} records are whole"
        yield "error", f"{there}; {lost} records ({lost * layout.record_s:g} s) are missing"
    elif layout.stated >= 0 and layout.records > layout.stated:
        yield "warning", f"holds {layout.records} records where its header states {layout.stated}; all are read"
    elif layout.stated < 0:
        yield "info", f"its header leaves the number of records open; the {layout.records} whole ones are read"
    if layout.left_bytes:
        yield "warning", f"{layout.left_bytes} bytes of an unfinished record at the end are left out"


def _annotations(raw: bytes, layout: Layout) -> tuple[list[tuple[float, float | None, str]], np.ndarray, list[int]]:
    """All annotations as (onset, duration, text), the onset of each record, and the records that hold a bad one (from 1)."""
    step = np.arange(layout.records) * layout.record_s
    if not layout.annotation_channels:
        return [], step, []
    found: list[tuple[float, float | None, str]] = []
    onsets = np.full(layout.records, np.nan)
    bad: list[int] = []
    starts = np.cumsum([0, *layout.counts]) * layout.sample_bytes
    for channel in layout.annotation_channels:
        keeps_time = channel == layout.annotation_channels[0]
        for record in range(layout.records):
            at = layout.header_bytes + record * layout.record_bytes
            chunk = raw[at + int(starts[channel]) : at + int(starts[channel + 1])]
            for number, tal in enumerate(part for part in chunk.split(b"\0") if part):
                match = _ONSET.fullmatch(tal)
                if not match or abs(float(match[1])) > FARTHEST_S:
                    bad.append(record + 1)
                    continue
                onset, length = float(match[1]), float(match[2]) if match[2] else None
                texts = match[3].removesuffix(b"\x14").split(b"\x14")
                if keeps_time and not number:
                    onsets[record] = onset
                found += [(onset, length, text.decode("utf-8", errors="replace")) for text in texts if text.strip()]
    if layout.plus[4:] != "D" and np.isnan(onsets).any():
        base = np.flatnonzero(~np.isnan(onsets))
        onsets = np.where(np.isnan(onsets), step + (onsets[base[0]] - step[base[0]] if len(base) else 0.0), onsets)
    return found, onsets, sorted(set(bad))


def _stretches(onsets: np.ndarray, layout: Layout) -> tuple[Records, list[str]]:
    """Part the records wherever one does not begin where the one before it ended."""
    said = []
    timed = np.flatnonzero(~np.isnan(onsets))
    if len(timed) < len(onsets):
        untimed = [int(at) + 1 for at in np.flatnonzero(np.isnan(onsets))]
        said.append(f"records that do not say when they began, put aside: {listed(untimed)}")
    if not len(timed):
        return Records((), (), layout.record_s), said
    times = onsets[timed]
    jitter_s = min(2 / layout.fastest_hz, LARGEST_JITTER_S) if layout.fastest_hz else LARGEST_JITTER_S
    steps = np.diff(times)
    if (steps < layout.record_s - jitter_s).any():
        breaks = np.flatnonzero(np.abs(steps - layout.record_s) > jitter_s) + 1
        order, aside = in_order(times, breaks, soonest_s=layout.record_s - jitter_s)
        text = "times run backwards or records overlap: the records are put in order of time"
        if len(aside):
            text += f"; put aside, as they overlap earlier ones: {listed([int(timed[at]) + 1 for at in aside])}"
        said.append(text)
        timed, times = timed[order], times[order]
    gaps = np.flatnonzero(np.abs(np.diff(times) - layout.record_s) > jitter_s) + 1
    if len(gaps) and layout.fastest_hz:
        spans = [f"{times[at - 1] + layout.record_s - times[0]:g} to {times[at] - times[0]:g} s" for at in gaps[:5]]
        more = f" and {len(gaps) - 5} more" if len(gaps) > 5 else ""
        count = "a gap between records, kept as one" if len(gaps) == 1 else f"{len(gaps)} gaps between records, kept as gaps"
        said.append(f"{count}: {', '.join(spans)}{more}")
    first = [float(part[0]) for part in np.split(times, gaps)]
    return Records(tuple(np.split(timed, gaps)), tuple(first), _true_length(times, gaps, layout.record_s)), said


def _true_length(times: np.ndarray, gaps: np.ndarray, record_s: float) -> float:
    """Length of a record by the onsets of the longest stretch, where these drift from the stated length [s]."""
    longest = max(np.split(times, gaps), key=len)
    if len(longest) < 2:
        return record_s
    true_s = float(longest[-1] - longest[0]) / (len(longest) - 1)
    return true_s if abs(true_s - record_s) * len(longest) > LARGEST_JITTER_S else record_s


def _signals(
    raw: bytes, layout: Layout, records: Records, path: Path, about: SourceHeader
) -> tuple[tuple[Signal, ...], tuple[Note, ...], tuple[Unknown, ...]]:
    """The ordinary channels, in physical units."""
    if not records.stretches or not layout.fastest_hz:
        return (), (), ()
    size = layout.header_bytes + layout.records * layout.record_bytes
    whole = b"".join([raw[:236], b"%-8d" % layout.records, memoryview(raw)[244:size]])
    decode: Callable[..., Any] = edfio.read_bdf if layout.is_bdf else edfio.read_edf
    channels = decode(whole, header_encoding="latin-1").signals
    numbers = [at for at in range(len(layout.labels)) if at not in layout.annotation_channels]
    signals: list[Signal] = []
    remarks: dict[str, list[Remark]] = {}
    notes: list[Note] = []
    for number, channel in zip(numbers, channels, strict=True):
        label, count = layout.labels[number].strip(), layout.counts[number]
        scale = _scale(raw, layout, number)
        if not count or scale is None:
            at = 256 + len(layout.labels) * _BEFORE_RANGES + 8 * number
            what = "has no samples" if not count else f"byte {at}: its physical and digital ranges give no scale"
            notes.append(Note("error", path.name, f"“{label}”: {what}; the channel is left out"))
            continue
        gain, base, rails = scale
        pieces = [
            Piece(onset - records.first_s, count / records.record_s, values)
            for onset, values in zip(records.onsets_s, _physical(channel.digital, gain, base, count, records), strict=True)
        ]
        unit = channel.physical_dimension.strip()
        signal, said = signal_from(label, unit, pieces, source=path.name, about=about, rails=rails)
        remarks.setdefault(label, []).extend(said)
        signals += [signal] if signal else []
    told = (*notes, *notes_of(path.name, remarks), *named_alike(signals, path.name))
    return tuple(signals), told, unknown_of(path.name, remarks)


def _physical(digital: np.ndarray, gain: float, base: float, count: int, records: Records) -> Iterator[np.ndarray]:
    """Samples of each stretch in the channel's physical unit."""
    rows = digital.reshape(-1, count)
    for stretch in records.stretches:
        own = digital if len(stretch) == len(rows) and len(records.stretches) == 1 else rows[stretch].ravel()
        yield (own * gain + base).astype(np.float32)


def _scale(raw: bytes, layout: Layout, number: int) -> tuple[float, float, tuple[float, float]] | None:
    """Factor and base from digital to physical values, and the physical rails; None where the header's ranges give none."""
    start = 256 + len(layout.labels) * _BEFORE_RANGES + 8 * number
    places = [start + 8 * len(layout.labels) * row for row in range(4)]
    fields = [raw[at : at + 8].decode("latin-1") for at in places]
    try:
        low, high, digital_low, digital_high = map(float, fields)
        gain = (high - low) / (digital_high - digital_low)
    except (ValueError, ZeroDivisionError):
        return None
    if not (np.isfinite([gain, low, high]).all() and gain and max(abs(low), abs(high)) < 1e30):
        return None
    return gain, low - digital_low * gain, (min(low, high), max(low, high))


def _events(tals: list[tuple[float, float | None, str]], first_s: float, about: SourceHeader) -> tuple[list[Entry], list[str]]:
    """The annotations as events, in seconds from the first record; the cautions of our own files are none."""
    entries: list[Entry] = []
    said: dict[str, list[float]] = {}
    words = about.event_words
    for onset, length, text in tals:
        if tells_no_event(text):
            continue
        time_s = round(onset - first_s, 9)
        entry, remarks = from_annotation(time_s, text, words=words, end_s=time_s + length if length else None)
        entries.append(entry)
        for remark in remarks:
            said.setdefault(remark, []).append(time_s)
    return entries, [f"annotation at {', '.join(f'{at:g}' for at in times[:5])} s: {remark}" for remark, times in said.items()]


def _start(raw: bytes) -> tuple[datetime | None, list[str]]:
    """Start date and time as the header has them, without a zone, before the fraction of a second is added."""
    recording = raw[88:168].decode("latin-1").split()
    day_text, clock = (_DATE.fullmatch(raw[at : at + 8].decode("latin-1")) for at in (168, 176))
    if not (day_text and clock):
        return None, ["bytes 168 to 183 hold no start date and time; `start` in case.toml would give them"]
    day, month, year = (int(part) for part in day_text.groups())
    said = []
    year += 1900 if year >= 85 else 2000
    if len(recording) > 1 and recording[0] == "Startdate":
        if recording[1] == "X":
            return None, ["its start date is anonymised; `start` in case.toml would give it"]
        parts = recording[1].upper().split("-")
        if len(parts) == 3 and parts[1] in _MONTHS and parts[0].isdecimal() and parts[2].isdecimal():
            plus = (int(parts[0]), _MONTHS.index(parts[1]) + 1, int(parts[2]))
            if plus != (day, month, year):
                said.append(f"its two start dates differ ({day_text[0]} and {recording[1]}); the second is used")
            day, month, year = plus
    elif (day, month, year, clock[0]) == (1, 1, 1985, "00.00.00"):
        return None, ["its start date is anonymised (01.01.85); `start` in case.toml would give it"]
    try:
        hour, minute, second = map(int, clock.groups())
        return datetime(year, month, day, hour, minute, second), said
    except ValueError as error:
        return None, [
            f"bytes 168 to 183 hold “{day_text[0]} {clock[0]}”, which is no time ({error}); `start` in case.toml would give it"
        ]
