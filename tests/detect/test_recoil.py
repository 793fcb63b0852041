"""The vacuum of the recoil, against pressures as made."""

import numpy as np
import pytest

from qi.detect import recoil, ventilations
from qi.detect.settings import load
from qi.model.tables import COMPRESSIONS, RECOILS, VENTILATIONS, check, make
from tests.detect.makers import airway_pressure, breath_times, pressure_ripple, schedule, signal

SETTINGS = load()


def table(onset, cycle):
    return make(COMPRESSIONS, time_s=onset + 0.2, onset_s=onset, release_s=onset + 0.45 * cycle, sensor=["made"] * len(onset))


@pytest.mark.parametrize("trough", [1.5, 6.3, 9.9])
@pytest.mark.parametrize("offset", [0.0, 3.0])
def test_the_vacuum_as_made_whatever_the_zero_of_the_sensor(trough, offset):
    """Troughs without, with a mask and with a tube on the device (signals note, section 4)."""
    rng = np.random.default_rng(3)
    onset, cycle, _ = schedule(rng, seconds=400)
    starts = breath_times(rng, seconds=400, rate=8)
    wave, _ = airway_pressure(rng, starts, seconds=400)
    wave = wave + pressure_ripple(onset, cycle, seconds=400, trough=trough) + offset
    pressure = signal("airway_pressure", "cmH2O", wave)
    breaths = ventilations.from_pressure(pressure, **SETTINGS["ventilations_from_pressure"]).events
    found = recoil.recoils(pressure, table(onset, cycle), breaths, **SETTINGS["recoils"])
    check(found, RECOILS)
    assert len(found) == len(onset)
    assert found.loc[~found["in_breath"], "recoil_cmh2o"].median() == pytest.approx(-trough, abs=0.4)
    assert 0.1 < found["in_breath"].mean() < 0.5
    during = np.array([any(start - 0.2 < time < start + 0.8 for start in starts) for time in onset])
    assert found["in_breath"].to_numpy()[during].mean() > 0.95


def test_missing_pressure_and_no_still_moment_give_no_value():
    rng = np.random.default_rng(3)
    onset, cycle, _ = schedule(rng, seconds=200)
    wave = pressure_ripple(onset, cycle, seconds=200, trough=8) + rng.normal(0, 0.1, 50_000)
    part = signal("airway_pressure", "cmH2O", wave, gaps=[(50, 100)])
    found = recoil.recoils(part, table(onset, cycle), make(VENTILATIONS), **SETTINGS["recoils"])
    lost = (onset > 50) & (onset < 99)
    assert found["recoil_cmh2o"].isna().to_numpy()[lost].all()
    assert found["recoil_cmh2o"].notna().to_numpy()[(onset < 48) | (onset > 101)].all()
    inside = (onset > 20) & (onset < 34)
    only = signal("airway_pressure", "cmH2O", wave[21 * 250 : 33 * 250], start_s=21.0)
    assert (
        recoil.recoils(only, table(onset[inside], cycle[inside]), make(VENTILATIONS), **SETTINGS["recoils"])["recoil_cmh2o"]
        .isna()
        .all()
    )
    assert recoil.recoils(part, make(COMPRESSIONS), make(VENTILATIONS), **SETTINGS["recoils"]).empty
