"""Compression measures: answers that follow from how the data were made, and their edges."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from qi.measures import MEASURES
from qi.measures import compressions as measured
from qi.model.errors import NotMeasurable
from qi.model.spans import Spans
from tests.measures.made import GAP_S, case, compressions, events, findings, train


def fraction(found):
    return measured.compression_fraction(found.compressions, found.runs, found.arrest, found.unknown)


def test_unknown_time_is_neither_flow_nor_pause():
    """measures.md section 1: value C/(C+N), coverage (C+N)/T, low C/T, high (C+U)/T."""
    pressed = compressions(np.r_[train(0, 100, 0.5), train(75, 50, 0.5)])  # 0-50 and 75-100 s
    found = findings(pressed, (0.0, 100.0), known=[(0, 60), (70, 100)])
    answer = fraction(found)
    assert answer.value == pytest.approx(75 / 90)
    assert (answer.low, answer.high, answer.coverage) == pytest.approx((0.75, 0.85, 0.9))


def test_no_arrest_and_nothing_known_are_answers():
    with pytest.raises(NotMeasurable, match="no arrest span"):
        fraction(findings(compressions([]), (0.0, 0.0)))
    with pytest.raises(NotMeasurable, match="no sensor") as answer:
        fraction(findings(compressions([]), (0.0, 100.0), known=[]))
    assert (answer.value.low, answer.value.high, answer.value.coverage) == (0.0, 1.0, 0.0)


def test_one_compression_counts_for_one_cycle():
    answer = fraction(findings(compressions([10.0], 0.5), (0.0, 20.0)))
    assert answer.value == pytest.approx(0.5 / 20)
    assert answer.n == 1


def test_first_five_minutes_are_those_of_the_first_span():
    pressed = compressions(np.r_[train(100, 300, 0.5), train(600, 300, 0.5)])  # 100-250 s, 600-750 s
    found = findings(pressed, (100.0, 800.0))
    answer = measured.compression_fraction_5min(found.compressions, found.runs, found.arrest, found.unknown)
    assert answer.value == pytest.approx(150 / 300)


def test_fraction_by_minute_adds_up_to_the_whole():
    pressed = compressions(np.r_[train(0, 100, 0.5), train(65, 100, 0.5), train(121, 40, 0.5)])
    found = findings(pressed, (0.0, 150.0))
    minutes = measured.compression_fraction_minute(found.compressions, found.runs, found.arrest, found.unknown)
    assert [number.of for number in minutes] == ["1", "2", "3"]
    seconds = [60, 60, 30]
    whole = sum(number.value * length for number, length in zip(minutes, seconds, strict=True)) / 150
    assert whole == pytest.approx(fraction(found).value)


def test_rate_leaves_out_intervals_over_pauses_unknown_time_and_span_edges():
    times = np.r_[train(0, 20, 0.5), train(15, 20, 0.6)]
    found = findings(compressions(times), (0.0, 40.0), known=[(0, 18.0), (20.0, 40.0)])
    rate = measured.compression_rate(found.compressions, found.arrest, found.unknown, gap_s=GAP_S)
    steps = [0.5] * 19 + [0.6] * sum(1 for a, b in pairwise(times[20:]) if b <= 18 or a >= 20)
    assert rate.value == pytest.approx(60 / np.mean(steps))
    assert rate.n == len(steps)


def test_both_edges_of_the_rate_band_count_as_inside():
    """Guideline range 100 to 120, both included (AHA 2020: secondary note)."""
    times = np.cumsum([10, 0.5, 0.6, 0.49, 0.61])
    found = findings(compressions(times), (0.0, 20.0))
    share = measured.rate_in_band(found.compressions, found.arrest, found.unknown, gap_s=GAP_S, rate_band_per_min=(100.0, 120.0))
    assert share.value == pytest.approx(0.5)
    assert len(share.spans_s) == 2


def lean(found, **limits):
    return measured.released_fraction(
        found.compressions, found.arrest, found.unknown, found.machine, **({"lean_force_n": 24.5, "lean_depth_mm": 5.0} | limits)
    )


def test_force_decides_on_leaning_where_it_was_recorded():
    """2.5 kgf = 24.5 N: Niles et al., Resuscitation 80 (2009) 553 (abstract read)."""
    force = np.r_[[24.5, 24.6, 10.0], [np.nan] * 3]
    pressed = compressions(train(0, 6, 0.5), residual_n=force, residual_mm=[9.0, 0.0, 9.0, 5.0, 5.1, np.nan])
    answer = lean(findings(pressed, (0.0, 3.0)))
    assert answer.n == 5
    assert answer.value == pytest.approx(3 / 5)
    assert answer.coverage == pytest.approx(5 / 6)


def test_leaning_cannot_be_seen_without_force_or_absolute_depth():
    with pytest.raises(NotMeasurable, match="force sensor"):
        lean(findings(compressions(train(0, 6, 0.5), depth_mm=50.0), (0.0, 3.0)))


def test_stroke_is_told_apart_from_depth():
    sensors = ["compression_depth (absolute)"] * 2 + ["compression_depth (stroke)"] * 2
    pressed = compressions(train(0, 4, 0.5), depth_mm=[50.0, 54.0, 40.0, 42.0], sensor=sensors)
    found = findings(pressed, (0.0, 2.0), strokes=frozenset(["compression_depth (stroke)"]))
    plain, stroke = measured.compression_depth_mm(found.compressions, found.arrest, found.unknown, found.machine, found.strokes)
    assert (plain.value, plain.of, stroke.value, stroke.of) == (52.0, None, 41.0, "stroke")
    band = measured.depth_in_band(
        found.compressions, found.arrest, found.unknown, found.machine, found.strokes, depth_band_mm=(50.0, 60.0)
    )
    assert (band.value, band.n) == (1.0, 2)


def test_depth_under_a_machine_is_not_judged():
    happened = events((0.0, "device_on", "mechanical_cpr"))
    found = findings(compressions(train(1, 4, 0.5), depth_mm=53.0), (0.0, 4.0), happened=happened)
    (answer,) = measured.compression_depth_mm(found.compressions, found.arrest, found.unknown, found.machine, found.strokes)
    assert answer.value is None
    assert "machine" in answer.reason


def test_all_three_at_once_leaves_out_the_first_of_a_run():
    pressed = compressions(
        np.r_[10.0, 10.5, 11.0, 11.7, 20.0, 20.5],
        depth_mm=[55.0, 55.0, 40.0, 55.0, 55.0, 55.0],
        residual_mm=[0.0, 0.0, 0, 0, 0, 9.0],
    )
    found = findings(pressed, (9.0, 21.0))
    answer = measured.fully_guideline_fraction(
        found.compressions,
        found.arrest,
        found.unknown,
        found.machine,
        found.strokes,
        gap_s=GAP_S,
        rate_band_per_min=(100.0, 120.0),
        depth_band_mm=(50.0, 60.0),
        lean_force_n=24.5,
        lean_depth_mm=5.0,
    )
    assert answer.n == 4  # 10.5 good; 11.0 shallow; 11.7 at 86 per min; 20.5 leaning
    assert answer.value == pytest.approx(1 / 4)


def test_turns_are_counted_between_charted_changes_of_one_span():
    happened = events(*((at, "compressor_changed") for at in (60.0, 180.0, 310.0, 900.0)))
    found = findings(compressions(train(0, 10, 0.5)), (0.0, 400.0), happened=happened)
    median, longest = measured.compressor_turn_s(found.case, found.arrest)
    assert (median.value, longest.value, longest.of, median.n) == (125.0, 130.0, "longest", 2)
    with pytest.raises(NotMeasurable, match="not charted"):
        measured.compressor_turn_s(case(), found.arrest)


def test_a_rhythm_as_regular_as_a_machines_is_told_apart_and_still_measured():
    """A sensor that sees the strokes of an uncharted machine lies under it: depth stays measurable, hands and machine are split."""
    pressed = compressions(train(0, 200, 0.5), depth_mm=53.0)
    found = replace(findings(pressed, (0.0, 100.0)), by_rhythm=Spans.of([(0.0, 60.0)]))
    (depth,) = measured.compression_depth_mm(found.compressions, found.arrest, found.unknown, found.machine, found.strokes)
    assert depth.value == 53.0
    row = next(one for one in MEASURES if one.id == "compression_fraction")
    answers = {answer.of: answer.value for answer in row.ask(found, {})}
    assert set(answers) == {None, "manual", "mechanical"}
