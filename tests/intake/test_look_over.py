"""Each file as a person sees it before it is brought in, and finding case folders among folders."""

import hashlib
import os
from dataclasses import replace
from pathlib import Path

import pytest

from qi.intake import look_over as overview
from qi.intake.folder import read_case
from qi.intake.header import Given
from qi.intake.look_over import FileReport, case_folders, fingerprint, look_over, passed_over
from qi.intake.map_form import Map, TimeFormat
from qi.intake.meanings import Column, Word
from qi.model.errors import UnreadableFile
from tests.intake.care_records import OURS
from tests.intake.made_files import EVENTS_CSV, edf_bytes, signal_csv, tal, told, write_folder

SAMPLE_CASES = Path(__file__).parents[2] / "sample_cases"
SIGNALS = signal_csv()
ODD = "Zeit;Weg\n0;1,5\n1;2,5\n2;3,5\n"
ODD_MAP = Map(
    "odd",
    "signals",
    ("Zeit", "Weg"),
    ";",
    ",",
    time=TimeFormat(("Zeit",), "elapsed_s"),
    columns=(Column("Weg", "compression_depth", "cm"),),
)


def by_name(reports):
    return {report.name: report for report in reports}


def test_each_file_of_a_case(tmp_path):
    raw = edf_bytes(range(130), annotations=[tal(1.5, "shock 200J"), tal(2.5, "Zap")])
    folder = write_folder(
        tmp_path / "c",
        m__edf=raw,
        e__csv=EVENTS_CSV,
        odd__txt=ODD,
        photo__jpg=b"\xff\xd8\xff\xe0" + bytes(range(256)),
        twin__edf=raw,
        empty=b"",
        README__md="hello",
        __hidden=b"x",
        case__toml='id = "x"\nzone = "Nowhere/None"\n',
    )
    reports = look_over(folder)
    assert [report.name for report in reports] == ["case.toml", "e.csv", "empty", "m.edf", "odd.txt", "photo.jpg", "twin.edf"]
    found = by_name(reports)
    assert found["m.edf"].read == "1 channel, 2:10 min, 10 per s, starts 2031-04-17 14:02:11; 2 events"
    assert (found["m.edf"].bytes, found["m.edf"].sha256) == (len(raw), hashlib.sha256(raw).hexdigest())
    assert (found["m.edf"].recognised_as, found["m.edf"].needs_map) == ("EDF+D", True)
    assert [(item.kind, item.name) for item in found["m.edf"].unknown] == [("event", "Zap")]
    assert any("“Zap” is not a known event" in text for _, text in found["m.edf"].notes)
    assert found["e.csv"] == FileReport(
        "e.csv",
        len(EVENTS_CSV),
        hashlib.sha256(EVENTS_CSV.encode()).hexdigest(),
        "CSV events",
        "3 events, starts 2031-04-17 14:03:00-06:00",
    )
    assert (found["odd.txt"].recognised_as, found["odd.txt"].read, found["odd.txt"].needs_map) == (None, "", True)
    assert (found["photo.jpg"].recognised_as, found["photo.jpg"].needs_map) == (None, False)
    assert found["empty"].notes == (("error", "byte 0: the file is empty"),)
    assert found["twin.edf"].notes[0][1].startswith("holds the same bytes as m.edf")
    assert found["case.toml"].recognised_as == "case header"
    assert "line 2 zone “Nowhere/None” is not an IANA zone" in found["case.toml"].notes[0][1]


def test_with_a_map_nothing_is_left_to_say(tmp_path):
    folder = write_folder(tmp_path / "c", odd__txt=ODD, m__edf=edf_bytes(range(3), annotations=[tal(1.5, "Zap")]))
    found = by_name(look_over(folder, [ODD_MAP, Map("words", words=(Word("Zap", "shock"),))]))
    assert found["odd.txt"].map_used == "odd"
    assert found["odd.txt"].recognised_as == "table by the map “odd”"
    assert found["odd.txt"].read == "1 channel, 0:03 min, 1 per s, says no time of day"
    assert [report.needs_map for report in found.values()] == [False, False]
    assert [report.unknown for report in found.values()] == [(), ()]


def test_a_map_that_does_not_read_the_file_is_said(tmp_path):
    folder = write_folder(tmp_path / "c", odd__txt=ODD)
    (report,) = look_over(folder, [replace(ODD_MAP, time=TimeFormat(("Zeit",), "iso"))])
    assert (report.map_used, report.needs_map) == ("odd", True)
    assert report.notes[0][1].startswith("the map “odd” does not read it: column “Zeit”: no row has a time")
    assert report.unknown[0].kind == "time"


def test_times_that_are_not_understood_need_a_map(tmp_path):
    folder = write_folder(tmp_path / "c", m__csv="time,ecg[mV]\n17.04.2031 14:02,1\n")
    (report,) = look_over(folder)
    assert (report.recognised_as, report.read, report.needs_map) == ("CSV signals", "", True)
    assert report.unknown[0].kind == "time"


def test_care_records_never_need_a_map(tmp_path):
    record = next(OURS.glob("*.xml"))
    text = record.read_text(encoding="utf-8").replace(">89666000<", ">1234567<")
    (report,) = look_over(write_folder(tmp_path / "c", r__xml=text))
    assert report.recognised_as.startswith("NEMSIS")
    assert not report.needs_map


def test_a_single_file_and_loose_files(tmp_path):
    folder = write_folder(tmp_path / "c", b__csv=signal_csv(), a__csv=EVENTS_CSV, z__csv=signal_csv())
    (report,) = look_over(folder / "b.csv")
    assert report.read == "2 channels, 0:05 min, 10 per s, says no time of day"
    reports = look_over([folder / "z.csv", folder / "a.csv", folder / "b.csv"])
    assert [report.name for report in reports] == ["a.csv", "b.csv", "z.csv"]
    assert "same bytes as b.csv" in reports[2].notes[0][1]


def test_links_zips_and_folders_are_said(tmp_path):
    folder = write_folder(tmp_path / "c", b__zip=b"PK\x03\x04" + b"\0" * 60, m__csv=signal_csv())
    (folder / "link.csv").symlink_to(folder / "m.csv")
    (folder / "more").mkdir()
    found = by_name(look_over(folder))
    assert "a zip file" in found["b.zip"].notes[0][1]
    assert (found["link.csv"].sha256, found["link.csv"].notes[0][0]) == ("", "error")
    assert "is a folder" in found["more"].notes[0][1]
    with pytest.raises(UnreadableFile, match="symbolic link"):
        look_over(folder / "link.csv")
    with pytest.raises(UnreadableFile, match="does not exist"):
        look_over(tmp_path / "none")


def test_wfdb_samples_are_part_of_their_record(tmp_path):
    hea = "rec 1 250 500 14:02:11 17/04/2031\nrec.dat 16 200/mV 16 0 0 0 0 ecg\n"
    found = by_name(look_over(write_folder(tmp_path / "c", rec__hea=hea, rec__dat=b"\0\1" * 500)))
    assert (found["rec.dat"].recognised_as, found["rec.dat"].read) == ("WFDB samples", "the samples of rec.hea")


def test_the_sample_cases_are_looked_over_alike_each_time():
    for folder in case_folders(SAMPLE_CASES):
        reports = look_over(folder)
        assert reports == look_over(folder)
        assert all(report.recognised_as for report in reports)
        assert not any(report.needs_map for report in reports)


def test_a_line_in_the_notes_is_kept(tmp_path):
    folder = write_folder(tmp_path / "c", e__csv="time_s,type\nx,shock\n1,shock\n")
    assert look_over(folder)[0].notes == (("warning", "line 2: “x” is no number of seconds; put aside"),)


# Folders of folders.


def tree(tmp_path, *names, text=SIGNALS):
    for name in names:
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(text, encoding="utf-8")


def inside(tmp_path, *maps):
    return [path.relative_to(tmp_path).as_posix() for path in case_folders(tmp_path, maps)]


def test_case_folders_at_any_depth(tmp_path):
    tree(tmp_path, "2031/04/a/m.csv", "2031/04/b/m.csv", "2031/c/deep/er/m.csv", "top/m.csv", "top/within/m.csv")
    tree(tmp_path, "no/readme.md", "no/x.answers.json", "only/content counts.txt", ".hidden/m.csv", "protocols/m.csv", "maps/m.csv")
    tree(tmp_path, "header/case.toml", text='id = "x"\n')
    assert inside(tmp_path) == ["2031/04/a", "2031/04/b", "2031/c/deep/er", "header", "only", "top", "top/within"]


def test_folders_whose_files_nobody_knows_are_named(tmp_path):
    """Not those of a case, nor such as hold no file that could be an export."""
    tree(tmp_path, "a/m.csv", "b/readme.md", "protocols/x.csv", ".hidden/x.csv")
    tree(tmp_path, "a/odd.csv", "c/x.CSV", "deep/er/d.xml", text="foo,bar\n1,2\n")
    tree(tmp_path, "empty/monitor.edf", text="")
    assert [path.relative_to(tmp_path).as_posix() for path in passed_over(tmp_path)] == ["c", "deep/er", "empty"]
    assert passed_over(tmp_path / "c" / "x.CSV") == []
    tree(tmp_path, "by-map/x.csv", text=ODD)
    assert tmp_path / "by-map" in passed_over(tmp_path)
    assert tmp_path / "by-map" not in passed_over(tmp_path, [ODD_MAP])


def test_a_file_that_only_a_map_knows_makes_a_case(tmp_path):
    tree(tmp_path, "a/x.txt", text=ODD)
    assert inside(tmp_path) == []
    assert inside(tmp_path, ODD_MAP) == ["a"]
    assert inside(tmp_path, Map("words", words=(Word("Weg", "rosc"),))) == []


def test_the_folder_itself_and_a_single_file(tmp_path):
    tree(tmp_path, "m.csv")
    assert case_folders(tmp_path) == [tmp_path]
    assert case_folders(tmp_path / "m.csv") == [tmp_path / "m.csv"]
    (tmp_path / "x.bin").write_bytes(b"\0")
    assert case_folders(tmp_path / "x.bin") == []


def test_links_are_not_followed_and_loops_do_no_harm(tmp_path):
    tree(tmp_path, "a/m.csv")
    (tmp_path / "a" / "loop").symlink_to(tmp_path)
    (tmp_path / "b").symlink_to(tmp_path / "a")
    (tmp_path / "c").mkdir()
    (tmp_path / "c" / "m.csv").symlink_to(tmp_path / "a" / "m.csv")
    assert inside(tmp_path) == ["a"]
    with pytest.raises(UnreadableFile, match="symbolic link"):
        case_folders(tmp_path / "b")


def test_too_deep_or_too_many_is_said(tmp_path, monkeypatch):
    tree(tmp_path, "/".join("abcdef") + "/m.csv")
    monkeypatch.setattr(overview, "DEEPEST", 3)
    with pytest.raises(UnreadableFile, match="more than 3 deep; point at a smaller part"):
        case_folders(tmp_path)
    monkeypatch.setattr(overview, "DEEPEST", 20)
    monkeypatch.setattr(overview, "MOST_FOLDERS", 3)
    with pytest.raises(UnreadableFile, match="more than 3 folders"):
        case_folders(tmp_path)


def test_only_heads_are_read(tmp_path, monkeypatch):
    """However large the files, finding case folders reads at most 64 KiB and a few bytes at a time."""
    tree(tmp_path, "a/m.csv", "b/x.txt")
    largest = []
    opened = Path.open

    def watched(self, *args, **more):
        file = opened(self, *args, **more)
        if "b" in (args[0] if args else more.get("mode", "r")):
            read = file.read
            watched_file = type("Watched", (), {"__enter__": lambda own: own, "__exit__": lambda own, *_: file.close()})()
            watched_file.read = lambda size=-1: largest.append(size) or read(size)
            return watched_file
        return file

    monkeypatch.setattr(Path, "open", watched)
    monkeypatch.setattr(Path, "read_bytes", lambda self: pytest.fail(f"{self} is read whole"))
    assert len(case_folders(tmp_path, [ODD_MAP])) == 2
    assert largest
    assert all(0 < size <= 65_536 for size in largest)


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="needs a folder that this user may not read")
def test_a_folder_that_may_not_be_read_is_passed_over(tmp_path):
    tree(tmp_path, "a/m.csv", "b/m.csv")
    (tmp_path / "b").chmod(0)
    assert inside(tmp_path) == ["a"]
    (tmp_path / "b").chmod(0o700)


# Digests.


def test_fingerprint(tmp_path):
    """Outside check: hashlib over the same bytes. Names do not count in the digest of all, contents do."""
    folder = write_folder(tmp_path / "c", b__csv=signal_csv(), a__csv=EVENTS_CSV, case__toml='id = "x"\n', README__md="x")
    made = fingerprint(folder)
    assert [(name, size) for name, size, _ in made.files] == [
        ("a.csv", len(EVENTS_CSV)),
        ("b.csv", len(signal_csv())),
        ("case.toml", 9),
    ]
    assert made.files[0][2] == hashlib.sha256(EVENTS_CSV.encode()).hexdigest()
    (folder / "b.csv").rename(folder / "z.csv")
    assert fingerprint(folder).digest == made.digest
    (folder / "z.csv").write_text(signal_csv(51), encoding="utf-8")
    assert fingerprint(folder).digest != made.digest
    assert fingerprint(folder / "a.csv").files == made.files[:1]
    with pytest.raises(UnreadableFile, match="does not exist"):
        fingerprint(tmp_path / "none")


# What a person typed.


def test_id_and_zone_that_a_person_typed(tmp_path):
    """They stand where there is no header; case.toml goes before them."""
    folder = write_folder(tmp_path / "upload", m__edf=edf_bytes(range(3)))
    case = read_case(folder, given=Given("RV 7", "America/Denver"))
    assert (case.id, str(case.start.tzinfo)) == ("RV-7", "America/Denver")
    assert "the id “RV 7” is not safe" in told(case.notes)
    (folder / "case.toml").write_text('id = "own"\nzone = "Europe/Berlin"\n', encoding="utf-8")
    case = read_case(folder, given=Given("RV 7", "America/Denver"))
    assert (case.id, str(case.start.tzinfo)) == ("own", "Europe/Berlin")
    (folder / "case.toml").write_text('protocol = "adult-2020"\n', encoding="utf-8")
    case = read_case(folder, given=Given("RV7", "America/Denver"))
    assert (case.id, str(case.start.tzinfo)) == ("RV7", "America/Denver")
    (folder / "case.toml").unlink()
    case = read_case(folder, given=Given(zone="America/Denvr"))
    assert "error zone: “America/Denvr” is not an IANA zone" in told(case.notes)
    assert case.id == "upload"
