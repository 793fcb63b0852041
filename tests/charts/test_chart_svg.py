"""A process-behaviour chart as SVG: what is drawn, told apart by shape, with words for who cannot see it."""

import xml.etree.ElementTree as ET
from dataclasses import replace

import pandas as pd
import pytest

from qi.charts.chart_svg import in_scale, n_every, process_chart_svg, under_which
from qi.charts.process_behaviour import Drawn
from qi.charts.svg import width_of

SVG = "{http://www.w3.org/2000/svg}"


def drawn(values, *, n=12.0, excluded=(), **more):
    count = len(values)
    points = pd.DataFrame(
        {
            "label": [f"2031-{i + 1:02d}" for i in range(count)],
            "n": [n] * count,
            "value": values,
            "centre": [0.5] * count,
            "low": [0.2] * count,
            "high": [0.8] * count,
            "excluded": [i in excluded for i in range(count)],
        }
    )
    plain = {"runs": frozenset(), "beyond": frozenset(), "sections": [(0, count - 1, "")]} | more
    return Drawn("Share", "50 % in 2031-12", "no signal", "chest", "%", 100.0, points, [""] * count, **plain)


def parts(svg, kind):
    return ET.fromstring(svg).findall(f".//{SVG}{kind}")


def words(svg):
    return [one.text for one in parts(svg, "text")]


def test_signals_and_left_out_points_differ_in_shape():
    chart = drawn([0.4, 0.6, 0.9, 0.5], runs=frozenset({0, 1}), beyond=frozenset({2}), excluded={3})
    svg = process_chart_svg(chart, "Share by month")
    assert len(parts(svg, "polygon")) == 2
    assert len(parts(svg, "rect")) == 1
    (hollow,) = [one for one in parts(svg, "circle") if one.get("fill") == "#ffffff"]
    assert hollow.get("stroke")


def test_it_says_n_and_stands_for_itself_in_words():
    svg = process_chart_svg(drawn([0.4, 0.6], n=17.0), "Share by month", words="Half & half")
    assert words(svg).count("17") == 2
    assert ET.fromstring(svg).findtext(f"{SVG}title") == "Share by month"
    assert ET.fromstring(svg).findtext(f"{SVG}desc") == "Half & half"


def test_phases_show_their_reason_and_part_the_centre():
    chart = drawn([0.4] * 3 + [0.6] * 3, sections=[(0, 2, ""), (3, 5, "training <in> April")])
    svg = process_chart_svg(chart, "Share")
    assert any((text or "").startswith("training <in>") for text in words(svg))


def test_a_missing_value_breaks_the_line():
    whole = parts(process_chart_svg(drawn([0.4, 0.5, 0.6, 0.5]), "Share"), "polyline")
    broken = parts(process_chart_svg(drawn([0.4, 0.5, float("nan"), 0.5, 0.6]), "Share"), "polyline")
    assert (len(whole), len(broken)) == (1, 2)


@pytest.mark.parametrize("values", [[], [0.5], [float("nan")] * 3, [0.0, 0.0], [-3.0, 5.0]])
def test_edges(values):
    assert ET.fromstring(process_chart_svg(drawn(values), "Share")).tag == f"{SVG}svg"


def test_grey_has_no_colour():
    svg = process_chart_svg(drawn([0.4, 0.6], runs=frozenset({0})), "Share", grey=True)
    used = {one.get(name) for kind in ("polygon", "circle", "polyline") for one in parts(svg, kind) for name in ("fill", "stroke")}
    shades = {one for one in used if one and one.startswith("#")}
    assert shades
    assert all(len({one[1:3], one[3:5], one[5:7]}) == 1 for one in shades)


def test_it_refers_to_no_other_file():
    svg = process_chart_svg(drawn([0.4, 0.6]), "Share")
    assert "href" not in svg
    assert "url(" not in svg


def counted(svg, bottom):
    """The numbers in the row of n."""
    return [one.text for one in parts(svg, "text") if float(one.get("y")) == bottom and one.get("text-anchor") == "middle"]


@pytest.mark.parametrize(
    ("count", "n", "width", "every"), [(12, 12.0, 520.0, 1), (34, 12.0, 520.0, 1), (34, 12.0, 200.0, 2), (34, 1200.0, 200.0, 4)]
)
def test_n_stands_under_as_many_points_as_have_room_and_it_is_said_under_which(count, n, width, every):
    chart = drawn([0.5] * count, n=n)
    svg = process_chart_svg(chart, "Share", width=width, height=280.0)
    assert n_every(chart, width) == every
    assert len(counted(svg, 280.0 - 24.0 + 18)) == len(range(0, count, every))
    assert under_which(every) == {1: "it", 2: "every second point", 4: "every fourth point"}[every]


def test_a_chart_of_rates_says_that_what_stands_under_it_are_minutes():
    svg = process_chart_svg(drawn([0.4, 0.6], n=269.0, n_name="min of CPR"), "Rate")
    assert "min" in words(svg)
    assert "n" not in words(svg)


def test_it_is_known_whether_the_limit_lies_in_the_picture():
    assert in_scale(drawn([0.4, 0.9], limit=(0.6, None, "asked for: at least 60 %")))
    assert not in_scale(drawn([0.4, 0.9], limit=(3.0, None, "asked for: at least 300 %")))


@pytest.mark.parametrize("unit", ["%", "per min of CPR"])
def test_the_unit_begins_inside_the_picture(unit):
    chart = replace(drawn([0.4, 0.6]), unit=unit)
    (text,) = [one for one in parts(process_chart_svg(chart, "Rate"), "text") if one.text == unit]
    wide = width_of(unit, float(text.get("font-size"))) if text.get("text-anchor") == "end" else 0.0
    assert float(text.get("x")) - wide >= 0
