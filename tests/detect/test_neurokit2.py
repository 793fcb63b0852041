"""Signals from another program's simulator: neurokit2 0.2.13, made by tests/data/neurokit2/make.py (the command stands there)."""

from pathlib import Path

import numpy as np
import pytest

from qi.detect import compressions, ventilations
from qi.detect.settings import load
from tests.detect.makers import signal
from tests.matching import score

DATA = Path(__file__).parents[1] / "data" / "neurokit2"
SETTINGS = load()
RESPIRATION = np.loadtxt(DATA / "respiration.csv", skiprows=1)
HEART = np.loadtxt(DATA / "heart.csv", skiprows=1, delimiter=",")
BREATHS = [line.split(",") for line in (DATA / "breaths.csv").read_text(encoding="utf-8").splitlines()[1:]]
PEAKS = np.array([float(time) for time, kind in BREATHS if kind == "peak"])
TROUGHS = np.array([float(time) for time, kind in BREATHS if kind == "trough"])
SHARE = (RESPIRATION - RESPIRATION.min()) / np.ptp(RESPIRATION)


def test_breaths_as_airway_pressure_start_at_neurokit2_troughs_and_last_towards_its_peaks():
    """A chest that is filled by pressure: 20 cmH2O at the fullest. Starts against rsp_troughs, within 1.0 s, since a spontaneous
    breath begins without an edge; on the average within 0.6 s."""
    pressure = signal("airway_pressure", "cmH2O", 20 * SHARE, rate_hz=25.0)
    found = ventilations.from_pressure(pressure, **SETTINGS["ventilations_from_pressure"]).events
    inside = TROUGHS[TROUGHS < PEAKS[-1]]
    result = score(inside, found["time_s"][found["time_s"] > TROUGHS[0] - 1.0], tolerance_s=1.0)
    assert result.f1 >= 0.97
    assert abs(result.off_s.mean()) <= 0.6
    ends = found["time_s"] + found["insufflation_s"]
    assert score(PEAKS[1:-1], ends[1:-1], tolerance_s=1.0).f1 >= 0.97


def test_breaths_as_capnogram_wash_out_from_neurokit2_troughs():
    """CO2 high until a third of the breath is in (the dead space): washouts against rsp_troughs, within 1.0 s."""
    co2 = signal("co2", "mmHg", 38 / (1 + np.exp(20 * (SHARE - 0.35))), rate_hz=25.0)
    found = ventilations.from_capnogram(co2, **SETTINGS["ventilations_from_capnogram"]).events
    inside = TROUGHS[(TROUGHS > 1) & (TROUGHS < PEAKS[-1])]
    assert score(inside, found["time_s"], tolerance_s=1.0).f1 >= 0.97


@pytest.mark.parametrize(
    ("values", "rate_hz", "scale"),
    [(RESPIRATION, 25.0, 1.0), (RESPIRATION, 25.0, 30.0), (HEART[:, 0], 125.0, 1.0), (HEART[:, 1], 125.0, 1.0)],
    ids=["respiration", "large respiration", "ecg", "pulse"],
)
def test_neither_breath_nor_heart_is_a_compression(values, rate_hz, scale):
    """As they stand, and the respiration as a movement of 30 mm (a pulse wave of 30 mm does look like compressions)."""
    depth = compressions.from_depth(
        signal("compression_depth", "mm", scale * values, rate_hz=rate_hz), **SETTINGS["compressions_from_depth"]
    )
    assert depth.events.empty
    assert depth.known.seconds == 0
    force = compressions.from_force(
        signal("compression_force", "N", scale * values, rate_hz=rate_hz), **SETTINGS["compressions_from_force"]
    )
    assert force.events.empty
