"""Pauses, their causes, and the pauses around shocks: answers that follow from how the data were made."""

import numpy as np
import pytest

from qi.detect import pauses, shock_pauses
from qi.model.case import Case, Clock
from qi.model.spans import Spans
from qi.model.tables import EVENTS, make
from tests.measures.made import compressions, events, train

TUNE = {"cause_reach_s": 3.0, "least_breath_pause_s": 2.0, "longest_breath_pause_s": 15.0}
CLOCKS = {"monitor": Clock("monitor"), "near": Clock("near", uncertainty_s=2.0), "record": Clock("record", uncertainty_s=120.0)}
PRESSED = compressions(np.r_[train(0, 60, 0.5), train(40, 60, 0.5), train(74, 60, 0.5), train(110, 60, 0.5)])
HANDS = pauses.runs(PRESSED, gap_s=1.0)  # pauses 30-40, 70-74, 104-110
ALL = Spans.of([(0.0, 140.0)])


def one(*rows):
    return Case("t", None, clocks=CLOCKS, monitor_clock="monitor", events=events(*rows) if rows else make(EVENTS))


def found(*rows, shocks=(), breaths=(), known=ALL):
    return pauses.pauses(HANDS, ALL, known, one(*rows), np.array(shocks, float), np.array(breaths, float), **TUNE)


def test_runs_part_where_the_gap_is_reached():
    exact = compressions([0.0, 0.5, 1.5, 2.0])
    assert len(pauses.runs(exact, gap_s=1.0)) == 2
    assert len(pauses.runs(exact, gap_s=1.0 + 1e-9)) == 1
    assert pauses.runs(compressions([]), gap_s=1.0).seconds == 0


def test_lengths_and_unknown_causes():
    table, loose = found()
    assert table["seconds"].tolist() == pytest.approx([10.0, 4.0, 6.0])
    assert table["cause"].tolist() == ["unknown"] * 3
    assert not loose


def test_the_first_cause_follows_the_order_and_all_are_kept():
    table, _ = found((36.0, "rhythm_check"), (38.0, "airway_placed", "supraglottic"), shocks=[35.0], breaths=[71.0])
    assert table["cause"].tolist() == ["shock", "ventilation", "unknown"]
    assert table["causes"][0] == "shock airway rhythm_check"


@pytest.mark.parametrize(("at", "cause"), [(27.0, "pulse_check"), (43.0, "pulse_check"), (26.9, "unknown"), (43.1, "unknown")])
def test_an_event_reaches_three_seconds(at, cause):
    assert found((at, "pulse_check"))[0]["cause"][0] == cause


def test_an_event_on_another_clock_reaches_further_by_its_uncertainty():
    row = {"time_s": 44.9, "type": "access", "value": "io", "clock": "near"}
    assert found(row)[0]["cause"].tolist() == ["access", "unknown", "unknown"]


def test_a_clock_too_loose_to_tell_one_pause_from_another_tells_none():
    row = {"time_s": 36.0, "type": "airway_placed", "value": "tracheal_tube", "clock": "record"}
    table, loose = found(row)
    assert table["cause"].tolist() == ["unknown"] * 3
    assert "1 × airway" in loose[0]


def test_breaths_make_a_ventilation_pause_only_when_nothing_else_does():
    table, _ = found((72.0, "pulse_check"), breaths=[32.0, 71.0, 105.0, 107.0])
    assert table["cause"].tolist() == ["ventilation", "pulse_check", "ventilation"]


def test_charted_pause_causes_count():
    assert found((31.0, "pause", "moving"))[0]["cause"][0] == "moving"


def test_unknown_time_is_no_pause_and_is_said_beside_its_neighbour():
    table, _ = found(known=Spans.of([(0.0, 35.0), (38.0, 140.0)]))
    assert table["seconds"].tolist() == pytest.approx([5.0, 2.0, 4.0, 6.0])
    assert table["unknown_s"].tolist() == pytest.approx([3.0, 3.0, 0.0, 0.0])


def shocked(*at, pressed=PRESSED, known=ALL, arrest=ALL, rows=()):
    case = one(*[(time, "shock", "200") for time in at], *rows)
    given = shock_pauses.delivered(case, make_ecg(), same_shock_s=2.0)
    hands = pauses.runs(pressed, gap_s=1.0)
    return shock_pauses.around(given, pressed, hands, known, arrest, case, stack_compressions=3, rhythm_reach_s=180.0)


def make_ecg(*at):
    import pandas as pd

    return pd.DataFrame({"time_s": np.array(at, float), "sensor": ["ecg (test)"] * len(at)}).astype({"sensor": "str"})


def test_pre_post_and_peri():
    """Pre from the last release, post to the next onset: Cheskes et al., Resuscitation 85 (2014) 336 (digest read)."""
    row = shocked(36.0, rows=((32.0, "rhythm", "VF"), (80.0, "rhythm", "PEA"))).iloc[0]
    assert (row["pre_s"], row["post_s"], row["peri_s"], row["energy_j"]) == pytest.approx((6.0, 4.0, 10.0, 200.0))
    assert (row["rhythm_before"], row["rhythm_after"]) == ("VF", "PEA")
    assert row["hands_off_30_s"] == pytest.approx(6.0)


def test_shocks_without_compressions_between_them_are_one_stack():
    table = shocked(32.0, 38.0, 72.0)
    assert table["stack"].tolist() == [1.0, 1.0, 2.0]
    assert table["pre_s"].tolist() == pytest.approx([2.0, 2.0, 2.0])
    assert table["post_s"].tolist() == pytest.approx([2.0, 2.0, 2.0])


@pytest.mark.parametrize(("count", "stacks"), [(2, 1), (3, 2)])
def test_three_compressions_part_two_stacks(count, stacks):
    pressed = compressions(np.r_[train(0, 60, 0.5), train(34, count, 0.5), train(60, 60, 0.5)])
    assert shocked(32.0, 45.0, pressed=pressed)["stack"].nunique() == stacks


def test_a_shock_during_compressions_has_no_pause():
    row = shocked(15.0).iloc[0]
    assert (row["pre_s"], row["post_s"], row["peri_s"]) == (0.0, 0.0, 0.0)


def test_no_compressions_before_or_after_is_not_a_pause_of_zero():
    late = shocked(36.0, pressed=compressions(train(40, 60, 0.5)), arrest=Spans.of([(30, 140)])).iloc[0]
    assert np.isnan(late["pre_s"])
    assert late["post_s"] == pytest.approx(4.0)
    assert "before" in late["reason"]
    last = shocked(36.0, arrest=Spans.of([(0, 37)])).iloc[0]
    assert np.isnan(last["post_s"])
    assert "after" in last["reason"]


def test_unknown_time_beside_a_shock_leaves_that_side_open():
    row = shocked(36.0, known=Spans.of([(0, 31), (33, 140)])).iloc[0]
    assert np.isnan(row["pre_s"])
    assert "no sensor" in row["reason"]


def test_a_shock_timed_by_another_clock_has_no_pauses():
    row = shocked(rows=[{"time_s": 36.0, "type": "shock", "value": "200", "clock": "record"}]).iloc[0]
    assert np.isnan(row["pre_s"])
    assert "another clock" in row["reason"]


def test_the_ecg_adds_only_shocks_that_no_event_tells():
    case = one((36.0, "shock", "200"))
    table = shock_pauses.delivered(case, make_ecg(36.4, 72.0, 72.5), same_shock_s=2.0)
    assert table["time_s"].tolist() == [36.0, 72.0]
