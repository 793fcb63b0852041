"""The case in one picture: every pause over the limit in words, lanes for what there is, no colour needed, nothing outside."""

import re
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from qi import pipeline
from qi.charts.case_picture import case_picture, in_words
from qi.charts.picture_frame import rows_of
from qi.charts.picture_lanes import cause

SAMPLES = Path(__file__).parents[2] / "sample_cases"
CASES = sorted(path.name for path in SAMPLES.glob("rv-*") if path.is_dir())
SPACE = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module", params=CASES)
def review(request):
    return pipeline.measure_case(SAMPLES / request.param)


def texts(picture):
    return [one.text for one in ET.fromstring(picture).iter(f"{SPACE}text") if not one.get("aria-hidden")]


def test_pauses_over_the_limit_are_named_with_seconds_and_cause(review):
    picture = case_picture(review, width=680, height=205)
    long = review.findings.pauses.query("seconds > @limit", local_dict={"limit": review.protocol.values["long_pause_s"]})
    said = texts(picture)
    for row in long.itertuples():
        assert f"{row.seconds:.0f} s {cause(row.cause)}" in said
        assert f"{row.seconds:.0f} s at " in in_words(review)
    assert any("pause over" in one for one in said) == bool(len(long))


def test_everything_stands_inside_the_picture(review):
    root = ET.fromstring(case_picture(review, width=680, height=205))
    width, height = (float(part) for part in root.get("viewBox").split()[2:])
    for one in root.iter():
        for name, most in (
            ("x", width),
            ("x1", width),
            ("x2", width),
            ("cx", width),
            ("y", height),
            ("y2", height),
            ("cy", height),
        ):
            if one.get(name):
                assert -0.01 <= float(one.get(name)) <= most + 0.01, (one.tag, one.attrib)


def test_there_is_a_lane_for_what_was_recorded_and_none_for_what_was_not(review):
    said = texts(case_picture(review, width=680, height=205))
    assert ("CO2" in said) == bool(review.findings.exhalations.size or review.findings.ventilations["etco2_mmhg"].notna().any())
    assert ("not recorded" in said) == (not review.findings.ventilations_known)
    assert said.count("ROSC") == len([one for one in review.findings.course.rosc])
    energies = [f"{value:.0f} J" for value in review.findings.shocks["energy_j"].dropna()]
    assert all(one in said for one in energies)
    assert "minutes from the first compression" in said


def test_in_grey_only_greys_are_used_and_all_the_words_stay(review):
    colour, grey = (case_picture(review, width=680, height=205, grey=grey) for grey in (False, True))
    assert texts(colour) == texts(grey)
    used = set(re.findall(r"#[0-9a-f]{6}", grey))
    tinted = {one for one in used if max(_parts(one)) - min(_parts(one)) > 24}  # ink and paper tones are nearly grey
    assert not tinted
    assert {one for one in re.findall(r"#[0-9A-Fa-f]{6}", colour) if max(_parts(one)) - min(_parts(one)) > 24}


def _parts(colour):
    return [int(colour[at : at + 2], 16) for at in (1, 3, 5)]


def test_it_asks_no_host_and_names_nobody(review):
    picture = case_picture(review, width=680, height=205)
    assert re.findall(r"(?:href|src|url)\b", picture) == []
    assert picture.count("http") == 1  # the name of the format itself
    for who in review.case.facts.members:
        assert who not in picture


def test_a_case_without_any_sensor_is_drawn(tmp_path):
    (tmp_path / "events.csv").write_text(
        "time_s,type,value\n0,arrest_recognised,\n300,drug,epinephrine\n600,rosc,\n", encoding="utf-8"
    )
    said = texts(case_picture(pipeline.measure_case(tmp_path), width=680, height=205))
    assert "epi" in said
    assert "Chest" in said


def test_a_case_of_one_event_is_drawn(tmp_path):
    (tmp_path / "events.csv").write_text("time_s,type,value\n0,drug,epinephrine\n", encoding="utf-8")
    assert ET.fromstring(case_picture(pipeline.measure_case(tmp_path), width=680, height=205)).tag == f"{SPACE}svg"


def test_words_find_room_beside_one_another_or_shrink():
    labels = [
        (50.0, ("a long label", "short", "s")),
        (52.0, ("a long label", "short", "s")),
        (54.0, ("a long label", "short", "s")),
    ]
    placed = rows_of(labels, left=0, right=100, most=1, size=8)
    assert placed[0] == (0, 50.0, "a long label")
    assert len(placed) == 1
    assert [row for row, *_ in rows_of(labels, left=0, right=100, most=3, size=8)] == [0, 1, 2]
    assert rows_of([(0.0, ("word",))], left=0, right=100, most=1, size=8)[0][1] > 8
