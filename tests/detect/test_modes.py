"""30:2 against continuous compressions, and the switch between them (signals research note, section 2)."""

import numpy as np
import pytest

from qi.detect import modes
from qi.detect.settings import load
from qi.model.spans import Spans
from qi.model.tables import COMPRESSIONS, MODES, check, make
from tests.simulator.schedule import draw

SETTINGS = load()["modes"]


def crew(*blocks, start_s=10.0, cycle_s=0.55):
    """Compressions, pauses and breaths from (compressions, pause after [s], breaths in the pause, breaths in the run)."""
    onset, pauses, breaths, now = [], [], [], start_s
    for count, pause, in_pause, in_run in blocks:
        onset += [now + k * cycle_s for k in range(count)]
        breaths += [now + (k + 0.5) * count * cycle_s / in_run for k in range(in_run)]
        now += count * cycle_s - 0.1  # the last release
        breaths += [now + 0.5 + 1.8 * k for k in range(in_pause)]
        pauses.append((now, now + pause))
        now += pause
    onset = np.array(onset)
    table = make(COMPRESSIONS, time_s=onset + 0.2, onset_s=onset, release_s=onset + cycle_s - 0.1, sensor=["made"] * len(onset))
    return table, Spans.of(pauses[:-1]), np.sort(breaths)


def told(*blocks):
    table = modes.modes(*crew(*blocks), **SETTINGS)
    return check(table, MODES)


def test_thirty_to_two_then_continuous():
    """Eight cycles of 30 × 0.55 s − 0.1 s and 4.5 s: 20.9 s each. The switch stands where the first long run begins; it is surely
    after the run before the last had ended, one pause and one cycle earlier."""
    table = told(*[(30, 4.5, 2, 0)] * 8, (200, 7.0, 1, 10), (200, 3.0, 0, 10))
    assert table["mode"].tolist() == ["cycles", "continuous"]
    assert table["start_s"].tolist() == pytest.approx([10.0, 10.0 + 8 * 20.9])
    assert table["end_s"].tolist() == pytest.approx([10.0 + 8 * 20.9, 10.0 + 8 * 20.9 + 400 * 0.55 - 0.2 + 7.0])
    assert np.isnan(table["uncertainty_s"][0])
    assert table["uncertainty_s"][1] == pytest.approx(4.5 + 20.9)


def test_fifteen_to_two():
    table = told(*[(15, 4.0, 2, 0)] * 5)
    assert table["mode"].tolist() == ["cycles"]


def test_back_to_cycles_when_the_airway_comes_out():
    table = told((150, 5.0, 0, 8), (150, 5.0, 0, 8), *[(30, 4.0, 2, 0)] * 4)
    assert table["mode"].tolist() == ["continuous", "cycles"]


@pytest.mark.parametrize(
    "blocks",
    [
        [(30, 4.0, 2, 0)] * 2,  # twice is no habit
        [(30, 25.0, 2, 0)] * 6,  # pauses too long for breaths
        [(50, 4.0, 2, 0)] * 6,  # neither
        [(30, 4.0, 2, 0), (14, 4.0, 2, 0), (30, 4.0, 2, 0), (14, 4.0, 2, 0)],  # no kind three times
        [(200, 5.0, 0, 0)] * 2,  # no breath in the long runs
        [(5, 3.0, 0, 0)],
    ],
)
def test_what_is_neither(blocks):
    assert told(*blocks).empty


def test_long_runs_count_as_continuous_where_no_sensor_saw_breaths():
    table, pauses, _ = crew((200, 5.0, 0, 0), (200, 5.0, 0, 0))
    assert modes.modes(table, pauses, None, **SETTINGS)["mode"].tolist() == ["continuous"]
    assert modes.modes(table, pauses, np.zeros(0), **SETTINGS).empty


def test_a_run_cut_short_by_a_check_decides_nothing_and_widens_the_switch():
    """41 compressions to a check of 8 s after the last cycle: 4.5 s + 20.9 s + 41 × 0.55 s − 0.1 s + 8 s = 55.85 s."""
    table = told(*[(30, 4.5, 2, 0)] * 4, (41, 8.0, 0, 2), (200, 5.0, 0, 10))
    assert table["mode"].tolist() == ["cycles", "continuous"]
    assert table["uncertainty_s"][1] == pytest.approx(55.85)


def test_time_in_which_no_sensor_could_see_parts_runs_and_makes_no_cycle():
    table, pauses, breaths = crew(*[(30, 5.0, 2, 0)] * 6)
    hidden = Spans(pauses.edges[::2])
    assert modes.modes(table, hidden, breaths, **SETTINGS)["mode"].tolist() == ["cycles"]
    assert modes.modes(table, Spans(pauses.edges[:2]), breaths, **SETTINGS).empty


def test_no_compressions():
    assert modes.modes(make(COMPRESSIONS), Spans(), np.array([1.0]), **SETTINGS).empty


def test_switch_of_simulated_cases():
    """The switch lies within its own uncertainty of the moment the advanced airway went in; without one there is no switch."""
    for seed in range(16):
        truth = draw(seed)
        strokes = truth.compressions
        table = make(
            COMPRESSIONS,
            time_s=[one.time_s for one in strokes],
            onset_s=[one.onset_s for one in strokes],
            release_s=[one.release_s for one in strokes],
            sensor=["truth"] * len(strokes),
        )
        pauses = Spans.of([(one.start_s, one.end_s) for one in truth.pauses])
        found = modes.modes(table, pauses, np.array([one.time_s for one in truth.breaths]), **SETTINGS)
        if truth.plan.continuous_s is None:
            assert found["mode"].tolist() == ["cycles"]
            continue
        assert found["mode"].tolist() == ["cycles", "continuous"]
        assert abs(found["start_s"][1] - truth.plan.continuous_s) <= found["uncertainty_s"][1]
