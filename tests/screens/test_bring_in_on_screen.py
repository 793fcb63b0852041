"""Bring in, map what is unknown, worklist, clocks and outcomes on screen."""

import re
import shutil
from datetime import datetime, timedelta

import pandas as pd
import pytest

from qi.desk import agencies, mapping, samples
from qi.desk.bring_in import bring_in
from qi.intake.look_over import look_over
from qi.intake.map_draft import propose
from qi.library.library import Library
from tests.screens.conftest import SAMPLES, Shelf, words

AGENCY = "Rillstone Valley EMS"


@pytest.fixture
def shelf_of_own(place, monkeypatch):
    """An empty library, into which the app puts no sample cases."""
    monkeypatch.setattr(samples, "FOLDER", place / "none")
    one = Shelf(place)
    yield one
    one.library.close()


@pytest.fixture
def foreign(tmp_path):
    """A monitor export with names, signs and times of its own, made of a sample case; with the values that it holds."""
    folder = tmp_path / "call-77"
    folder.mkdir()
    ours = pd.read_csv(SAMPLES / "rv-2031-0112" / "chest_and_airway.csv")[:6000]
    start = pd.Timestamp("2031-04-25 22:14:05")
    comma = {
        "Moment": (start + pd.to_timedelta(ours["time_s"], unit="s")).dt.strftime("%d.%m.%Y %H:%M:%S.%f"),
        "Sternum (cm)": (ours["compression_depth[mm]"] / 10).map(lambda value: f"{value:.4f}".replace(".", ",")),
        "Lamp": "1",
    }
    pd.DataFrame(comma).to_csv(folder / "export.csv", sep=";", index=False)
    return folder, ours["compression_depth[mm]"]


def test_a_folder_of_folders_is_brought_in_and_recognised_the_second_time(shelf_of_own):
    app = shelf_of_own.opened("bring_in")
    app.segmented_control(key="way").set_value("A folder").run()
    app.text_input(key="folder").set_value(str(SAMPLES)).run()
    assert "5 case folders were found" in words(app)
    app.button(key="bring-folder").click().run()
    assert not app.exception
    assert "5 brought in" in words(app)
    app.button(key="bring-folder").click().run()
    assert "5 was there already" in words(app)
    assert len(shelf_of_own.library.keys()) == 5
    assert "quality improvement" in words(app)


def test_a_refused_file_says_file_place_and_what_would_be_right(shelf_of_own, tmp_path):
    case = tmp_path / "broken"
    case.mkdir()
    (case / "monitor.edf").write_bytes((SAMPLES / "rv-2031-0107" / "monitor.edf").read_bytes()[:200])
    app = shelf_of_own.opened("bring_in")
    app.segmented_control(key="way").set_value("A folder").run()
    app.text_input(key="folder").set_value(str(case)).run()
    app.button(key="bring-folder").click().run()
    assert not app.exception
    assert "1 not brought in" in words(app)
    assert "monitor.edf" in words(app)
    assert shelf_of_own.library.keys() == []
    assert list((shelf_of_own.folder / "cases").iterdir()) == []


def test_an_empty_folder_and_none_at_all_are_said(shelf_of_own, tmp_path):
    app = shelf_of_own.opened("bring_in")
    app.segmented_control(key="way").set_value("A folder").run()
    app.text_input(key="folder").set_value(str(tmp_path / "nowhere")).run()
    assert "There is no folder" in words(app)
    (tmp_path / "empty").mkdir()
    app.text_input(key="folder").set_value(str(tmp_path / "empty")).run()
    assert "No case was found" in words(app)


def test_names_are_mapped_once_kept_by_agency_and_used_without_asking(shelf_of_own, foreign):
    folder, depth_mm = foreign
    library = shelf_of_own.library
    (report,) = look_over(folder)
    assert report.needs_map
    assert report.recognised_as is None
    app = shelf_of_own.opened("bring_in")
    app.text_input(key="agency").set_value(AGENCY).run()
    app.segmented_control(key="way").set_value("A folder").run()
    app.text_input(key="folder").set_value(str(folder)).run()
    assert "What do the names in export.csv stand for?" in words(app)
    draft = propose(folder / "export.csv")
    assert mapping.columns_of(draft).set_index("column")["unit"]["Sternum (cm)"] == "cm"
    (time,) = [choice.time for choice in draft.times if choice.time.format.startswith("%d.%m")]
    filled = [
        row | {"is": {"Sternum (cm)": "compression_depth", "Lamp": "ignored"}[row["column"]]}
        for row in mapping.columns_of(draft).to_dict("records")
    ]
    path = mapping.keep(library, AGENCY, mapping.table_map(draft, "chest export", time, filled, []))
    assert path.suffix == ".toml"
    (known,) = look_over(folder, agencies.maps_of(library, AGENCY))
    assert (known.map_used, known.needs_map) == ("chest export", False)
    done = bring_in(library, folder, who="tester", agency=AGENCY)
    assert done.how == "new", done.said
    (signal,) = library.case(done.key).signals
    values = signal.pieces[0].values
    assert len(values) == len(depth_mm)
    assert abs(values - depth_mm.to_numpy()).max() < 0.002
    # another agency has its own maps, and this one can be shared as a file
    assert agencies.maps_of(library, "Another EMS") == []
    shared = mapping.take_in(library, "Another EMS", path.read_text(encoding="utf-8"))
    assert agencies.maps_of(library, "Another EMS") == [shared]


def test_forms_of_times_are_told_in_words():
    assert mapping.format_in_words("%d.%m.%Y %H:%M:%S") == "day.month.year hour:minute:second"


def test_a_file_that_comes_later_joins_its_case(shelf_of_own, tmp_path):
    early = tmp_path / "rv-2031-0107"
    early.mkdir()
    shutil.copy(SAMPLES / "rv-2031-0107" / "monitor.edf", early)
    key = shelf_of_own.bring(early)
    done = bring_in(shelf_of_own.library, SAMPLES / "rv-2031-0107", who="tester", agency=AGENCY)
    assert (done.how, done.key) == ("grown", key)
    assert {source.kind for source in shelf_of_own.library.case(key).sources} >= {"monitor", "record"}
    assert shelf_of_own.library.check(key) == []


def test_originals_are_kept_byte_for_byte(own):
    key = own.key("rv-2031-0107")
    for file in own.library.files(key):
        assert (own.library.originals_folder(key) / file.name).read_bytes() == (SAMPLES / "rv-2031-0107" / file.name).read_bytes()


def test_the_worklist_sorts_by_concern_says_why_and_hands_over(shelf_of_own):
    for case in ("rv-2031-0107", "rv-2031-0112"):
        shelf_of_own.bring(SAMPLES / case)
    app = shelf_of_own.opened("worklist")
    table = app.dataframe[0].value
    assert table["case"].tolist() == ["rv-2031-0112", "rv-2031-0107"]
    assert "asked for" in table["why first"].iloc[0]
    assert table["call"].iloc[0] == "29 Jan 2031"  # the local day, where it was the 30th in UTC
    app.session_state["worklist-open-anybody-concern--0"] = {"selection": {"rows": [0], "columns": [], "cells": []}}
    app.run()
    app.text_input(key="hand-to").set_value("A. Reviewer").run()
    app.button(key="hand").click().run()
    assert not app.exception
    assert shelf_of_own.library.about(shelf_of_own.key("rv-2031-0112")).assigned_to == "A. Reviewer"
    assert "quality improvement" in words(app)


def test_an_empty_worklist_leads_to_bring_in(shelf_of_own):
    app = shelf_of_own.opened("worklist")
    assert not app.exception
    assert "holds no case yet" in words(app)


def test_the_samples_can_be_taken_out(place):
    shelf = Shelf(place)
    app = shelf.opened("worklist")
    app.button(key="take-out").click().run()
    assert not app.exception
    assert shelf.library.keys() == []
    shelf.library.close()


def test_a_clock_an_hour_off_is_pointed_out_accepted_and_undone_and_raw_times_stay(shelf_of_own, tmp_path):
    case = tmp_path / "hour"
    case.mkdir()
    shutil.copy(SAMPLES / "rv-2031-0107" / "monitor.edf", case)
    record = (SAMPLES / "rv-2031-0107" / "care_record.xml").read_text(encoding="utf-8")
    stamp = r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d[+-]\d\d:\d\d"
    later = re.sub(stamp, lambda found: (datetime.fromisoformat(found[0]) + timedelta(hours=1)).isoformat(), record)
    (case / "care_record.xml").write_text(later, encoding="utf-8")
    key = shelf_of_own.bring(case)
    raw = shelf_of_own.library.case(key).events
    app = shelf_of_own.opened("clocks", "hour")
    assert not app.exception
    assert "about one hour" in " ".join(element.value for element in app.warning)
    app.button(key="accept-care_record.xml").click().run()
    assert not app.exception
    (line,) = shelf_of_own.lines("hour")
    assert line.kind == "clock"
    assert line.body["offset_s"] == pytest.approx(-3600, abs=30)
    assert line.body["before"]["offset_s"] == 0
    assert shelf_of_own.library.case(key).events.equals(raw)
    assert "already stands" in words(app)
    app.button(key=f"undo-clock-{line.number}").click().run()
    assert not app.exception
    assert "about one hour" in " ".join(element.value for element in app.warning)


def test_every_sample_case_opens_on_the_clocks_page(shelf):
    for case in ("rv-2031-0107", "rv-2031-0125", "rv-2031-0131"):
        app = shelf.opened("clocks", case)
        assert not app.exception
        assert not app.error
        assert "quality improvement" in words(app)


def test_outcomes_are_joined_logged_and_mismatches_listed(own):
    text = "case,survived_to_discharge,cpc\nrv-2031-0107,yes,1\nrv-2031-9999,no,\n"
    done = own.library.join_outcomes(text, who="registrar", name="outcomes.csv")
    assert (done.rows, done.matched) == (2, 1)
    assert any("rv-2031-9999" in str(mismatch) for mismatch in done.mismatches)
    app = own.opened("bring_in")
    assert not app.exception
    assert any("joined" in frame.value.columns for frame in app.dataframe)
    from qi.desk.opened import open_case, review_of

    key = own.key("rv-2031-0107")
    facts = review_of(open_case(own.library, key), own.library.lines(key)).case.facts
    assert facts.outcome["cpc"] == 1


def test_two_libraries_of_one_database_are_not_mixed(place, tmp_path):
    with Library.open(place) as one, Library.open(tmp_path / "other") as two:
        assert bring_in(one, SAMPLES / "rv-2031-0131", who="tester").how == "new"
        assert two.keys() == []
