"""Detectors may not do worse than the report that is committed; the report says how it was made."""

from functools import cache

import numpy as np
import pytest

from qi.detect import accuracy
from qi.measures import MEASURES
from qi.model.errors import QiError
from qi.model.vocabulary import CHANNELS
from tests.accuracy import report
from tests.accuracy.__main__ import REPORT, half_widths, one_case
from tests.accuracy.groups import figures, half_width
from tests.accuracy.scoring import Row
from tests.accuracy.sensors import SENSORS, Sensor, tune, why_not


@cache
def rows() -> tuple[Row, ...]:
    return tuple(row for case in report.RATCHET_CASES for row in one_case(case))


def made(**values) -> Row:
    """One row of a made-up case."""
    about = {"shape": "cosine", "hands": "hands", "ripple": "none", "loss": "none", "swing_ohm": 0.6}
    flags = {"moved": False, "mattress": False, "look_alikes": False}
    return Row(**{"sensor": SENSORS[0].name, "seed": 1000, **about, **flags, **values})


def test_no_detector_does_worse_than_the_committed_report():
    assert report.worse(rows(), report.committed(REPORT)) == []


def test_the_committed_report_speaks_of_every_detector_that_is_there():
    there = {sensor.name for sensor in SENSORS if why_not(sensor, tune()) is None}
    assert set(report.committed(REPORT)) == there


def test_a_worse_detector_is_named():
    kept = {SENSORS[0].name: (0.99, 0.1)}
    assert report.worse([made(hits=99, misses=1, compression_fraction=0.0005)], kept) == []
    assert report.worse([made(hits=90, misses=10, compression_fraction=0.0005)], kept)
    assert report.worse([made(hits=99, misses=1, compression_fraction=0.005)], kept)
    assert report.worse([], kept)


def test_the_report_says_which_command_made_it_and_what_was_missed():
    text = REPORT.read_text(encoding="utf-8")
    assert "Made by `python -m tests.accuracy --cases " in text.splitlines()[2]
    count = int(text.splitlines()[2].split("--cases ")[1].split("`")[0])
    assert count >= 200
    verdicts = [line.split("|")[-2].strip() for line in text.split("## Half-widths")[0].splitlines() if line.startswith("| ")][1:]
    assert len(verdicts) >= 40
    assert set(verdicts) <= {"met", "**missed**"}


def test_a_demand_is_met_or_missed_by_its_direction():
    assert not report.missed(0.98, 0.98, "f1")
    assert report.missed(0.979, 0.98, "f1")
    assert report.missed(-1.1, 1.0, "fraction_bias")
    assert not report.missed(-0.9, 1.0, "fraction_bias")
    assert report.missed(float("nan"), 1.0, "fraction_bias")


def test_a_half_width_holds_95_percent_of_further_cases():
    """Split-conformal: the ceil((n + 1) · 0.95)-th smallest of n; none where that is more than n (signals note, section 5)."""
    assert half_width(range(1, 20)) == 19
    assert half_width(range(1, 19)) is None
    assert half_width(range(1, 100)) == 95
    rng = np.random.default_rng(3)
    held = [np.mean(np.abs(rng.normal(0, 1, 200)) <= half_width(rng.normal(0, 1, 125))) for _ in range(200)]
    assert np.mean(held) == pytest.approx(0.95, abs=0.01)


def test_figures_of_a_group():
    """10 hits, 2 misses, 3 false alarms: sensitivity 10/12, PPV 10/13; limits of agreement are the mean ± 1.96 SD."""
    group = [
        made(hits=6, misses=2, false=1, compression_fraction=0.01, bounds=(0.6, 0.7, 0.65), known_share=1.0),
        made(hits=4, misses=0, false=2, compression_fraction=-0.03, bounds=(0.6, 0.7, 0.72), known_share=0.8, seed=1001),
    ]
    found = figures(group, 0.02)
    assert (found.sensitivity, found.ppv) == pytest.approx((10 / 12, 10 / 13))
    assert found.fraction_bias == pytest.approx(-1.0)
    assert found.fraction_high == pytest.approx(-1.0 + 1.96 * np.sqrt(8))
    assert (found.bounds_alone, found.bounds) == (0.5, 1.0)
    assert found.known == pytest.approx(0.9)


def test_half_widths_come_from_even_seeds():
    group = [made(seed=seed, compression_rate=100.0 if seed % 2 else 0.5) for seed in range(60)]
    assert half_widths(group)["compression_depth"]["compression_rate"] == pytest.approx(0.5, abs=0.011)


def test_a_detector_that_is_not_there_is_left_out_in_words():
    lost = Sensor("x", "compressions", "ecg", "no_such_module", "f", "s", 0.1, (0.0, 0.0))
    assert why_not(lost, {}) == "qi.detect.no_such_module is not there"
    assert "no settings" in str(why_not(SENSORS[0], {}))


def test_the_half_widths_that_come_with_the_app_can_be_read():
    held = accuracy.load()
    assert set(held) <= set(CHANNELS)
    assert {measure for some in held.values() for measure in some} <= {measure.id for measure in MEASURES}
    assert 0 < held["compression_depth"]["compression_fraction"] < held["thoracic_impedance"]["compression_fraction"] < 0.1


def test_a_half_width_that_is_no_number_is_refused(tmp_path):
    bad = tmp_path / "bad.toml"
    bad.write_text("[ecg]\ncompression_rate = -1\n", encoding="utf-8")
    with pytest.raises(QiError, match="compression_rate is -1"):
        accuracy.load(bad)
