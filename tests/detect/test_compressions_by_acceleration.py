"""Compressions from chest acceleration: accuracy to demand (signals research note, section 6), other strokes, lost time."""

import numpy as np
import pytest

from qi.detect.compressions_by_acceleration import from_acceleration
from qi.detect.rhythm import Chain
from qi.detect.settings import load
from qi.model.tables import COMPRESSIONS, check
from tests.detect.makers import signal
from tests.detect.rhythm_makers import as_table, held_against, recorded, short_case
from tests.matching import pairs

SETTINGS = load()


def found_in(acceleration):
    return from_acceleration(
        acceleration, Chain(**SETTINGS["rhythm_of_acceleration"]), **SETTINGS["compressions_from_acceleration"]
    )


@pytest.mark.parametrize(
    ("seed", "shape", "middle_mm"),
    [(0, "cosine", 1.0), (1, "cosine", 1.0), (2, "cosine", 1.0), (3, "triangle", 2.0), (4, "plateau", 1.5)],
)
def test_acceleration_reaches_the_accuracy_to_demand(seed, shape, middle_mm):
    """F1 >= 0.995, rate within 1 per min, fraction within 0.5 percentage points, stroke within 1.5 mm in the middle and 4 mm in
    95 % (signals note, section 6). A triangle turns at once, which a band-limited sensor rounds off."""
    truth = short_case(seed)
    true = as_table(truth)
    seen = found_in(recorded(truth, "chest_acceleration", shape=shape))
    check(seen.events, COMPRESSIONS)
    held = held_against(seen, true)
    assert held.score.f1 >= 0.999
    assert abs(held.lag_s) <= 0.02
    assert abs(held.fraction_pp) <= 0.3
    assert held.outside_pp <= 0.3
    assert abs(held.rate_per_min) <= 0.5
    assert held.coverage >= 0.99
    at = pairs(true["time_s"].to_numpy(), seen.events["time_s"].to_numpy(), tolerance_s=0.15)
    off = np.abs(seen.events["depth_mm"].to_numpy()[at[:, 1]] - true["stroke_mm"].to_numpy()[at[:, 0]])
    assert np.median(off) <= middle_mm
    assert np.quantile(off, 0.95) <= 4.0
    assert seen.events[["residual_mm", "residual_n"]].isna().all(axis=None)


def test_onset_and_release_are_those_of_the_stroke():
    """Not half a cycle: the rest between two strokes is no flow at the edges of a run. Within 25 ms."""
    truth = short_case(5)
    true, seen = as_table(truth), found_in(recorded(truth, "chest_acceleration"))
    at = pairs(true["time_s"].to_numpy(), seen.events["time_s"].to_numpy(), tolerance_s=0.15)
    for name in ("onset_s", "release_s"):
        assert abs(np.median(seen.events[name].to_numpy()[at[:, 1]] - true[name].to_numpy()[at[:, 0]])) <= 0.025


def test_lost_time_is_unknown_and_bounds_hold_the_truth():
    truth = short_case(6, gaps=((100.0, 130.0),), flats=(("chest_acceleration", 200.0, 215.0),))
    seen = found_in(recorded(truth, "chest_acceleration"))
    for at in (100.5, 115.0, 129.5, 201.0, 214.0):
        assert not seen.known.contains(at)
    held = held_against(seen, as_table(truth))
    assert held.score.f1 == 1.0
    assert held.outside_pp <= 0.1
    assert 0.85 < held.coverage < 0.95


@pytest.mark.parametrize("seed", [4, 5, 6])
def test_a_tilted_stretcher_that_rolls_is_no_compression(seed):
    """Slow tilt, a jolt of 3 m/s2 every 4 s at random, and the sensor's noise, for ten minutes: less than one in 10 min."""
    rng = np.random.default_rng(seed)
    times = np.arange(600 * 100) / 100
    wave = 1.5 * np.sin(2 * np.pi * times / 7.3) + rng.normal(0, 0.2, len(times))
    for at in rng.uniform(0, 600, 150):
        wave += 3 * rng.choice([-1, 1]) * np.exp(-(((times - at) / 0.06) ** 2))
    assert found_in(signal("chest_acceleration", "m/s2", wave, rate_hz=100.0)).events.empty


@pytest.mark.parametrize("count", [0, 1, 2, 30])
def test_next_to_no_samples_say_nothing(count):
    seen = found_in(signal("chest_acceleration", "m/s2", np.ones(count)))
    assert seen.events.empty
    assert not seen.known
