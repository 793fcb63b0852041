"""Writes what was recorded of a truth in open formats: EDF+ with annotations, CSV, Parquet, events, dispatch, header, answers."""

import json
import math
from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from edfio import Edf, EdfAnnotation, EdfSignal, Patient, Recording

from tests.simulator import channels
from tests.simulator.schedule import Happening, Truth

INVENTED = "Invented case of an invented agency, Rillstone Valley EMS: no real place, person or event."

UNITS = {
    "compression_depth": "mm",
    "compression_force": "N",
    "airway_pressure": "cmH2O",
    "co2": "mmHg",
    "ecg": "mV",
    "thoracic_impedance": "ohm",
    "chest_acceleration": "m/s2",
    "airway_flow": "L/min",
}
REACH = {
    "compression_depth": (-20.0, 100.0),
    "compression_force": (-50.0, 1200.0),
    "airway_pressure": (-40.0, 90.0),
    "co2": (0.0, 120.0),
    "ecg": (-channels.ECG_RAIL_MV, channels.ECG_RAIL_MV),
    "thoracic_impedance": (0.0, channels.IMPEDANCE_RAIL_OHM),
    "chest_acceleration": (-80.0, 80.0),
    "airway_flow": (-200.0, 200.0),
}
DECIMALS = {"compression_depth": 1, "compression_force": 0, "airway_pressure": 1, "co2": 1, "ecg": 2, "thoracic_impedance": 2}


def annotation(mark: Happening) -> str:
    """A mark as the text of an annotation: type, value, then key=value pairs."""
    dose = "" if mark.dose is None else f"dose={mark.dose:g}"
    return " ".join(part for part in (mark.type, mark.value, dose, f"unit={mark.unit}" if mark.unit else "") if part)


def write_edf(
    path: Path, truth: Truth, rates_hz: Mapping[str, float], labels: Mapping[str, str], marks: Iterable[Happening]
) -> None:
    """One EDF+ file, one-second records; where the plan has gaps (whole seconds), an EDF+D without those records."""
    seconds = math.ceil(truth.plan.length_s)
    keep = [s for s in range(seconds) if not any(a <= s < b for a, b in truth.plan.gaps)]
    signals = []
    for channel, rate in rates_hz.items():
        samples = channels.record(truth, channel, rate, truth.seed)
        padded = np.pad(samples, (0, round(seconds * rate) - len(samples)), mode="edge")
        low, high = REACH[channel]
        told = np.clip(padded.reshape(seconds, -1)[keep].ravel(), low, high)
        signals.append(EdfSignal(told, rate, label=labels[channel], physical_dimension=UNITS[channel], physical_range=(low, high)))
    start = truth.plan.start
    edf = Edf(
        signals,
        patient=Patient(additional=("invented",)),
        recording=Recording(startdate=start.date(), equipment_code="simulator"),
        starttime=start.timetz().replace(tzinfo=None),
        data_record_duration=1,
        annotations=[EdfAnnotation(mark.time_s, None, annotation(mark)) for mark in marks],
    )
    content = edf.to_bytes()
    path.write_bytes(_with_gaps(content, edf, keep) if len(keep) < seconds else content)


def _with_gaps(content: bytes, edf: Edf, onsets: list[int]) -> bytes:
    """The same EDF+ with its records told by their own onsets: the first, empty annotation of each record says when it began."""
    head = bytearray(content[: edf.bytes_in_header_record])
    head[192:197] = b"EDF+D"
    size = (len(content) - len(head)) // len(onsets)
    told = 2 * next(iter(edf._annotation_signals)).samples_per_data_record
    out = [bytes(head)]
    for number, onset in enumerate(onsets):
        record = content[len(head) + number * size :][:size]
        _, rest = record[-told:].split(b"\x00", 1)
        line = (b"+%d\x14\x14\x00" % onset + rest).rstrip(b"\x00") + b"\x00"
        if len(line) > told:
            raise ValueError(f"the annotations of record {number} need {len(line)} bytes, there are {told}")
        out.append(record[:-told] + line.ljust(told, b"\x00"))
    return b"".join(out)


def _cells(samples: np.ndarray, decimals: int) -> list[str]:
    return ["" if math.isnan(value) else f"{value:.{decimals}f}" for value in samples.tolist()]


def write_signals_csv(path: Path, truth: Truth, names: Iterable[str], rate_hz: float) -> None:
    """Channels of one rate as CSV: time_s, then channel[unit]."""
    names = list(names)
    columns = [_cells(channels.record(truth, name, rate_hz, truth.seed), DECIMALS[name]) for name in names]
    times = [f"{i / rate_hz:.2f}" for i in range(len(columns[0]))]
    lines = [",".join(["time_s", *(f"{name}[{UNITS[name]}]" for name in names)])]
    lines += [",".join(row) for row in zip(times, *columns, strict=True)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def write_parquet(path: Path, truth: Truth, rates_hz: Mapping[str, float]) -> None:
    """Channels of several rates on the fastest one's time column; a slower channel has nulls between its samples."""
    fastest = max(rates_hz.values())
    count = round(truth.plan.length_s * fastest)
    columns: dict[str, pa.Array] = {"time_s": pa.array(np.arange(count) / fastest, pa.float64())}
    for name, rate in rates_hz.items():
        sparse = np.full(count, np.nan)
        samples = np.round(channels.record(truth, name, rate, truth.seed), DECIMALS[name])
        every = round(fastest / rate)
        sparse[::every] = samples[: len(sparse[::every])]
        columns[f"{name}[{UNITS[name]}]"] = pa.array(sparse.astype(np.float32), pa.float32(), from_pandas=True)
    table = pa.table(columns).replace_schema_metadata({"start": truth.plan.start.isoformat(), "invented": INVENTED})
    pq.write_table(table, path, compression="zstd")


def write_events_csv(path: Path, marks: Iterable[Happening], start: datetime | None) -> None:
    """Events as CSV; by wall clock where a start is given, else in seconds from the monitor's first sample."""
    lines = [f"{'time_s' if start is None else 'time'},type,value,dose,unit,by"]
    for mark in marks:
        time = f"{mark.time_s:.2f}" if start is None else moment(start, mark.time_s).isoformat(timespec="milliseconds")
        dose = "" if mark.dose is None else f"{mark.dose:g}"
        lines.append(",".join([time, mark.type, mark.value, dose, mark.unit, mark.by]))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def moment(start: datetime, seconds: float) -> datetime:
    """Wall-clock time of a moment of the case."""
    return start + timedelta(milliseconds=round(seconds * 1000))


def write_dispatch_csv(path: Path, row: Mapping[str, datetime | str]) -> None:
    """One line of a dispatch log under the field names of the national incident-reporting standard."""
    cells = [value.isoformat(timespec="seconds") if isinstance(value, datetime) else value for value in row.values()]
    path.write_text(",".join(row) + "\n" + ",".join(cells) + "\n", encoding="utf-8")


def write_answers(path: Path, truth: Truth, rows: list[dict[str, Any]], *, clocks: Mapping[str, float]) -> None:
    """Known answers beside the case; clocks says, by file, what to add to its times to reach the monitor's clock [s]."""
    about = {
        "about": f"{INVENTED} Answers from the simulator's truth, never from the measuring code.",
        "seed": truth.seed,
        "clocks_offset_s": dict(clocks),
    }
    lines = ",\n  ".join(json.dumps(row, ensure_ascii=False) for row in rows)
    head = json.dumps(about, ensure_ascii=False, indent=1)[:-2]
    path.write_text(f'{head},\n "answers": [\n  {lines}\n ]\n}}\n', encoding="utf-8")
