"""Mechanical compressions: told by their regularity, in every sensor; hands never are."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from qi.detect.compressions_by_acceleration import from_acceleration
from qi.detect.compressions_by_pressure import from_pressure
from qi.detect.machine import machine_spans
from qi.detect.rhythm import Chain
from qi.detect.settings import load
from tests.detect.rhythm_makers import as_table, recorded, short_case
from tests.simulator.schedule import draw, play

SETTINGS = load()


def spans_of(table):
    return machine_spans(table, gap_s=1.0, **SETTINGS["machine"])


def even(count, *, per_min=101.0, spread=0.003, timing_s=0.0, seed=0, start_s=10.0):
    """Compressions with a given scatter of the cycle, as a share, and of the sensor's timing [s]."""
    rng = np.random.default_rng(seed)
    times = start_s + np.cumsum(60 / per_min * (1 + rng.normal(0, spread, count))) + rng.normal(0, timing_s, count)
    return pd.DataFrame({"time_s": times, "onset_s": times - 0.25, "release_s": times + 0.25})


@pytest.mark.parametrize("seed", range(12))
def test_hands_are_no_machine(seed):
    assert not spans_of(as_table(draw(seed)))


@pytest.mark.parametrize("timing_s", [0.0, 0.003])
def test_a_machine_is_found_from_its_first_to_its_last_compression(timing_s):
    table = even(200, timing_s=timing_s)
    spans = spans_of(table)
    assert len(spans) == 1
    assert spans.hull.start_s == pytest.approx(table["onset_s"].iloc[0], abs=3)
    assert spans.hull.end_s == pytest.approx(table["release_s"].iloc[-1], abs=3)


def test_thirty_seconds_are_asked_for():
    """Coefficient of variation under 1 % for more than 30 s (signals research note, section 1.3)."""
    assert not spans_of(even(45))  # 26 s
    assert spans_of(even(60))  # 35 s
    assert not spans_of(even(200, spread=0.02))


def test_hands_then_machine_parts_where_the_machine_was_fitted():
    hands = even(150, per_min=112, spread=0.035, seed=3)
    machine = even(300, start_s=hands["release_s"].iloc[-1] + 15, seed=4)
    spans = spans_of(pd.concat([hands, machine], ignore_index=True))
    assert spans.hull.start_s == pytest.approx(machine["onset_s"].iloc[0], abs=8)
    assert spans.hull.end_s == pytest.approx(machine["release_s"].iloc[-1], abs=3)


def test_pauses_and_a_missed_compression_do_not_end_it():
    table = even(200)
    kept = np.delete(np.arange(200), [60, 61, 62, 63, 64, 65, 120])
    assert spans_of(table.iloc[kept].reset_index(drop=True)).seconds == pytest.approx(spans_of(table).seconds, abs=3)


@pytest.mark.parametrize(
    ("channel", "detector", "least"),
    [("chest_acceleration", from_acceleration, 0.9), ("airway_pressure", from_pressure, 0.35)],
)
def test_a_machine_is_known_by_more_than_the_depth(channel, detector, least):
    """By acceleration nearly throughout; by pressure, whose instants breaths move about, at least in part."""
    truth = play(replace(short_case(3).plan, machine_s=0.0), 5)
    name = channel.rpartition("_")[2]
    seen = detector(recorded(truth, channel), Chain(**SETTINGS[f"rhythm_of_{name}"]), **SETTINGS[f"compressions_from_{name}"])
    assert spans_of(seen.events).seconds >= least * (truth.compressions[-1].time_s - truth.compressions[0].time_s)


@pytest.mark.parametrize("count", [0, 1, 2, 30])
def test_few_compressions_tell_nothing(count):
    assert not spans_of(even(count))
