"""Hard cases: what was done to a recording can be seen in it, and the truth says so."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from edfio import read_edf

from tests.simulator import channels, troubles, two_monitors
from tests.simulator.hard_draws import HANDS, LOSSES, RIPPLES, SWINGS_OHM, Hard, hard
from tests.simulator.schedule import Truth, draw, play
from tests.simulator.troubles import Trouble


@cache
def case(seed: int) -> Hard:
    return hard(seed)


@cache
def plain() -> Truth:
    return draw(12)


def changed(**changes) -> Truth:
    return replace(plain(), plan=replace(plain().plan, **changes))


def recorded(truth: Truth, channel: str, rate_hz: float = 50.0, **how) -> np.ndarray:
    return channels.record(truth, channel, rate_hz, 1, **how)


def test_every_kind_of_trouble_is_met_in_a_hundred_cases():
    cases = [case(seed) for seed in range(60)]
    assert {one.hands for one in cases} == set(HANDS)
    assert {one.ripple for one in cases} == set(RIPPLES)
    assert {one.loss for one in cases} == set(LOSSES)
    assert {one.swing_ohm for one in cases} == set(SWINGS_OHM)
    assert {(one.moved, one.mattress, one.look_alikes) for one in cases} > {(True, True, True), (False, False, False)}
    assert max(abs(one.truth.plan.clock_ppm) for one in cases) <= 50


def test_a_machine_is_as_regular_as_the_notes_say():
    """100 to 102 per min, intervals within 0.3 % (signals note, section 7)."""
    (machine,) = [case(seed) for seed in range(8) if case(seed).hands == "machine"]
    times = np.array([one.time_s for one in machine.truth.compressions])
    steps = np.diff(times)[np.diff(times) < 1.0]
    assert 100 <= 60 / steps.mean() <= 102
    assert 0.002 < steps.std() / steps.mean() < 0.0045
    assert all(one.residual_mm == 0 for one in machine.truth.compressions)


def test_a_machine_takes_over_from_hands():
    truth = play(replace(plain().plan, machine_s=400.0), 12)
    times = np.array([one.time_s for one in truth.compressions])
    spread = []
    for some in (times[times < 395], times[times > 405]):
        steps = np.diff(some)[np.diff(some) < 1.0]
        spread.append(steps.std() / steps.mean())
    assert spread[0] > 5 * spread[1]


@pytest.mark.parametrize("kind", ["missing", "zero", "held"])
def test_a_loss_takes_one_channel_and_only_its_stretch(kind):
    lossy = changed(troubles=(Trouble(kind, 300.0, 320.0, "compression_depth"),))
    whole, spoilt = recorded(plain(), "compression_depth"), recorded(lossy, "compression_depth")
    part = spoilt[300 * 50 : 320 * 50]
    assert np.array_equal(np.delete(whole, slice(300 * 50, 320 * 50)), np.delete(spoilt, slice(300 * 50, 320 * 50)))
    if kind == "missing":
        assert np.isnan(part).all()
    else:
        assert np.unique(part).tolist() == [0.0 if kind == "zero" else whole[300 * 50]]
    assert np.array_equal(recorded(lossy, "compression_force"), recorded(plain(), "compression_force"))
    assert np.array_equal(recorded(lossy, "compression_depth", losses=False), whole)


def test_pads_that_come_off_stand_at_the_rail():
    off = changed(troubles=(Trouble("pads_off", 200.0, 210.0),))
    assert (recorded(off, "thoracic_impedance")[200 * 50 : 210 * 50] == channels.IMPEDANCE_RAIL_OHM).all()
    assert (recorded(off, "ecg")[200 * 50 : 210 * 50] == channels.ECG_RAIL_MV).all()


def test_pads_that_move_leave_a_step():
    moved = changed(troubles=tuple(Trouble("pads_moved", at, at + 1.0) for at in np.arange(50.0, 650.0, 10.0)))
    steps = recorded(moved, "thoracic_impedance") - recorded(plain(), "thoracic_impedance")
    size = [steps[int((at + 0.5) * 50)] - steps[int(at * 50) - 1] for at in np.arange(50.0, 650.0, 10.0)]
    assert 0.8 < np.std(size) < 1.6


def test_look_alikes_show_in_the_ecg():
    alike = changed(troubles=(Trouble("pacing", 300.0, 330.0), Trouble("self_test", 3.0, 8.0)))
    ecg = recorded(alike, "ecg", 250.0) - recorded(plain(), "ecg", 250.0)
    spikes = np.flatnonzero(np.diff(ecg[300 * 250 : 330 * 250]) > 0.8)
    assert len(spikes) == pytest.approx(36, abs=2)
    assert recorded(alike, "ecg", 250.0)[3 * 250 : 8 * 250].max() == channels.ECG_RAIL_MV
    assert recorded(alike, "thoracic_impedance")[3 * 50 : 8 * 50].min() == channels.IMPEDANCE_RAIL_OHM


def test_an_unknown_trouble_is_refused():
    with pytest.raises(ValueError, match="choose from missing"):
        recorded(changed(troubles=(Trouble("storm", 1.0, 2.0),)), "ecg")


def test_a_fast_clock_stamps_late():
    """50 ppm over 1000 s is 50 ms."""
    true, fast = recorded(plain(), "compression_depth", 250.0), recorded(changed(clock_ppm=5000.0), "compression_depth", 250.0)
    one = next(one for one in plain().compressions if one.time_s > 500)
    for samples, scale in ((true, 1.0), (fast, 1.005)):
        a, b = int(one.onset_s * scale * 250), int(one.release_s * scale * 250)
        assert (a + np.argmax(samples[a:b])) / 250 == pytest.approx(one.time_s * scale, abs=0.03)


@pytest.mark.parametrize("ohm", SWINGS_OHM)
def test_the_impedance_swings_as_far_as_asked(ohm):
    truth = changed(impedance_ohm=ohm)
    ohms = recorded(truth, "thoracic_impedance", 100.0)
    swings = [np.ptp(ohms[int(one.onset_s * 100) : int(one.release_s * 100)]) for one in truth.compressions]
    assert np.median(swings) == pytest.approx(ohm, abs=0.25)


def test_a_mattress_makes_the_stroke_look_longer():
    firm, soft = (recorded(changed(mattress_share=share), "chest_acceleration", 100.0) for share in (0.0, 0.3))
    assert 1.05 < np.std(soft) / np.std(firm) < 1.35


@pytest.mark.parametrize(("kind", "plateau", "baseline"), [("I", True, False), ("II", False, True), ("III", True, True)])
def test_each_kind_of_ripple_lies_where_it_says(kind, plateau, baseline):
    co2 = np.tile(np.r_[np.zeros(500), np.full(500, 20.0)], 4)
    chest = 25 + 25 * np.sin(np.arange(4000) / 100 * 2 * np.pi * 1.8)
    out = troubles.rippled(co2, chest, np.full(4000, 8.0), kind)
    assert (np.ptp(out[co2 > 0]) > 4) == plateau
    assert (np.ptp(out[co2 == 0]) > 1) == baseline


def test_an_unknown_ripple_is_refused():
    with pytest.raises(ValueError, match="choose from I, II, III"):
        troubles.rippled(np.ones(3), np.ones(3), np.ones(3), "IV")


@pytest.mark.parametrize(
    ("how", "first_end", "second_start"), [("overlap", 460.0, 400.0), ("gap", 400.0, 460.0), ("at once", 400.0, 400.0)]
)
def test_two_monitors_share_one_truth_on_two_clocks(how, first_end, second_start, tmp_path):
    first, second = two_monitors.pair(plain(), how, 400.0, apart_s=60.0, ahead_s=(0.0, 37.0))
    assert (first.end_s, second.start_s) == (first_end, second_start)
    assert (second.seen.plan.start - plain().plan.start).total_seconds() == second_start + 37.0
    seen = [one.time_s for one in first.seen.compressions] + [one.time_s + second_start for one in second.seen.compressions]
    known = np.array([one.time_s for one in plain().compressions])
    inside = known[(known < first_end - 1) | (known > second_start + 1)]
    assert set(np.round(inside, 6)) <= set(np.round(seen, 6))
    paths = two_monitors.write(tmp_path, (first, second), rate_hz=50.0, ecg_hz=100.0)
    lengths = [read_edf(path).duration for path in paths]
    assert lengths == pytest.approx([first_end, int(plain().plan.length_s) - second_start], abs=1)


def test_an_unknown_way_to_change_monitors_is_refused():
    with pytest.raises(ValueError, match="choose from overlap"):
        two_monitors.pair(plain(), "sideways", 400.0, apart_s=60.0, ahead_s=(0.0, 0.0))
