"""The heart without compressions: neurokit2's ECG and pulse, fibrillation, silence, and a pulse in the impedance."""

from pathlib import Path

import numpy as np
import pytest

from qi.detect import pulse
from qi.detect.settings import load
from qi.model.spans import Spans
from qi.model.tables import check
from tests.detect.makers import signal
from tests.simulator import channels

SETTINGS = load()
LIVING = np.load(Path(__file__).parents[1] / "data" / "neurokit2" / "living.npz")
RATE_HZ = 250.0
TIMES = np.arange(0, 120, 1 / RATE_HZ)
ALL = Spans.of([(0.0, 120.0)])


def rhythm(ecg, free, *, rate_hz=RATE_HZ):
    beats = pulse.ecg_beats(signal("ecg", "mV", ecg, rate_hz=rate_hz), free, **SETTINGS["ecg_beats"])
    return beats, pulse.organised(beats, free, **SETTINGS["organised_rhythm"])


@pytest.mark.parametrize("stretch", range(5))
def test_rate_of_neurokit2_ecg_and_pulse(stretch):
    """Within 5 per min of neurokit2's own rate (tests/data/neurokit2/make.py), in every window of the ECG; organised throughout."""
    free = Spans.of([(240.0 * stretch, 240.0 * (stretch + 1))])
    windows = rhythm(LIVING["ecg"] * LIVING["step"], free, rate_hz=100.0)[1]
    check(windows, pulse.RHYTHM)
    assert windows["regular"].all()
    assert (windows["rate_per_min"] - LIVING["ecg_rate"][stretch]).abs().max() < 5
    pleth = signal("pleth", "1", LIVING["pleth"] * LIVING["step"], rate_hz=50.0)
    waves = pulse.pulse_waves(pleth, free, **SETTINGS["pulse_waves"])
    assert waves["regular"].mean() > 0.9
    assert abs(waves.loc[waves["regular"], "rate_per_min"].median() - LIVING["pleth_rate"][stretch]) < 5


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("size", [1.0, 0.3])
def test_fibrillation_is_not_organised(seed, size):
    """Three wandering oscillators, and noise between 3 and 7 Hz: VF as the signals note, section 7, describes it."""
    rng = np.random.default_rng(seed)
    assert not rhythm(size * channels._flutter(rng, TIMES) + rng.normal(0, 0.015, len(TIMES)), ALL)[1]["regular"].any()
    spectrum = np.fft.rfft(rng.normal(0, 1, len(TIMES)))
    hertz = np.fft.rfftfreq(len(TIMES), 1 / RATE_HZ)
    wave = np.fft.irfft(spectrum * np.exp(-0.5 * ((hertz - 4.6) / 0.9) ** 2), len(TIMES))
    assert not rhythm(size * wave / wave.std() * 0.5 + rng.normal(0, 0.015, len(TIMES)), ALL)[1]["regular"].any()


def test_neither_noise_nor_silence_nor_a_fast_sine_is_organised():
    rng = np.random.default_rng(1)
    for wave in (np.zeros(len(TIMES)), rng.normal(0, 0.3, len(TIMES)), 0.8 * np.sin(2 * np.pi * 3.2 * TIMES)):
        windows = rhythm(wave, ALL)[1]
        assert not windows["regular"].any()
        assert len(windows) == 58
    assert rhythm(np.zeros(0), ALL)[1]["regular"].sum() == 0


@pytest.mark.parametrize(("rate", "wide"), [(45, True), (60, True), (98, False), (145, False)])
def test_wide_and_narrow_complexes_are_organised(rate, wide):
    rng = np.random.default_rng(3)
    ecg = channels._beats(rng, TIMES, rate, wide=wide) + rng.normal(0, 0.02, len(TIMES)) + 0.1 * np.sin(TIMES)
    windows = rhythm(ecg, ALL)[1].iloc[:-2]
    assert windows["regular"].mean() > 0.95
    assert abs(windows["rate_per_min"].median() - rate) < 3


def test_too_slow_or_too_fast_is_said_with_its_rate_and_not_regular():
    rng = np.random.default_rng(3)
    fast = rhythm(channels._beats(rng, TIMES, 175, wide=False), ALL)[1].iloc[:-2]
    assert not fast["regular"].any()
    assert fast["rate_per_min"].median() == pytest.approx(175, abs=4)
    slow = rhythm(channels._beats(rng, TIMES, 30, wide=True), ALL)[1]
    assert not slow["regular"].any()


def test_nothing_is_looked_for_outside_free_time_or_across_a_gap():
    rng = np.random.default_rng(3)
    ecg = signal("ecg", "mV", channels._beats(rng, TIMES, 80, wide=False), gaps=[(40.0, 50.0)])
    free = Spans.of([(20.0, 60.0), (70.0, 74.0)])
    beats = pulse.ecg_beats(ecg, free, **SETTINGS["ecg_beats"])
    assert free.minus(Spans.of([(40.0, 50.0)])).contains(beats[0]).all()
    windows = pulse.organised(beats, free, **SETTINGS["organised_rhythm"])
    assert not windows.loc[(windows["start_s"] > 38) & (windows["start_s"] < 46), "regular"].any()
    assert windows["end_s"].max() <= 60


@pytest.mark.parametrize(("swing_mmhg", "rate"), [(40.0, 75), (8.0, 110)])
def test_arterial_pulse_pressure(swing_mmhg, rate):
    """A wave with a dicrotic notch: its height from foot to top and its rate."""
    phase = (TIMES * rate / 60) % 1
    wave = np.exp(-0.5 * ((phase - 0.25) / 0.08) ** 2) + 0.35 * np.exp(-0.5 * ((phase - 0.6) / 0.07) ** 2)
    pressure = signal("arterial_pressure", "mmHg", 60 + swing_mmhg * wave + np.random.default_rng(0).normal(0, 0.5, len(TIMES)))
    windows = pulse.pulse_waves(pressure, ALL, **SETTINGS["pulse_waves"])
    assert windows["regular"].all()
    assert windows["size"].median() == pytest.approx(swing_mmhg, rel=0.15)
    assert windows["rate_per_min"].median() == pytest.approx(rate, abs=2)


def impedance(rng, beat_s, *, pulse_ohm, per_min):
    """Breaths, noise, and a swing that follows each beat [ohm]."""
    phase = np.interp(TIMES, beat_s, np.arange(len(beat_s)))
    since = TIMES % (60 / per_min)
    breath = 0.9 * np.where(since < 1, 0.5 - 0.5 * np.cos(np.pi * np.minimum(since, 1)), np.exp(-(since - 1) / 0.6))
    return 80 + breath + pulse_ohm / 2 * np.sin(2 * np.pi * phase + 1) + rng.normal(0, 0.04, len(TIMES))


@pytest.mark.parametrize("per_min", [8, 12, 20, 29])
@pytest.mark.parametrize("rate", [52, 98])
def test_pulse_in_the_impedance_and_none_without_one(per_min, rate):
    """A swing of 0.04 ohm (signals note, section 7) is seen and measured; without it no window is called one.

    Where a breath falls into nearly every interval of a slow heart the swing is not seen, and nothing is made of that.
    """
    rng = np.random.default_rng(per_min)
    beat_s = np.cumsum(60 / rate * (1 + rng.normal(0, 0.04, int(130 * rate / 60))))
    for pulse_ohm in (0.0, 0.04):
        ohm = signal("thoracic_impedance", "ohm", impedance(rng, beat_s, pulse_ohm=pulse_ohm, per_min=per_min))
        windows = pulse.in_step(ohm, beat_s, ALL, **SETTINGS["impedance_in_step"])
        assert len(windows) >= 18
        if pulse_ohm == 0:
            assert not windows["regular"].any()
        else:
            seen = windows[windows["regular"]]
            assert len(seen) > (0.5 if rate > 60 and per_min <= 20 else -1) * len(windows)
            assert ((seen["size"] - pulse_ohm).abs() < 0.5 * pulse_ohm).all()


def test_no_beats_no_pulse():
    ohm = signal("thoracic_impedance", "ohm", np.full(len(TIMES), 80.0))
    assert pulse.in_step(ohm, np.zeros(0), ALL, **SETTINGS["impedance_in_step"]).empty
    assert pulse.pulse_waves(ohm, Spans(), **SETTINGS["pulse_waves"]).empty
