"""One case through one detector: events against the truth, and the numbers that a reader of the case would see.

The truth stands on the recorder's clock, as a file would show it. Events count in the time that the detector says it could see and
a little off its edges; misses elsewhere show as a smaller known share.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from qi.detect import fusion, pauses
from qi.measures import compressions as pressing
from qi.measures import ventilations as breathing
from qi.model.errors import NotMeasurable
from qi.model.seen import Seen
from qi.model.spans import Spans
from qi.model.tables import COMPRESSIONS, VENTILATIONS, make
from tests.accuracy.sensors import GAP_S, Recorded, Sensor
from tests.matching import pairs
from tests.simulator.schedule import Truth

EDGE_S = 0.3


@dataclass
class Row:
    """One case, one detector. Errors are found minus true, None where the case or the sensor has no such number."""

    sensor: str
    seed: int
    shape: str
    hands: str
    ripple: str
    loss: str
    swing_ohm: float
    moved: bool
    mattress: bool
    look_alikes: bool
    hits: int = 0
    misses: int = 0
    false: int = 0
    hours: float = 0.0
    known_share: float = 0.0
    lag_s: float | None = None
    off_sd_s: float | None = None
    compression_fraction: float | None = None
    compression_rate: float | None = None
    compression_depth_mm: float | None = None
    each_depth_mm: tuple[float, ...] = ()
    ventilation_rate: float | None = None
    breath_duration_s: float | None = None
    etco2_mmhg: float | None = None
    bounds: tuple[float, float, float] | None = None


def known_compressions(truth: Truth) -> pd.DataFrame:
    """True compressions on the recorder's clock, as a COMPRESSIONS table."""
    k = 1 + 1e-6 * truth.plan.clock_ppm
    rows = truth.compressions
    return make(
        COMPRESSIONS,
        time_s=[one.time_s * k for one in rows],
        onset_s=[one.onset_s * k for one in rows],
        release_s=[one.release_s * k for one in rows],
        depth_mm=[one.depth_mm for one in rows],
        residual_mm=[one.residual_mm for one in rows],
        sensor=["truth"] * len(rows),
    )


def _strokes(true: pd.DataFrame) -> pd.DataFrame:
    """True compressions whose depth is the stroke, from what was left before and after to the deepest point."""
    left, times = true["residual_mm"].to_numpy(), true["time_s"].to_numpy()
    before = np.where(np.diff(times, prepend=-np.inf) < GAP_S, np.r_[0.0, left[:-1]], 0.0)
    return true.assign(depth_mm=true["depth_mm"] - (before + left) / 2)


def known_breaths(truth: Truth) -> pd.DataFrame:
    """True breaths on the recorder's clock, as a VENTILATIONS table; end-tidal CO2 of the exhalation that each washed out."""
    k = 1 + 1e-6 * truth.plan.clock_ppm
    rows = truth.breaths
    return make(
        VENTILATIONS,
        time_s=[one.time_s * k for one in rows],
        insufflation_s=[one.insufflation_s for one in rows],
        etco2_mmhg=[np.nan, *(one.etco2_mmhg for one in rows[:-1])],
        sensor=["truth"] * len(rows),
    )


def row(sensor: Sensor, recorded: Recorded) -> Row:
    """One case through one detector."""
    case, truth = recorded.case, recorded.case.truth
    words = {key: value for key, value in vars(case).items() if key != "truth"}
    out = Row(sensor=sensor.name, seed=recorded.seed, shape=recorded.shape, **words)
    k = 1 + 1e-6 * truth.plan.clock_ppm
    arrest = Spans.of((a * k, b * k) for a, b in truth.arrest)
    whole = Spans.of([(0.0, truth.plan.length_s)])
    seen = recorded.seen(sensor)
    if sensor.kind != "shocks":
        seen = fusion.up_to_edges(seen, arrest, whole, **recorded.tune["known_to_edges"])
    asked = recorded.asked(sensor)
    true = {"compressions": known_compressions, "ventilations": known_breaths}.get(sensor.kind)
    table = true(truth) if true else pd.DataFrame({"time_s": np.array(truth.at("shock")) * k})
    at = _count(out, sensor, table["time_s"].to_numpy(), seen, asked)
    judged = arrest.overlap(asked)
    out.known_share = judged.overlap(seen.known).seconds / judged.seconds if judged.seconds else float("nan")
    out.hours = asked.overlap(seen.known).seconds / 3600
    if judged.overlap(seen.known).seconds < 60.0:
        return out
    if sensor.kind == "compressions":
        _compressing(out, _strokes(table) if sensor.channel == "chest_acceleration" else table, seen, judged, at)
    elif sensor.kind == "ventilations":
        _breathing(out, table, seen, judged, counted=sensor.asked != "before advanced")
    return out


def _lag(known: np.ndarray, found: np.ndarray, sensor: Sensor) -> float:
    """The one constant lag at which most events meet, then the median of what is left [s]."""
    low, high = sensor.lag_s
    lags = np.arange(low, high, 0.1) if high > 1 else np.zeros(1)  # a capnogram may lag by seconds
    tolerance = 0.5 if high > 1 else high
    met = [len(pairs(known + lag, found, tolerance_s=tolerance)) for lag in lags]
    best = float(lags[int(np.argmax(met))])
    at = pairs(known + best, found, tolerance_s=tolerance)
    return float(np.median(found[at[:, 1]] - known[at[:, 0]])) if len(at) else 0.0


def _count(out: Row, sensor: Sensor, known: np.ndarray, seen: Seen, asked: Spans) -> np.ndarray:
    """Hits, misses, false alarms, lag and scatter. Returns the pairs."""
    found = seen.events["time_s"].to_numpy()
    lag = _lag(known, found, sensor)
    at = pairs(known + lag, found, tolerance_s=sensor.tolerance_s)
    where = asked.overlap(seen.known).grown(-EDGE_S)
    inside, claimed = where.contains(known + lag), where.contains(found)
    hit = np.zeros(len(known), dtype=bool)
    hit[at[:, 0]] = True
    met = np.zeros(len(found), dtype=bool)
    met[at[:, 1]] = True
    out.hits, out.misses, out.false = int((hit & inside).sum()), int((~hit & inside).sum()), int((~met & claimed).sum())
    if len(at):
        off = found[at[:, 1]] - known[at[:, 0]]
        out.lag_s, out.off_sd_s = lag, float(off.std())
    return at


def _compressing(out: Row, true: pd.DataFrame, seen: Seen, judged: Spans, at: np.ndarray) -> None:
    """Compression fraction with its bounds, rate, and depth where the sensor tells it."""
    unknown = Spans.of([(-np.inf, np.inf)]).minus(seen.known)
    true_runs = pauses.runs(true, gap_s=GAP_S)
    known = judged.overlap(seen.known)
    try:
        told = pressing.compression_fraction(seen.events, pauses.runs(seen.events, gap_s=GAP_S), judged, unknown)
        out.compression_fraction = float(told.value or 0.0) - true_runs.overlap(known).seconds / known.seconds
        out.bounds = (float(told.low or 0.0), float(told.high or 0.0), true_runs.overlap(judged).seconds / judged.seconds)
        rates = [pressing.compression_rate(table, judged, unknown, gap_s=GAP_S).value for table in (seen.events, true)]
        out.compression_rate = rates[0] - rates[1]
    except NotMeasurable:
        return
    depth = seen.events["depth_mm"].to_numpy()
    if np.isfinite(depth).any() and len(at):
        stroke = true["depth_mm"].to_numpy()[at[:, 0]]
        off = depth[at[:, 1]] - stroke
        inside = known.contains(true["time_s"].to_numpy()[at[:, 0]]) & np.isfinite(off)
        out.each_depth_mm = tuple(np.abs(off[inside])[:: max(1, inside.sum() // 100)].tolist())
        out.compression_depth_mm = float(off[inside].mean()) if inside.any() else None


def _breathing(out: Row, true: pd.DataFrame, seen: Seen, judged: Spans, *, counted: bool) -> None:
    """Breath duration, end-tidal CO2, and (where the sensor sees more than pauses) ventilation rate, as a reader would see them."""
    unknown = Spans.of([(-np.inf, np.inf)]).minus(seen.known)
    found, real = (breathing.ventilation_rate(table, {None: judged}, unknown)[0].value for table in (seen.events, true))
    if counted and found is not None and real is not None:
        out.ventilation_rate = found - real
    known = judged.overlap(seen.known)
    for name in ("insufflation_s", "etco2_mmhg"):
        told, was = (table.loc[known.contains(table["time_s"]), name].dropna() for table in (seen.events, true))
        if len(told) >= 5 and len(was) >= 5:
            setattr(out, "breath_duration_s" if name == "insufflation_s" else name, float(told.median() - was.median()))
