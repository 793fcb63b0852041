"""Shocks from the ECG: all found within 1.5 s, none where something else hits the rail."""

import numpy as np
import pytest

from qi.detect import shocks
from qi.detect.settings import load
from qi.model.tables import check
from tests.detect.makers import signal
from tests.matching import score
from tests.simulator import channels, schedule

SETTINGS, CONFIRMED = load()["shocks_from_ecg"], load()["shocks_confirmed"]
RATE_HZ = 250


def heart(rng, seconds, *, rhythm):
    """Fibrillation or an organised rhythm with compression artefact [mV]."""
    times = np.arange(seconds * RATE_HZ) / RATE_HZ
    artefact = sum(0.5 / k * np.sin(2 * np.pi * 1.83 * k * times + k) for k in (1, 2, 3))
    if rhythm == "VF":
        return times, 0.6 * np.sin(2 * np.pi * 4.4 * times + np.sin(times)) * (1 + 0.4 * np.sin(times / 2)) + artefact
    beat = (times % 0.8) - 0.3
    return times, 1.4 * np.exp(-0.5 * (beat / 0.012) ** 2) + 0.3 * np.exp(-0.5 * ((beat - 0.25) / 0.05) ** 2) + artefact


def shocked(rng, times, wave, at, *, rail=5.0, blank_s=0.0):
    """The wave with a shock at each time: the rail for 8 to 20 ms, an exponential return, then perhaps a blank."""
    wave = wave.copy()
    for start in at:
        sign, tau, width = rng.choice([-1, 1]), rng.uniform(0.3, 1.2), rng.uniform(0.008, 0.02)
        after = times >= start + width
        wave[after] += sign * 0.85 * rail * np.exp(-(times[after] - start - width) / tau)
        if blank_s:
            wave[(times >= start + 1.5) & (times < start + 1.5 + blank_s)] = 0
        wave[(times >= start) & ~after] = sign * rail
    return np.clip(wave + rng.normal(0, 0.03, len(wave)), -rail, rail)


@pytest.mark.parametrize("rails", [None, (-5.0, 5.0), (-20.0, 20.0)])
@pytest.mark.parametrize("rhythm", ["VF", "organised"])
@pytest.mark.parametrize("blank_s", [0.0, 3.0])
def test_every_shock_and_no_other(rails, rhythm, blank_s):
    """F1 >= 0.98 within 1.5 s (signals note, section 6): 24 different shocks in one hour, each hour with three kinds of rails.

    The note's 0.1 false per hour would take ten hours without one to show; this holds none in the hours made here.
    """
    rng = np.random.default_rng(2)
    times, wave = heart(rng, 900, rhythm=rhythm)
    at = np.array([60.0, 180.3, 301.2, 425.0, 540.7, 700.1])
    seen = shocks.from_ecg(signal("ecg", "mV", shocked(rng, times, wave, at, blank_s=blank_s), rails=rails), **SETTINGS)
    check(seen.events, shocks.ECG_SHOCKS)
    result = score(at, seen.events["time_s"], tolerance_s=1.5)
    assert (result.misses, result.false) == (0, 0)
    assert np.abs(result.off_s).max() < 0.05


@pytest.mark.parametrize("rhythm", ["VF", "organised"])
def test_no_shock_in_a_rhythm_alone(rhythm):
    rng = np.random.default_rng(0)
    times, wave = heart(rng, 1800, rhythm=rhythm)
    seen = shocks.from_ecg(signal("ecg", "mV", wave + rng.normal(0, 0.05, len(times))), **SETTINGS)
    assert seen.events.empty
    assert seen.known.seconds == pytest.approx(1800)


def test_look_alikes_are_refused():
    """Compressions that hit the rail, a pad that came off, pacing spikes, a step without return, a lone spike."""
    rng = np.random.default_rng(1)
    times, wave = heart(rng, 600, rhythm="organised")
    for start in np.arange(60, 80, 0.55):
        wave[(times >= start) & (times < start + 0.1)] = 5
    wave[(times >= 150) & (times < 158)] = 5
    for start in np.arange(200, 260, 0.9):
        wave[(times >= start) & (times < start + 0.008)] += 1.8
    wave[(times >= 320) & (times < 322)] = -5
    wave[(times >= 400) & (times < 400.008)] = 5
    seen = shocks.from_ecg(
        signal("ecg", "mV", np.clip(wave, -5, 5) + rng.normal(0, 0.02, len(times)), rails=(-5.0, 5.0)), **SETTINGS
    )
    assert seen.events["time_s"].tolist() == []


def test_nothing_flat_and_the_very_end():
    assert shocks.from_ecg(signal("ecg", "mV", np.zeros(0)), **SETTINGS).events.empty
    flat = shocks.from_ecg(signal("ecg", "mV", np.zeros(5000)), **SETTINGS)
    assert flat.events.empty
    assert flat.known.seconds == 0
    rng = np.random.default_rng(1)
    times, wave = heart(rng, 20, rhythm="VF")
    cut = shocks.from_ecg(signal("ecg", "mV", shocked(rng, times, wave, [19.9])), **SETTINGS)
    assert cut.events.empty


def test_all_shocks_of_simulated_cases_and_no_false_ones():
    """F1 >= 0.98 within 1.5 s, none false (signals note, section 6: fewer than 0.1 an hour) over four hours of whole cases, where
    the return from the rail lies on the other side; ECG alone, and with the impedance of the pads."""
    hits = misses = false = 0
    hours, both = 0.0, 0
    for seed in (4, 6, 13, 14, 16, 17, 0, 1, 2, 3):
        truth = schedule.draw(seed)
        ecg = signal("ecg", "mV", channels.record(truth, "ecg", RATE_HZ, seed), rails=(-5.0, 5.0))
        pads = signal("thoracic_impedance", "ohm", channels.record(truth, "thoracic_impedance", 100, seed), rate_hz=100.0)
        alone = shocks.from_ecg(ecg, **SETTINGS)
        seen = shocks.confirmed(alone, pads, **CONFIRMED)
        check(seen.events, shocks.ECG_SHOCKS)
        assert seen.events["time_s"].tolist() == alone.events["time_s"].tolist()
        result = score(truth.at("shock"), seen.events["time_s"], tolerance_s=1.5)
        hits, misses, false = hits + result.hits, misses + result.misses, false + result.false
        hours += truth.plan.length_s / 3600
        both += seen.events["sensor"].str.contains("thoracic_impedance").sum()
    assert hours > 3.5
    assert 2 * hits / (2 * hits + misses + false) >= 0.98
    assert false == 0
    assert both == hits == 18


def with_impedance(*, shock=False, off_s=0.0, level=80.0):
    """Ten minutes of ECG with one jump of a shock's shape at 300 s, and an impedance with or without what a shock does to it."""
    rng = np.random.default_rng(7)
    times, wave = heart(rng, 600, rhythm="organised")
    ecg = signal("ecg", "mV", shocked(rng, times, wave, [300.0]), rails=(-5.0, 5.0))
    ohm = level + 0.3 * np.sin(times) + rng.normal(0, 0.04, len(times))
    if shock:
        ohm[times >= 300] -= 1.6 * np.exp(-(times[times >= 300] - 300) / 1.2)
        ohm[(times >= 300) & (times < 300.2)] = 250
    ohm[(times >= 300) & (times < 300 + off_s)] = 250
    return ecg, signal("thoracic_impedance", "ohm", ohm, rails=(0.0, 250.0)), times, ohm


@pytest.mark.parametrize(
    ("about", "stands"),
    [
        ({"shock": True}, True),
        ({"shock": True, "off_s": 1.0}, True),
        ({}, False),  # nothing happened at the pads: no shock went through them
        ({"off_s": 4.0}, False),  # a pad came off
        ({"off_s": 200.0}, False),  # for good
        ({"level": 2.0}, False),  # the leads are shorted, as for a self-test
        ({"level": 240.0}, False),  # no patient
    ],
    ids=str,
)
def test_impedance_bears_a_shock_out_or_refuses_it(about, stands):
    ecg, pads, *_ = with_impedance(**about)
    alone = shocks.from_ecg(ecg, **SETTINGS)
    assert len(alone.events) == 1
    seen = shocks.confirmed(alone, pads, **CONFIRMED)
    assert len(seen.events) == stands
    if stands:
        assert seen.events["sensor"].tolist() == ["ecg (made.csv) and thoracic_impedance (made.csv)"]
    assert seen.known == alone.known


def test_the_ecg_alone_stands_where_the_impedance_cannot_speak():
    """None, a gap there, one that moves too much to show a step, and one sampled too slowly."""
    ecg, _, times, ohm = with_impedance()
    alone = shocks.from_ecg(ecg, **SETTINGS)
    gap = signal("thoracic_impedance", "ohm", ohm, gaps=[(290.0, 310.0)])
    busy = signal("thoracic_impedance", "ohm", ohm + 1.5 * np.sin(2 * np.pi * 1.8 * times))
    slow = signal("thoracic_impedance", "ohm", ohm[::125], rate_hz=2.0)
    for pads in (None, gap, busy, slow, signal("thoracic_impedance", "ohm", np.zeros(0))):
        seen = shocks.confirmed(alone, pads, **CONFIRMED)
        assert seen.events["sensor"].tolist() == ["ecg (made.csv)"]


@pytest.mark.parametrize("every_s", [0.6, 0.85, 1.7, 2.4])
@pytest.mark.parametrize("return_s", [0.0, 0.35])
def test_pacing_is_refused(every_s, return_s):
    """Spikes of a pacemaker through the pads that reach the rail, with and without a slow return, slow ones too."""
    rng = np.random.default_rng(3)
    times, wave = heart(rng, 300, rhythm="VF")
    for start in np.arange(60, 240, every_s):
        if return_s:
            after = (times >= start + 0.02) & (times < start + every_s)
            wave[after] += 4 * np.exp(-(times[after] - start - 0.02) / return_s)
        wave[(times >= start) & (times < start + 0.02)] = 5
    seen = shocks.from_ecg(signal("ecg", "mV", np.clip(wave, -5, 5), rails=(-5.0, 5.0)), **SETTINGS)
    assert seen.events.empty


@pytest.mark.parametrize("seed", range(4))
def test_compressions_that_hit_the_rail_are_refused(seed):
    """A narrow channel that the artefact of a whole case overruns often or just now and then."""
    truth = schedule.draw(seed)
    ecg = channels.record(truth, "ecg", RATE_HZ, seed)
    for share in (0.98, 0.999, 0.9999):
        rail = float(np.quantile(np.abs(ecg), share))
        seen = shocks.from_ecg(signal("ecg", "mV", np.clip(ecg, -rail, rail), rails=(-rail, rail)), **SETTINGS)
        assert seen.events.empty


def test_self_test_and_lost_pads_are_refused():
    """A jump with a shock's return out of a constant signal, and pads off for four seconds that come back with a drift."""
    rng = np.random.default_rng(5)
    times, wave = heart(rng, 300, rhythm="organised")
    wave += rng.normal(0, 0.02, len(times))
    wave[times < 60] = 0.0
    after = (times >= 30) & (times < 33)
    wave[after] = np.where(times[after] < 30.02, 5, 4 * np.exp(-(times[after] - 30.02) / 0.5))
    wave[(times >= 150) & (times < 154)] = 5
    wave[times >= 154] += 4 * np.exp(-(times[times >= 154] - 154) / 0.6)
    seen = shocks.from_ecg(signal("ecg", "mV", np.clip(wave, -5, 5), rails=(-5.0, 5.0)), **SETTINGS)
    assert seen.events.empty


def test_impedance_filled_with_zeros_was_lost_and_refuses_nothing():
    rng = np.random.default_rng(5)
    times, wave = heart(rng, 300, rhythm="VF")
    at = np.array([100.0, 200.0])
    seen = shocks.from_ecg(signal("ecg", "mV", shocked(rng, times, wave, at), rails=(-5.0, 5.0)), **SETTINGS)
    ohm = 80.0 + rng.normal(0, 0.04, len(times))
    ohm[(times > 60) & (times < 150)] = 0.0
    told = shocks.confirmed(seen, signal("thoracic_impedance", "ohm", ohm, rails=(0.0, 250.0)), **CONFIRMED)
    assert 100.0 in told.events["time_s"].round().tolist()
