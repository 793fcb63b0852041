"""Compressions from the airway pressure: accuracy to demand (signals research note, section 6), breaths, lost time."""

import numpy as np
import pandas as pd
import pytest

from qi.detect.compressions_by_pressure import from_pressure
from qi.detect.rhythm import Chain
from qi.detect.settings import load
from qi.model.tables import COMPRESSIONS, check
from tests.detect.makers import airway_pressure, breath_times, pressure_ripple, schedule, signal
from tests.detect.rhythm_makers import as_table, held_against, recorded, short_case

SETTINGS = load()


def found_in(pressure):
    return from_pressure(pressure, Chain(**SETTINGS["rhythm_of_pressure"]), **SETTINGS["compressions_from_pressure"])


@pytest.mark.parametrize(
    ("seed", "shape", "most_pp"),
    [
        (0, "cosine", 4.0),  # 30 breaths a minute hide whole seconds of compressions
        (1, "cosine", 1.0),
        (2, "cosine", 1.0),
        (3, "cosine", 1.0),
        (4, "triangle", 1.0),
        (5, "plateau", 1.0),
    ],
)
def test_pressure_reaches_the_accuracy_to_demand(seed, shape, most_pp):
    """F1 >= 0.96, rate within 1.5 per min, fraction within 1 percentage point but for the case with most breaths (signals
    note, section 6), in 30:2 and with breaths on top of compressions."""
    truth = short_case(seed)
    seen = found_in(recorded(truth, "airway_pressure", shape=shape))
    check(seen.events, COMPRESSIONS)
    held = held_against(seen, as_table(truth))
    assert held.score.f1 >= 0.96
    assert abs(held.rate_per_min) <= 1.5
    assert abs(held.fraction_pp) <= most_pp
    assert held.outside_pp <= most_pp
    assert held.coverage >= 0.95
    assert seen.events["depth_mm"].isna().all()


@pytest.mark.parametrize("flow", ["constant", "sine", "falling"])
@pytest.mark.parametrize("trough", [0.5, 1.5, 6.0])
def test_ripple_on_breaths_of_other_shapes(flow, trough):
    """Continuous compressions of 3 cmH2O under breaths of 10 to 25 cmH2O at 16 per min, with and without an ITD's vacuum."""
    rng = np.random.default_rng(7)
    onset, cycle, _ = schedule(rng, seconds=300, continuous=True)
    wave, _ = airway_pressure(rng, breath_times(rng, seconds=300, rate=16), seconds=300, flow=flow)
    wave += pressure_ripple(onset, cycle, seconds=300, up=3.0, trough=trough)
    true = pd.DataFrame({"onset_s": onset, "time_s": onset + 0.4 * cycle, "release_s": onset + cycle})
    held = held_against(found_in(signal("airway_pressure", "cmH2O", wave)), true)
    assert held.score.f1 >= (0.94 if flow == "constant" else 0.96)  # edges as steep as those of a compression


@pytest.mark.parametrize("rate", [8, 14, 30])
def test_breaths_alone_are_known_time_without_compressions(rate):
    rng = np.random.default_rng(rate)
    wave, _ = airway_pressure(rng, breath_times(rng, seconds=600, rate=rate), seconds=600)
    seen = found_in(signal("airway_pressure", "cmH2O", wave))
    assert seen.events.empty
    assert seen.known.seconds >= 0.9 * 600


def test_an_airway_that_nothing_moves_for_long_is_not_known():
    """Half a minute without compressions or breaths may be a tube that came off."""
    rng = np.random.default_rng(2)
    starts = breath_times(rng, seconds=600, rate=12)
    wave, _ = airway_pressure(rng, starts[(starts < 200) | (starts > 300)], seconds=600)
    seen = found_in(signal("airway_pressure", "cmH2O", wave))
    assert seen.known.contains(100.0)
    assert not seen.known.contains(250.0)
    assert seen.known.contains(350.0)
    silent = found_in(signal("airway_pressure", "cmH2O", rng.normal(0, 0.15, 30_000)))
    assert silent.events.empty
    assert not silent.known


def test_lost_time_is_unknown():
    truth = short_case(6, gaps=((100.0, 130.0),), flats=(("airway_pressure", 200.0, 215.0),))
    seen = found_in(recorded(truth, "airway_pressure"))
    for at in (101.0, 129.0, 201.0, 214.0):
        assert not seen.known.contains(at)
    assert held_against(seen, as_table(truth)).outside_pp <= 1.0


@pytest.mark.parametrize("count", [0, 1, 2, 30])
def test_next_to_no_samples_say_nothing(count):
    seen = found_in(signal("airway_pressure", "cmH2O", np.zeros(count)))
    assert seen.events.empty
    assert not seen.known
