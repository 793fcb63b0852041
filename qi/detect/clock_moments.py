"""Moments that each clock of a case tells of, for setting the clocks beside each other: entries, and what sensors saw."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from qi.model.case import Case
from qi.model.clock_proposal import MOMENTS
from qi.model.seen import Seen
from qi.model.tables import make
from qi.model.vocabulary import ADVANCED_AIRWAYS, TIME_POINTS

MINUTE_S = 60.0
FIRST_CO2, CONTACT, SHOCK = "first CO2", "patient contact", "shock"
FIRST_SAMPLE = "first sample"
_MACHINES = ("monitor", "device")
# event type -> meaning and sort (see qi.model.clock_proposal) of its moments
_KINDS: Mapping[str, tuple[str, str]] = {
    "shock": ("shock", "sharp"),
    "charge": ("other", "charted"),
    "drug": ("drug", "charted"),
    "access": ("drug", "charted"),
    "airway_placed": ("airway", "charted"),
    "airway_removed": ("airway", "charted"),
    "device_on": ("other", "charted"),
    "device_off": ("other", "charted"),
    "rhythm": ("circulation", "loose"),
    **{word: ("circulation", "charted") for word in ("rosc", "rearrest", "terminated", "rhythm_check", "pulse_check")},
    **{word: ("time", "charted") for word in TIME_POINTS},
    "at_patient": ("time", "loose"),
    **{word: ("other", "charted") for word in ("collapse", "arrest_recognised", "compressor_changed", "patient_moved")},
    **{word: ("other", "loose") for word in ("cpr_started", "cpr_stopped")},
}
_Row = dict[str, Any]


def clocks_of(case: Case) -> dict[str, str]:
    """The clock of each sensor by its name, those of files that could not be placed too."""
    return {signal.name: signal.clock for signal in (*case.signals, *case.unplaced)}


def kinds_of(case: Case) -> dict[str, str]:
    """The kind of source behind each clock; a monitor's where several kinds share one."""
    kinds: dict[str, str] = {}
    for source in case.sources:
        if source.kind == "monitor" or source.clock not in kinds:
            kinds[source.clock] = source.kind
    return kinds


def by_machine(case: Case, clock: str) -> bool:
    """Whether a monitor or another device tells the clock's times, not a person."""
    return kinds_of(case).get(clock) in _MACHINES


def moments(
    case: Case,
    by_ecg: pd.DataFrame,
    exhaled: Sequence[Seen],
    *,
    same_shock_s: float,
    fewest_entries: float,
) -> pd.DataFrame:
    """Every moment that a clock of the case tells of and another clock could tell of too.

    Parameters: case, for its events, vitals, signals and clocks [s]; by_ecg, moments and sensors of shocks in the ECG [s]; exhaled,
    breaths as capnograms saw them [s]; same_shock_s, how near an ECG shock must lie to an event to be the same [s];
    fewest_entries, so many entries whole minutes apart, and no other, were charted to the minute where the time of day is not
    known.
    Returns: MOMENTS table in order of time. Failed attempts, notes, pauses and compressions or breaths charted one by one are left
    out; of a rhythm only its changes. An entry by hand that ends in :00 may have been charted to the minute: its grain is 60 s.
    """
    rows = [*_entries(case, fewest_entries=fewest_entries)]
    rows += _shocks(case, by_ecg, rows, same_shock_s=same_shock_s)
    rows += _first_co2(case, exhaled, rows)
    rows += _first_samples(case, rows)
    rows.sort(key=lambda row: (row["time_s"], row["clock"], row["key"]))
    return make(MOMENTS, **{column.name: [row[column.name] for row in rows] for column in MOMENTS})


def _row(time_s: float, clock: str, key: str, what: str, kind: tuple[str, str], grain_s: float = 0.0) -> _Row:
    meaning, sort = kind
    return {"time_s": time_s, "clock": clock, "key": key, "what": what, "meaning": meaning, "sort": sort, "grain_s": grain_s}


def _entries(case: Case, *, fewest_entries: float) -> Iterator[_Row]:
    """Events of the case by their clocks."""
    whole = _to_the_minute(case, fewest_entries=fewest_entries)
    last: dict[str, str] = {}
    for number, row in enumerate(case.told):
        kind = _KINDS.get(row.type)
        if kind is None or "successful=no" in str(row.text):
            continue
        value = "" if pd.isna(row.value) else str(row.value)
        if row.type == "rhythm":
            before, last[row.clock] = last.get(row.clock), value
            if before == value:
                continue
        key, what, meaning = _named(row.type, value, kind[0])
        grain = max(float(row.uncertainty_s), MINUTE_S if whole[number] else 0.0)
        yield _row(float(row.time_s), str(row.clock), key, what, (meaning, kind[1]), grain)


def _named(type_: str, value: str, meaning: str) -> tuple[str, str, str]:
    """Key, words and meaning of an event."""
    words = {"rosc": "ROSC"}.get(type_, type_.replace("_", " "))
    if type_ in ("shock", "charge"):
        return type_, words, meaning
    if type_ == "at_patient":
        return CONTACT, words, meaning
    if type_ == "device_on" and value == "capnography":
        return FIRST_CO2, "capnography on", "co2"
    if type_.startswith("airway") and value in ADVANCED_AIRWAYS:
        return f"{type_} advanced", f"{value.replace('_', ' ')} {type_.removeprefix('airway_')}", meaning
    full = f"{words} {value.replace('_', ' ')}".strip()
    return (f"{type_} {value}".strip(), value if type_ == "drug" and value else full, meaning)


def _to_the_minute(case: Case, *, fewest_entries: float) -> np.ndarray:
    """For each event whether it may have been charted by hand to the minute."""
    times = case.events["time_s"].to_numpy()
    whole = np.zeros(len(times), dtype=bool)
    for name, rows in case.events.groupby("clock", sort=False).indices.items():
        clock = case.clocks[str(name)]
        if by_machine(case, clock.name):
            continue
        if case.start is not None and clock.placed:
            own = times[rows] - clock.offset_s + case.start.second + case.start.microsecond / 1e6
            whole[rows] = _on_the_minute(own)
        else:
            whole[rows] = len(rows) >= fewest_entries and _on_the_minute(times[rows] - times[rows[0]]).all()
    return whole


def _on_the_minute(seconds: np.ndarray) -> np.ndarray:
    return np.abs(seconds - MINUTE_S * np.round(seconds / MINUTE_S)) < 1e-3


def _shocks(case: Case, by_ecg: pd.DataFrame, told: Sequence[_Row], *, same_shock_s: float) -> list[_Row]:
    """Shocks that an ECG shows and no event of its clock tells, each once."""
    clocks, rows = clocks_of(case), [row for row in told if row["key"] == SHOCK]
    found: list[_Row] = []
    for time_s, sensor in zip(by_ecg["time_s"], by_ecg["sensor"], strict=True):
        clock = clocks.get(str(sensor))
        near = (row for row in (*rows, *found) if row["clock"] == clock and abs(row["time_s"] - time_s) <= same_shock_s)
        if clock is not None and next(near, None) is None:
            found.append(_row(float(time_s), clock, SHOCK, "shock in the ECG", ("shock", "sharp")))
    return found


def _first_co2(case: Case, exhaled: Sequence[Seen], told: Sequence[_Row]) -> list[_Row]:
    """First CO2 of each clock that does not tell of capnography going on: its first exhalation, else its first charted value."""
    have = {row["clock"] for row in told if row["key"] == FIRST_CO2}
    clocks = clocks_of(case)
    first: dict[str, _Row] = {}
    for one in exhaled:
        clock, times = clocks.get(one.sensor), one.events["time_s"]
        if clock is None or times.empty or clock in have:
            continue
        if clock not in first or times.iloc[0] < first[clock]["time_s"]:
            first[clock] = _row(float(times.iloc[0]), clock, FIRST_CO2, "first CO2", ("co2", "charted"))
    values = case.vitals[(case.vitals["name"] == "etco2") & (case.vitals["value"] > 0)]
    for name, time_s in values.groupby("clock", sort=False)["time_s"].first().items():
        if name not in have | set(first):
            grain = max((row["grain_s"] for row in told if row["clock"] == name), default=0.0)
            first[str(name)] = _row(float(time_s), str(name), FIRST_CO2, "first EtCO2 charted", ("co2", "loose"), grain)
    return list(first.values())


def _first_samples(case: Case, told: Sequence[_Row]) -> list[_Row]:
    """The first sample of each recording clock, which lies near patient contact, where the clock does not tell of contact."""
    have = {row["clock"] for row in told if row["key"] == CONTACT}
    first: dict[str, float] = {}
    for signal in (*case.signals, *case.unplaced):
        if signal.pieces and signal.clock not in have:
            first[signal.clock] = min(first.get(signal.clock, np.inf), signal.pieces[0].start_s)
    return [_row(time_s, clock, CONTACT, FIRST_SAMPLE, ("time", "loose")) for clock, time_s in first.items()]
