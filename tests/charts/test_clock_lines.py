"""The picture of the clocks: marks where the moments are, threads that stand upright once the clocks are lined up."""

import numpy as np
import pandas as pd
import pytest

from qi.charts import clock_lines
from qi.charts.colours import ACCENTS
from qi.model.case import Case, Clock
from qi.model.clock_proposal import MEANINGS, MOMENTS, PAIRS, ClockProposal
from qi.model.tables import make

CLOCKS = {"r": Clock("r", uncertainty_s=120.0), "m": Clock("m"), "d": Clock("d", uncertainty_s=60.0)}
TIMES = [60.0, 180.0, 300.0]


def told(*rows):
    columns = dict(zip(("time_s", "clock", "meaning"), zip(*sorted(rows), strict=True), strict=True)) if rows else {}
    count = len(rows)
    return make(MOMENTS, **columns, key=["k"] * count, what=["shock"] * count, sort=["sharp"] * count, grain_s=np.zeros(count))


def proposal(offset_s=-420.0, *, sorts=("sharp", "sharp", "loose")):
    pairs = make(
        PAIRS,
        own_s=[time + 420.0 for time in TIMES],
        reference_s=TIMES,
        apart_s=[-420.0] * 3,
        residual_s=[-420.0 - offset_s] * 3,
        what=["shock"] * 3,
        meaning=["shock"] * 3,
        sort=list(sorts),
    )
    return ClockProposal("r", "m", offset_s, offset_s, 3, pairs, 0.0, 12.0, confidence="good")


CASE = Case("c", None, clocks=CLOCKS, monitor_clock="m")
TOLD = told(*((time, "m", "shock") for time in TIMES), *((time + 420.0, "r", "shock") for time in TIMES), (30.0, "d", "time"))
NOTHING = ClockProposal("d", "m", why_not="nothing")


def figure(*, after=False, **more):
    given = {"case": CASE, "told": TOLD, "proposals": [proposal(), NOTHING], "zero_s": 0.0} | more
    case, moments, proposals = given.pop("case"), given.pop("told"), given.pop("proposals")
    return clock_lines.figure(case, moments, proposals, after=after, **given)


def trace(chart, name):
    return next(one for one in chart.data if one.name == name)


def thread(chart, name):
    one = trace(chart, name)
    return list(zip(one.x[0::3], one.x[1::3], one.y[0::3], one.y[1::3], strict=True))


def test_one_line_a_clock_the_lead_clock_on_top():
    chart = figure()
    assert [text.partition("<br>")[0] for text in chart.layout.yaxis.ticktext] == ["m", "r", "d"]
    assert list(chart.layout.yaxis.tickvals) == [0, 1, 2]
    assert chart.layout.yaxis.range[0] > chart.layout.yaxis.range[1], "downwards"


def test_marks_stand_in_minutes_from_zero_and_move_with_the_proposal():
    now, then = (trace(figure(after=after, zero_s=60.0), "shock") for after in (False, True))
    assert sorted(zip(now.y, now.x, strict=True)) == [(0, 0), (0, 2), (0, 4), (1, 7), (1, 9), (1, 11)]
    assert sorted(zip(then.y, then.x, strict=True)) == [(0, 0), (0, 2), (0, 4), (1, 0), (1, 2), (1, 4)]
    assert trace(figure(after=True), "time point").x == (0.5,), "no proposal, not moved"


def test_threads_show_how_far_pairs_are_apart_and_stand_upright_after():
    now, then = figure(), figure(after=True)
    assert [own - reference for own, reference, *_ in thread(now, "pair")] == pytest.approx([7.0, 7.0])
    assert [own - reference for own, reference, *_ in thread(then, "pair")] == pytest.approx([0.0, 0.0])
    assert {(at, up) for *_, at, up in thread(now, "pair")} == {(1, 0)}
    assert len(thread(now, "weak pair")) == 1
    assert trace(now, "weak pair").line.dash == "dot"


def test_the_bar_is_as_long_as_the_half_width():
    def bars(chart):
        return {round(one.y[0]): one.error_x.value * 60 for one in chart.data if one.error_x.value}

    assert bars(figure()) == pytest.approx({1: 120.0, 2: 60.0})
    assert bars(figure(after=True)) == pytest.approx({1: 12.0, 2: 60.0})


def test_labels_say_what_is_added_and_the_half_width():
    assert "± 2:00 min" in figure().layout.yaxis.ticktext[1]
    assert "-7:00 min, ± 12.0 s" in figure(after=True).layout.yaxis.ticktext[1]


def test_every_meaning_has_a_shape_of_its_own_and_an_accent():
    shapes = [clock_lines.MARKS[meaning][1] for meaning in MEANINGS]
    assert len(set(shapes)) == len(shapes)
    assert {accent for accent, _ in clock_lines.MARKS.values()} <= set(ACCENTS)


@pytest.mark.parametrize("dark", [False, True])
def test_colours_follow_the_ground(dark):
    assert trace(figure(dark=dark), "shock").marker.color == ACCENTS["shock"]["dark" if dark else "light"]


def test_a_clock_far_off_is_told_in_words_and_leaves_the_picture_readable():
    rows = [(time, "m", "shock") for time in TIMES] + [(time + 86400.0, "r", "shock") for time in TIMES]
    chart = figure(told=told(*rows), proposals=[])
    assert chart.layout.xaxis.range[1] < 10
    assert any("h later" in one.text for one in chart.layout.annotations)
    early = figure(told=told(*((t, c, w) if c == "m" else (t - 2 * 86400.0, c, w) for t, c, w in rows)), proposals=[])
    assert any("24.0 h earlier" in one.text or "23.9 h earlier" in one.text for one in early.layout.annotations)


def test_an_hour_off_is_still_drawn():
    rows = [(time, "m", "shock") for time in TIMES] + [(time + 3600.0, "r", "shock") for time in TIMES]
    assert figure(told=told(*rows), proposals=[]).layout.xaxis.range[1] > 65


def test_a_clock_that_nothing_placed_says_so_until_it_is():
    clocks = {**CLOCKS, "r": Clock("r", 0.0, float("inf"), "not placed", placed=False)}
    case = Case("c", None, clocks=clocks, monitor_clock="m")
    assert "not placed" in figure(case=case).layout.yaxis.ticktext[1]
    assert "not placed" not in figure(case=case, after=True).layout.yaxis.ticktext[1]
    assert any(shape.line.dash == "dash" for shape in figure(case=case).layout.shapes)


def test_long_names_are_shortened_and_a_silent_clock_is_named():
    name = "a_very_long_name_of_a_file_of_the_second_unit.xml"
    case = Case("c", None, clocks={"m": Clock("m"), name: Clock(name, uncertainty_s=60.0)}, monitor_clock="m")
    chart = figure(case=case, proposals=[])
    assert len(chart.layout.yaxis.ticktext[1].partition("<br>")[0]) <= 24
    assert any(one.text == "tells of no moment" for one in chart.layout.annotations)


def test_nothing_told_gives_a_sentence():
    chart = figure(told=told(), proposals=[])
    assert [one.text for one in chart.layout.annotations] == ["No clock tells of any moment."]
    assert not chart.data


def test_the_table_beside_it():
    table = clock_lines.pairs(proposal(-418.0), zero_s=60.0)
    expected = pd.DataFrame(
        {
            "moment": ["shock"] * 3,
            "by this clock": ["7:00", "9:00", "11:00"],
            "by the reference": ["0:00", "2:00", "4:00"],
            "apart now (s)": [-420.0] * 3,
            "left over (s)": [-2.0] * 3,
            "evidence": ["counts", "counts", "weak"],
        }
    )
    pd.testing.assert_frame_equal(table, expected, check_dtype=False)
    assert clock_lines.pairs(NOTHING).empty
