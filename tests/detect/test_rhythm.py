"""The chain behind every sensor that shows compressions as a rhythm: band, likeness, gate, states, instants, known time."""

from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.ndimage import gaussian_filter1d

from qi.detect import instants, pauses, rhythm
from qi.detect.compressions_by_acceleration import from_acceleration
from qi.detect.compressions_by_ecg import from_ecg
from qi.detect.compressions_by_impedance import from_impedance
from qi.detect.compressions_by_pressure import from_pressure
from qi.detect.rhythm import Chain, Frames
from qi.detect.settings import load
from qi.model.case import Piece
from qi.model.spans import Spans
from tests.detect.makers import signal

SETTINGS = load()
CHAIN = Chain(**SETTINGS["rhythm_of_impedance"])
DATA = Path(__file__).parents[1] / "data" / "neurokit2"
RESPIRATION = np.loadtxt(DATA / "respiration.csv", skiprows=1)
HEART = np.loadtxt(DATA / "heart.csv", skiprows=1, delimiter=",")


def piece(values, rate_hz=50.0):
    return Piece(3.0, rate_hz, np.asarray(values, dtype=np.float64))


def test_band_is_the_difference_of_two_gaussian_means():
    """Against scipy.ndimage.gaussian_filter1d, the ends held."""
    values = np.cumsum(np.random.default_rng(0).normal(0, 1, 3000))
    band = rhythm.banded(piece(values), narrow_s=0.045, wide_s=0.3)
    expected = gaussian_filter1d(values, 2.25, mode="nearest", truncate=6) - gaussian_filter1d(
        values, 15, mode="nearest", truncate=6
    )
    assert band.values == pytest.approx(expected, abs=0.02)
    assert band.start_s == 3.0


def test_band_of_an_acceleration_is_that_of_the_way():
    """The second derivative of a bump of 40 mm, with a tilt of 2 m/s2 and a slow roll, gives back the band of the bump."""
    times = np.arange(0, 20, 0.02)
    way = 0.04 * np.exp(-0.5 * ((times - 10) / 0.12) ** 2)
    pull = np.gradient(np.gradient(way, times), times) + 2.0 + 0.2 * np.sin(2 * np.pi * times / 12)
    band = rhythm.banded(piece(pull), narrow_s=0.045, wide_s=0.3, integrated=True)
    twice = rhythm.banded(piece(way), narrow_s=0.045, wide_s=0.3)
    expected = twice.values - gaussian_filter1d(twice.values, 15, mode="nearest", truncate=6)
    inner = slice(100, -100)
    assert band.values[inner] == pytest.approx(expected[inner], abs=0.0015)
    assert np.argmax(band.values) == pytest.approx(500, abs=1)


@pytest.mark.parametrize("per_min", [65, 80, 110, 140, 165])
def test_likeness_is_high_for_a_rhythm_of_compressions_at_any_rate(per_min):
    times = np.arange(0, 60, 0.02)
    seen = rhythm.frames(piece(np.sin(2 * np.pi * per_min / 60 * times)), CHAIN)
    assert (seen.likeness[5:-5] > 0.85).all()
    assert seen.size[5:-5] == pytest.approx(np.sqrt(0.5), rel=0.15)


@pytest.mark.parametrize("hertz", [0.2, 0.45, 3.6, 4.5, 6.0])
def test_likeness_is_low_for_breaths_and_fibrillation(hertz):
    """Outside 60 to 170 per min: a slow swing is like itself at once, a fast one at half the lag already."""
    times = np.arange(0, 60, 0.02)
    assert (rhythm.frames(piece(np.sin(2 * np.pi * hertz * times)), CHAIN).likeness[5:-5] < 0.45).all()


def test_likeness_of_noise_is_low():
    seen = rhythm.frames(piece(np.random.default_rng(1).normal(0, 1, 30_000)), CHAIN)
    assert np.quantile(seen.likeness, 0.95) < 0.5


def test_gate_follows_the_rhythm_of_the_case_and_has_a_floor():
    strong = Frames(0.0, 0.4, np.full(100, 0.9), np.full(100, 0.8))
    heart = Frames(0.0, 0.4, np.full(900, 0.9), np.full(900, 0.02))
    assert rhythm.gate([strong, heart], CHAIN) == pytest.approx(0.35 * 0.8)
    assert rhythm.gate([heart], CHAIN) == CHAIN.least_size
    assert rhythm.gate([], CHAIN) == CHAIN.least_size


@pytest.mark.parametrize("seed", range(5))
def test_margins_lead_along_the_likeliest_course(seed):
    """Against all courses of ten frames tried one by one."""
    odds = np.random.default_rng(seed).normal(0, 3, 10)
    courses = list(product([0, 1], repeat=10))
    worth = np.array([sum(o for o, s in zip(odds, c, strict=True) if s) - 5 * np.abs(np.diff(c)).sum() for c in courses])
    states = np.array(courses, dtype=bool)
    leads = [worth[states[:, k]].max() - worth[~states[:, k]].max() for k in range(10)]
    assert rhythm.margins(odds, switch_cost=5.0) == pytest.approx(np.array(leads))


def test_instants_lie_at_the_tops_between_samples():
    times = np.arange(0, 30, 0.02)
    wave = np.where((times > 5) & (times < 25), np.sin(2 * np.pi * 1.8 * times), 0.0)
    found = rhythm.find([piece(wave)], CHAIN)
    tops = 3.0 + (np.arange(60) + 0.25) / 1.8
    inner = found.times_s[2:-2]
    assert np.abs(inner[:, None] - tops).min(axis=1).max() < 0.004
    assert len(found.times_s) == pytest.approx(36, abs=1)


def test_a_lone_handful_is_not_believed_but_one_within_a_resuscitation_is():
    times = np.arange(0, 120, 0.02)
    few = (times > 100) & (times < 102.5)
    lone = np.where(few, np.sin(2 * np.pi * 1.8 * times), 0.0)
    assert not len(rhythm.find([piece(lone)], CHAIN).times_s)
    among = np.where(few | ((times > 20) & (times < 95)), np.sin(2 * np.pi * 1.8 * times), 0.0)
    assert (rhythm.find([piece(among)], CHAIN).times_s > 102).any()


def test_half_cycles_are_those_of_the_run():
    """measures.md, section 1: half the median cycle of its run; of the case for a run of one."""
    times = np.r_[10 + 0.5 * np.arange(10), 30 + 0.6 * np.arange(9), 50.0]
    half = instants.half_cycles(times, gap_s=1.0)
    assert half[:10] == pytest.approx(0.25)
    assert half[10:19] == pytest.approx(0.3)
    assert half[19] == pytest.approx(np.median(np.r_[np.full(9, 0.5), np.full(8, 0.6)]) / 2)
    assert len(instants.half_cycles(np.zeros(0), gap_s=1.0)) == 0
    assert instants.half_cycles(np.array([4.0]), gap_s=1.0) == pytest.approx([0.25])


def test_runs_go_from_first_onset_to_last_release():
    table = instants.compressions_at(np.r_[10 + 0.5 * np.arange(10), 30 + 0.5 * np.arange(4)], sensor="s", gap_s=1.0)
    assert pauses.runs(table, gap_s=1.0).pairs() == [
        (pytest.approx(9.75), pytest.approx(14.75)),
        (pytest.approx(29.75), pytest.approx(31.75)),
    ]
    assert not pauses.runs(table.iloc[:0], gap_s=1.0)
    assert table["release_s"].to_numpy()[:-1] == pytest.approx(table["onset_s"].to_numpy()[1:], abs=16)
    assert isinstance(pauses.runs(table, gap_s=1.0), Spans)
    assert isinstance(table, pd.DataFrame)


DETECTORS = {
    "thoracic_impedance": ("impedance", from_impedance),
    "chest_acceleration": ("acceleration", from_acceleration),
    "airway_pressure": ("pressure", from_pressure),
    "ecg": ("ecg", from_ecg),
}
LIVING = {
    "respiration": (RESPIRATION, 25.0),
    "deep respiration": (10 * RESPIRATION, 25.0),
    "ecg": (HEART[:, 0], 125.0),
    "pulse of 60 mohm": (0.06 / np.ptp(HEART[:, 1]) * HEART[:, 1], 125.0),
    "pulse": (HEART[:, 1], 125.0),
}


@pytest.mark.parametrize(
    ("channel", "trace"),
    [
        *((channel, trace) for channel in DETECTORS for trace in ("respiration", "deep respiration", "pulse of 60 mohm")),
        *((channel, "ecg") for channel in ("chest_acceleration", "airway_pressure", "ecg")),
        *((channel, "pulse") for channel in ("chest_acceleration", "airway_pressure")),
    ],
)
def test_a_living_person_gets_no_compressions(channel, trace):
    """Respiration, ECG and pulse of neurokit2 (see test_neurokit2.py), ten minutes each. A pulse wave of 1 ohm or 1 mV, which no
    patient has, would look like compressions and is left out."""
    values, rate_hz = LIVING[trace]
    ten_minutes = np.tile(values, int(np.ceil(600 * rate_hz / len(values))))
    name, detector = DETECTORS[channel]
    level = 76.0 if channel == "thoracic_impedance" else 0.0
    seen = detector(
        signal(channel, "", level + ten_minutes, rate_hz=rate_hz),
        Chain(**SETTINGS[f"rhythm_of_{name}"]),
        **SETTINGS[f"compressions_from_{name}"],
    )
    assert seen.events.empty
