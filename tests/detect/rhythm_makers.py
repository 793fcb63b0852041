"""Signals in which compressions show only as a rhythm, and how a detector is held against the truth of a case: invented, seeded.

Magnitudes after the signals research note, section 7. None of the arithmetic is shared with the detectors. Makers return samples
at 250 per s.
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from qi.model.case import Piece, Signal
from qi.model.spans import Spans
from tests.matching import score
from tests.simulator import channels
from tests.simulator.schedule import draw, play

RATE_HZ = 250.0
RAILS = {"thoracic_impedance": (0.0, channels.IMPEDANCE_RAIL_OHM), "ecg": (-channels.ECG_RAIL_MV, channels.ECG_RAIL_MV)}


def times_of(seconds):
    """Time of each sample [s]."""
    return np.arange(int(seconds * RATE_HZ)) / RATE_HZ


def drift(rng, seconds, *, every_s=15.0, size=0.3):
    """Slow wander, joined smoothly."""
    knots = np.arange(0.0, seconds + 2 * every_s, every_s)
    times, values = times_of(seconds), rng.normal(0, size, len(knots))
    place = np.clip((times / every_s).astype(int), 0, len(knots) - 2)
    x = times / every_s - place
    ease = (1 - np.cos(np.pi * x)) / 2
    return values[place] * (1 - ease) + values[place + 1] * ease


def chest_breaths(rng, starts_s, seconds, *, ohm=0.9):
    """What breaths do to the impedance: up within a second, back with a time constant of 0.6 s."""
    times, out = times_of(seconds), np.zeros(int(seconds * RATE_HZ))
    for start in starts_s:
        lasts, size = rng.uniform(0.8, 1.2), ohm * rng.uniform(0.7, 1.3)
        a, b, c = np.searchsorted(times, [start, start + lasts, start + lasts + 4.0])
        out[a:b] += size * (1 - np.cos(np.pi * (times[a:b] - start) / lasts)) / 2
        out[b:c] += size * np.exp(-(times[b:c] - start - lasts) / 0.6)
    return out


def heart(rng, seconds, *, ohm=0.05, per_min=85.0):
    """What heartbeats do to the impedance: a small wave with a second harmonic, its cycle swinging with the breath."""
    times = times_of(seconds)
    pace = per_min / 60 * (1 + 0.03 * np.sin(2 * np.pi * times / 4.7) + drift(rng, seconds, every_s=3.0, size=0.02))
    phase = 2 * np.pi * np.cumsum(pace) / RATE_HZ
    return ohm / 2 * (np.sin(phase) + 0.35 * np.sin(2 * phase + 1.0)) / 1.1


def impedance(rng, onset_s, cycle_s, *, seconds, ohm, breaths_s=(), base=76.0, step=0.3, steps=12, noise=0.04, grain=0.01):
    """Pads impedance [ohm]: each compression a wave of three harmonics, a step of the level while hands are on, breaths, moves.

    ohm, peak to peak of the compression's wave; step, how far the level may move when compressions start; steps, sudden moves of
    1.2 ohm in the whole.
    """
    times = times_of(seconds)
    parts = np.array([1.0, rng.uniform(0.1, 0.45), rng.uniform(0.0, 0.2)])
    turns = np.r_[rng.choice([0.0, np.pi]) + rng.normal(0, 0.3), rng.uniform(0, 2 * np.pi, 2)]
    x = np.linspace(0, 2 * np.pi, 400)
    shape = sum(part * np.cos(k * x + turn) for k, (part, turn) in enumerate(zip(parts, turns, strict=True), 1))
    size = ohm / np.ptp(shape)
    hands, wave = np.zeros(len(times)), np.zeros(len(times))
    for start, cycle in zip(onset_s, cycle_s, strict=True):
        a, b = np.searchsorted(times, [start, start + cycle])
        phase = 2 * np.pi * ((times[a:b] - start) / cycle - 0.45)
        wave[a:b] = size * sum(p * np.cos(k * phase + t) for k, (p, t) in enumerate(zip(parts, turns, strict=True), 1))
        hands[a:b] = 1.0
    wave = np.convolve(wave, np.hanning(25) / np.hanning(25).sum(), mode="same")
    hands = np.convolve(hands, np.hanning(101) / np.hanning(101).sum(), mode="same")
    moves = np.zeros(len(times))
    for at in rng.uniform(0, seconds, steps):
        moves[np.searchsorted(times, at) :] += rng.choice([-1, 1]) * 1.2
    out = base + wave * (1 + drift(rng, seconds, every_s=25.0, size=0.12)) + hands * rng.uniform(-step, step)
    out += drift(rng, seconds) + chest_breaths(rng, breaths_s, seconds) + moves - moves.mean()
    return np.round((out + rng.normal(0, noise, len(times))) / grain) * grain


def recorded(truth, channel, *, rate_hz=125.0, shape="cosine", losses=True, seed=1):
    """One channel of a simulated case as a Signal, cut where samples are missing."""
    values = channels.record(truth, channel, rate_hz, seed, shape=shape, losses=losses).astype(np.float32)
    edges = np.flatnonzero(np.diff(np.r_[False, ~np.isnan(values), False])).reshape(-1, 2)
    pieces = tuple(Piece(a / rate_hz, rate_hz, values[a:b]) for a, b in edges.tolist())
    return Signal(channel, "", pieces, "made.csv", rails=RAILS.get(channel))


def short_case(seed, **changes):
    """A drawn case of the simulator, cut to ten minutes with the advanced airway after five."""
    plan = draw(seed).plan
    here = {"length_s": 600.0, "last_s": 570.0, "continuous_s": 300.0, "rosc_s": None, "stops": (), **changes}
    return play(replace(plan, **here), seed)


def as_table(truth):
    """Onset, deepest point and release of the true compressions [s], with the stroke [mm] from the mean level before and after."""
    rows = truth.compressions
    onset, time, release = (np.array([getattr(one, name) for one in rows]) for name in ("onset_s", "time_s", "release_s"))
    after = np.array([one.residual_mm for one in rows])
    before = np.r_[0.0, np.where(onset[1:] - release[:-1] < 1.0, after[:-1], 0.0)]
    depth = np.array([one.depth_mm for one in rows])
    return pd.DataFrame({"onset_s": onset, "time_s": time, "release_s": release, "stroke_mm": depth - (before + after) / 2})


def flow(table):
    """Time with hands on: first onset to last release of each run, runs a second apart (measures.md, section 1)."""
    time = table["time_s"].to_numpy()
    parts = np.flatnonzero(np.diff(time) >= 1.0)
    first, last = np.r_[0, parts + 1], np.r_[parts, len(time) - 1]
    return Spans.of(np.column_stack([table["onset_s"].to_numpy()[first], table["release_s"].to_numpy()[last]]))


def rate_per_min(table):
    """60 / mean interval inside runs."""
    steps = np.diff(table["time_s"].to_numpy())
    return 60 / steps[steps < 1.0].mean()


@dataclass(frozen=True)
class Held:
    """What a detector made of a case, one constant lag taken off: score, lag [s], fraction error, coverage, and the bounds' error.

    fraction_pp: its fraction minus the true one over the same known time; outside_pp: how far the true fraction of the whole arrest
    lies outside its bounds [percentage points].
    """

    score: object
    lag_s: float
    fraction_pp: float
    coverage: float
    outside_pp: float
    rate_per_min: float


def held_against(seen, true):
    """Score a detector inside its own known time, from the first true onset to the last true release."""
    found, known_s = seen.events["time_s"].to_numpy(), true["time_s"].to_numpy()
    tries = np.arange(-0.35, 0.36, 0.01)
    lag = tries[np.argmax([score(known_s, found - one, tolerance_s=0.05).hits for one in tries])]
    lag += np.median(score(known_s, found - lag, tolerance_s=0.1).off_s)
    result = score(known_s[seen.known.contains(known_s)], found[seen.known.contains(found)] - lag, tolerance_s=0.15)
    arrest = Spans.of([(true["onset_s"].iloc[0], true["release_s"].iloc[-1])])
    told, there = flow(seen.events).overlap(seen.known).overlap(arrest).seconds, flow(true)
    whole, sure = arrest.seconds, arrest.overlap(seen.known).seconds
    share, low, high = there.seconds / whole, told / whole, (told + whole - sure) / whole
    inside = there.overlap(seen.known).overlap(arrest).seconds
    outside = max(low - share, share - high, 0.0)
    off = rate_per_min(seen.events) - rate_per_min(true)
    return Held(result, float(lag), 100 * (told - inside) / sure, sure / whole, 100 * outside, off)
