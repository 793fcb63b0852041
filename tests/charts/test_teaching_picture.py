"""Pictures for a wall: axes of one length, letters large enough, colours for a dark ground, all inside the picture."""

import re
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from qi import pipeline
from qi.charts import svg, teaching_picture
from qi.charts.case_picture import stretch_of
from qi.charts.teaching_picture import ALONE, GROUNDS, STACKED, as_dark, pictures

SAMPLES = Path(__file__).parents[2] / "sample_cases"
SPACE = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def reviews():
    return [pipeline.measure_case(path) for path in sorted(SAMPLES.glob("rv-*")) if path.is_dir()]


def minutes(picture):
    """Where each minute of the axis stands."""
    texts = ET.fromstring(picture).iter(f"{SPACE}text")
    return {one.text: float(one.get("x")) for one in texts if one.get("font-size") == "9" and re.fullmatch(r"-?\d+", one.text)}


def test_a_minute_is_as_long_in_every_picture_of_several(reviews):
    found = [minutes(picture) for picture in pictures(reviews)]
    for other in found[1:]:
        both = sorted(set(found[0]) & set(other), key=int)
        assert len(both) >= 3
        assert [other[minute] for minute in both] == pytest.approx([found[0][minute] for minute in both], abs=0.02)


def test_a_shorter_case_ends_earlier_and_the_longest_takes_the_whole_width(reviews):
    ends = [stretch_of(review)[1] for review in reviews]
    edges = []
    for picture in pictures(reviews):
        lines = [one for one in ET.fromstring(picture).iter(f"{SPACE}line") if one.get("y1") == one.get("y2")]
        edges.append(max(float(one.get("x2")) for one in lines))
    assert max(edges) == pytest.approx(STACKED[0] - 4, abs=0.1)
    assert sorted(range(len(ends)), key=ends.__getitem__) == sorted(range(len(edges)), key=edges.__getitem__)
    assert min(edges) < max(edges) - 20


def test_one_case_alone_is_drawn_with_the_largest_letters(reviews):
    alone, several = pictures(reviews[:1])[0], pictures(reviews[:3])[0]
    assert ALONE[0] < STACKED[0] < 680  # 680 is the width on a sheet of paper, with the same letters
    assert ">CO2<" in alone
    assert ">CO2<" not in several


@pytest.mark.parametrize("count", [1, 2, 3])
def test_everything_stands_inside_the_picture(reviews, count):
    for picture in pictures(reviews[-count:]):
        root = ET.fromstring(picture)
        width, height = (float(part) for part in root.get("viewBox").split()[2:])
        for one in root.iter():
            for names, most in ((("x", "x1", "x2", "cx"), width), (("y", "y1", "y2", "cy"), height)):
                assert all(-0.01 <= float(one.get(name)) <= most + 0.01 for name in names if one.get(name)), one.attrib


def contrast(one, other):
    """Contrast ratio of two colours (WCAG 2.1, from memory)."""

    def light(colour):
        parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
        linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    high, low = sorted((light(one), light(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_on_a_dark_ground_every_colour_has_its_counterpart_and_words_can_be_read(reviews):
    for light, dark in zip(pictures(reviews), pictures(reviews, dark=True), strict=True):
        used = {found[1].casefold() for found in teaching_picture._COLOUR.findall(light)}
        assert used <= {known.casefold() for known in teaching_picture._on_dark()}
        words = {one.get("fill") for one in ET.fromstring(dark).iter(f"{SPACE}text") if not one.get("aria-hidden")}
        assert words
        assert all(contrast(colour, GROUNDS["dark"]) >= 7 for colour in words)
        assert svg.PAPER not in dark


def test_the_words_of_a_picture_stay_as_they_are():
    picture = svg.drawing(10, 10, [svg.text(1, 1, f'fill="{svg.INK}"')], title="t")
    assert ET.fromstring(as_dark(picture)).find(f"{SPACE}text").text == f'fill="{svg.INK}"'
