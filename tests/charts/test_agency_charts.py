"""Charts of the agency draw what the statistics say: the same numbers, n in words, shapes beside colours, no small groups."""

import numpy as np
import pandas as pd
import pytest

from qi.charts import bundles as bundle_chart
from qi.charts import capture as capture_chart
from qi.charts import groups as group_chart
from qi.charts import incidence as incidence_chart
from qi.charts import outcomes as outcome_chart
from qi.charts import pause_causes as pause_chart
from qi.charts.colours import ACCENTS
from qi.trends.bundles import bundle, by_period, judge_bundle
from qi.trends.capture import by_sensor, capture
from qi.trends.funnel import expected_next_of, funnel
from qi.trends.groups import multiples
from qi.trends.incidence import DONE, NEVER, incidence
from qi.trends.observed_expected import observed_expected, ratios_table, reference_of
from qi.trends.outcomes import by_utstein, shares_table
from qi.trends.pause_causes import both
from tests.trends.cases import case, repeated, table

RATE = "compression_rate"


def words(chart):
    return " ".join(one.text or "" for one in chart.layout.annotations)


def plain(values):
    return [None if one is None or np.isnan(one) else pytest.approx(one) for one in values]


@pytest.fixture
def grouped():
    rows = [case(station="10", day=f"2031-0{1 + i % 3}-10", compression_rate=100.0 + i) for i in range(30)]
    rows += [case(station="2", day="2031-02-10", compression_rate=90.0 + i) for i in range(12)]
    return table(*rows, *(case(station="3", compression_rate=200.0) for _ in range(9)))


def test_small_multiples_share_one_scale_and_draw_the_medians(grouped):
    found = multiples(grouped, RATE, "station")
    chart = group_chart.multiples(found.rows, found.months, found.scale, unit="1/min", accent="chest")
    panels = {one.name: one for one in chart.data if one.name}
    assert list(panels) == ["2", "10"]
    months = found.months[found.months["group"] == "10"]
    assert list(panels["10"].y) == plain(months["median"])
    assert list(panels["10"].x) == ["2031-01-01", "2031-02-01", "2031-03-01"]
    ranges = {tuple(chart.layout[f"yaxis{at}"].range) for at in ("", "2", "3")}
    low, high = ranges.pop()
    assert not ranges
    assert low < found.scale[0] < found.scale[1] < high
    assert high < 200.0


def test_small_groups_are_a_count_alone_and_few_cases_are_hollow(grouped):
    found = multiples(grouped, RATE, "station")
    chart = group_chart.multiples(found.rows, found.months, found.scale, unit="1/min", accent="chest")
    assert words(chart).count("counts only") == 1
    assert "n 9" in words(chart)
    symbols = {one.name: one.marker.symbol for one in chart.data if one.name}
    assert symbols == {"2": "circle-open", "10": "circle"}
    band = next(one for one in chart.layout.shapes if one.type == "rect" and one.yref == "y3")
    row = found.rows.set_index("group").loc["10"]
    assert (band.y0, band.y1) == (row["low"], row["high"])


def test_a_name_is_never_markup(grouped):
    found = multiples(grouped.assign(station="<b>"), RATE, "station")
    chart = group_chart.multiples(found.rows, found.months, found.scale, unit="1/min", accent="chest")
    assert "&lt;b>" in words(chart)


def test_shares_are_drawn_as_percent_and_quarters_stand_at_their_first_day():
    cases = table(*(case(day=f"2031-0{1 + i % 6}-10", compression_fraction=0.5) for i in range(30)))
    found = multiples(cases, "compression_fraction", "station", every="quarter")
    chart = group_chart.multiples(found.rows, found.months, found.scale, unit="1", accent="chest")
    assert list(chart.data[0].x) == ["2031-01-01", "2031-04-01"]
    assert list(chart.data[0].y) == [50.0, 50.0]


def test_no_group_with_cases_enough_is_said_in_words():
    found = multiples(table(case(compression_rate=100.0)), RATE, "station")
    chart = group_chart.multiples(found.rows, found.months, found.scale, unit="1/min", accent="chest")
    assert not chart.data
    assert "enough cases" in words(chart)


def test_funnel_lines_are_the_limits_and_points_stand_in_order_of_names():
    counts = pd.DataFrame({"group": ["1", "2", "3", "4"], "count": [60, 70, 20, 5], "n": [100, 100, 25, 8], "missing": 0})
    found = funnel(counts, noun="stations")
    chart = group_chart.funnel(expected_next_of(found), found.lines, found.centre, cases="judged cases", accent="chest")
    points = chart.data[0]
    assert list(points.customdata) == ["1", "2", "3"]
    assert list(points.y) == plain(found.points["value"].iloc[:3] * 100.0)
    assert points.marker.symbol[2].endswith("-open")
    for name, column in (("95 % limits", "low_95"), ("99.8 % limits", "low_998")):
        drawn = next(one for one in chart.data if one.name == name and one.showlegend)
        assert list(drawn.x) == found.lines["n"].tolist()
        assert list(drawn.y) == plain(found.lines[column] * 100.0)
    centre = next(one for one in chart.data if one.name == "all together")
    assert set(centre.y) == {found.centre * 100.0}


def test_a_group_beyond_the_outer_limit_is_a_diamond():
    counts = pd.DataFrame({"group": ["a", "b", "c"], "count": [95, 60, 62], "n": [100, 100, 100], "missing": 0})
    found = funnel(counts, noun="stations")
    chart = group_chart.funnel(expected_next_of(found), found.lines, found.centre, cases="judged cases", accent="chest")
    beyond = found.points["lies"].eq("beyond the 99.8 % limit").tolist()
    assert [symbol == "diamond" for symbol in chart.data[0].marker.symbol] == beyond
    assert any(beyond)


def test_a_funnel_shows_each_group_drawn_in_beside_its_own_share():
    counts = pd.DataFrame({"group": ["a", "b", "c", "d"], "count": [95, 60, 22, 5], "n": [100, 100, 28, 8], "missing": 0})
    found = expected_next_of(made := funnel(counts, noun="stations"))
    chart = group_chart.funnel(found, made.lines, made.centre, cases="judged cases", accent="chest")
    bars = next(one for one in chart.data if one.name == group_chart.EXPECTED)
    assert list(bars.x) == [100, 100, 28]
    assert list(bars.y) == plain(found["expected"].iloc[:3] * 100.0)
    assert list(chart.data[0].customdata) == ["a", "b", "c"]
    own, usual = np.array(chart.data[0].y), made.centre * 100.0
    assert (abs(np.array(bars.y) - usual) < abs(own - usual)).all()
    assert "drawn in" in bars.name


def test_small_multiples_draw_the_median_drawn_in_as_a_dotted_line():
    rows = [case(station=str(at), compression_rate=90.0 + 6 * at + i % 9) for at in range(5) for i in range(20)]
    found = multiples(table(*rows), RATE, "station")
    chart = group_chart.multiples(found.rows, found.months, found.scale, unit="1/min", accent="chest")
    dotted = [one.y0 for one in chart.layout.shapes if one.type == "line" and one.line.dash == "dot"]
    assert dotted == plain(found.rows["drawn_in"])


def curve(found, label="", **more):
    return incidence_chart.Curve(label, f"n {found.n}", found.times_s, found.done, found.never, found.low, found.high, **more)


def test_incidence_draws_done_from_below_and_ended_without_it_from_above():
    found = incidence([30.0, 60.0, 90.0, 200.0], [DONE, DONE, NEVER, DONE])
    chart = incidence_chart.figure([curve(found)], marks_s=(60.0, 120.0, 180.0), accent="device")
    done = next(one for one in chart.data if one.name == "done")
    at = dict(zip(done.x, done.y, strict=True))
    assert at[0.5] == 25.0
    assert at[1.0] == 50.0
    assert at[200.0 / 60.0] == 75.0
    never = next(one for one in chart.data if one.name.startswith("ended without it"))
    assert dict(zip(never.x, never.y, strict=True))[1.5] == 75.0
    assert [one.x0 for one in chart.layout.shapes] == [1.0, 2.0, 3.0]
    assert "n 4" in words(chart)


def test_groups_share_a_scale_the_first_is_repeated_and_a_tiny_one_has_no_curve():
    found = incidence(np.linspace(10.0, 500.0, 40), [DONE] * 40)
    small = incidence([20.0] * 5, [DONE] * 5)
    told = [curve(found, "before"), curve(found, "after", few=True), curve(small, "unknown", counts_only=True)]
    chart = incidence_chart.figure(told, marks_s=(60.0,), accent="drug")
    assert {tuple(chart.layout[f"xaxis{at}"].range) for at in ("", "2", "3")} == {tuple(chart.layout.xaxis.range)}
    assert [one.yaxis for one in chart.data if one.name == "done, before"] == ["y2"]
    assert "counts only" in words(chart)
    assert not incidence_chart.figure(told[2:], marks_s=(), accent="drug").data


def test_many_steps_are_thinned_without_leaving_the_curve():
    times = np.sort(np.random.default_rng(1).uniform(0, 900, 20_000))
    found = incidence(times, [DONE] * 20_000)
    chart = incidence_chart.figure([curve(found)], marks_s=(), accent="drug")
    done = chart.data[0]
    assert len(done.x) <= incidence_chart.POINTS
    for minute, share in list(zip(done.x, done.y, strict=True))[::50]:
        assert share == pytest.approx(100.0 * (times <= minute * 60.0).mean(), abs=0.01)


def outcomes():
    rows = [case(survived_to_discharge="yes" if i % 4 == 0 else "no", witnessed="bystander", first_rhythm="VF") for i in range(40)]
    rows += [case(survived_to_discharge="no", witnessed="no", first_rhythm="asystole", station="3") for _ in range(15)]
    return table(*rows, *repeated(4, witnessed="ems", survived_to_discharge="yes"))


def test_outcome_shares_carry_wilson_intervals_and_counts():
    told = shares_table([(one.group.label, one.tally) for one in by_utstein(outcomes(), "survived_to_discharge")])
    chart = outcome_chart.shares(told, context=[(1, 0.326, "CARES 2017")])
    marks = chart.data[0]
    drawn = told[told["shown"] != "counts only"]
    assert list(marks.x) == plain(drawn["value"] * 100.0)
    assert list(marks.error_x.array) == plain((drawn["high"] - drawn["value"]) * 100.0)
    labels = " ".join(chart.layout.yaxis.ticktext)
    assert "10 of 40" in labels
    assert "4 of 4, counts only" in labels
    assert chart.data[1].hovertext[0] == "CARES 2017"
    grey = [symbol for symbol, shown in zip(marks.marker.symbol, drawn["shown"], strict=True) if shown == "grey"]
    assert set(grey) == {"circle-open"}


def test_ratios_stand_around_one_in_order_of_names():
    cases = outcomes()
    reference = reference_of(cases, "survived_to_discharge", name="all")
    told = ratios_table(observed_expected(cases, "survived_to_discharge", "station", reference))
    chart = outcome_chart.ratios(told)
    assert told["expected"].tolist() == [pytest.approx(14.0), 0.0]
    assert list(chart.data[0].x) == [pytest.approx(1.0)]
    assert "no ratio" in observed_expected(cases, "survived_to_discharge", "station", reference)[1].words()
    assert [text.partition("<br>")[0] for text in chart.layout.yaxis.ticktext] == ["2", "3"]
    assert (chart.layout.shapes[0].x0, chart.layout.shapes[0].x1) == (1, 1)


def test_outcomes_without_cases_are_said_in_words():
    assert "no case" in words(outcome_chart.shares(shares_table([])))
    tiny = shares_table([(one.group.label, one.tally) for one in by_utstein(table(case()), "any_rosc")])
    assert len(outcome_chart.shares(tiny).data[0].x) == 0


def test_capture_bars_are_the_counts_of_the_months():
    cases = table(*repeated(12, day="2031-03-05"), *repeated(3, day="2031-04-05", measurable=False, sensors="/"))
    found, sensors = capture(cases), by_sensor(cases)
    chart = capture_chart.figure(found.months, sensors)
    bars = {one.name: one for one in chart.data}
    for name in ("known", "recorded", "measurable"):
        assert list(bars[name].y) == found.months[name].tolist()
    assert list(bars["compression_depth"].y) == [100.0]
    assert "compressions seen by compression depth" in words(chart)
    assert bars["recorded"].marker.pattern.shape == "/"
    small = capture_chart.strip(found.months)
    assert [list(one.y) for one in small.data] == [list(bars[name].y) for name in ("known", "recorded", "measurable")]
    assert small.layout.height < 80


def test_bundle_panels_count_the_missing_by_themselves():
    told = {"pre_shock_pause_s__verdict": "met", "post_shock_pause_s__verdict": "met", "first_shock_s": 100.0}
    rows = repeated(12, **told, peri_shock_pause_s__verdict="met") + repeated(4, **told, peri_shock_pause_s__verdict="not met")
    cases = table(*rows, *repeated(4, **told), *repeated(2, **told, day="2031-09-01"))
    found = judge_bundle(cases, bundle("shocks"))
    periods = by_period(cases, found, every="quarter")
    parts = [bundle_chart.Part("all", "Every element", 0.75, 16, 6), bundle_chart.Part("peri", "Peri-shock pause", 0.75, 16, 6)]
    chart = bundle_chart.figure(parts, periods, accent="shock")
    met = [one for one in chart.data if one.name.startswith("met")]
    missing = [one for one in chart.data if one.name.startswith("missing")]
    assert list(met[1].y) == [75.0, None]
    assert list(missing[1].y) == [20.0, 100.0]
    assert list(met[1].x) == ["2031-01-01", "2031-07-01"]
    assert "75 %, n 16, missing 6" in words(chart)
    assert missing[0].marker.pattern.shape == "/"


def test_bundle_by_period_counted_by_hand():
    told = {"pre_shock_pause_s__verdict": "met", "post_shock_pause_s__verdict": "met", "first_shock_s": 100.0}
    cases = table(*repeated(12, **told, peri_shock_pause_s__verdict="met"), *repeated(3, **told, day=None))
    found = judge_bundle(cases, bundle("shocks"))
    periods = by_period(cases, found, every="month")
    assert periods["key"].tolist() == ["all", "pre", "post", "peri"]
    assert periods[["count", "n", "missing"]].to_numpy().tolist() == [[12, 12, 0]] * 4
    assert set(periods["period"]) == {"2031-03"}


def test_pause_causes_keep_their_two_orders_and_leave_the_unknown_last():
    causes = ["shock", "shock", "airway", "airway", "airway", None]
    pauses = pd.DataFrame({"key": list("112223"), "seconds": [50.0, 10.0, 4.0, 4.0, 4.0, 90.0], "cause": causes})
    seconds, count = both(pauses)
    chart = pause_chart.figure(seconds.rows, count.rows)
    left = chart.data[0]
    assert list(left.x) == plain(seconds.rows["share"] * 100.0)
    names = words(chart)
    assert names.index("shock · 60 s · 1 case") < names.index("airway · 12 s") < names.index("unknown · 90 s")
    assert names.index("airway · 3 ·") < names.index("shock · 2 ·")
    assert left.marker.pattern.shape == ("", "", "/")
    assert not pause_chart.figure(seconds.rows.iloc[:0], count.rows.iloc[:0]).data


@pytest.mark.parametrize("shade", ["light", "dark"])
def test_accents_follow_the_ground(grouped, shade):
    found = multiples(grouped, RATE, "station")
    chart = group_chart.multiples(found.rows, found.months, found.scale, unit="1/min", accent="breath", dark=shade == "dark")
    assert next(one for one in chart.data if one.name == "10").line.color == ACCENTS["breath"][shade]


def test_a_long_name_is_broken_over_its_panel_and_cut_beside_its_point():
    name = "airway pressure+compression depth/airway pressure"
    rows = [case(station=one, compression_rate=100.0) for one in (name, "b", "c") for _ in range(30)]
    cases = table(*rows)
    found = multiples(cases, RATE, "station")
    chart = group_chart.multiples(found.rows, found.months, found.scale, unit="1/min", accent="chest")
    lines = chart.layout.annotations[0].text.replace("<b>", "").replace("</b>", "").split("<br>")
    assert "".join(lines[:-1]).replace(" ", "") == name.replace(" ", "")
    assert max(len(line) for line in lines) <= 30
    counts = pd.DataFrame({"group": [name, "b"], "count": [50, 52], "n": [100, 100], "missing": 0})
    told = funnel(counts, noun="kinds of sensors")
    point = group_chart.funnel(expected_next_of(told), told.lines, told.centre, cases="judged cases", accent="chest").data[0]
    assert max(len(text) for text in point.text) == 20
    assert name in point.hovertext[0]
