"""Ventilations from impedance: accuracy to demand (signals research note, sections 2 and 6), and when it has no answer."""

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from qi.detect import ventilations_by_impedance
from qi.detect.settings import load
from qi.model.spans import Spans
from qi.model.tables import VENTILATIONS, check
from tests.detect.makers import breath_times, schedule, signal
from tests.matching import score
from tests.simulator import channels
from tests.simulator.schedule import draw

SETTINGS = load()["ventilations_from_impedance"]
SECONDS = 600
RATE_HZ = 50.0
DATA = Path(__file__).parents[1] / "data" / "neurokit2"


def impedance_wave(rng, starts, *, onset=(), cycle=(), runs=(), hands_ohm=0.6, step_ohm=0.15, ohm=0.86, moves=0, noise=0.04):
    """Pads impedance after note 7: breaths of about `ohm` (fast rise, fall with 0.65 s), a ripple of compressions with two
    harmonics, a step while hands are on the chest, drift, a few steps of motion, noise, rounding to 0.02 ohm."""
    times = np.arange(int(SECONDS * RATE_HZ)) / RATE_HZ
    wave = np.full(len(times), 77.0)
    for start, until in zip(starts, np.append(starts[1:], SECONDS), strict=True):
        size, last = ohm * rng.uniform(0.75, 1.25), min(rng.uniform(0.8, 1.2), 0.55 * (until - start))
        part = (times >= start) & (times < start + last)
        wave[part] += size * (1 - (1 - (times[part] - start) / last) ** 2)
        part = times >= start + last
        wave[part] += size * np.exp(-(times[part] - start - last) / 0.65)
    for start, length in zip(onset, cycle, strict=True):
        part = (times >= start) & (times < start + length)
        x = 2 * np.pi * (times[part] - start) / length
        wave[part] += hands_ohm / 2 * (np.sin(x) + 0.3 * np.sin(2 * x + 1))
    for low, high in runs:
        wave[(times >= low) & (times < high)] += step_ohm
    for at in rng.uniform(0, SECONDS, moves):
        wave[times >= at] += rng.choice([-1.2, 1.2])
    drift = np.interp(times, np.arange(0, SECONDS + 15, 15), rng.normal(0, 0.3, SECONDS // 15 + 1))
    return np.round((wave + drift + rng.normal(0, noise, len(times))) / 0.02) * 0.02


def made(values, **about):
    return signal("thoracic_impedance", "ohm", values, rate_hz=RATE_HZ, **about)


def whole():
    return Spans.of([(0, SECONDS)])


@pytest.mark.parametrize("hands_ohm", [0.3, 0.8, 2.0])
@pytest.mark.parametrize("per_min", [9, 14])
def test_with_an_advanced_airway(hands_ohm, per_min):
    """F1 >= 0.93 within 0.75 s and rate within 1 per min, through continuous compressions, with ten steps of motion."""
    rng = np.random.default_rng(int(per_min + 10 * hands_ohm))
    onset, cycle, runs = schedule(rng, seconds=SECONDS, rate=rng.uniform(95, 125), continuous=True)
    starts = breath_times(rng, seconds=SECONDS, rate=per_min)
    wave = impedance_wave(rng, starts, onset=onset, cycle=cycle, runs=runs, hands_ohm=hands_ohm, moves=10)
    seen = ventilations_by_impedance.from_impedance(made(wave), Spans(), whole(), **SETTINGS)
    check(seen.events, VENTILATIONS)
    assert score(starts, seen.events["time_s"], tolerance_s=0.75).f1 >= 0.93
    assert abs(len(seen.events) - len(starts)) / (SECONDS / 60) <= 1
    assert seen.known.seconds > 0.95 * SECONDS
    assert seen.events["inspired_ml"].isna().all()


@pytest.mark.parametrize("hands_ohm", [0.3, 0.8, 2.0])
@pytest.mark.parametrize("step_ohm", [-0.4, 0.15, 0.4])
def test_in_the_pauses_of_cycles(hands_ohm, step_ohm):
    """F1 >= 0.85 within 0.75 s in the pauses, whatever the step in impedance when the hands leave; silence between them."""
    rng = np.random.default_rng(31)
    onset, cycle, runs = schedule(rng, seconds=SECONDS)
    pauses = Spans.of([(one[1], other[0]) for one, other in pairwise(runs)])
    starts = breath_times(rng, seconds=SECONDS, pauses=pauses.pairs())
    wave = impedance_wave(rng, starts, onset=onset, cycle=cycle, runs=runs, hands_ohm=hands_ohm, step_ohm=step_ohm, moves=10)
    seen = ventilations_by_impedance.from_impedance(made(wave), pauses, Spans(), **SETTINGS)
    assert score(starts, seen.events["time_s"], tolerance_s=0.75).f1 >= 0.85
    assert seen.known.minus(pauses).seconds == 0
    assert seen.known.seconds == pytest.approx(pauses.seconds, abs=1)
    assert not len(ventilations_by_impedance.from_impedance(made(wave), Spans(), Spans(), **SETTINGS).known)


def test_impedance_of_simulated_cases():
    """Advanced airway F1 >= 0.93, pauses of 30:2 F1 >= 0.85."""
    counts = {"advanced": [0, 0], "pauses": [0, 0]}
    for seed in (0, 6, 9, 10, 13):
        truth = draw(seed)
        ohm = made(channels.record(truth, "thoracic_impedance", RATE_HZ, seed))
        placed = truth.plan.continuous_s or truth.plan.length_s
        advanced = Spans.of([(placed, truth.plan.length_s)])
        pauses = Spans.of([(one.start_s, one.end_s) for one in truth.pauses])
        seen = ventilations_by_impedance.from_impedance(ohm, pauses, advanced, **SETTINGS)
        breaths = np.array([one.time_s for one in truth.breaths])
        found = seen.events["time_s"].to_numpy()
        for name, where in (("advanced", seen.known.overlap(advanced)), ("pauses", seen.known.minus(advanced))):
            result = score(breaths[where.contains(breaths)], found[where.contains(found)], tolerance_s=0.75)
            counts[name][0] += result.hits
            counts[name][1] += result.misses + result.false
    f1 = {name: 2 * hits / (2 * hits + wrong) for name, (hits, wrong) in counts.items()}
    assert f1["advanced"] >= 0.93
    assert f1["pauses"] >= 0.85


def test_the_chest_of_neurokit2_breathes_at_its_troughs():
    """Respiration of another simulator as a change of 1 ohm: starts against rsp_troughs within 1.0 s."""
    respiration = np.loadtxt(DATA / "respiration.csv", skiprows=1)
    lines = [line.split(",") for line in (DATA / "breaths.csv").read_text(encoding="utf-8").splitlines()[1:]]
    troughs = np.array([float(time) for time, kind in lines if kind == "trough"])
    peaks = np.array([float(time) for time, kind in lines if kind == "peak"])
    ohm = signal("thoracic_impedance", "ohm", 80 + respiration / np.ptp(respiration), rate_hz=25.0)
    seen = ventilations_by_impedance.from_impedance(ohm, Spans(), Spans.of([(0, 1e4)]), **SETTINGS)
    found = seen.events["time_s"][seen.events["time_s"] > troughs[0] - 1.0]
    assert score(troughs[troughs < peaks[-1]], found, tolerance_s=1.0).f1 >= 0.95


def test_pauses_that_are_too_short_or_too_long_are_not_looked_at():
    rng = np.random.default_rng(1)
    onset, cycle, runs = schedule(rng, seconds=SECONDS)
    wave = impedance_wave(rng, np.arange(10.0, 590.0, 6.0), onset=onset, cycle=cycle, runs=runs)
    pauses = Spans.of([(129.5, 130.5), (onset[200], onset[200] + 16.0), *((a[1], b[0]) for a, b in pairwise(runs[10:]))])
    seen = ventilations_by_impedance.from_impedance(made(wave), pauses, Spans(), **SETTINGS)
    assert seen.known == Spans(pauses.edges[2:])
    assert (seen.events["time_s"] >= runs[10][1]).all()
    assert len(seen.events) >= 5


def test_hands_alone_are_no_breaths():
    rng = np.random.default_rng(8)
    onset, cycle, runs = schedule(rng, seconds=SECONDS)
    pauses = Spans.of([(one[1], other[0]) for one, other in pairwise(runs)])
    wave = impedance_wave(rng, np.array([1e4]), onset=onset, cycle=cycle, runs=runs, hands_ohm=1.2, step_ohm=0.3)
    seen = ventilations_by_impedance.from_impedance(made(wave), pauses, Spans(), **SETTINGS)
    assert len(seen.events) <= 0.05 * len(pauses)
    assert seen.known.seconds > 0.9 * pauses.seconds


def test_nothing_too_short_and_noise_alone():
    for values in (np.zeros(0), np.array([80.0, 80.1]), np.full(2500, 80.0), 80 + np.random.default_rng(0).normal(0, 0.04, 10_000)):
        seen = ventilations_by_impedance.from_impedance(made(values), Spans(), whole(), **SETTINGS)
        assert seen.events.empty
        assert seen.known.seconds == 0


def test_pads_off_stuck_pads_and_a_shock_are_unknown():
    rng = np.random.default_rng(4)
    starts = breath_times(rng, seconds=SECONDS, rate=12)
    wave = impedance_wave(rng, starts)
    times = np.arange(len(wave)) / RATE_HZ
    wave[(times >= 100) & (times < 130)] = 250.0
    wave[(times >= 300) & (times < 320)] = wave[times >= 300][0]
    wave[(times >= 400) & (times < 400.2)] = 250.0
    wave[times >= 400.2] -= 1.6 * np.exp(-(times[times >= 400.2] - 400.2) / 1.2)
    seen = ventilations_by_impedance.from_impedance(made(wave, gaps=[(500, 510)]), Spans(), whole(), **SETTINGS)
    assert not seen.known.contains(np.array([101.0, 129.0, 302.0, 318.0, 400.1, 402.0, 505.0])).any()
    assert seen.known.contains(np.array([90.0, 140.0, 340.0, 410.0, 520.0])).all()
    assert not seen.events["time_s"].between(399.5, 403).any()
    far = [edge for edge in (100, 130, 300, 320, 400, 500, 510)]
    clear = starts[(np.abs(starts[:, None] - np.array(far)) > 5).all(axis=1) & seen.known.contains(starts)]
    assert score(clear, seen.events["time_s"], tolerance_s=0.75).misses <= 0.05 * len(clear)
