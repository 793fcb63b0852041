"""Signal quality per second and sensor: good, flat, railed, out of range, noise, missing or out of use.

What a detector already told of its sensor holds here too: outside its use the sensor is out of use, and a constant stretch in which
it could see is a still chest, not a flat sensor.
"""

from collections.abc import Iterable, Mapping

import numpy as np
import pandas as pd

from qi.detect import quality as lost_time
from qi.model.case import Case, Piece, Signal
from qi.model.seen import Seen
from qi.model.spans import Span, Spans
from qi.model.tables import QUALITY, make
from qi.model.vocabulary import NUMERICS

STATES = ("missing", "out of use", "railed", "out of range", "flat", "noise", "good")  # of several, the first is said


def quality(case: Case, seen: Iterable[Seen], settings: Mapping[str, float]) -> pd.DataFrame:
    """Signal quality of every waveform of a case.

    Parameters: case, for its signals and the time that each file covers; seen, what detectors saw, none or several for one sensor;
    settings, the keyword arguments of signal_quality.
    Returns: QUALITY table in order of time; time that a channel lacks within its own file is missing.
    """
    known: dict[str, Spans] = {}
    for one in seen:
        known[one.sensor] = known.get(one.sensor, Spans()).union(one.known)
    covered = {source.file: Span(source.start_s, source.end_s) for source in case.sources if source.kind == "monitor"}
    waveforms = [signal for signal in case.signals if signal.channel not in NUMERICS and signal.pieces]
    tables = [signal_quality(one, known.get(one.name), covered.get(one.source, one.recorded.hull), **settings) for one in waveforms]
    if not tables:
        return make(QUALITY)
    return pd.concat(tables, ignore_index=True).sort_values("start_s", kind="stable", ignore_index=True)


def signal_quality(
    signal: Signal,
    known: Spans | None,
    within: Span,
    *,
    flat_s: float,
    often_share: float,
    rest_share: float,
    rail_share: float,
    rail_s: float,
    least_ohm: float,
    most_ohm: float,
    ecg_box_s: float,
    box_s: float,
    noise_share: float,
    noise_ecg_mv: float,
    noise_depth_mm: float,
    noise_force_n: float,
    noise_acceleration_m_s2: float,
    noise_impedance_ohm: float,
    noise_co2_mmhg: float,
    noise_pressure_cmh2o: float,
    noise_flow_l_min: float,
    noise_arterial_mmhg: float,
    jump_share: float,
    most_jumps: float,
    bad_share: float,
) -> pd.DataFrame:
    """Signal quality of one sensor, second by second.

    Parameters: signal; known, time in which detectors could see with it, or None where none asked it; within, the time to tell of
    [s]; flat_s, shortest exactly constant stretch that is flat [s]; often_share, share of the recording from which on a sensor is
    constant by its nature while it rests; rest_share, how near that rest, as a share of its usual swing; rail_share, see
    quality.railed; rail_s, shortest stretch at the rail [s]; least_ohm, most_ohm, impedance that a patient can have [ohm];
    ecg_box_s, box_s, mean whose remainder lies out of the band, for an ECG and for all else [s]; noise_share, out-of-band standard
    deviation that is noise, as a share of the usual swing, and noise_…, what it is at least, by channel; jump_share, change
    from one sample to the next that is a jump, as a share of the usual swing; most_jumps, jumps a second beyond which it is noise;
    bad_share, share of a second that makes it bad.
    Returns: QUALITY table; neighbouring seconds of one state are one row.
    References: the measures (flat, rail share, steps, power out of band), signals research note section 5; impedance of 12 to 212
    ohm, section 7. What counts as too much is ours.
    Notes: the usual swing is the 90 % quantile of the range within a second. Samples that no sensor can honestly read were taken
    out when the file was read, so that they are missing here; out of range is what the sensor can read and no patient gives.
    """
    floors = {
        "ecg": noise_ecg_mv,
        "compression_depth": noise_depth_mm,
        "compression_force": noise_force_n,
        "chest_acceleration": noise_acceleration_m_s2,
        "thoracic_impedance": noise_impedance_ohm,
        "co2": noise_co2_mmhg,
        "airway_pressure": noise_pressure_cmh2o,
        "airway_flow": noise_flow_l_min,
        "arterial_pressure": noise_arterial_mmhg,
    }
    starts = np.arange(np.floor(within.start_s), np.ceil(within.end_s))
    ends = np.minimum(starts + 1, within.end_s)
    starts = np.maximum(starts, within.start_s)
    box = ecg_box_s if signal.channel == "ecg" else box_s
    swing, rough, jumps = _measures(signal, starts, box_s=box, jump_share=jump_share)
    usual = _usual(swing)
    flat = _flat(signal, known, flat_s=flat_s, often_share=often_share, near=rest_share * usual)
    used = _used(signal, known, flat)
    patient = (least_ohm, most_ohm) if signal.channel == "thoracic_impedance" else (-np.inf, np.inf)
    everything = Spans.of([(within.start_s, within.end_s)])
    spans = (
        everything.minus(signal.recorded),
        everything.minus(used),
        lost_time.railed(signal, least_s=rail_s, rail_share=rail_share),
        lost_time.outside(signal, lowest=patient[0], highest=patient[1]),
        flat,
    )
    noise = (rough > max(noise_share * usual, floors.get(signal.channel, 0.0))) | (jumps > most_jumps)
    holds = np.array([one.seconds_in(starts, ends) >= bad_share * (ends - starts) for one in spans] + [noise, starts >= starts[:1]])
    return _rows(signal.name, starts, ends, np.argmax(holds, axis=0))


def _measures(signal: Signal, starts: np.ndarray, *, box_s: float, jump_share: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """For each second: range (NaN without samples) and standard deviation out of the band [unit of the signal], and jumps.

    What one sample adds out of the band is held to half of the usual swing, so that a single step is no noise.
    """
    swing, rough, jumps = np.full(len(starts), np.nan), np.full(len(starts), np.nan), np.zeros(len(starts))
    parts = []
    for piece in signal.pieces:
        edges = np.clip(np.ceil((starts - piece.start_s) * piece.rate_hz - 1e-6), 0, len(piece.values)).astype(np.int64)
        some = np.flatnonzero(np.diff(np.r_[edges, len(piece.values)]))
        if len(some):
            at = edges[some]
            ranges = np.maximum.reduceat(piece.values, at) - np.minimum.reduceat(piece.values, at)
            swing[some] = np.fmax(swing[some], ranges)
            parts.append((piece, some, at))
    usual = _usual(swing)
    for piece, some, at in parts:
        count = np.diff(np.r_[at, len(piece.values)])
        left = np.add.reduceat(np.minimum(_remainder(piece, box_s), usual / 2), at) / count
        rough[some] = np.fmax(rough[some], left)
        leaps = np.abs(np.diff(piece.values, prepend=piece.values[:1])) > max(jump_share * usual, 1e-9)
        jumps[some] += np.add.reduceat(leaps.astype(np.float32), at)
    return swing, np.nan_to_num(rough), jumps


def _usual(swing: np.ndarray) -> float:
    """Range of a lively second: the 90 % quantile of the seconds that move at all."""
    moving = swing[swing > 0]
    return float(np.quantile(moving, 0.9)) if len(moving) else 0.0


def _remainder(piece: Piece, box_s: float) -> np.ndarray:
    """Size of what a centred mean of box_s leaves, scaled so that its mean is the standard deviation of white noise."""
    half = max(1, round(box_s * piece.rate_hz / 2))
    length = 2 * half + 1
    if len(piece.values) < 2 * length:
        return np.zeros(len(piece.values))
    total = np.cumsum(piece.values, dtype=np.float64)
    inner = total[length:] - total[:-length]
    left = np.zeros(len(piece.values))
    left[half + 1 : half + 1 + len(inner)] = np.abs(piece.values[half + 1 : half + 1 + len(inner)] - inner / length)
    return left / np.sqrt(2 / np.pi * (1 - 1 / length))


def _flat(signal: Signal, known: Spans | None, *, flat_s: float, often_share: float, near: float) -> Spans:
    """Exactly constant stretches of a lost sensor.

    Where a detector told its known time, those in which it could not see; else all, but for those near the usual constant value of
    a sensor that is often constant.
    """
    constant = lost_time.held(signal, least_s=flat_s)
    if not len(constant.value):
        return Spans()
    if known is not None:
        return constant.spans(known.seconds_in(constant.start_s, constant.end_s) < 0.5 * constant.seconds)
    often = constant.seconds.sum() > often_share * signal.recorded.seconds
    order = np.argsort(constant.value)
    reach = np.cumsum(constant.seconds[order])
    rest = constant.value[order][np.searchsorted(reach, reach[-1] / 2)]
    whole = constant.seconds.sum() > 0.95 * signal.recorded.seconds
    return constant.spans(~(often & (np.abs(constant.value - rest) <= near)) | whole)


def _used(signal: Signal, known: Spans | None, flat: Spans) -> Spans:
    """Time in use: as the detectors told; else all but a flat stretch at the very beginning and one at the very end."""
    if known is not None:
        return Spans.of([(known.hull.start_s, known.hull.end_s)])
    lively = signal.recorded.minus(flat)
    return Spans.of([(lively.hull.start_s, lively.hull.end_s)]) if lively else Spans()


def _rows(sensor: str, starts: np.ndarray, ends: np.ndarray, states: np.ndarray) -> pd.DataFrame:
    first = np.flatnonzero(np.r_[True, np.diff(states) != 0]) if len(states) else np.zeros(0, dtype=np.int64)
    last = np.r_[first[1:], len(states)] - 1 if len(first) else first
    words = [STATES[state] for state in states[first]]
    return make(QUALITY, start_s=starts[first], end_s=ends[last], sensor=[sensor] * len(first), state=words)
