"""Ventilations from airway flow: accuracy to demand (signals research note, section 6), volumes, leak, and the edges."""

from itertools import pairwise

import numpy as np
import pytest

from qi.detect import ventilations_by_flow
from qi.detect.settings import load
from qi.model.tables import VENTILATIONS, check, make
from tests.detect.makers import breath_times, schedule, signal
from tests.matching import score
from tests.simulator import body, channels
from tests.simulator.schedule import draw

FLOW, LEAK = load()["ventilations_from_flow"], load()["leak_share"]
SECONDS = 600


def flow_wave(rng, starts, *, shape, leak=0.0, rate_hz=250.0, noise=0.3):
    """Flow of breaths [L/min], their insufflation times [s] and volumes [mL]: constant, half a sine or falling to a fifth; out
    again with 0.5 s, less the share that leaks."""
    times = np.arange(int(SECONDS * rate_hz)) / rate_hz
    wave, room = np.zeros(len(times)), np.diff(starts, append=SECONDS)
    lasts = np.minimum(np.clip(rng.normal(0.95, 0.2, len(starts)), 0.6, 1.5), 0.5 * room)
    volumes = np.clip(rng.normal(430, 90, len(starts)), 220, 700)
    for start, last, volume, until in zip(starts, lasts, volumes, room, strict=True):
        part = (times >= start) & (times < start + last)
        x = (times[part] - start) / last
        course = {"constant": np.ones_like(x), "sine": np.pi / 2 * np.sin(np.pi * x), "falling": (1 - 0.8 * x) / 0.6}[shape]
        wave[part] = volume / last * course
        part = (times >= start + last) & (times < start + until)
        wave[part] = -volume * (1 - leak) / 0.5 * np.exp(-(times[part] - start - last) / 0.5)
    return wave * 0.06 + rng.normal(0, noise, len(times)), lasts, volumes


def stroke_flow(onset, cycle, *, rate_hz=250.0, moved_ml=27.0):
    """What compressions move: out on the way down, back in on the way up [L/min]."""
    times = np.arange(int(SECONDS * rate_hz)) / rate_hz
    wave = np.zeros(len(times))
    for start, length in zip(onset, cycle, strict=True):
        part = (times >= start) & (times < start + 0.8 * length)
        x = (times[part] - start) / (0.8 * length)
        wave[part] = -moved_ml * np.pi / (0.8 * length) * np.sin(2 * np.pi * x) * 0.06
    return wave


@pytest.mark.parametrize("shape", ["constant", "sine", "falling"])
@pytest.mark.parametrize(("how", "per_min"), [("alone", 12.0), ("30:2", 12.0), ("continuous", 10.0), ("continuous", 18.0)])
def test_flow_reaches_the_accuracy_to_demand(how, per_min, shape):
    """F1 >= 0.98 within 0.5 s, rate within 0.3 per min, insufflation time within 0.1 s; volume within 15 mL in the mean."""
    rng = np.random.default_rng(21)
    onset, cycle, runs = schedule(rng, seconds=SECONDS, rate=rng.uniform(98, 122), continuous=how == "continuous")
    pauses = [(one[1], other[0]) for one, other in pairwise(runs)]
    starts = breath_times(rng, seconds=SECONDS, rate=per_min, pauses=pauses if how == "30:2" else None)
    wave, lasts, volumes = flow_wave(rng, starts, shape=shape)
    if how != "alone":
        wave += stroke_flow(onset, cycle)
    seen = ventilations_by_flow.from_flow(signal("airway_flow", "L/min", wave), **FLOW)
    check(seen.events, VENTILATIONS)
    result = score(starts, seen.events["time_s"], tolerance_s=0.5)
    assert result.f1 >= 0.98
    assert abs(len(seen.events) - len(starts)) / (SECONDS / 60) <= 0.3
    assert abs(seen.events["insufflation_s"].mean() - lasts.mean()) <= 0.1
    assert seen.events["inspired_ml"].mean() == pytest.approx(volumes.mean(), abs=15)
    assert seen.known.seconds >= 0.92 * SECONDS


def test_flow_of_simulated_cases():
    """The signals note asks F1 0.98, rate within 0.3 per min, insufflation time within 0.1 s; also the volume to 20 mL."""
    hits = wrong = 0
    for seed in (1, 6, 9, 12):
        truth = draw(seed)
        flow = signal("airway_flow", "L/min", channels.record(truth, "airway_flow", 50.0, seed), rate_hz=50.0)
        seen = ventilations_by_flow.from_flow(flow, **FLOW)
        breaths = [one for one in truth.breaths if seen.known.contains(one.time_s)]
        result = score([one.time_s for one in breaths], seen.events["time_s"], tolerance_s=0.5)
        hits, wrong = hits + result.hits, wrong + result.misses + result.false
        assert abs(result.misses - result.false) / (seen.known.seconds / 60) <= 0.3
        assert abs(seen.events["insufflation_s"].mean() - np.mean([one.insufflation_s for one in breaths])) <= 0.1
        into = np.mean([body.reaches_ml(truth.plan, one) for one in breaths])
        assert seen.events["inspired_ml"].mean() == pytest.approx(into, abs=20)
    assert 2 * hits / (2 * hits + wrong) >= 0.98


@pytest.mark.parametrize("leak", [0.0, 0.3])
def test_leak_is_what_did_not_come_back(leak):
    rng = np.random.default_rng(3)
    starts = breath_times(rng, seconds=SECONDS, rate=10)
    wave, _, _ = flow_wave(rng, starts, shape="sine", leak=leak)
    events = ventilations_by_flow.from_flow(signal("airway_flow", "L/min", wave), **FLOW).events
    share = ventilations_by_flow.leak_share(events, **LEAK)
    assert len(share) == len(events)
    assert share.iloc[3:-3].to_numpy() == pytest.approx(leak, abs=0.06)


def test_leak_by_hand():
    events = make(
        VENTILATIONS,
        time_s=[0.0, 5.0, 10.0, 15.0, 20.0, 25.0],
        inspired_ml=[400.0, 400.0, 400.0, 400.0, 0.0, 400.0],
        expired_ml=[300.0, 200.0, 400.0, 480.0, 300.0, np.nan],
        sensor=["x"] * 6,
    )
    share = ventilations_by_flow.leak_share(events, **LEAK)
    assert share.iloc[:4].tolist() == pytest.approx([0.25, 0.125, 0.125, 0.0])  # of .25 .5 0; .25 .5 0 -.2; the same; .5 0 -.2
    assert np.isnan(share.iloc[4:]).all()
    assert ventilations_by_flow.leak_share(events.iloc[:0], **LEAK).empty


def test_nothing_too_short_and_noise_alone():
    for values in (np.zeros(0), np.array([1.0, 2.0]), np.zeros(2500), np.random.default_rng(0).normal(0, 0.5, 10_000)):
        seen = ventilations_by_flow.from_flow(signal("airway_flow", "L/min", values), **FLOW)
        assert seen.events.empty
        assert seen.known.seconds == 0


def test_compressions_alone_move_gas_but_are_no_breaths():
    rng = np.random.default_rng(2)
    onset, cycle, runs = schedule(rng, seconds=SECONDS)
    wave = stroke_flow(onset, cycle, moved_ml=35.0) + rng.normal(0, 0.3, SECONDS * 250)
    seen = ventilations_by_flow.from_flow(signal("airway_flow", "L/min", wave), **FLOW)
    assert seen.events.empty
    assert seen.known.pairs()[0] == pytest.approx((runs[0][0], runs[-1][1]), abs=1.0)


def test_lost_flow_is_unknown_and_leaves_no_expired_volume():
    rng = np.random.default_rng(5)
    starts = breath_times(rng, seconds=SECONDS, rate=10)
    wave, _, _ = flow_wave(rng, starts, shape="sine")
    stuck = starts[30] + 2.0
    wave[int(stuck * 250) : int((stuck + 30) * 250)] = 0
    seen = ventilations_by_flow.from_flow(signal("airway_flow", "L/min", wave, gaps=[(500, 520)]), **FLOW)
    assert not seen.known.contains(np.array([stuck + 15, 510.0])).any()
    at = seen.events["time_s"].sub(starts[30]).abs().idxmin()
    assert np.isnan(seen.events["expired_ml"][at])
    assert seen.events["inspired_ml"][at] > 200
    whole = starts[((starts < stuck - 3) | (starts > stuck + 31)) & ((starts < 497) | (starts > 521))]
    assert score(whole, seen.events["time_s"], tolerance_s=0.5).misses == 0


def test_flow_without_noise_is_not_taken_for_lost():
    starts = np.arange(10.0, 590.0, 12.0)
    wave, _, volumes = flow_wave(np.random.default_rng(1), starts, shape="sine", noise=0)
    seen = ventilations_by_flow.from_flow(signal("airway_flow", "L/min", np.round(wave, 1)), **FLOW)
    assert len(seen.events) == len(starts)
    assert seen.known.seconds == pytest.approx(SECONDS, abs=1)
    assert seen.events["inspired_ml"].to_numpy() == pytest.approx(volumes, abs=8)
