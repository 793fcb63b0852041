"""The walkthrough opens on good, empty and broken cases, and says what the command line says."""

import shutil
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from qi import pipeline
from qi.desk.came_from import answer_of, moment_of
from qi.model.words import amount, name
from tests.screens.conftest import SAMPLES, Shelf, words

ROOT = Path(__file__).parents[2]


def test_the_app_starts_on_its_sample_cases(place):
    app = AppTest.from_file(str(ROOT / "app.py"), default_timeout=120).run()
    assert not app.exception
    assert not app.error
    assert "5 of 5 cases wait for review" in words(app)
    assert "invented samples" in words(app)
    assert "quality improvement" in words(app)


@pytest.mark.parametrize("case", sorted(path.name for path in SAMPLES.glob("rv-*") if path.is_dir()))
def test_every_sample_case_opens(shelf, case):
    app = shelf.opened("walkthrough", case)
    assert not app.exception
    assert not app.error
    assert case in [header.value for header in app.header]
    assert "quality improvement" in words(app)


def test_the_page_says_what_the_command_line_says(shelf):
    review = pipeline.measure_case(SAMPLES / "rv-2031-0107")
    app = shelf.opened("walkthrough", "rv-2031-0107")
    said = words(app)
    assert amount(review.of("compression_fraction").value, "1") in said
    assert f"{review.of('longest_pause_s').value:.0f} s" in said
    table = next(frame.value for frame in app.dataframe if "verdict" in frame.value.columns)
    row = table[table["measure"] == "Compression fraction"].iloc[0]
    assert row["value"] == amount(review.of("compression_fraction").value, "1")


def test_every_group_of_measures_opens(shelf):
    app = shelf.opened("walkthrough", "rv-2031-0112")
    from qi.screens.held import GROUPS

    for group in GROUPS:
        app.session_state["group"] = group
        app.run()
        assert not app.exception
        assert any("verdict" in frame.value.columns for frame in app.dataframe)


def test_a_chosen_measure_says_why(shelf):
    app = shelf.opened("walkthrough", "rv-2031-0107")
    app.session_state["held-rv-2031-0107-What matters most"] = {"selection": {"rows": [0], "columns": [], "cells": []}}
    app.run()
    assert not app.exception
    assert "defined by: Wik" in words(app)


@pytest.mark.parametrize(
    ("column", "group"),
    [
        ("compression_rate", "What matters most"),
        ("longest_shock_pause_s", "Pauses and shocks"),
        ("interval_s.airway_placed.first_compression_ems", "Times, drugs, airway"),
    ],
)
def test_a_measure_in_the_address_opens_its_moment_with_its_row_chosen(shelf, column, group):
    review = pipeline.measure_case(SAMPLES / "rv-2031-0107")
    one = answer_of(review, column)
    found = moment_of(review, one, pipeline.by_minute(review))
    app = shelf.opened("walkthrough", "rv-2031-0107", measure=column)
    assert not app.exception
    assert app.query_params["t"] == f"{found.at_s:.1f}"
    assert app.session_state["group"] == group
    said = words(app)
    assert f"Opened for {name(one)}: " in said
    assert found.words in said
    assert "Marked on the picture at" in said
    assert "defined by: " in said


def test_a_moment_that_a_person_went_to_is_kept_and_another_case_has_no_measure_asked_for(shelf):
    app = shelf.opened("walkthrough", "rv-2031-0107", measure="compression_rate", t="12.5")
    assert app.query_params["t"] == "12.5"
    app.session_state["group"] = "Device and seal"
    app.run()
    assert app.session_state["group"] == "Device and seal"
    app.selectbox(key="case-choice").select(shelf.key("rv-2031-0112")).run()
    assert not app.exception
    assert "measure" not in app.query_params
    assert "Opened for" not in words(app)


def test_a_number_without_a_moment_says_so(shelf):
    app = shelf.opened("walkthrough", "rv-2031-0107", measure="pauses_over_limit")
    assert "No one moment of the recording holds it" in words(app)
    assert "t" not in app.query_params
    assert "defined by: " in words(app)
    assert "Opened for" not in words(shelf.opened("walkthrough", "rv-2031-0107", measure="nothing"))


def test_every_measure_is_in_a_group():
    from qi.screens.held import GROUPS

    shown = {id_ for ids in GROUPS.values() for id_ in ids} | {"compression_fraction_minute"}
    assert shown == set(pipeline.MEASURE_IDS)


def test_a_case_that_is_not_there_is_said(shelf):
    app = shelf.opened("walkthrough", case=None)
    app.query_params["case"] = "nosuchcasehe"
    app.run()
    assert not app.exception
    assert "no case with the key" in words(app)
    assert "quality improvement" in words(app)


def test_a_case_with_one_broken_file_opens_with_the_rest(place, tmp_path):
    case = tmp_path / "half"
    shutil.copytree(SAMPLES / "rv-2031-0107", case)
    record = case / "care_record.xml"
    record.write_bytes(record.read_bytes()[:3000])
    shelf = Shelf(place)
    shelf.bring(case)
    app = shelf.opened("walkthrough", "rv-2031-0107")
    assert not app.exception
    assert not app.error
    notes = next(frame.value for frame in app.dataframe if "level" in frame.value.columns)
    assert "error" in notes["level"].tolist()
    shelf.library.close()


def test_a_record_without_a_monitor_opens(place, tmp_path):
    case = tmp_path / "record-only"
    case.mkdir()
    shutil.copy(SAMPLES / "rv-2031-0107" / "care_record.xml", case)
    shelf = Shelf(place)
    shelf.bring(case)
    app = shelf.opened("walkthrough", "record-only")
    assert not app.exception
    assert "could not be measured" in words(app)
    shelf.library.close()


def test_a_stored_copy_that_was_damaged_is_made_anew(own):
    key = own.key("rv-2031-0107")
    stored = own.folder / "cases" / key / "stored"
    shutil.rmtree(stored)
    app = own.opened("walkthrough", "rv-2031-0107")
    assert not app.exception
    assert not app.error
    assert stored.is_dir()


def test_the_protocol_page_shows_every_limit_with_its_source():
    def page():
        from qi.screens import protocol_page

        protocol_page.show()

    app = AppTest.from_function(page, default_timeout=60).run()
    assert not app.exception
    limits = app.dataframe[0].value
    assert (limits["limit from"].str.len() > 0).sum() == (limits["limit"].str.len() > 0).sum()
    assert "quality improvement" in words(app)


def test_a_chosen_measure_says_what_it_would_be_without_each_sensor(shelf):
    app = shelf.opened("walkthrough", "rv-2031-0107")
    app.session_state["held-rv-2031-0107-What matters most"] = {"selection": {"rows": [0], "columns": [], "cells": []}}
    app.session_state["left-out"] = True
    app.run()
    assert not app.exception
    said = words(app)
    assert "all sensors: " in said
    assert "without compression_depth" in said


def test_moments_to_look_at_are_prompts_with_reasons(shelf):
    app = shelf.opened("walkthrough", "rv-2031-0107")
    prompts = next(frame.value for frame in app.dataframe if "why" in frame.value.columns and "at" in frame.value.columns)
    assert prompts["what"].str.contains("Look here for ROSC").any()
    assert "not verdicts" in words(app)


def test_next_and_previous_go_from_pause_to_pause(shelf):
    app = shelf.opened("walkthrough", "rv-2031-0107")
    app.button(key="next").click().run()
    first = float(app.query_params["t"][0])
    app.button(key="next").click().run()
    second = float(app.query_params["t"][0])
    assert second > first
    app.button(key="previous").click().run()
    assert float(app.query_params["t"][0]) == first
    assert not app.exception
