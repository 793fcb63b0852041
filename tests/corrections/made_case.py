"""A case made by hand for the tests of corrections: every instant is known, and no signal has to be looked at.

Compressions at 120 per minute from 20 to 120, 130 to 230 and 240 to 370 s, so two pauses of 10 s; ROSC at 370 s; the recording
ends at 400 s. Depth and impedance see them alike. Two breaths in the first pause, two in the second. One shock charted at 235 s,
which the ECG shows at 235.4 s, and one at 125 s that only the ECG shows.
"""

import numpy as np
import pandas as pd

from qi import pipeline
from qi.detect import joining, settings
from qi.model.case import Case, Clock, Piece, Signal, Source
from qi.model.corrections import Correction
from qi.model.fused import Looked
from qi.model.seen import Sensors
from tests.detect.seen_makers import breathed, pressed
from tests.measures.made import events, train

CYCLE_S = 0.5
RUNS = ((20.0, 120.0), (130.0, 230.0), (240.0, 370.0))
END_S = 400.0
DEPTH, IMPEDANCE = "compression_depth (m.edf)", "thoracic_impedance (m.edf)"
PRESSURE, CO2, ECG = "airway_pressure (m.edf)", "co2 (m.edf)", "ecg (m.edf)"
BREATHS = (122.0, 126.0, 232.0, 237.5)
TUNE = settings.load()


def row(time_s, type_, value=None, clock="monitor", source="m.edf", **more):
    """One charted event."""
    return {"time_s": float(time_s), "type": type_, "value": value, "clock": clock, "source": source, **more}


ROWS = (row(235.0, "shock", "200"), row(370.0, "rosc"), row(200.0, "drug", "epinephrine", dose=1.0, unit="mg"))


def case(*rows, end_s=END_S, monitor=True, clocks=None):
    """The case; rows, of events, ROWS unless others are given; monitor, whether one recorded (a channel no detector reads)."""
    sources = (
        Source("m.edf", "EDF+", "monitor" if monitor else "events", "monitor", 0.0, end_s),
        Source("care.xml", "NEMSIS 3.5.1", "record", "record", -600.0, 2000.0, frozenset({"drug"})),
    )
    placed = clocks or {"monitor": Clock("monitor"), "record": Clock("record", uncertainty_s=120.0)}
    pleth = Signal("pleth", "1", (Piece(0.0, 1.0, np.zeros(int(end_s))),), "m.edf", clock="monitor")
    happened = events(*(rows or ROWS))
    return Case("t", None, sources, placed, "monitor" if monitor else "", (pleth,) if monitor else (), happened)


def presses(runs=RUNS):
    """Deepest points, a full cycle about each."""
    return np.concatenate([train(start, round((end - start) / CYCLE_S), CYCLE_S) for start, end in runs])


def looked(one, sensors=None, shocks=((125.0, ECG), (235.4, ECG))):
    """What the detectors would have seen; sensors, lists of what saw compressions, breaths, and exhaled CO2."""
    lists = sensors if sensors is not None else everything()
    seen = Sensors(*(tuple(some) for some in lists))
    fused = joining.weighed(one, seen.pressed, TUNE, gap_s=1.0)
    times, names = [time for time, _ in shocks], [name for _, name in shocks]
    by_ecg = pd.DataFrame({"time_s": pd.Series(times, dtype=float), "sensor": pd.Series(names, dtype="str")})
    return Looked(seen, fused, by_ecg)


def everything(known=((5.0, 395.0),)):
    """Depth and impedance on the chest, pressure and capnogram on the airway."""
    chest = [
        pressed(DEPTH, presses(), known, depth=55, onset=CYCLE_S / 2, release=CYCLE_S / 2),
        pressed(IMPEDANCE, presses(), known, onset=CYCLE_S / 2, release=CYCLE_S / 2),
    ]
    washed = breathed(CO2, np.array(BREATHS) + 0.3, known, etco2_mmhg=30)
    return chest, [breathed(PRESSURE, BREATHS, known, insufflation_s=1.0, peak_cmh2o=20), washed], [washed]


PROTOCOL = pipeline.choose_protocol(case(), None)


def correct(action, subject, start_s, end_s=None, to=None, **more):
    """A correction; to, where to, as (start, end)."""
    to_start, to_end = to if to is not None else (None, None)
    return Correction(action, subject, start_s, end_s, to_start, to_end, **more)


def reviewed(*corrections, of=None, seen=None):
    """The case measured with these corrections."""
    one = of if of is not None else case()
    return pipeline.review(one, PROTOCOL, corrections, seen if seen is not None else looked(one))


def pauses(review, least_s=0.0):
    """(start, end) of the pauses, rounded to the millisecond."""
    table = review.findings.pauses[review.findings.pauses["seconds"] >= least_s]
    return [(round(start, 3), round(end, 3)) for start, end in zip(table["start_s"], table["end_s"], strict=True)]


def said(review):
    """Notes on corrections that found nothing to change."""
    return [note.text for note in review.notes if note.where == "corrections"]


def answers(review):
    """Everything that a review says in numbers, as plain text."""
    tables = {name: value.to_csv(index=False) for name, value in vars(review.findings).items() if isinstance(value, pd.DataFrame)}
    course = review.findings.course
    spans = (course.spans.pairs(), course.rosc.pairs(), course.edges, course.closed_by, course.final_pause, course.questions)
    known = [getattr(review.findings, name).pairs() for name in ("compressions_known", "ventilations_known", "exhalations_known")]
    numbers = [repr((one.id, one.number, one.verdict)) for one in review.numbers]
    return tables, spans, known, numbers, review.case.events.to_csv(index=False)
