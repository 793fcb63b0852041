"""The screens open on a good, an empty and a broken case, and say what the command line says."""

import shutil
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from qi import pipeline
from qi.model.words import amount

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_cases"


def opened(**query):
    app = AppTest.from_file(str(ROOT / "app.py"), default_timeout=60)
    for name, value in query.items():
        app.query_params[name] = value
    return app.run()


def words(app):
    return " ".join(element.value for kind in (app.markdown, app.caption, app.error, app.info, app.header) for element in kind)


@pytest.mark.parametrize("case", sorted(path.name for path in SAMPLES.iterdir() if path.is_dir()))
def test_every_sample_case_opens(case):
    app = opened(case=case)
    assert not app.exception
    assert not app.error
    assert case in [header.value for header in app.header]
    assert "quality improvement" in words(app)


def test_the_page_says_what_the_command_line_says():
    review = pipeline.measure_case(SAMPLES / "rv-2031-0107")
    app = opened(case="rv-2031-0107")
    said = words(app)
    assert amount(review.of("compression_fraction").value, "1") in said
    assert f"{review.of('longest_pause_s').value:.0f} s" in said
    table = next(frame.value for frame in app.dataframe if "verdict" in frame.value.columns)
    row = table[table["measure"] == "Compression fraction"].iloc[0]
    assert row["value"] == amount(review.of("compression_fraction").value, "1")


def test_every_group_of_measures_opens():
    app = opened(case="rv-2031-0112")
    groups = app.get("button_group") or app.get("segmented_control")
    assert groups
    from qi.screens.held import GROUPS

    for group in GROUPS:
        app.session_state["group"] = group
        app.run()
        assert not app.exception
        assert any("verdict" in frame.value.columns for frame in app.dataframe)


def test_a_chosen_measure_says_why():
    app = opened(case="rv-2031-0107")
    app.session_state["held-rv-2031-0107-What matters most"] = {"selection": {"rows": [0], "columns": [], "cells": []}}
    app.run()
    assert not app.exception
    assert "defined by: Wik" in words(app)


def test_every_measure_is_in_a_group():
    from qi.screens.held import GROUPS

    shown = {id_ for ids in GROUPS.values() for id_ in ids} | {"compression_fraction_minute"}
    assert shown == set(pipeline.MEASURE_IDS)


def test_an_empty_folder_is_no_fault(tmp_path):
    app = opened(folder=str(tmp_path))
    assert not app.exception
    assert "holds no case" in words(app)
    assert "quality improvement" in words(app)


def test_a_folder_that_is_not_there_is_said(tmp_path):
    app = opened(folder=str(tmp_path / "nowhere"))
    assert not app.exception
    assert "There is no folder" in words(app)


def test_a_broken_case_names_the_file_and_the_place(tmp_path):
    case = tmp_path / "broken"
    case.mkdir()
    (case / "monitor.edf").write_bytes((SAMPLES / "rv-2031-0107" / "monitor.edf").read_bytes()[:200])
    app = opened(folder=str(tmp_path))
    assert not app.exception
    assert "monitor.edf" in words(app)


def test_a_case_with_one_broken_file_opens_with_the_rest(tmp_path):
    case = tmp_path / "half"
    shutil.copytree(SAMPLES / "rv-2031-0107", case)
    record = case / "care_record.xml"
    record.write_bytes(record.read_bytes()[:3000])
    app = opened(folder=str(tmp_path))
    assert not app.exception
    assert "half" not in [error.value for error in app.error]
    notes = next(frame.value for frame in app.dataframe if "level" in frame.value.columns)
    assert "error" in notes["level"].tolist()


def test_a_record_without_a_monitor_opens(tmp_path):
    case = tmp_path / "record-only"
    case.mkdir()
    shutil.copy(SAMPLES / "rv-2031-0107" / "care_record.xml", case)
    app = opened(folder=str(tmp_path))
    assert not app.exception
    assert "could not be measured" in words(app)


def test_the_protocol_page_shows_every_limit_with_its_source():
    def page():
        from qi.screens import protocol_page

        protocol_page.show()

    app = AppTest.from_function(page, default_timeout=60).run()
    assert not app.exception
    limits = app.dataframe[0].value
    assert (limits["limit from"].str.len() > 0).sum() == (limits["limit"].str.len() > 0).sum()
    assert "quality improvement" in words(app)


def test_a_chosen_measure_says_what_it_would_be_without_each_sensor():
    app = opened(case="rv-2031-0107")
    app.session_state["held-rv-2031-0107-What matters most"] = {"selection": {"rows": [0], "columns": [], "cells": []}}
    app.session_state["left-out"] = True
    app.run()
    assert not app.exception
    said = words(app)
    assert "all sensors: " in said
    assert "without compression_depth" in said


def test_moments_to_look_at_are_prompts_with_reasons():
    app = opened(case="rv-2031-0107")
    prompts = next(frame.value for frame in app.dataframe if "why" in frame.value.columns)
    assert prompts["what"].str.contains("Look here for ROSC").any()
    assert "not verdicts" in words(app)
