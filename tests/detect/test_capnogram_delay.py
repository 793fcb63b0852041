"""The capnogram's sampling delay, found against another breath sensor or against the pauses of 30:2, and taken off."""

import numpy as np
import pytest

from qi.detect import capnogram_delay, ventilations, ventilations_by_impedance
from qi.detect.settings import load
from qi.model.seen import Seen
from qi.model.spans import Spans
from qi.model.tables import VENTILATIONS, make
from tests.detect.makers import breath_times, signal
from tests.matching import score
from tests.simulator import channels
from tests.simulator.schedule import draw

SETTINGS = load()
BREATHS, PAUSES = SETTINGS["capnogram_delay_by_breaths"], SETTINGS["capnogram_delay_by_pauses"]


@pytest.mark.parametrize("delay_s", [0.0, 0.6, 1.7, 3.1, 4.5])
@pytest.mark.parametrize("per_min", [8, 14, 28])
def test_delay_of_washouts_against_breaths(delay_s, per_min):
    """Fast breathing too, where the delay is longer than a breath: it is the scatter of the bag that tells."""
    rng = np.random.default_rng(per_min)
    starts = breath_times(rng, seconds=400, rate=per_min)
    seen = np.sort(np.delete(starts, slice(0, None, 9)) + delay_s + rng.normal(0, 0.08, len(starts) - len(starts[::9])))
    others = np.sort(np.delete(starts, slice(4, None, 11)) + rng.normal(0, 0.05, len(starts) - len(starts[4::11])))
    found = capnogram_delay.by_breaths(seen, others, **BREATHS)
    assert found.delay_s == pytest.approx(delay_s, abs=0.05)
    assert abs(found.delay_s - delay_s) <= found.uncertainty_s <= 0.3


def test_an_even_ventilator_leaves_two_delays_and_no_answer():
    starts = np.arange(10.0, 400.0, 2.5)
    assert capnogram_delay.by_breaths(starts + 0.7, starts, **BREATHS) is None


def test_breaths_that_have_nothing_to_do_with_each_other():
    rng = np.random.default_rng(0)
    one, other = (breath_times(np.random.default_rng(k), seconds=600, rate=rate) for k, rate in ((1, 12), (2, 15)))
    assert capnogram_delay.by_breaths(one, other, **BREATHS) is None
    assert capnogram_delay.by_breaths(one[:4] + 1.0, one[:4], **BREATHS) is None
    assert capnogram_delay.by_breaths(np.zeros(0), one, **BREATHS) is None
    assert capnogram_delay.by_breaths(one, np.zeros(0), **BREATHS) is None
    pauses = Spans.of([(at, at + 5.0) for at in np.sort(rng.uniform(0, 600, 20))])
    assert capnogram_delay.by_pauses(one, pauses, **PAUSES) is None
    assert capnogram_delay.by_pauses(one, Spans(), **PAUSES) is None
    assert capnogram_delay.by_pauses(np.zeros(0), pauses, **PAUSES) is None


@pytest.mark.parametrize("seed", [0, 3, 5, 11])
def test_delay_of_simulated_cases(seed):
    """Against the breaths as they were, against those that the impedance shows, and from the pauses of 30:2 alone; once it is
    taken off, the washouts stand within 0.5 s of their breaths, F1 at least 0.98."""
    truth = draw(seed)
    delay = truth.plan.co2_delay_s
    co2 = signal("co2", "mmHg", channels.record(truth, "co2", 25.0, seed), rate_hz=25.0)
    seen = ventilations.from_capnogram(co2, **SETTINGS["ventilations_from_capnogram"])
    washouts = seen.events["time_s"].to_numpy()
    breaths = np.array([one.time_s for one in truth.breaths])
    placed = truth.plan.continuous_s or truth.plan.length_s
    pauses = Spans.of([(one.start_s, one.end_s) for one in truth.pauses])
    ohm = signal("thoracic_impedance", "ohm", channels.record(truth, "thoracic_impedance", 50.0, seed), rate_hz=50.0)
    advanced = Spans.of([(placed, truth.plan.length_s)])
    chest = ventilations_by_impedance.from_impedance(ohm, pauses, advanced, **SETTINGS["ventilations_from_impedance"])
    for found in (
        capnogram_delay.by_breaths(washouts, breaths, **BREATHS),
        capnogram_delay.by_breaths(washouts, chest.events["time_s"].to_numpy(), **BREATHS),
        capnogram_delay.by_pauses(
            washouts, Spans.of([(a, b) for a, b in pauses.pairs() if 2 <= b - a <= 15 and b < placed]), **PAUSES
        ),
    ):
        assert abs(found.delay_s - delay) <= min(found.uncertainty_s, 0.3)
        early = capnogram_delay.without_delay(seen, found.delay_s)
        asked = breaths[early.known.grown(0.5).contains(breaths)]
        assert score(asked, early.events["time_s"], tolerance_s=0.5).f1 >= 0.98


def test_taking_the_delay_off_moves_events_and_known_time_and_nothing_else():
    events = make(VENTILATIONS, time_s=[5.0, 9.0], etco2_mmhg=[30.0, 31.0], sensor=["co2", "co2"])
    before = Seen("co2", events, Spans.of([(4.0, 20.0)]))
    after = capnogram_delay.without_delay(before, 1.5)
    assert after.events["time_s"].tolist() == [3.5, 7.5]
    assert after.events["etco2_mmhg"].tolist() == [30.0, 31.0]
    assert after.known.pairs() == [(2.5, 18.5)]
    assert before.events["time_s"].tolist() == [5.0, 9.0]
