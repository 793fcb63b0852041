"""Bring in on screen: files dropped, folders named, cases joined and kept apart, names mapped once, outcomes joined."""

import shutil

import pandas as pd
import pytest

from qi.desk import agencies, samples
from tests.screens.acting import edit
from tests.screens.conftest import SAMPLES, Shelf, words

AGENCY = "Rillstone Valley EMS"


@pytest.fixture
def empty(place, monkeypatch, tmp_path):
    """A library without any case, which stays without the samples."""
    monkeypatch.setattr(samples, "FOLDER", tmp_path / "none")
    one = Shelf(place)
    yield one
    one.library.close()


def drop(app, *paths):
    """Drop files on the page, as a browser does."""
    uploader = next(one for one in app.file_uploader if one.label == "Files of one case")
    for path in paths:
        uploader.upload(path.name, path.read_bytes())
    return app.run()


def folder(app, path):
    app.segmented_control(key="way").set_value("A folder").run()
    app.text_input(key="folder").set_value(str(path)).run()
    return app


def reports(app):
    table = next(frame.value for frame in app.dataframe if "recognised as" in frame.value.columns)
    return table.set_index("file")


def case(tmp_path, name, *files, source="rv-2031-0107"):
    made = tmp_path / name
    made.mkdir(parents=True)
    for file in files:
        shutil.copy(SAMPLES / source / file, made)
    return made


def export(path, day, *, lamp="Lamp"):
    """A monitor's table with names, signs and times of its own."""
    ours = pd.read_csv(SAMPLES / "rv-2031-0112" / "chest_and_airway.csv")[:3000]
    moments = pd.Timestamp(day) + pd.to_timedelta(ours["time_s"], unit="s")
    depth = (ours["compression_depth[mm]"] / 10).map(lambda value: f"{value:.4f}".replace(".", ","))
    table = {"Moment": moments.dt.strftime("%d.%m.%Y %H:%M:%S.%f"), "Sternum": depth, lamp: "1"}
    path.parent.mkdir(parents=True, exist_ok=True)
    pd.DataFrame(table).to_csv(path, sep=";", index=False)
    return ours["compression_depth[mm]"]


def test_dropped_files_are_reported_and_come_in_under_the_number_of_their_header(empty):
    app = empty.opened("bring_in")
    assert "quality improvement" in words(app)
    drop(app, *sorted((SAMPLES / "rv-2031-0107").iterdir()))
    assert not app.exception
    shown = reports(app)
    assert set(shown.index) == {"case.toml", "care_record.xml", "monitor.edf"}
    assert "6 channels" in shown.loc["monitor.edf", "read"]
    assert "number" not in {field.key for field in app.text_input}, "case.toml says the number"
    app.button(key="bring-files").click().run()
    assert not app.exception
    assert "1 brought in." in words(app)
    (entry,) = empty.library.entries()
    assert (entry.case_id, entry.entered_by) == ("rv-2031-0107", "tester")
    assert len(empty.library.files(entry.key)) == 3
    assert not next(one for one in app.file_uploader if one.label == "Files of one case").value


def test_two_calls_are_not_made_one_by_a_file_name_that_both_have(empty, tmp_path):
    """Monitors call every export alike: a number is asked for, never taken from the file's name."""
    app = empty.opened("bring_in")
    drop(app, SAMPLES / "rv-2031-0107" / "monitor.edf")
    assert app.button(key="bring-files").disabled
    app.text_input(key="number").set_value("RV-7").run()
    app.button(key="bring-files").click().run()
    drop(app, SAMPLES / "rv-2031-0125" / "monitor.edf")
    app.text_input(key="number").set_value("RV-8").run()
    app.button(key="bring-files").click().run()
    assert not app.exception
    assert sorted(entry.case_id for entry in empty.library.entries()) == ["RV-7", "RV-8"]


def test_it_is_said_before_which_case_files_would_join(empty):
    app = empty.opened("bring_in")
    drop(app, SAMPLES / "rv-2031-0107" / "monitor.edf")
    app.text_input(key="number").set_value("RV-7").run()
    app.button(key="bring-files").click().run()
    drop(app, SAMPLES / "rv-2031-0107" / "care_record.xml")
    app.text_input(key="number").set_value("RV-7").run()
    assert "This would be added to RV-7." in words(app)
    app.button(key="bring-files").click().run()
    assert "1 files added" in words(app)
    (key,) = empty.library.keys()
    assert {file.name for file in empty.library.files(key)} == {"monitor.edf", "care_record.xml"}
    drop(app, SAMPLES / "rv-2031-0107" / "monitor.edf")
    app.text_input(key="number").set_value("some other number").run()
    assert "in the library already, as RV-7" in words(app)
    app.button(key="bring-files").click().run()
    assert "1 was there already" in words(app)
    assert len(empty.library.keys()) == 1


def test_two_dropped_files_of_one_name_are_refused(empty):
    app = empty.opened("bring_in")
    drop(app, SAMPLES / "rv-2031-0107" / "monitor.edf", SAMPLES / "rv-2031-0125" / "monitor.edf")
    assert not app.exception
    assert "called monitor.edf: rename one" in words(app)
    assert "bring-files" not in {button.key for button in app.button}


def test_a_name_that_leads_out_of_the_case_stays_in_it(empty, tmp_path):
    app = empty.opened("bring_in")
    uploader = next(one for one in app.file_uploader if one.label == "Files of one case")
    uploader.upload("../../monitor.edf", (SAMPLES / "rv-2031-0107" / "monitor.edf").read_bytes())
    app.run()
    assert not app.exception
    assert list(reports(app).index) == ["monitor.edf"]


def test_a_folder_of_one_case_is_looked_over_first(empty):
    app = folder(empty.opened("bring_in"), SAMPLES / "rv-2031-0112")
    assert not app.exception
    assert set(reports(app).index) >= {"dispatch.csv", "events.csv", "capnogram.csv"}
    app.button(key="bring-folder").click().run()
    assert "1 brought in." in words(app)


def test_one_of_several_folders_is_looked_into(empty, tmp_path):
    for name in ("rv-2031-0107", "rv-2031-0131"):
        shutil.copytree(SAMPLES / name, tmp_path / "night" / name)
    app = folder(empty.opened("bring_in"), tmp_path / "night")
    app.selectbox(key="look-into").select("rv-2031-0131").run()
    assert "stroke.csv" in reports(app).index
    app.button(key="bring-folder").click().run()
    table = next(frame.value for frame in app.dataframe if "what became of it" in frame.value.columns)
    assert table["what became of it"].tolist() == ["brought in", "brought in"]


def test_folders_that_nothing_here_knows_are_named_and_can_be_looked_into(empty, tmp_path):
    night = tmp_path / "night"
    for name in ("odd-1", "odd-2"):
        (night / name).mkdir(parents=True)
        (night / name / "export.csv").write_text("foo,bar\n1,2\n", encoding="utf-8")
    app = folder(empty.opened("bring_in"), night)
    assert "No case folders were found; 2 more folders hold files that nothing here knows" in words(app)
    assert "bring-folder" not in [button.key for button in app.button]
    shutil.copytree(SAMPLES / "rv-2031-0131", night / "rv-2031-0131")
    app.run()
    assert "1 case folder was found; 2 more folders hold" in words(app)
    app.selectbox(key="look-into").select("odd-2").run()
    assert "export.csv" in reports(app).index
    app.button(key="bring-folder").click().run()
    assert "1 brought in" in words(app)
    assert not app.exception


def test_a_place_that_cannot_be_looked_into_is_said_and_the_page_goes_on(empty, tmp_path):
    (tmp_path / "link").symlink_to(SAMPLES / "rv-2031-0107")
    app = folder(empty.opened("bring_in"), tmp_path / "link")
    assert not app.exception
    assert "is a symbolic link: refused" in words(app)
    assert "The library cannot be used" not in words(app)
    assert "Outcomes from the hospital" in " ".join(one.value for one in app.subheader)


@pytest.mark.parametrize("is_file", [True, False], ids=["file", "folder"])
def test_a_table_that_nothing_knows_is_mapped_once_on_screen_and_read_without_asking_from_then_on(empty, tmp_path, is_file):
    first, second = tmp_path / "a" / "RV-71" / "export.csv", tmp_path / "b" / "RV-72" / "export.csv"
    depth_mm = export(first, "2031-04-25 22:14:05")
    export(second, "2031-05-26 10:00:00")
    app = empty.opened("bring_in")
    app.text_input(key="agency").set_value(AGENCY).run()
    folder(app, first if is_file else first.parent)
    assert "What do the names in export.csv stand for?" in words(app)
    assert reports(app).loc["export.csv", "recognised as"] == "not recognised"
    columns = next(one.key for one in app.data_editor if "scale" in one.value.columns)
    names = next(one for one in app.data_editor if one.key == columns).value["column"].tolist()
    rows = {"Sternum": {"is": "compression_depth", "unit": "cm"}, "Lamp": {"is": "ignored"}}
    edit(app, columns, {str(names.index(name)): cells for name, cells in rows.items()})
    next(one for one in app.text_input if one.label == "Name of this map").set_value("chest export").run()
    next(one for one in app.button if one.label == "Keep this map").click().run()
    assert not app.exception
    assert not app.error
    path = empty.folder / "maps" / agencies.folder_name(AGENCY) / "chest-export.toml"
    assert "nan" not in path.read_text(encoding="utf-8")
    assert "What do the names" not in words(app), "the file is known now"
    assert reports(app).loc["export.csv", "by map"] == "chest export"
    app.button(key="bring-folder").click().run()
    assert "1 brought in." in words(app)
    folder(app, second.parent)
    assert "What do the names" not in words(app)
    app.button(key="bring-folder").click().run()
    assert "1 brought in." in words(app)
    for key in empty.library.keys():
        (signal,) = empty.library.case(key).signals
        assert signal.channel == "compression_depth"
        assert abs(signal.pieces[0].values - depth_mm.to_numpy()).max() < 0.002
    assert "Maps of this agency (1)" in [one.label for one in app.expander]


def test_words_that_nobody_knows_are_said_once(empty, tmp_path):
    for name in ("RV-81", "RV-82"):
        made = case(tmp_path, name, "stroke.csv", source="rv-2031-0131")
        words_of = "blue button" if name == "RV-81" else "red button"
        (made / "events.csv").write_text(f"time_s,type\n12.0,shock\n60.0,{words_of}\n70.0,blue button\n", encoding="utf-8")
    app = empty.opened("bring_in")
    folder(app, tmp_path / "RV-81")
    assert "blue button" in reports(app).loc["events.csv", "not understood"]
    key = next(one.key for one in app.data_editor if "why" in one.value.columns)
    edit(app, key, {"0": {"is": "patient_moved"}})
    next(one for one in app.button if one.label == "Keep this map").click().run()
    assert not app.error
    assert reports(app).loc["events.csv", "not understood"] == ""
    folder(app, tmp_path / "RV-82")
    editor = next(one for one in app.data_editor if "why" in one.value.columns)
    assert editor.value["name"].tolist() == ["red button"]
    edit(app, editor.key, {"0": {"is": "pulse_check"}})
    next(one for one in app.button if one.label == "Keep this map").click().run()
    for name in ("RV-81", "RV-82"):
        folder(app, tmp_path / name)
        assert reports(app).loc["events.csv", "not understood"] == "", "what was said first is not forgotten"


def test_a_shared_map_is_taken_in_or_refused_with_the_line(empty):
    app = empty.opened("bring_in")
    uploader = next(one for one in app.file_uploader if one.label == "Take in a map that was shared")
    uploader.upload("map.toml", b'name = "buttons"\nkind = "words"\n[[word]]\nname = "blue button"\nis = "no such thing"\n')
    app.run()
    app.button(key="take-map").click().run()
    assert not app.exception
    assert app.error
    assert agencies.maps_of(empty.library, "") == []


def test_outcomes_are_joined_and_what_does_not_fit_is_listed(empty):
    empty.bring(SAMPLES / "rv-2031-0107")
    app = empty.opened("bring_in")
    table = b"\xef\xbb\xbfcase,survived_to_discharge,cpc\nrv-2031-0107,yes,1\nrv-2031-9999,no,5\nrv-2031-0107,maybe,\n"
    app.file_uploader(key="outcomes").upload("outcomes.csv", table)
    app.run()
    app.button(key="join").click().run()
    assert not app.exception
    assert "1 of 3 rows were joined to a case; 2 facts are new" in words(app)
    listed = next(frame.value for frame in app.dataframe if "what" in frame.value.columns)
    assert listed["line"].tolist() == [3, 4, 4]
    assert "no case of that number" in listed["what"].iloc[0]
    assert [line.kind for line in empty.lines("rv-2031-0107")] == ["outcome", "outcome"]


@pytest.mark.parametrize(
    ("content", "said"),
    [("case,survived_to_discharge\nRV-é,yes\n".encode("latin-1"), "not UTF-8"), (b"a,b\n1,2\n", "no column holds the case number")],
)
def test_outcomes_that_cannot_be_used_are_refused_with_the_place(empty, content, said):
    app = empty.opened("bring_in")
    app.file_uploader(key="outcomes").upload("outcomes.csv", content)
    app.run()
    app.button(key="join").click().run()
    assert not app.exception
    assert said in words(app)
    assert "outcomes.csv" in words(app)
    assert empty.library.outcome_imports() == []


def test_a_zone_that_does_not_exist_is_said(empty, tmp_path):
    made = case(tmp_path, "RV-9", "events.csv", source="rv-2031-0118")
    shutil.copy(SAMPLES / "rv-2031-0118" / "waveforms.parquet", made)
    app = empty.opened("bring_in")
    app.text_input(key="zone").set_value("Denver").run()
    assert "Denver" in words(app)
    assert "America/Denver" in words(app)
    assert not app.exception


def test_a_folder_of_folders_is_brought_in_and_recognised_the_second_time(empty):
    app = folder(empty.opened("bring_in"), SAMPLES)
    assert "5 case folders were found" in words(app)
    app.button(key="bring-folder").click().run()
    assert not app.exception
    assert "5 brought in" in words(app)
    app.button(key="bring-folder").click().run()
    assert "5 was there already" in words(app)
    assert len(empty.library.keys()) == 5
    assert "quality improvement" in words(app)


def test_a_refused_file_is_named_and_leaves_nothing(empty, tmp_path):
    made = case(tmp_path, "broken")
    (made / "monitor.edf").write_bytes((SAMPLES / "rv-2031-0107" / "monitor.edf").read_bytes()[:200])
    app = folder(empty.opened("bring_in"), made)
    app.button(key="bring-folder").click().run()
    assert not app.exception
    assert "1 not brought in" in words(app)
    assert "monitor.edf" in words(app)
    assert empty.library.keys() == []
    assert list((empty.folder / "cases").iterdir()) == []


def test_an_empty_folder_and_none_at_all_are_said(empty, tmp_path):
    app = folder(empty.opened("bring_in"), tmp_path / "nowhere")
    assert "There is no folder" in words(app)
    (tmp_path / "nothing").mkdir()
    app.text_input(key="folder").set_value(str(tmp_path / "nothing")).run()
    assert "No case was found" in words(app)


def test_outcomes_that_were_read_in_before_are_listed_with_how_many_joined(own):
    own.library.join_outcomes("case,cpc\nrv-2031-0107,1\nrv-2031-9999,\n", who="registrar", name="outcomes.csv")
    app = own.opened("bring_in")
    assert not app.exception
    earlier = next(frame.value for frame in app.dataframe if "joined" in frame.value.columns)
    assert "outcomes.csv" in earlier.to_string()
