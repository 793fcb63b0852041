"""The heart in a recording without compressions: beats in the ECG, an organised rhythm, pulse waves, pulse in the impedance.

Compressions make waves of their own in every one of these sensors, so that each function is told in which time no hand was on the
chest and looks nowhere else.
"""

from collections.abc import Iterator

import numpy as np
import pandas as pd

from qi.detect import filters
from qi.model.case import Piece, Signal
from qi.model.spans import Spans
from qi.model.tables import Column, make

RHYTHM = (
    Column("start_s", "float", "s", "from", may_lack=False),
    Column("end_s", "float", "s", "to; windows overlap", may_lack=False),
    Column("rate_per_min", "float", "1/min", "beats or pulse waves per minute, from the median interval; missing with too few"),
    Column("spread", "float", "1", "how uneven the intervals are: mean distance from their median, as a share of it"),
    Column("size", "float", "", "median height of a beat or wave [unit of the signal]"),
    Column("regular", "flag", "", "an organised rhythm, or a regular pulse wave", may_lack=False),
)


def ecg_beats(
    ecg: Signal,
    free: Spans,
    *,
    working_rate_hz: float,
    narrow_s: float,
    wide_s: float,
    join_s: float,
    level_s: float,
    least_share: float,
    apart_s: float,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Ventricular complexes: where a band-passed ECG stands out of its surroundings.

    Parameters: ecg [mV]; free, time without compressions [s]; working_rate_hz, rate after block means [1/s]; narrow_s, wide_s,
    standard deviations of two Gaussian means whose difference is the band of a complex [s]; join_s, standard deviation of the mean
    that joins the waves of one complex [s]; level_s, window whose highest value is the level of the surroundings, longer than the
    longest interval [s]; least_share, share of that level from which a wave is a beat; apart_s, closest two beats can be [s].
    Returns: time of each beat [s], its height [mV], and for each the share of the second around it in which the ECG lies quiet,
    which is large for a rhythm of complexes and small for fibrillation.
    """
    found = [np.zeros((3, 0))]
    for piece in _parts(ecg, free, least_s=level_s):
        work = filters.block_means(piece, rate_hz=working_rate_hz)
        rate = work.rate_hz
        fine = filters.smoothed(work.values, sigma=narrow_s * rate)
        waves = filters.smoothed(np.abs(fine - filters.smoothed(work.values, sigma=wide_s * rate)), sigma=join_s * rate)
        window = max(1, int(level_s * rate))
        level = np.maximum(filters.boxed(filters.running_highest(waves, window=window), length=window), 1e-9)
        share = waves / level
        tops = filters.highs(share, least_swing=least_share)
        tops = tops[filters.apart(tops, share[tops], least=apart_s * rate)]
        quiet = filters.boxed((share < least_share / 2).astype(np.float64), length=2 * rate)
        reach = max(1, int(0.1 * rate))
        around = filters.around(fine, tops, before=reach, after=reach, fill=np.nan)
        height = np.nanmax(around, axis=1) - np.nanmin(around, axis=1) if len(tops) else np.zeros(0)
        found.append(np.vstack([work.start_s + tops / rate, height, quiet[tops]]))
    times, heights, quiet = np.concatenate(found, axis=1)
    return times, heights, quiet


def organised(
    beats: tuple[np.ndarray, np.ndarray, np.ndarray],
    free: Spans,
    *,
    window_s: float,
    hop_s: float,
    least_beats: int,
    slowest_per_min: float,
    fastest_per_min: float,
    most_spread: float,
    least_mv: float,
    least_quiet: float,
    most_complex_s: float,
) -> pd.DataFrame:
    """Windows of the ECG, and whether each shows an organised rhythm.

    Parameters: beats, as ecg_beats gives them; free, time without compressions [s]; window_s, hop_s, length and step of the windows
    [s]; least_beats, fewest beats in one; slowest_per_min, fastest_per_min, rates that count [1/min]; most_spread, how uneven the
    intervals may be (0 to 1); least_mv, least height of a beat [mV]; least_quiet, least share of time between the complexes;
    most_complex_s, longest time that one complex with its T wave takes up [s].
    Returns: RHYTHM table.
    References: 40 to 150 per min, signals research note section 3 (ROSC rule); the rest is ours.
    """
    times, heights, quiet = beats
    starts = _windows(free, window_s=window_s, hop_s=hop_s)
    rows = []
    for start in starts:
        inside = slice(*np.searchsorted(times, [start, start + window_s]))
        rate, spread = _rate(times[inside], least=least_beats)
        size = float(np.median(heights[inside])) if rate else np.nan
        calm = float(np.median(quiet[inside])) if rate else 0.0
        clear = bool(rate) and size >= least_mv and calm >= least_quiet and (1 - calm) * 60 <= most_complex_s * rate
        rows.append((rate or np.nan, spread, size, clear and slowest_per_min <= rate <= fastest_per_min and spread <= most_spread))
    return _table(starts, window_s, rows)


def pulse_waves(
    wave: Signal,
    free: Spans,
    *,
    working_rate_hz: float,
    smooth_s: float,
    base_s: float,
    least_share: float,
    apart_s: float,
    window_s: float,
    hop_s: float,
    least_beats: int,
    slowest_per_min: float,
    fastest_per_min: float,
    most_spread: float,
) -> pd.DataFrame:
    """Windows of a pleth or an arterial pressure, with the rate and the height of its pulse waves.

    Parameters: wave [any unit]; free, time without compressions [s]; working_rate_hz, rate after block means [1/s]; smooth_s,
    standard deviation of the Gaussian mean [s]; base_s, mean that is taken off [s]; least_share, how far a wave stands out, as a
    share of the range around it; apart_s, closest two waves can be [s]; window_s to most_spread, as for organised.
    Returns: RHYTHM table; size is the median height from foot to top [unit of the signal].
    """
    rows: list[tuple[float, float, float, bool]] = []
    starts: list[float] = []
    for piece in _parts(wave, free, least_s=window_s):
        work = filters.block_means(piece, rate_hz=working_rate_hz)
        rate = work.rate_hz
        fine = filters.smoothed(work.values, sigma=smooth_s * rate)
        trace = fine - filters.boxed(fine, length=base_s * rate)
        window = max(1, int(base_s * rate))
        highest, lowest = filters.running_highest(trace, window=window), filters.running_lowest(trace, window=window)
        reach = np.maximum(filters.boxed(highest - lowest, length=2 * window), 1e-9)
        tops = filters.highs(trace / reach, least_swing=least_share)
        tops = tops[filters.apart(tops, trace[tops], least=apart_s * rate)]
        feet = filters.between(fine, tops[:-1], tops[1:])
        own = _windows(Spans.of([(piece.start_s, piece.end_s)]), window_s=window_s, hop_s=hop_s)
        times = work.start_s + filters.vertex(trace, tops, half=1)[0] / rate
        for start in own:
            first, last = np.searchsorted(times, [start, start + window_s])
            per_min, spread = _rate(times[first:last], least=least_beats)
            size = float(np.median(fine[tops[first + 1 : last]] - feet[first : last - 1])) if per_min else np.nan
            even = per_min > 0 and slowest_per_min <= per_min <= fastest_per_min and spread <= most_spread
            rows.append((per_min or np.nan, spread, size, even))
        starts.extend(own)
    return _table(np.array(starts), window_s, rows)


def in_step(
    impedance: Signal,
    beat_s: np.ndarray,
    free: Spans,
    *,
    working_rate_hz: float,
    window_s: float,
    hop_s: float,
    least_beats: int,
    least_ohm: float,
    most_ohm: float,
    least_clear: float,
) -> pd.DataFrame:
    """Windows of the impedance, and whether each swings in step with the beats of the ECG: its circulation component.

    Parameters: impedance [ohm]; beat_s, beats of an organised rhythm [s]; free, time without compressions [s]; working_rate_hz,
    rate after block means [1/s]; window_s, hop_s, length and step of the windows [s]; least_beats, fewest beats in one; least_ohm,
    most_ohm, what a heartbeat can swing from low to high, a larger swing being a breath's [ohm]; least_clear, how many times the
    swing at the beat must exceed those at lower and at higher rates.
    Returns: RHYTHM table; size is the swing [ohm]. spread is missing.
    References: pulse of tens of milliohm in the impedance, signals research note sections 1.3 and 7 (from memory there); ECG and
    impedance together for ROSC, Alonso et al. 2016, as quoted in section 3.
    Notes: the impedance is folded onto the beats, so that breaths, which are not in step with them, cancel; the intervals in
    which it moves most, where a breath begins or ends, are left out.
    """
    rows: list[tuple[float, float, float, bool]] = []
    starts: list[float] = []
    lower, higher = np.arange(0.6, 0.9, 0.04), np.arange(1.14, 1.8, 0.06)
    for piece in _parts(impedance, free, least_s=window_s):
        work = filters.block_means(piece, rate_hz=working_rate_hz)
        for start in _windows(Spans.of([(piece.start_s, piece.end_s)]), window_s=window_s, hop_s=hop_s):
            own = beat_s[slice(*np.searchsorted(beat_s, [start, start + window_s]))]
            if len(own) < least_beats:
                continue
            cycle_s = float(np.median(np.diff(own)))
            trace = work.values - filters.boxed(work.values, length=cycle_s * work.rate_hz)
            swing = [
                _folded(trace, work.times_s, own[0] + pace * (own - own[0]), until_s=own[-1]) for pace in (1.0, *lower, *higher)
            ]
            usual = max(float(np.median(swing[1 : 1 + len(lower)])), float(np.median(swing[1 + len(lower) :])))
            clear = max(least_ohm, least_clear * usual) <= swing[0] <= most_ohm and swing[0] >= max(swing)
            rows.append((60 / cycle_s, np.nan, swing[0], clear))
            starts.append(start)
    return _table(np.array(starts), window_s, rows)


def _folded(trace: np.ndarray, times_s: np.ndarray, beat_s: np.ndarray, *, until_s: float) -> float:
    """Swing, top to bottom, of the first harmonic of what a trace does between two beats, over the calmer half of the intervals."""
    beats = beat_s[beat_s <= until_s]
    phase = np.arange(16) / 16
    rows = np.interp(beats[:-1, None] + np.diff(beats)[:, None] * phase, times_s, trace)
    restless = np.ptp(rows, axis=1)
    calm = rows[restless <= np.median(restless)]
    return float(4 * np.abs((np.median(calm, axis=0) * np.exp(-2j * np.pi * phase)).mean()))


def _parts(signal: Signal, free: Spans, *, least_s: float) -> Iterator[Piece]:
    """The samples of each stretch of free time, where at least least_s of it lies together in one piece."""
    for piece in signal.pieces:
        inside = free.overlap(Spans.of([(piece.start_s, piece.end_s)])).longer_than(least_s)
        for span in inside:
            first = int(np.ceil((span.start_s - piece.start_s) * piece.rate_hz - 1e-6))
            last = int((span.end_s - piece.start_s) * piece.rate_hz + 1e-6)
            yield Piece(piece.start_s + first / piece.rate_hz, piece.rate_hz, piece.values[first:last])


def _windows(free: Spans, *, window_s: float, hop_s: float) -> np.ndarray:
    """Starts of windows that lie inside the stretches, the last one at each end [s]."""
    starts: list[np.ndarray] = [np.zeros(0)]
    for span in free.longer_than(window_s - 1e-6):
        count = int((span.seconds - window_s) / hop_s + 1e-6)
        starts.append(span.start_s + hop_s * np.arange(count + 1))
    return np.concatenate(starts)


def _rate(times: np.ndarray, *, least: int) -> tuple[float, float]:
    """Beats per minute (0 with too few) and how uneven the intervals are."""
    if len(times) < least:
        return 0.0, float("nan")
    steps = np.diff(times)
    middle = float(np.median(steps))
    return 60 / middle, float(np.mean(np.abs(steps - middle))) / middle


def _table(starts: np.ndarray, window_s: float, rows: list[tuple[float, float, float, bool]]) -> pd.DataFrame:
    rate, spread, size, regular = zip(*rows, strict=True) if rows else ((), (), (), ())
    order = np.argsort(starts, kind="stable")
    columns = {"rate_per_min": rate, "spread": spread, "size": size}
    values = {name: np.array(column, dtype=np.float64)[order] for name, column in columns.items()}
    return make(
        RHYTHM, start_s=starts[order], end_s=starts[order] + window_s, regular=np.array(regular, dtype=bool)[order], **values
    )
