"""Cases for the tests of exports: the sample cases, small ones made of given signals, and one with a reviewer's corrections."""

from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd

from qi import pipeline
from qi.model.case import Case, Clock, Piece, Signal, Source
from qi.model.corrections import Correction
from qi.model.tables import EVENTS, make

SAMPLES = sorted(path for path in (Path(__file__).parents[2] / "sample_cases").glob("rv-*") if path.is_dir())
GOOD = next(path for path in SAMPLES if path.name.endswith("0107"))
WITH_GAP = next(path for path in SAMPLES if path.name.endswith("0125"))


@cache
def sample(path):
    """A sample case, measured once."""
    return pipeline.measure_case(path)


@cache
def corrected():
    """The good sample with a compression, a shock and a pause's cause that a reviewer put there, and an arrest edge moved."""
    plain = sample(GOOD)
    pause = plain.findings.pauses.iloc[3]
    corrections = (
        Correction("add", "compression", 1300.0, number=1, why="seen on the film"),
        Correction("add", "shock", 700.0, value="200", number=2, why="said by the crew"),
        Correction("relabel", "pause", float(pause["start_s"]), float(pause["end_s"]), value="moving", number=3, why="stairs"),
        Correction("add", "ventilation", 1301.0, 1302.0, number=4),
    )
    return pipeline.review(plain.case, plain.protocol, corrections)


def review_of(*signals, events=None, start=None):
    """A review of a case that is made of these signals, each on the clock it names."""
    clocks = dict.fromkeys([signal.clock for signal in signals] or ["hand"])
    sources = {}
    for signal in signals:
        kept = sources.setdefault(signal.source, [signal.clock, np.inf, -np.inf])
        kept[1], kept[2] = min(kept[1], signal.pieces[0].start_s), max(kept[2], signal.pieces[-1].end_s)
    case = Case(
        "made-1",
        start,
        tuple(Source(file, "EDF+C", "monitor", *rest) for file, rest in sources.items()),
        {clock: Clock(clock) for clock in clocks},
        next(iter(clocks)) if signals else "",
        signals,
        make(EVENTS) if events is None else events,
    )
    return pipeline.review(case, pipeline.choose_protocol(case, None))


def wave(channel, unit, rate_hz, *stretches, source="a.edf", clock="a", rails=None, label=""):
    """A signal of made-up values in (start_s, samples) stretches; no two neighbouring samples are alike."""
    rng = np.random.default_rng(7 + len(label))
    pieces = tuple(Piece(start, rate_hz, rng.uniform(-2.0, 3.0, count).astype(np.float32)) for start, count in stretches)
    return Signal(channel, unit, pieces, source, label, clock, rails=rails)


def event_rows(*rows):
    """An EVENTS table of dicts."""
    columns = {column.name: column.kind for column in EVENTS}
    given = pd.DataFrame([{"source": "list.csv", "clock": "hand", "uncertainty_s": 0.0, **row} for row in rows])
    return make(EVENTS, **{name: given[name].to_numpy() for name in columns if name in given})
