"""The case in one picture: every pause over the limit in words, lanes for what there is, no colour needed, nothing outside."""

import re
import shutil
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from qi import pipeline
from qi.charts.case_picture import case_picture, in_words
from qi.charts.picture_frame import Frame, rows_of
from qi.charts.picture_lanes import SMALL, _pieces, cause
from qi.charts.svg import width_of
from qi.model.spans import Span

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


DEEP, BY_STROKE, FLAT = "as deep as they pressed", "by the stroke: depth not measured", "hands on the chest, depth not measured"


def of_infant(folder, name):
    """A sample case whose patient is six months old."""
    place = shutil.copytree(SAMPLES / name, folder / name)
    header = place / "case.toml"
    text = re.sub(r"age_years = .*", "age_years = 0.5", header.read_text(encoding="utf-8"))
    header.write_text(text.replace('protocol = "child-2020"', ""), encoding="utf-8")
    review = pipeline.measure_case(place)
    assert review.protocol.name == "infant-2020"
    return review


def with_depths(review, change):
    """The case with other depths of its compressions."""
    table = review.findings.compressions
    return replace(review, findings=replace(review.findings, compressions=table.assign(depth_mm=change(table))))


def said_of_depth(review):
    said = texts(case_picture(review, width=680, height=205))
    return [one for one in said if "pressed" in one or "measured" in one], "depth asked for" in said


def test_an_infants_depth_is_told_where_it_was_measured_and_nowhere_else(tmp_path):
    """The child's case has a sensor of the stroke alone, for which depth is not measurable; the adult's one of depth."""
    assert said_of_depth(of_infant(tmp_path, "rv-2031-0131")) == ([f"hands on the chest, {BY_STROKE}"], False)
    deep = of_infant(tmp_path, "rv-2031-0107")
    assert said_of_depth(deep) == ([f"hands on the chest, {DEEP}"], True)
    assert said_of_depth(with_depths(deep, lambda table: np.nan)) == ([FLAT], False)


def test_a_ribbon_is_flat_and_pale_just_where_no_depth_was_measured():
    """Minutes 10 to 12 of 20 without depth, and one compression in four elsewhere: nobody may read a depth off that stretch."""
    review = pipeline.measure_case(SAMPLES / "rv-2031-0107")
    lost = with_depths(
        review, lambda table: table["depth_mm"].mask(table["time_s"].between(600, 720) | (table.index % 4 == 0)).to_numpy()
    )
    assert said_of_depth(lost) == (["hands on the chest, as deep as they pressed", "depth not measured"], True)
    frame = Frame(lost, review.findings.arrest.hull, 0.0, 70.0, 676.0, grey=False)
    pale = [piece for piece in _pieces(frame) if not piece.measured]
    assert min(piece.edges_s[0] for piece in pale) == pytest.approx(600, abs=5)
    assert max(piece.edges_s[-1] for piece in pale) == pytest.approx(720, abs=5)
    runs = review.findings.runs.clip(Span(600.0, 720.0)).seconds
    assert sum(piece.edges_s[-1] - piece.edges_s[0] for piece in pale) == pytest.approx(runs, rel=0.05)
    deep = np.concatenate([piece.depths_mm for piece in _pieces(frame) if piece.measured])
    assert np.isfinite(deep).all()


def test_a_stroke_beside_measured_depths_is_not_drawn_as_one():
    review = pipeline.measure_case(SAMPLES / "rv-2031-0107")
    early = review.findings.compressions["time_s"] < 300
    table = review.findings.compressions.assign(sensor=np.where(early, "stroke", review.findings.compressions["sensor"]))
    both = replace(review, findings=replace(review.findings, compressions=table, strokes=frozenset({"stroke"})))
    assert said_of_depth(both) == (["hands on the chest, as deep as they pressed", "depth not measured"], True)


def test_what_the_shapes_mean_has_room_on_one_line(review):
    root = ET.fromstring(case_picture(review, width=680, height=205))
    said = [
        one
        for one in root.iter(f"{SPACE}text")
        if one.text and one.text.startswith(("hands on", "depth", "not known", "pause over"))
    ]
    assert said
    assert all(float(one.get("x")) + width_of(one.text, SMALL) <= 680 for one in said)


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
