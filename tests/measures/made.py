"""Findings made by hand for tests of measures: compressions at known instants, known time, events."""

import numpy as np
import pandas as pd

from qi.detect import devices as found_devices
from qi.detect.pauses import runs
from qi.model.case import Case, Clock, Facts, Source
from qi.model.findings import Arrest, Findings
from qi.model.spans import Spans
from qi.model.tables import COMPRESSIONS, EVENTS, PAUSES, RECOILS, SHOCKS, VENTILATIONS, make

GAP_S = 1.0


def train(start_s, count, cycle_s):
    """`count` compressions with a full cycle each: onset to release is one cycle, so that a run lasts count cycles."""
    return start_s + cycle_s * (np.arange(count) + 0.5)


def compressions(times, cycle_s=0.5, **columns):
    times = np.asarray(times, float)
    columns = {name: np.broadcast_to(value, times.shape) for name, value in columns.items()}
    return make(
        COMPRESSIONS,
        **{
            "time_s": times,
            "onset_s": times - cycle_s / 2,
            "release_s": times + cycle_s / 2,
            "sensor": ["compression_depth (test)"] * len(times),
            **columns,
        },
    )


def breaths(times, **columns):
    times = np.asarray(times, float)
    columns = {name: np.broadcast_to(value, times.shape) for name, value in columns.items()}
    return make(VENTILATIONS, time_s=times, sensor=["airway_pressure (test)"] * len(times), **columns)


def events(*rows, clock="monitor"):
    """Rows (time_s, type) or (time_s, type, value) or a dict of columns."""
    if not rows:
        return make(EVENTS)
    tables = [row if isinstance(row, dict) else dict(zip(("time_s", "type", "value", "text"), row, strict=False)) for row in rows]
    table = pd.DataFrame([{"source": "test", "clock": clock, "uncertainty_s": 0.0, **row} for row in tables])
    table["time_s"] = table["time_s"].astype(float)
    table = table.sort_values("time_s", kind="stable", ignore_index=True)
    return make(EVENTS, **{name: table[name] for name in table.columns})


def case(happened=None, *, clocks=None, could_chart=("device_on", "drug"), facts=None, end_s=3600.0):
    return Case(
        "test",
        None,
        sources=(Source("test", "EDF+", "monitor", "monitor", 0.0, end_s, frozenset(could_chart)),),
        clocks=clocks or {"monitor": Clock("monitor")},
        monitor_clock="monitor",
        events=happened if happened is not None else events(),
        facts=facts or Facts(),
    )


def findings(
    pressed, arrest, *, known=None, pauses=None, happened=None, ventilations=None, recoils=None, shocks=None, course=None, **rest
):
    arrest = arrest if isinstance(arrest, Spans) else Spans.of([arrest])
    known = Spans.of([(-1.0, 1e6)]) if known is None else Spans.of(known)
    one = rest.pop("case", None) or case(happened)
    hands_on = runs(pressed, gap_s=GAP_S)
    devices = found_devices.devices(one)
    return Findings(
        case=one,
        course=course or Arrest(arrest),
        compressions=pressed,
        compressions_known=known,
        strokes=rest.pop("strokes", frozenset()),
        runs=hands_on,
        pauses=bare_pauses(arrest.overlap(known).minus(hands_on)) if pauses is None else pauses,
        ventilations=ventilations if ventilations is not None else make(VENTILATIONS),
        ventilations_known=rest.pop("ventilations_known", known if ventilations is not None else Spans()),
        exhalations=rest.pop("exhalations", make(VENTILATIONS)),
        exhalations_known=rest.pop("exhalations_known", Spans()),
        recoils=recoils if recoils is not None else make(RECOILS),
        shocks=shocks if shocks is not None else make(SHOCKS),
        devices=devices,
        airway=found_devices.airways(devices),
    )


def bare_pauses(stretches, causes=None):
    edges = stretches.edges
    causes = causes or ["unknown"] * len(edges)
    return make(
        PAUSES,
        start_s=edges[:, 0],
        end_s=edges[:, 1],
        seconds=edges[:, 1] - edges[:, 0],
        cause=causes,
        causes=causes,
        unknown_s=np.zeros(len(edges)),
    )
