"""The small SVG writer: sound XML, text escaped, greys as light as the colours they stand for."""

import xml.etree.ElementTree as ET

import pytest

from qi.charts import svg
from qi.charts.colours import ACCENTS


def test_words_are_escaped_wherever_they_stand():
    odd = "<script>&\"'</script>"
    whole = svg.drawing(100, 50, [svg.text(1, 2, odd, halo=True)], title=odd, words=odd)
    root = ET.fromstring(whole)
    assert [one.text for one in root] == [odd] * 4
    assert "<script>" not in whole


def test_nothing_is_drawn_where_there_is_nothing():
    assert svg.rect(0, 0, 0, 5) == svg.polygon([(0, 0)], fill="#000000") == svg.polyline([], stroke="#000000") == ""
    assert svg.hatched(0, 0, 0, 5) == svg.lines([], stroke="#000000") == ""


def test_hatching_stays_inside_its_stretch():
    path = ET.fromstring(f"<g>{svg.hatched(10, 20, 30, 8)}</g>")[0].get("d")
    numbers = [tuple(map(float, point.split())) for point in path.replace("M", " L").split("L")[1:] if point.strip()]
    assert numbers
    assert all(10 <= x <= 40 and 20 <= y <= 28 for x, y in numbers)


@pytest.mark.parametrize("meaning", ACCENTS)
def test_a_grey_is_as_light_as_its_colour(meaning):
    """Relative luminance of WCAG 2.1 (from memory), worked out here anew."""

    def light(colour):
        parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
        linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    grey = svg.colour(meaning, grey=True)
    assert grey[1:3] == grey[3:5] == grey[5:7]
    assert light(grey) == pytest.approx(light(ACCENTS[meaning]["light"]), abs=0.01)


def test_lighter_goes_to_white():
    assert svg.lighter("#102030", 0) == "#102030"
    assert svg.lighter("#102030", 1) == "#ffffff"


def test_sentences_stand_under_a_picture_in_rows_that_fit():
    plain = svg.drawing(200, 50, [svg.text(2, 10, "Share")], title="Share by month")
    notes = ["A point is a month & the line its centre.", "word " * 40]
    made = ET.fromstring(svg.over_lines(plain, notes))
    rows = [one for one in made.findall("{http://www.w3.org/2000/svg}text")]
    assert " ".join(one.text for one in rows) == " ".join(" ".join(notes).split())
    assert all(50 < float(one.get("y")) < float(made.get("height")) for one in rows)
    assert all(svg.width_of(one.text, float(one.get("font-size"))) <= 196 for one in rows)
    assert svg.alternative_title(svg.over_lines(plain, notes)) == "Share by month"
    assert svg.over_lines(plain, []) == plain
