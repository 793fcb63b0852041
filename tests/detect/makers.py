"""Small makers of signals for the tests of the detectors, each with the answer beside the samples.

Shapes and magnitudes after the signals research note, section 7; none of the arithmetic is shared with the detectors.
"""

from dataclasses import dataclass, field

import numpy as np

from qi.model.case import Piece, Signal


@dataclass(frozen=True)
class Truth:
    """Strokes as made: onset, deepest point, release [s], depth and residual [unit of the signal]."""

    onset_s: np.ndarray
    time_s: np.ndarray
    release_s: np.ndarray
    depth: np.ndarray
    residual: np.ndarray
    runs_s: list = field(default_factory=list)


def signal(channel, unit, values, *, rate_hz=250.0, start_s=0.0, gaps=(), **about):
    """One channel of float32 samples, cut wherever a gap (start, end) [s] takes samples out."""
    values = np.asarray(values, dtype=np.float32)
    times = start_s + np.arange(len(values)) / rate_hz
    keep = np.ones(len(values), dtype=bool)
    for low, high in gaps:
        keep &= ~((times >= low) & (times < high))
    edges = np.flatnonzero(np.diff(np.r_[False, keep, False])).reshape(-1, 2)
    pieces = tuple(Piece(float(times[a]), rate_hz, values[a:b]) for a, b in edges)
    return Signal(channel, unit, pieces, "made.csv", **about)


def schedule(rng, *, seconds, rate=110.0, spread=0.035, start_s=20.0, continuous=False):
    """Onsets of 30:2 (or two-minute runs) with pauses of 2.5 to 12 s, as cycles with jitter that remembers half of the last."""
    onsets, cycles, runs, now = [], [], [], start_s
    while now < seconds - 30:
        count = int(rate * 2) if continuous else 30
        wobble = np.zeros(count)
        for k in range(1, count):
            wobble[k] = 0.5 * wobble[k - 1] + rng.normal(0, spread * np.sqrt(0.75))
        lengths = 60 / rate * (1 + wobble)
        lengths[:3] *= 1.1
        starts = now + np.r_[0, np.cumsum(lengths[:-1])]
        whole = starts + lengths < seconds - 5
        onsets.append(starts[whole])
        cycles.append(lengths[whole])
        runs.append((now, starts[whole][-1] + lengths[whole][-1]))
        now = runs[-1][1] + float(np.clip(rng.lognormal(np.log(5), 0.35), 2.5, 12))
    return np.concatenate(onsets), np.concatenate(cycles), runs


def strokes(onset_s, cycle_s, *, seconds, depth, residual, duty=0.45, down=0.45, rate_hz=250.0, shape="cosine"):
    """A wave of strokes and its Truth: each goes down from the residual before it and comes back to its own.

    duty, share of the cycle that the stroke lasts; down, share of the stroke that is downstroke; shape cosine, triangle, or sine.
    """
    depth, residual = np.broadcast_to(depth, onset_s.shape).astype(float), np.broadcast_to(residual, onset_s.shape).astype(float)
    times = np.arange(int(seconds * rate_hz)) / rate_hz
    wave = np.zeros(len(times))
    turn, end = onset_s + cycle_s * duty * down, onset_s + cycle_s * duty
    follows = np.r_[np.isclose(onset_s[1:], onset_s[:-1] + cycle_s[:-1]), False]
    left = np.where(follows, residual, 0.0)
    before = np.r_[0.0, left[:-1]]
    ease = {"cosine": lambda x: (1 - np.cos(np.pi * x)) / 2, "triangle": lambda x: x, "sine": lambda x: np.sin(np.pi / 2 * x)}[
        shape
    ]
    for k, start in enumerate(onset_s):
        part = (times >= start) & (times < turn[k])
        wave[part] = before[k] + (depth[k] - before[k]) * ease((times[part] - start) / (turn[k] - start))
        part = (times >= turn[k]) & (times < end[k])
        wave[part] = left[k] + (depth[k] - left[k]) * ease((end[k] - times[part]) / (end[k] - turn[k]))
        part = (times >= end[k]) & (times < start + cycle_s[k])
        wave[part] = left[k]
    return wave, Truth(onset_s, turn, end, depth, left)


def breath_times(rng, *, seconds, rate=12.0, start_s=6.0, pauses=None):
    """Starts of insufflations: about evenly spaced, or two (sometimes one or three) inside each pause of at least 3 s."""
    if pauses is None:
        steps = 60 / rate * np.clip(1 + rng.normal(0, 0.15, int(seconds * rate / 60)), 0.6, 1.6)
        times = start_s + np.cumsum(steps)
        return times[times < seconds - 6]
    times = []
    for low, high in pauses:
        count = min(rng.choice([0, 1, 2, 3], p=[0.1, 0.15, 0.68, 0.07]), int((high - low) / 1.9))
        times += [low + 0.4 + k * (high - low - 0.6) / max(count, 1) for k in range(count)]
    return np.array(times)


def airway_pressure(
    rng, starts_s, *, seconds, rate_hz=250.0, flow="sine", resistance=10.0, compliance=0.04, tau_s=0.5, keeps=0.5, noise=0.15
):
    """Airway pressure of breaths as resistance · flow + volume / compliance [cmH2O], and the insufflation time of each [s].

    flow is constant, sine (half a wave) or falling (to a fifth); the pressure then falls at once to the share `keeps` of
    volume / compliance, and from there with tau_s.
    """
    times = np.arange(int(seconds * rate_hz)) / rate_hz
    wave, lasts = np.zeros(len(times)), np.clip(rng.normal(0.95, 0.2, len(starts_s)), 0.6, 1.5)
    volumes = np.clip(rng.normal(0.43, 0.08, len(starts_s)), 0.25, 0.7)
    room = np.diff(starts_s, append=seconds)
    lasts = np.minimum(lasts, room * 0.6)
    for start, last, volume, until in zip(starts_s, lasts, volumes, room, strict=True):
        part = (times >= start) & (times < start + last)
        x = (times[part] - start) / last
        rate = {"constant": np.ones_like(x), "sine": np.pi / 2 * np.sin(np.pi * x), "falling": (1 - 0.8 * x) / 0.6}[flow]
        given = {"constant": x, "sine": (1 - np.cos(np.pi * x)) / 2, "falling": (x - 0.4 * x**2) / 0.6}[flow]
        wave[part] += volume * (resistance * rate / last + given / compliance)
        part = (times >= start + last) & (times < start + until)
        wave[part] += keeps * volume / compliance * np.exp(-(times[part] - start - last) / tau_s)
    return wave + rng.normal(0, noise, len(times)), lasts


def pressure_ripple(onset_s, cycle_s, *, seconds, up=4.0, trough=1.5, rate_hz=250.0):
    """What compressions do to the airway pressure: up while the chest goes down, down to the trough while it refills [cmH2O]."""
    times = np.arange(int(seconds * rate_hz)) / rate_hz
    wave = np.zeros(len(times))
    for start, cycle in zip(onset_s, cycle_s, strict=True):
        part = (times >= start) & (times < start + cycle)
        x = (times[part] - start) / cycle
        wave[part] = np.where(x < 0.4, up * np.sin(np.pi * x / 0.4) ** 2, -trough * np.sin(np.pi * np.clip((x - 0.4) / 0.6, 0, 1)))
    return wave


def capnogram(rng, starts_s, *, seconds, artefact="clean", rate_hz=250.0, ripple_per_min=110.0, end_tidal=None, noise=0.15):
    """CO2 at the mouth, each insufflation washing it out, and the end-tidal value before each [mmHg].

    artefact: clean, or a compression ripple on the plateau only (I), the baseline only (II), or from plateau to baseline (III).
    """
    times = np.arange(int(seconds * rate_hz)) / rate_hz
    levels = np.clip(20 + 8 * np.sin(starts_s / 90) + rng.normal(0, 1, len(starts_s)), 5, 60) if end_tidal is None else end_tidal
    target = np.zeros(len(times))
    for start, until, level in zip(starts_s, np.append(starts_s[1:], seconds), levels, strict=True):
        exhale = start + min(1.3, 0.5 * (until - start))  # insufflation and dead space
        part = (times >= exhale) & (times < until)
        target[part] = (
            level * (1 - np.exp(-(times[part] - exhale) / 0.25)) * (0.93 + 0.07 * (times[part] - exhale) / (until - exhale))
        )
    before = np.r_[np.nan, levels[:-1]]
    phase = np.cumsum(ripple_per_min / 60 * (1 + 0.04 * np.sin(times / 3)) / rate_hz)
    wave = (1 + np.cos(2 * np.pi * phase)) / 2
    size = rng.uniform(0.3, 0.85, len(starts_s))[np.clip(np.searchsorted(starts_s, times) - 1, 0, None)]
    high = target > 0.5 * np.interp(times, starts_s, levels)
    if artefact in ("I", "III"):
        target = target - np.where(high, wave * target * (size * 0.5 if artefact == "I" else size), 0)
    if artefact in ("II", "III"):
        target = target + np.where(high, 0, wave * size * np.interp(times, starts_s, levels) * (0.6 if artefact == "II" else 0.3))
    lag = np.exp(-np.arange(0, 0.6, 1 / rate_hz) / 0.1)
    wave = np.convolve(target, lag / lag.sum())[: len(times)] + rng.normal(0, noise, len(times))
    return np.maximum(wave, 0) if noise == 0 else wave, before
