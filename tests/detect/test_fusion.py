"""Several sensors, one list: votes, lags, unknown time, disagreements; on made Seens and on simulated sensors."""

from functools import partial
from itertools import permutations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import settings as how
from hypothesis import strategies as st

from qi.detect import compressions, fusion, left_out, monitors, voting
from qi.detect.pauses import runs
from qi.detect.settings import load
from qi.model.fused import AGREEMENT, LEFT_OUT, ClockOrder
from qi.model.seen import Seen
from qi.model.spans import Spans
from qi.model.tables import COMPRESSIONS, DISAGREEMENTS, VENTILATIONS, check, make
from tests.detect.makers import signal
from tests.detect.seen_makers import breathed, cycles, pressed, sees
from tests.matching import score
from tests.simulator.channels import record
from tests.simulator.schedule import draw
from tests.steps import lines_run

SETTINGS = load()
DEPTH, FORCE, ACCELERATION = "compression_depth (a.edf)", "compression_force (a.edf)", "chest_acceleration (a.edf)"
IMPEDANCE, PRESSURE, ECG = "thoracic_impedance (a.edf)", "airway_pressure (a.edf)", "ecg (a.edf)"
FLOW, CO2 = "airway_flow (a.edf)", "co2 (a.edf)"
CLOCK_CHECK = partial(monitors.clock_check, **SETTINGS["clock_check"])


def fused(seen, clocks=None):
    return fusion.fuse_compressions(seen, clocks or {}, CLOCK_CHECK, gap_s=1.0, **SETTINGS["fuse_compressions"])


def breaths(seen, clocks=None, order=None):
    return fusion.fuse_breaths(seen, clocks or {}, order or ClockOrder(), **SETTINGS["fuse_breaths"])


def times(found):
    return found.events["time_s"].to_numpy()


def same(one, two):
    pd.testing.assert_frame_equal(one.events, two.events)
    pd.testing.assert_frame_equal(one.disagreements, two.disagreements)
    pd.testing.assert_frame_equal(one.agreement, two.agreement)
    assert one.known == two.known


@pytest.fixture
def truth():
    return cycles(np.random.default_rng(5), seconds=300)


@pytest.fixture
def rng():
    return np.random.default_rng(6)


def test_one_sensor_alone_says_what_it_says(truth):
    alone = pressed(DEPTH, truth, [(0, 120), (130, 300)], depth=50)
    found = fused([alone])
    check(found.events, COMPRESSIONS)
    inside = alone.known.contains(truth)
    pd.testing.assert_frame_equal(found.events, alone.events[inside].reset_index(drop=True))
    assert found.known == alone.known
    assert found.disagreements.empty
    assert found.lags_s == {DEPTH: 0.0}
    assert found.seen.sensor == DEPTH


def test_no_sensor_and_no_known_time_are_empty_tables():
    for found in (fused([]), fused([pressed(DEPTH, [], [])]), breaths([])):
        assert found.events.empty
        assert not found.known
        check(found.disagreements, DISAGREEMENTS)
        check(found.agreement, AGREEMENT)


def test_a_sensor_that_saw_nothing_in_known_time_makes_a_pause_known():
    found = fused([pressed(DEPTH, [], [(0, 60)])])
    assert found.events.empty
    assert found.known.pairs() == [(0, 60)]
    assert set(found.agreement["taken"]) == {"pause"}


def test_lags_are_taken_off_and_times_come_from_the_best_sensor(truth, rng):
    seen = [
        pressed(DEPTH, truth, [(0, 150)], depth=50),
        pressed(IMPEDANCE, sees(rng, truth, lag=-0.09), [(0, 300)]),
        pressed(PRESSURE, sees(rng, truth, lag=0.12), [(0, 300)]),
    ]
    found = fused(seen)
    assert found.lags_s[IMPEDANCE] == pytest.approx(-0.09, abs=0.005)
    assert found.lags_s[PRESSURE] == pytest.approx(0.12, abs=0.005)
    early = truth < 150
    assert np.array_equal(times(found)[: early.sum()], truth[early])
    result = score(truth, times(found), tolerance_s=0.05)
    assert result.f1 == 1.0
    assert abs(np.median(result.off_s[~early])) < 0.005
    assert set(found.events["sensor"][~early]) == {PRESSURE}


def test_depth_of_a_stroke_sensor_names_that_sensor_and_force_gives_its_residual(truth, rng):
    seen = [
        pressed(FORCE, truth, [(0, 300)], residual_n=20),
        pressed(ACCELERATION, sees(rng, truth, lag=0.03), [(0, 300)], depth=44),
    ]
    found = fused(seen)
    assert np.array_equal(times(found), truth)
    assert (found.events["depth_mm"] == 44).all()
    assert (found.events["residual_n"] == 20).all()
    assert set(found.events["sensor"]) == {ACCELERATION}


def test_one_weak_sensor_does_not_outvote_a_strong_one_and_the_difference_is_told(truth, rng):
    """A pulse after ROSC in the impedance: compressions by it, a pause by the acceleration."""
    pulse = np.arange(310, 340, 0.8)
    seen = [
        pressed(ACCELERATION, truth, [(0, 360)], depth=45),
        pressed(IMPEDANCE, np.r_[sees(rng, truth, lag=0.05), pulse], [(0, 360)]),
    ]
    found = fused(seen)
    assert np.array_equal(times(found), truth)
    row = found.disagreements.iloc[0]
    assert len(found.disagreements) == 1
    assert (row["start_s"], row["end_s"]) == (pytest.approx(310, abs=0.5), pytest.approx(340, abs=0.6))
    assert row["what"] == "Thoracic impedance sees compressions, Chest acceleration a pause; taken as a pause"
    assert row["sensors"] == "Thoracic impedance against Chest acceleration"
    during = found.agreement[(found.agreement["start_s"] >= 312) & (found.agreement["end_s"] <= 338)]
    assert (during["taken"] == "pause").all()
    assert (during["agree"] == ACCELERATION).all()
    assert (during["differ"] == IMPEDANCE).all()


def test_two_sensors_together_outvote_a_better_one_that_fell_off(truth, rng):
    off = (truth > 100) & (truth < 200)
    seen = [
        pressed(DEPTH, truth[~off], [(0, 300)], depth=50),
        pressed(ACCELERATION, sees(rng, truth, lag=0.01), [(0, 300)]),
        pressed(IMPEDANCE, sees(rng, truth, lag=0.06), [(0, 300)]),
    ]
    assert score(truth, times(fused(seen)), tolerance_s=0.05).f1 == 1.0
    assert np.array_equal(times(fused([seen[0], seen[2]])), truth[~off])
    assert "taken as compressions" in fused(seen).disagreements["what"].iloc[0]


def test_the_ecg_settles_what_is_close_and_never_speaks_alone(truth, rng):
    run = truth[(truth > 100) & (truth < 200)]
    rest = truth[(truth <= 100) | (truth >= 200)]
    pressure, impedance = pressed(PRESSURE, truth, [(0, 300)]), pressed(IMPEDANCE, sees(rng, rest, lag=0.04), [(0, 300)])
    assert np.array_equal(times(fused([pressure, impedance])), rest), "the weightier of the two"
    sure = pressed(ECG, sees(rng, truth, lag=0.12), [(0, 300)])
    assert score(truth, times(fused([pressure, impedance, sure])), tolerance_s=0.05).f1 == 1.0
    against = pressed(ECG, sees(rng, rest, lag=0.12), [(0, 300)])
    assert np.array_equal(times(fused([pressure, impedance, against])), rest)
    alone = fused([sure])
    assert alone.events.empty
    assert not alone.known
    beside = fused([sure, pressed(DEPTH, run, [(100, 200)], depth=50)])
    assert beside.known.pairs() == [(100, 200)]
    assert np.array_equal(times(beside), run)


def test_a_double_peak_of_a_weak_sensor_is_not_counted_and_a_miss_is_filled(rng):
    truth = cycles(rng, seconds=200, rate=90)
    twice = np.sort(np.r_[truth, truth[30:60] + 0.33])
    seen = [pressed(PRESSURE, truth[np.arange(len(truth)) % 7 > 0], [(0, 200)]), pressed(IMPEDANCE, truth, [(0, 200)])]
    assert np.array_equal(times(fused(seen)), truth)
    doubled = [pressed(ACCELERATION, twice, [(0, 200)]), pressed(IMPEDANCE, twice, [(0, 200)])]
    for others in (doubled[1:], doubled):
        assert np.array_equal(times(fused([pressed(DEPTH, truth, [(0, 200)]), *others])), truth)


def test_a_sensor_in_its_invalid_time_has_no_vote(truth, rng):
    off = (truth > 100) & (truth < 200)
    sleeps = pressed(DEPTH, truth[~off], [(0, 100), (200, 300)], depth=50)
    found = fused([sleeps, pressed(IMPEDANCE, sees(rng, truth, lag=0.05), [(0, 300)])])
    assert score(truth, times(found), tolerance_s=0.05).f1 == 1.0
    assert found.disagreements.empty


def test_charted_compressions_fill_what_no_sensor_saw(truth):
    seen = [pressed(DEPTH, truth, [(0, 100)], depth=50), pressed("events (list.csv)", truth + 0.02, [(0, 300)])]
    found = fused(seen)
    assert len(found.events) == len(truth)
    assert set(found.events["sensor"][truth > 101]) == {"events (list.csv)"}


SENSORS = (DEPTH, FORCE, ACCELERATION, IMPEDANCE, PRESSURE, ECG)


@st.composite
def scenes(draw_):
    """A truth and up to four sensors that see parts of it, each with its own lag, scatter, misses and known time."""
    rng = np.random.default_rng(draw_(st.integers(0, 10_000)))
    truth = cycles(rng, seconds=draw_(st.integers(60, 150)), rate=draw_(st.sampled_from([90.0, 110.0, 130.0])))
    seen = []
    for sensor in draw_(st.lists(st.sampled_from(SENSORS), min_size=1, max_size=4, unique=True)):
        edges = sorted(draw_(st.lists(st.integers(0, 150), min_size=2, max_size=4, unique=True)))
        known = [(float(a), float(b)) for a, b in zip(edges[::2], edges[1::2], strict=False)]
        lag = draw_(st.floats(-0.1, 0.1))
        own = sees(rng, truth, lag=lag, spread=0.012, miss=draw_(st.sampled_from([0.0, 0.03, 0.2])))
        seen.append(pressed(sensor, own, known))
    return truth, seen


@how(max_examples=60, deadline=None)
@given(scenes())
def test_never_counts_twice_and_unknown_stays_unknown(scene):
    truth, seen = scene
    found = fused(seen)
    check(found.events, COMPRESSIONS)
    assert (np.diff(times(found)) >= SETTINGS["fuse_compressions"]["apart_s"]).all()
    assert score(truth, times(found), tolerance_s=0.25).false == 0, "each is one that was given"
    able = Spans.of([pair for one in seen if not one.sensor.startswith("ecg") for pair in one.known.pairs()])
    assert found.known == able
    assert able.contains(times(found)).all()
    assert (found.events["release_s"].to_numpy()[:-1] <= found.events["onset_s"].to_numpy()[1:]).all()


@how(max_examples=30, deadline=None)
@given(scenes(), st.randoms(use_true_random=False))
def test_the_order_of_the_list_does_not_matter_and_an_invalid_sensor_changes_nothing(scene, random):
    truth, seen = scene
    found = fused(seen)
    mixed = list(seen)
    random.shuffle(mixed)
    same(found, fused(mixed))
    blind = Seen("chest_acceleration (lost.edf)", pressed("chest_acceleration (lost.edf)", truth + 0.2, []).events, Spans())
    same(found, fused([blind, *seen]))


def test_breaths_of_a_late_capnogram_and_the_pressure_are_one_row_each(rng):
    truth = 20 + np.cumsum(rng.uniform(4, 8, 40))
    seen = [
        breathed(CO2, sees(rng, truth, lag=2.1, spread=0.1), [(0, 400)], etco2_mmhg=22),
        breathed(PRESSURE, truth, [(0, 400)], insufflation_s=1.0, peak_cmh2o=25),
        breathed(FLOW, sees(rng, truth, lag=0.02, spread=0.02), [(0, 400)], insufflation_s=0.9, inspired_ml=420, expired_ml=400),
        breathed(IMPEDANCE, sees(rng, truth, lag=0.3, spread=0.1, miss=0.1), [(0, 400)]),
    ]
    found = breaths(seen)
    check(found.events, VENTILATIONS)
    assert len(found.events) == len(truth)
    columns = found.events.drop(columns=["time_s", "sensor", "leak"])
    assert columns.drop_duplicates().to_numpy().tolist() == [[0.9, 22, 25, 420, 400]]
    assert set(found.events["sensor"]) == {FLOW}
    assert found.lags_s[CO2] == pytest.approx(2.08, abs=0.1)
    assert found.disagreements.empty
    for other in permutations(seen[:3]):
        same(breaths(seen[:3]), breaths(list(other)))


def test_a_breath_is_held_when_one_sensor_saw_it_and_none_of_more_weight_could_have_seen_it():
    truth = np.arange(20, 200, 6.0)
    low = (truth > 80) & (truth < 120)
    pressure, washed = breathed(PRESSURE, truth, [(0, 220)]), breathed(CO2, truth[~low] + 1.5, [(0, 220)])
    assert len(breaths([pressure, washed]).events) == len(truth), "dead space: pressure outweighs the capnogram"
    contested = breaths([pressure, washed]).disagreements
    assert contested["what"].tolist() == [f"Airway pressure sees {low.sum()} breaths that CO2 does not; counted"]
    weak = breathed(IMPEDANCE, truth, [(0, 220)])
    found = breaths([weak, washed])
    assert len(found.events) == (~low).sum(), "impedance against a valid capnogram"
    assert set(found.agreement["taken"]) == {"breath", "no breath"}
    blind = breathed(CO2, truth[~low] + 1.5, [(0, 78), (122, 220)])
    assert len(breaths([weak, blind]).events) == len(truth), "a blind capnogram has no vote"
    assert len(breaths([pressure, blind, weak]).events) == len(truth)


def test_breaths_of_one_pause_stay_two():
    truth = np.sort(np.r_[np.arange(20, 400, 20.0), np.arange(22, 400, 20.0)])
    seen = [breathed(PRESSURE, truth, [(0, 410)]), breathed(CO2, truth + 1.8, [(0, 410)], etco2_mmhg=20)]
    found = breaths(seen)
    assert np.array_equal(times(found), truth)
    assert (found.events["etco2_mmhg"] == 20).all()
    assert found.lags_s[CO2] == pytest.approx(1.8, abs=0.01)


def test_every_measure_with_each_sensor_left_out(truth, rng):
    seen = [pressed(DEPTH, truth, [(0, 150)], depth=50), pressed(IMPEDANCE, sees(rng, truth, lag=0.05), [(100, 300)])]
    blown = [breathed(PRESSURE, [30.0, 36.0], [(0, 60)])]

    def measured(hands, bag):
        found = fused(hands)
        depth = found.events["depth_mm"].mean()
        return {"known_s": found.known.seconds, "depth_mm": None if np.isnan(depth) else depth, "breaths": len(breaths(bag).events)}

    table = left_out.left_out([seen, blown], measured)
    check(table, LEFT_OUT)
    wide = table.assign(sensor=table["sensor"].fillna("all")).pivot_table(
        index="sensor", columns="id", values="value", dropna=False, observed=True
    )
    assert wide.loc["all"].to_dict() == {"known_s": 300, "depth_mm": 50, "breaths": 2}
    assert wide.loc[DEPTH, "known_s"] == 200
    assert np.isnan(wide.loc[DEPTH, "depth_mm"])
    assert wide.loc[IMPEDANCE, "known_s"] == 150
    assert wide.loc[PRESSURE, "breaths"] == 0
    assert [one.sensor for one in left_out.without(seen, DEPTH)] == [IMPEDANCE]


def test_a_lag_is_told_by_enough_pairs_only(truth, rng):
    assert voting.lag_s(truth, truth + 0.1, reach_s=0.35, least_pairs=10) == pytest.approx(0.1, abs=0.001)
    assert np.isnan(voting.lag_s(truth, truth[:5] + 0.1, reach_s=0.35, least_pairs=10))
    assert np.isnan(voting.lag_s(truth, rng.uniform(0, 300, 400), reach_s=0.35, least_pairs=10))
    assert np.isnan(voting.lag_s(np.zeros(0), truth, reach_s=0.35, least_pairs=10))


@pytest.mark.parametrize("seed", [1, 5])
def test_simulated_depth_that_is_lost_is_filled_by_force(seed):
    """F1 >= 0.998 and compression fraction within 0.2 points (signals note, section 6) through the loss of one sensor."""
    rate, drawn = 100.0, draw(seed)
    waves = {name: record(drawn, name, rate, seed) for name in ("compression_depth", "compression_force")}
    depth = signal("compression_depth", "mm", waves["compression_depth"], rate_hz=rate, gaps=[(200, 380)], reference="absolute")
    force = signal("compression_force", "N", waves["compression_force"], rate_hz=rate, gaps=[(600, 700)])
    seen = [
        compressions.from_depth(depth, **SETTINGS["compressions_from_depth"]),
        compressions.from_force(force, **SETTINGS["compressions_from_force"]),
    ]
    found = fused(seen)
    true = make(
        COMPRESSIONS,
        **{name: [getattr(one, name) for one in drawn.compressions] for name in ("time_s", "onset_s", "release_s")},
        sensor=["truth"] * len(drawn.compressions),
    )
    result = score(true["time_s"], times(found), tolerance_s=0.15)
    assert result.f1 >= 0.998
    flow, true_flow = (runs(table, gap_s=1.0).seconds for table in (found.events, true))
    assert abs(flow - true_flow) / found.known.seconds < 0.002
    lost = (true["time_s"] > 205) & (true["time_s"] < 375)
    filled = found.events[(found.events["time_s"] > 205) & (found.events["time_s"] < 375)]
    assert len(filled) == lost.sum()
    assert set(filled["sensor"]) == {force.name}
    assert filled["residual_n"].notna().all()
    assert found.disagreements.empty


def test_six_sensors_of_forty_minutes_are_not_weighed_one_compression_at_a_time(rng):
    truth = cycles(rng, seconds=2400)
    lags = (0.0, 0.01, 0.03, 0.05, -0.08, 0.12)
    seen = [pressed(name, sees(rng, truth, lag=lag, miss=0.01), [(0, 2400)]) for name, lag in zip(SENSORS, lags, strict=True)]
    found, lines = lines_run(lambda: fused(seen))
    assert len(truth) > 3000
    assert abs(len(found.events) - len(truth)) < 5
    assert lines < 3 * len(truth), "of some 20,000 compressions that six sensors saw"


def test_a_sensor_that_counts_every_second_compression_or_each_twice_is_told(truth):
    run = truth[:60]
    half = pressed(IMPEDANCE, run[::2], [(0, 60)])
    found = fused([pressed(DEPTH, run[run < 40], [(0, 60)]), half])
    assert "Compression depth sees" in found.disagreements["what"].iloc[0]
    assert found.disagreements["what"].iloc[0].endswith("compressions that Thoracic impedance does not; counted")
    twice = pressed(IMPEDANCE, np.sort(np.r_[run, run[:-1] + np.diff(run) / 2]), [(0, 60)])
    found = fused([pressed(DEPTH, run, [(0, 60)]), twice])
    assert np.array_equal(times(found), run)
