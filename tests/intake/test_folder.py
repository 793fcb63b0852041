"""A case folder: files known by content, a broken one beside good ones."""

from datetime import UTC, datetime

import pytest

from qi.intake.folder import read_case
from qi.model.errors import UnreadableFile
from tests.intake.made_files import EVENTS_CSV, edf_bytes, signal_csv, tal, told, write_folder


def test_a_folder_of_several_formats_without_a_header(tmp_path):
    """Names and endings say nothing: an EDF called .txt and a table without an ending are read."""
    folder = write_folder(tmp_path / "case-1", wave__txt=edf_bytes(range(60)), events=EVENTS_CSV)
    case = read_case(folder)
    assert case.id == "case-1"
    assert {(source.file, source.format, source.kind) for source in case.sources} == {
        ("wave.txt", "EDF+D", "monitor"), ("events", "CSV events", "events")
    }  # fmt: skip
    assert [signal.channel for signal in case.signals] == ["compression_depth"]
    assert case.start.astimezone(UTC) == datetime.fromisoformat("2031-04-17T14:02:11-06:00")
    assert case.events["time_s"].tolist() == [49, 179, 229]
    assert case.monitor_clock == "wave.txt"


def test_a_header_reaches_the_readers(tmp_path):
    header = """
    zone = "America/Denver"
    [[source]]
    file = "m.edf"
    depth_reference = "stroke"
    clock = "monitor"
    [source.channels]
    "Sternum travel" = "compression_depth"
    """
    folder = write_folder(tmp_path / "c", case__toml=header, m__edf=edf_bytes(range(5), label="Sternum travel"))
    case = read_case(folder)
    (depth,) = case.of_channel("compression_depth")
    assert (depth.reference, depth.clock, depth.label) == ("stroke", "monitor", "Sternum travel")
    assert case.start == datetime.fromisoformat("2031-04-17T14:02:11-06:00")


def test_a_single_file_is_a_case(tmp_path):
    path = tmp_path / "arrest 7.edf"
    path.write_bytes(edf_bytes(range(5), annotations=[tal(1, "rosc")]))
    case = read_case(path)
    assert case.id == "arrest-7"
    assert case.events["type"].tolist() == ["rosc"]


def test_hidden_files_readme_and_known_answers_are_passed_over(tmp_path):
    quiet = {"__DS_Store": b"\0\1", "README__md": "hello", "a__answers__json": "{}"}
    folder = write_folder(tmp_path / "c", m__csv=signal_csv(), **quiet)
    case = read_case(folder)
    assert [source.file for source in case.sources] == ["m.csv"]
    assert "DS_Store" not in told(case.notes)
    assert "README" not in told(case.notes)
    assert "answers" not in told(case.notes)


def test_a_file_of_no_known_kind_is_said(tmp_path):
    case = read_case(write_folder(tmp_path / "c", m__csv=signal_csv(), photo__jpg=b"\xff\xd8\xff\xe0rest"))
    assert "warning photo.jpg: byte 0: begins with" in told(case.notes)
    assert "of no known kind; known are EDF+" in told(case.notes)


def test_a_file_that_the_header_names_and_is_not_there_is_said(tmp_path):
    header = '[[source]]\nfile = "monitor.edf"\n'
    case = read_case(write_folder(tmp_path / "c", case__toml=header, m__csv=signal_csv()))
    assert "names “monitor.edf”, which is not in the folder (there: m.csv)" in told(case.notes)


def test_a_folder_within_is_said_and_not_read(tmp_path):
    folder = write_folder(tmp_path / "c", m__csv=signal_csv())
    write_folder(folder / "more", n__csv=signal_csv())
    case = read_case(folder)
    assert len(case.sources) == 1
    assert "info more: is a folder" in told(case.notes)


@pytest.mark.parametrize("files", [{}, {"case__toml": "id = 'x'"}, {"a__edf": b"0       cut"}, {"a__bin": b"\0\1\2"}])
def test_nothing_readable_raises(tmp_path, files):
    with pytest.raises(UnreadableFile, match="nothing in it could be read"):
        read_case(write_folder(tmp_path / "c", **files))


def test_a_path_that_does_not_exist_raises(tmp_path):
    with pytest.raises(UnreadableFile, match="does not exist"):
        read_case(tmp_path / "none")


def test_dispatch_columns_that_only_the_header_names(tmp_path):
    header = '[[source]]\nfile = "cad.csv"\n[source.columns]\n"Alarm" = "dispatched"\n"Arrived" = "on_scene"\n'
    log = "Unit,Alarm,Arrived\nM31,2031-04-17T14:00:00-06:00,2031-04-17T14:08:00-06:00\n"
    case = read_case(write_folder(tmp_path / "c", case__toml=header, cad__csv=log))
    assert case.events[["type", "time_s"]].to_numpy().tolist() == [["dispatched", 0.0], ["on_scene", 480.0]]
    assert case.sources[0].kind == "dispatch"
