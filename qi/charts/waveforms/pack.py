"""Pack a case for the browser: samples as 16-bit integers, events as one small JSON document. Pure Python, no Streamlit.

A message is: 4 bytes, the length of the header as an unsigned little-endian integer; the header, JSON in UTF-8, padded with blanks
to a multiple of four bytes; then the samples, signed 16-bit little-endian integers (none in a message of events).
"""

import json
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd

from qi.charts.colours import ACCENTS, CHANNEL_MEANINGS
from qi.charts.waveforms import words
from qi.charts.waveforms.reviewed import Said
from qi.model.case import Piece, Signal
from qi.model.journal import REVIEWER
from qi.model.spans import Span, Spans
from qi.model.vocabulary import CHANNELS

_STEPS = 65534  # integers from -32767 to 32767
_LANE_ORDER = {channel: place for place, channel in enumerate(words.LANE_ORDER)}


def message(header: Mapping[str, Any], samples: bytes = b"") -> bytes:
    """Join a header and samples into the bytes that the browser reads.

    Parameters: header, JSON-able, without NaN; samples, 16-bit integers.
    Returns: length, header and samples, the samples at a multiple of four bytes.
    Raises: ValueError when the header holds NaN or infinity.
    """
    text = json.dumps(header, separators=(",", ":"), allow_nan=False, ensure_ascii=False).encode()
    text += b" " * (-len(text) % 4)
    return len(text).to_bytes(4, "little") + text + samples


def samples(signals: Sequence[Signal], *, case: str) -> bytes:
    """Waveforms of a case for the close-up, sent to the browser once.

    Parameters: signals, channels as recorded, gaps as separate pieces, each with its own rate [Hz]; case, the case's id and
    revision, by which the browser keeps it.
    Returns: a message whose header is {"kind": "samples", "case", "channels": [{"channel", "sensor", "name", "unit", "source",
    "meaning", "down", "show": [low, high], "pieces": [{"start_s", "rate_hz", "scale", "offset", "first", "count"}]}]}; sample i of
    a piece is offset + scale × integer[first + i] in the channel's unit, within half a step of what was recorded.
    Raises: ValueError when a piece holds a value that is not finite.
    """
    channels, blocks, first = [], [], 0
    for signal in sorted(signals, key=lambda one: _LANE_ORDER.get(one.channel, len(_LANE_ORDER))):
        pieces = []
        for piece in signal.pieces:
            integers, scale, offset = _as_integers(piece, signal)
            pieces.append(_piece_header(piece, scale, offset, first))
            blocks.append(integers.tobytes())
            first += len(integers)
        channels.append(_channel_header(signal) | {"pieces": pieces})
    return message({"kind": "samples", "case": case, "channels": channels}, b"".join(blocks))


def overlay(
    *,
    case: str,
    compressions: pd.DataFrame | None,
    ventilations: pd.DataFrame | None,
    pauses: pd.DataFrame | None,
    shocks: pd.DataFrame | None,
    devices: pd.DataFrame | None,
    events: pd.DataFrame | None,
    quality: pd.DataFrame | None,
    arrest: Spans,
    unknown: Spans,
    extent: Span,
    zero_s: float,
    start: datetime | None,
    long_pause_s: float,
    listed_pause_s: float,
    depth_band_mm: tuple[float, float] | None,
    corrections: Sequence[Mapping[str, Any]] = (),
) -> dict[str, Any]:
    """Everything that is drawn on or beside the waveforms, as one JSON document.

    Parameters: case, the key that the samples were packed with (a new overlay of the same key takes the place of the one before,
    and the browser keeps samples, window, cursor and selection); compressions to quality, tables of qi.model.tables [s from case
    start], None = not recorded; arrest, stretches without circulation; unknown, time in which no chest sensor could
    see; extent, the stretch that the picture shows; zero_s, the moment shown as 0:00 (the first compression); start, the case's
    first moment, with zone; long_pause_s, pauses longer than this stand out [s]; listed_pause_s, shorter pauses get no label
    [s]; depth_band_mm, the protocol's depth limits [mm]; corrections, those in force, in the order they were written, each with
    number, action (add, move, remove, relabel), subject, words (short, plain), start_s, end_s, to_start_s, to_end_s [s, None where
    it has none], who, why, and where it has one the sensor that an artefact is on.
    Returns: a dict with the keys
      kind "overlay", case, zero_s, extent_s [start, end], arrest_s and unknown_s [[start, end], …], depth_band_mm, colours
      {meaning: {light, dark}};
      clock: {utc_ms, offset_s} of case start, or None;
      compressions: columns {time_s, onset_s, release_s, depth_mm, residual_mm}, runs (index of each run's first) and persons, or
      None; ventilations: columns {time_s, insufflation_s, etco2_mmhg} and persons, or None; persons is [[row, number], …] of the
      rows that a reviewer put there, with the number of the correction or None;
      pauses: [{start_s, end_s, cause, value, long, listed}]; shocks: [{time_s, energy_j, words}];
      devices: [{row, words, kind, on_s, off_s}]; rhythms: [{start_s, end_s, words, value}];
      events: [{time_s, end_s, words, meaning, shape, rank, subject, value}], rank 0 the first to be given room; each of these lists
      may be None, and each of their entries says also person (a reviewer put it there or gave its cause) and number;
      quality: {sensor: [[start_s, end_s, state], …]} of everything that is not good, or None;
      arrest_by: [[number, number], …], the corrections that set start and end of each arrest span, None for what no person set;
      corrections, as given.
    Times are seconds from case start to the millisecond; a missing number is None, never NaN.
    """
    said = Said(corrections)
    return {
        "kind": "overlay",
        "case": case,
        "zero_s": _ms(zero_s),
        "extent_s": [_ms(extent.start_s), _ms(extent.end_s)],
        "clock": _clock(start),
        "arrest_s": _pairs(arrest),
        "arrest_by": said.edges(arrest),
        "unknown_s": _pairs(unknown),
        "depth_band_mm": None if depth_band_mm is None else list(depth_band_mm),
        "colours": ACCENTS,
        "compressions": _compressions(compressions, pauses, unknown, said),
        "ventilations": _moments(ventilations, ("time_s", "insufflation_s", "etco2_mmhg"), "ventilation", said),
        "pauses": _pauses(pauses, said, long_pause_s=long_pause_s, listed_pause_s=listed_pause_s),
        "shocks": None if shocks is None else [_shock(row, said) for row in _rows(shocks)],
        "devices": None if devices is None else [_device(row, said) for row in _rows(devices)],
        "rhythms": _rhythms(events, arrest, extent, said),
        "quality": None if quality is None else _not_good(quality),
        "events": None if events is None else [_event(row, said) for row in _rows(events) if row["type"] not in words.ELSEWHERE],
        "corrections": said.for_browser(),
    }


def highlight(spans_s: Sequence[tuple[float, float]], *, label: str) -> dict[str, Any]:
    """Evidence of one measure, to be marked on both views: stretches, or moments as stretches without length.

    Parameters: spans_s, (start, end) pairs [s from case start]; label, what they are evidence for, in words.
    Returns: {"label", "spans_s": [[start, end], …]}.
    """
    return {"label": label, "spans_s": [[_ms(start), _ms(end)] for start, end in spans_s]}


def _as_integers(piece: Piece, signal: Signal) -> tuple[np.ndarray, float, float]:
    """One piece as integers with scale and offset; the whole range of 16 bits is used."""
    values = np.asarray(piece.values, dtype=np.float64)
    if not len(values):
        return np.empty(0, "<i2"), 1.0, 0.0
    low, high = float(values.min()), float(values.max())
    if not (np.isfinite(low) and np.isfinite(high)):
        raise ValueError(f"{signal.name}: the piece at {piece.start_s} s holds a value that is not finite")
    offset = (low + high) / 2
    scale = (high - low) / _STEPS or 1.0
    scaled = np.rint((values - offset) * (1.0 / scale))
    return np.clip(scaled, -32767, 32767, out=scaled).astype("<i2"), scale, offset


def _piece_header(piece: Piece, scale: float, offset: float, first: int) -> dict[str, Any]:
    return {
        "start_s": round(float(piece.start_s), 6),
        "rate_hz": float(piece.rate_hz),
        "scale": scale,
        "offset": offset,
        "first": first,
        "count": len(piece.values),
    }


def _channel_header(signal: Signal) -> dict[str, Any]:
    """How a channel is called and drawn; depth is drawn downwards, as the chest moves."""
    known = CHANNELS.get(signal.channel)
    return {
        "channel": signal.channel,
        "sensor": signal.name,
        "name": known.show_as if known else signal.label or signal.channel,
        "unit": "" if signal.unit == "1" else words.UNITS.get(signal.unit, signal.unit),
        "source": signal.source,
        "meaning": CHANNEL_MEANINGS.get(signal.channel, "other"),
        "down": signal.channel == "compression_depth",
        "show": _range_shown(signal),
    }


def _range_shown(signal: Signal) -> list[float]:
    """Range of the axis: all but the outermost thousandth of the samples, and at least the channel's usual range.

    Rare spikes (a shock on the ECG) leave the axis, so that the rest can be read; the whole case keeps one scale.
    """
    usual = words.USUAL_RANGES.get(signal.channel)
    thinned = [np.asarray(piece.values)[:: max(1, len(piece.values) // 20000)] for piece in signal.pieces if len(piece.values)]
    if not thinned:
        return list(usual or (0.0, 1.0))
    low, high = map(float, np.quantile(np.concatenate(thinned), (0.001, 0.999)))
    if usual:
        low, high = min(low, usual[0]), max(high, usual[1])
    elif low == high:
        low, high = low - 1, high + 1
    room = 0.06 * (high - low)
    return [low - room, high + room]


def _compressions(table: pd.DataFrame | None, pauses: pd.DataFrame | None, unknown: Spans, said: Said) -> dict[str, Any] | None:
    """Columns of the compressions, and where runs begin: after every pause and every stretch of unknown time."""
    columns = _moments(table, ("time_s", "onset_s", "release_s", "depth_mm", "residual_mm"), "compression", said)
    if table is None or columns is None:
        return None
    breaks = np.r_[unknown.edges[:, 0], np.empty(0) if pauses is None else pauses["start_s"].to_numpy()]
    after = np.searchsorted(table["time_s"].to_numpy(), np.sort(breaks))
    firsts = np.unique(np.r_[0, after])
    return columns | {"runs": [int(first) for first in firsts if first < len(table)]}


def _moments(table: pd.DataFrame | None, names: Sequence[str], subject: str, said: Said) -> dict[str, Any] | None:
    """Columns of a table of moments, and which of its rows are a person's."""
    if table is None:
        return None
    return {name: _numbers(table[name].to_numpy()) for name in names} | {"persons": said.rows(table, subject)}


def _pauses(table: pd.DataFrame | None, said: Said, *, long_pause_s: float, listed_pause_s: float) -> list[dict[str, Any]] | None:
    if table is None:
        return None
    return [
        {
            "start_s": _ms(row["start_s"]),
            "end_s": _ms(row["end_s"]),
            "cause": words.plain(row["cause"]),
            "value": row["cause"],
            "long": bool(row["seconds"] > long_pause_s),
            "listed": bool(row["seconds"] >= listed_pause_s),
            "cause_by_person": row.get("cause_by") == REVIEWER,
        }
        | said.mark(("pause",), row.get("cause_by"), row["start_s"], row["end_s"], told=True)
        for row in _rows(table)
    ]


def _shock(row: dict[str, Any], said: Said) -> dict[str, Any]:
    by = REVIEWER if row["sensor"] == f"events ({REVIEWER})" else row["sensor"]
    return words.shock(row) | said.mark(("shock",), by, row["time_s"])


def _device(row: dict[str, Any], said: Said) -> dict[str, Any]:
    """One device; its correction may have spoken of when it came on or when it came off."""
    shown = words.device(row)
    told_on = said.mark(words.SUBJECTS_ON, row["source"], row["on_s"])
    if row["off_s"] is None:
        return shown | told_on
    told_off = said.mark(words.SUBJECTS_OFF, row["source"], row["off_s"])
    return shown | (told_on if told_on["number"] is not None else told_off)


def _event(row: dict[str, Any], said: Said) -> dict[str, Any]:
    subjects = [row["type"], *(one["subject"] for one in said.corrections if one["action"] == "relabel")]
    return words.event(row) | said.mark(subjects, row["source"], row["time_s"])


def _rhythms(events: pd.DataFrame | None, arrest: Spans, extent: Span, said: Said) -> list[dict[str, Any]] | None:
    """Each rhythm from when it was told to when the next one was, at most to the end of its arrest span."""
    if events is None:
        return None
    told = events.loc[(events["type"] == "rhythm") & events["value"].notna()]
    times = told["time_s"].to_numpy()
    stops = np.sort(np.r_[times, arrest.edges[:, 1], extent.end_s])
    ends = stops[np.minimum(np.searchsorted(stops, times, side="right"), len(stops) - 1)]
    return [
        {"start_s": _ms(begin), "end_s": _ms(max(begin, end)), "words": words.rhythm(value), "value": value}
        | said.mark(("rhythm",), source, begin)
        for begin, end, value, source in zip(times, ends, told["value"], told["source"], strict=True)
    ]


def _not_good(quality: pd.DataFrame) -> dict[str, list[list[Any]]]:
    """Stretches of each sensor that are not good; a sensor that is good throughout has an empty list."""
    rows: dict[str, list[list[Any]]] = {str(sensor): [] for sensor in quality["sensor"].unique()}
    for row in quality[quality["state"] != "good"].itertuples():
        rows[str(row.sensor)].append([_ms(row.start_s), _ms(row.end_s), str(row.state)])
    return rows


def _numbers(values: np.ndarray) -> list[float | None]:
    """Numbers to three decimals, None where missing."""
    rounded = np.round(np.asarray(values, dtype=float), 3)
    return [value if finite else None for value, finite in zip(rounded.tolist(), np.isfinite(rounded).tolist(), strict=True)]


def _rows(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows as dicts, missing values as None."""
    return table.astype(object).where(table.notna(), None).to_dict("records")


def _pairs(spans: Spans) -> list[list[float]]:
    return [[_ms(start), _ms(end)] for start, end in spans.pairs()]


def _ms(seconds: float) -> float:
    return round(float(seconds), 3)


def _clock(start: datetime | None) -> dict[str, Any] | None:
    """Case start as the browser needs it to write clock times; None without a zone."""
    shift = None if start is None else start.utcoffset()
    if start is None or shift is None:
        return None
    return {"utc_ms": round(start.timestamp() * 1000), "offset_s": round(shift.total_seconds())}
