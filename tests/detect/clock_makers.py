"""Made cases of one monitor and one charted record, whose clocks are apart by a known offset."""

from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
import pandas as pd

from qi.model.case import Case, Clock, Piece, Signal, Source
from qi.model.tables import EVENTS, make

START = datetime(2031, 4, 17, 12, 0, tzinfo=UTC)
LENGTH_S = 2400.0
OFFSETS = ("hour", "437", "-7 min", "none", "any")


@dataclass(frozen=True)
class Drawn:
    """A made case, the offset to add to the record's clock [s], and how it was charted."""

    case: Case
    offset_s: float
    shocks: int
    charted: str


def entries(*rows, clock, source=None):
    """EVENTS of (time_s, type, value) rows by one clock."""
    table = pd.DataFrame(sorted(rows), columns=["time_s", "type", "value"])
    count = len(table)
    return make(
        EVENTS,
        time_s=table["time_s"].to_numpy(float),
        type=table["type"].tolist(),
        value=[value or None for value in table["value"]],
        source=[source or clock] * count,
        clock=[clock] * count,
        uncertainty_s=np.zeros(count),
    )


def case_of(events, *, kinds, clocks=None, recorded=None, start=START, unplaced=(), lead="m"):
    """A case of these EVENTS tables; kinds, clock -> kind of source; recorded, clock -> (first, last) sample [s]."""
    table = pd.concat([one for one in events if len(one)], ignore_index=True).sort_values(
        "time_s", kind="stable", ignore_index=True
    )
    spans = {"m": (0.0, LENGTH_S)} if recorded is None else recorded
    signals = [
        Signal("ecg", "mV", (Piece(a, 1.0, np.zeros(int(b - a), np.float32)),), name, clock=name) for name, (a, b) in spans.items()
    ]
    names = {name: Clock(name, uncertainty_s=0.0 if name == lead else 120.0) for name in kinds}
    return Case(
        "made",
        start,
        tuple(Source(name, "made", kind, name, *spans.get(name, (0.0, LENGTH_S))) for name, kind in kinds.items()),
        {**names, **(clocks or {})},
        lead if lead in spans else "",
        tuple(signals),
        table,
        unplaced=tuple(unplaced),
    )


def draw(seed):
    """Two to eight shocks about two minutes apart, drugs and an airway; a record that misses some, adds some, and rounds or not."""
    rng = np.random.default_rng(seed)
    kind = OFFSETS[seed % len(OFFSETS)]
    offset = {
        "hour": float(rng.choice([-1, 1]) * (3600 + rng.uniform(-60, 60))),
        "437": 437.0,
        "-7 min": -420.0,
        "none": float(rng.uniform(-20, 20)),
        "any": float(rng.uniform(-1800, 1800)),
    }[kind]
    steps = rng.choice([rng.normal(120, 12, 8), rng.uniform(60, 240, 8)])
    shocks = rng.uniform(60, 400) + np.r_[0, np.cumsum(np.maximum(steps, 30))][: rng.integers(2, 9)]
    drugs = rng.uniform(250, 500) + np.r_[0, np.cumsum(rng.uniform(180, 320, 5))][: rng.integers(0, 5)]
    airway = rng.uniform(200, 900, rng.integers(0, 2))
    seen = [(time, "shock", "200") for time in shocks]
    seen += [(time, "drug", "epinephrine") for time in drugs] + [(time, "airway_placed", "supraglottic") for time in airway]
    spread, how = (
        float(rng.choice([2.0, 6.0, 12.0])),
        str(rng.choice(["to the second", "cut to the minute", "rounded to the minute"])),
    )
    kept = [row for row in seen if rng.random() < 0.8]
    extra = [(float(rng.uniform(0, 1500)), "shock", "") for _ in range(int(rng.random() < 0.25))]
    own = []
    for time, type_, value in [*kept, *extra]:
        by_own = time - offset + rng.normal(0, spread if type_ == "shock" else 2 * spread)
        by_own = {"t": by_own, "c": 60 * np.floor(by_own / 60), "r": 60 * np.round(by_own / 60)}[how[0]]
        own.append((float(by_own), type_, "tracheal_tube" if type_ == "airway_placed" and rng.random() < 0.3 else value))
    if not own:
        own = [(60 * np.floor((shocks[0] - offset) / 60), "shock", "")]
    case = case_of([entries(*seen, clock="m"), entries(*own, clock="r")], kinds={"m": "monitor", "r": "record"})
    return Drawn(case, offset, sum(type_ == "shock" for _, type_, _ in own), how)
