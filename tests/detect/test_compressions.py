"""Compressions from depth and force: accuracies to demand (signals research note, section 6), and the edges."""

import numpy as np
import pytest

from qi.detect import compressions
from qi.detect.settings import load
from qi.model.tables import COMPRESSIONS, check
from tests.detect.makers import schedule, signal, strokes
from tests.matching import score

SETTINGS = load()
DEPTH, FORCE = SETTINGS["compressions_from_depth"], SETTINGS["compressions_from_force"]


def flow_s(events):
    """Flow time as measures.md defines it: first onset to last release of each run, runs 1 s apart."""
    onset, time, release = (events[name].to_numpy() for name in ("onset_s", "time_s", "release_s"))
    parts = np.flatnonzero(np.diff(time) >= 1.0)
    return float((release[np.r_[parts, -1]] - onset[np.r_[0, parts + 1]]).sum())


def true_flow_s(truth):
    parts = np.flatnonzero(np.diff(truth.time_s) >= 1.0)
    return float((truth.release_s[np.r_[parts, -1]] - truth.onset_s[np.r_[0, parts + 1]]).sum())


def rate_per_min(times):
    steps = np.diff(times)
    return 60 / steps[steps < 1.0].mean()


def depth_of(wave, **about):
    return signal("compression_depth", "mm", wave, **{"reference": "absolute", **about})


def even_run(*, count=30, rate=110.0, start_s=5.0, depth=50.0, residual=0.0, seconds=None, **how):
    """One run of equal strokes."""
    cycle = np.full(count, 60 / rate)
    onset = start_s + np.r_[0.0, np.cumsum(cycle[:-1])]
    return strokes(onset, cycle, seconds=seconds or start_s + count * 60 / rate + 5, depth=depth, residual=residual, **how)


@pytest.mark.parametrize("shape", ["cosine", "triangle", "sine"])
@pytest.mark.parametrize(("seed", "duty"), [(1, 0.42), (2, 0.5), (3, 1.0)])
def test_depth_reaches_the_accuracy_to_demand(seed, duty, shape):
    """F1 >= 0.998 within 0.15 s, rate within 1 per min, flow time within 0.2 percentage points (signals note, section 6)."""
    rng = np.random.default_rng(seed)
    onset, cycle, _ = schedule(rng, seconds=900, rate=rng.uniform(90, 130))
    depth = np.clip(48 * (1 + rng.normal(0, 0.06, len(onset))), 30, 70)
    wave, truth = strokes(
        onset, cycle, seconds=900, depth=depth, residual=np.abs(rng.normal(0, 3, len(onset))), duty=duty, shape=shape
    )
    drift = 3 + 2 * np.sin(np.arange(len(wave)) / 250 / 100)
    seen = compressions.from_depth(depth_of(wave + drift + rng.normal(0, 0.4, len(wave))), **DEPTH)
    check(seen.events, COMPRESSIONS)
    result = score(truth.time_s, seen.events["time_s"], tolerance_s=0.15)
    assert result.f1 == 1.0
    assert abs(np.median(result.off_s)) < 0.003
    assert rate_per_min(seen.events["time_s"].to_numpy()) == pytest.approx(rate_per_min(truth.time_s), abs=0.1)
    assert abs(flow_s(seen.events) - true_flow_s(truth)) / 900 < 0.002
    assert np.median(seen.events["depth_mm"] - truth.depth) == pytest.approx(0, abs=2.0 if shape == "triangle" else 0.3)
    cusps = duty == 1.0 and shape != "cosine"  # neither hands nor machines turn this sharply at the release
    assert np.median(seen.events["residual_mm"] - truth.residual) == pytest.approx(0, abs=1.2 if cusps else 0.8)


def test_force_reaches_the_accuracy_to_demand():
    """F1 >= 0.998, rate within 1 per min, flow time within 0.2 percentage points; residual force within 2 N in the middle."""
    rng = np.random.default_rng(4)
    onset, cycle, _ = schedule(rng, seconds=900)
    lean = np.abs(rng.normal(0, 15, len(onset)))
    wave, truth = strokes(onset, cycle, seconds=900, depth=rng.normal(350, 40, len(onset)), residual=lean)
    force = signal("compression_force", "N", wave + rng.normal(0, 2, len(wave)))
    seen = compressions.from_force(force, **FORCE)
    assert score(truth.time_s, seen.events["time_s"], tolerance_s=0.15).f1 == 1.0
    assert abs(flow_s(seen.events) - true_flow_s(truth)) / 900 < 0.002
    assert np.median(np.abs(seen.events["residual_n"] - truth.residual)) < 2
    assert ((seen.events["residual_n"] > 24.5) == (truth.residual > 24.5)).mean() > 0.97
    assert seen.events["depth_mm"].isna().all()
    assert seen.events["residual_mm"].isna().all()


def test_hands_resting_on_the_sensor_in_one_pause_do_not_hide_leaning():
    first, truth = even_run(residual=30.0, depth=400.0, seconds=30)
    times = np.arange(len(first)) / 250
    second = np.roll(first, 30 * 250)
    force = np.r_[first, second[: len(first)] * 0, first]
    force[30 * 250 : 60 * 250] = 0
    force[(len(first) - 7 * 250) : len(first)] += 25.0  # rest of the hands after the first run
    assert times[-1] < 30
    seen = compressions.from_force(
        signal("compression_force", "N", force + np.random.default_rng(0).normal(0, 1, len(force))), **FORCE
    )
    leaning = seen.events["residual_n"].to_numpy()[:28]
    assert leaning == pytest.approx(truth.residual[:28], abs=4)


@pytest.mark.parametrize("rate_hz", [50.0, 100.0, 250.0])
def test_noise_free_strokes_between_exact_zeros_are_seen_and_the_zeros_are_a_pause(rate_hz):
    """Thirty full sine strokes last thirty cycles; all of the recording is known."""
    wave, truth = even_run(duty=1.0, down=0.5, rate_hz=rate_hz, seconds=30)
    seen = compressions.from_depth(depth_of(wave, rate_hz=rate_hz), **DEPTH)
    assert len(seen.events) == 30
    assert flow_s(seen.events) == pytest.approx(30 * 60 / 110, abs=0.02)
    assert rate_per_min(seen.events["time_s"].to_numpy()) == pytest.approx(110, abs=0.05)
    assert seen.events["depth_mm"].to_numpy() == pytest.approx(truth.depth, abs=0.5)
    assert seen.known.pairs() == [(0.0, pytest.approx(30.0))]


@pytest.mark.parametrize(("rate", "depth"), [(60, 50), (160, 45), (110, 15), (100, 70)])
def test_slow_fast_shallow_and_deep(rate, depth):
    wave, truth = even_run(rate=rate, depth=depth, duty=0.5)
    noisy = wave + np.random.default_rng(3).normal(0, 0.3, len(wave))
    seen = compressions.from_depth(depth_of(noisy), **DEPTH)
    assert score(truth.time_s, seen.events["time_s"], tolerance_s=0.05).f1 == 1.0
    assert np.median(seen.events["depth_mm"]) == pytest.approx(depth, abs=0.6)
    assert rate_per_min(seen.events["time_s"].to_numpy()) == pytest.approx(rate, abs=0.2)


def test_leaning_lifts_the_valley_and_not_the_level():
    wave, _ = even_run(residual=9.0, depth=52.0)
    seen = compressions.from_depth(depth_of(wave + np.random.default_rng(3).normal(0, 0.3, len(wave))), **DEPTH)
    assert np.median(seen.events["residual_mm"]) == pytest.approx(9.0, abs=0.5)
    assert np.median(seen.events["depth_mm"]) == pytest.approx(52.0, abs=0.5)


def test_a_stroke_only_source_has_no_residual_and_no_absolute_depth():
    wave, _ = even_run(residual=9.0, depth=52.0)
    seen = compressions.from_depth(depth_of(wave, reference="stroke"), **DEPTH)
    assert seen.events["residual_mm"].isna().all()
    assert np.median(seen.events["depth_mm"]) == pytest.approx(43.0, abs=0.5)


def test_a_level_that_moves_between_runs_is_followed():
    first, _ = even_run(seconds=30)
    both = np.r_[first, first + 25.0] + np.random.default_rng(1).normal(0, 0.3, 2 * len(first))
    seen = compressions.from_depth(depth_of(both), **DEPTH)
    assert len(seen.events) == 60
    assert seen.events["depth_mm"].to_numpy() == pytest.approx(np.full(60, 50.0), abs=1.5)
    assert seen.known.seconds == pytest.approx(60)


def test_a_sensor_with_two_values_is_read():
    cycle = np.full(20, 0.6)
    onset = 5 + np.cumsum(cycle)
    times = np.arange(25 * 100) / 100
    wave = np.where((((times - onset[0]) % 0.6) < 0.3) & (times >= onset[0]) & (times < onset[-1] + 0.5), 50.0, 0.0)
    seen = compressions.from_depth(depth_of(wave, rate_hz=100.0), **DEPTH)
    assert score(onset + 0.15, seen.events["time_s"], tolerance_s=0.02).f1 == 1.0
    assert seen.events["depth_mm"].to_numpy() == pytest.approx(np.full(20, 50.0), abs=0.5)


def test_nothing_one_and_too_short():
    assert compressions.from_depth(depth_of(np.zeros(0)), **DEPTH).events.empty
    still = compressions.from_depth(depth_of(np.random.default_rng(0).normal(0, 0.4, 5000)), **DEPTH)
    assert still.events.empty
    assert still.known.pairs() == []
    assert compressions.from_depth(depth_of(np.array([0.0, 30.0])), **DEPTH).events.empty
    wave, truth = even_run(count=1)
    one = compressions.from_depth(depth_of(wave), **DEPTH)
    assert one.events["time_s"].to_numpy() == pytest.approx(truth.time_s, abs=0.01)
    assert one.known.pairs() == [(0.0, pytest.approx(len(wave) / 250))]


def test_recording_that_begins_and_ends_in_a_run():
    wave, truth = even_run(start_s=0.0, duty=1.0, seconds=16)
    seen = compressions.from_depth(depth_of(wave[60:3900]), **DEPTH)
    inside = truth.time_s[(truth.time_s > 0.3) & (truth.time_s < 15.4)] - 60 / 250
    assert score(inside, seen.events["time_s"], tolerance_s=0.05).f1 == 1.0


@pytest.mark.parametrize("lost_s", [0.4, 3.0])
def test_a_gap_inside_a_run_makes_no_pause(lost_s):
    """Every pause between the compressions around the gap lies in unknown time."""
    wave, _ = even_run(count=60, duty=0.5, seconds=45)
    seen = compressions.from_depth(depth_of(wave, gaps=[(15.2, 15.2 + lost_s)]), **DEPTH)
    release, onset = seen.events["release_s"].to_numpy(), seen.events["onset_s"].to_numpy()
    before = release[release <= 15.3].max()
    after = onset[onset >= 15.2].min()
    assert not seen.known.contains(np.linspace(before + 0.001, after - 0.001, 50)).any()
    assert len(seen.known) == 2


@pytest.mark.parametrize(
    ("noise", "held_value", "is_known"), [(0.3, 0.0, False), (0.0, 0.0, True), (0.0, 30.0, False), (0.3, 30.0, False)]
)
def test_constant_stretches_are_lost_sensors_unless_the_chest_may_be_still(noise, held_value, is_known):
    run, _ = even_run(count=30, seconds=30)
    wave = np.tile(run, 4) + np.random.default_rng(0).normal(0, noise, 4 * len(run))
    wave[57 * 250 : 63 * 250] = held_value
    seen = compressions.from_depth(depth_of(wave), **DEPTH)
    assert seen.known.contains(60.0) == is_known
    assert seen.known.contains(25.0)
    assert len(seen.events) == 120


def test_zeros_in_an_unbroken_noisy_run_are_a_lost_sensor_and_in_a_clean_one_a_pause():
    wave, _ = even_run(count=200, start_s=0.5, duty=0.6, seconds=108)
    wave[50 * 250 : 60 * 250] = 0
    noise = np.random.default_rng(0).normal(0, 0.3, len(wave))
    noise[50 * 250 : 60 * 250] = 0
    assert compressions.from_depth(depth_of(wave), **DEPTH).known.contains(55.0)
    assert not compressions.from_depth(depth_of(wave + noise), **DEPTH).known.contains(55.0)


def test_time_at_the_rail_is_unknown():
    wave, _ = even_run(seconds=40)
    wave[30 * 250 : 33 * 250] = 99.5 + np.random.default_rng(0).uniform(0, 0.4, 750)
    seen = compressions.from_depth(depth_of(wave, rails=(-100.0, 100.0)), **DEPTH)
    assert not seen.known.contains(31.5)
    assert len(seen.events) == 30


@pytest.mark.parametrize(("idle_s", "known_to_the_end"), [(10.0, True), (20.0, False)])
def test_known_time_ends_with_use_unless_the_recording_ends_soon_after(idle_s, known_to_the_end):
    wave, truth = even_run(start_s=idle_s, seconds=2 * idle_s + 30 * 60 / 110)
    seen = compressions.from_depth(depth_of(wave + np.random.default_rng(0).normal(0, 0.3, len(wave))), **DEPTH)
    start, end = seen.known.pairs()[0]
    assert (start, end) == pytest.approx(
        (0.0, len(wave) / 250) if known_to_the_end else (truth.onset_s[0], truth.release_s[-1]), abs=0.03
    )


def test_slow_movement_and_steps_are_not_compressions():
    times = np.arange(0, 60, 1 / 250)
    assert compressions.from_depth(depth_of(20 * np.sin(2 * np.pi * 0.2 * times)), **DEPTH).events.empty
    shifted = np.where((times > 20) & (times < 40), 30.0, 0.0)
    assert compressions.from_depth(depth_of(shifted + np.random.default_rng(0).normal(0, 0.3, len(times))), **DEPTH).events.empty
