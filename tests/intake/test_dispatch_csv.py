"""The dispatch reader. Field names: NERIS core_mod_dispatch.csv, mod_unit_response.csv, by way of data-standards.md section 3."""

from datetime import datetime, timedelta
from pathlib import Path

import pytest

from qi.intake import dispatch_csv
from qi.intake.header import SourceHeader
from qi.model.case import Part
from qi.model.errors import UnknownWord, UnreadableFile
from qi.model.tables import EVENTS, check

ABOUT = SourceHeader()
DENVER = SourceHeader(zone="America/Denver")
NERIS = """dispatch_time_call_arrival,dispatch_time_call_answering,dispatch_time_call_create,unit_id_reported,time_dispatch,\
time_enroute_to_scene,time_on_scene,time_at_patient,time_enroute_hospital,time_arrived_hospital,time_transfer_to_facility,\
time_turnout,time_unit_clear
2031-04-17T15:00:12Z,2031-04-17T15:00:18Z,2031-04-17T15:00:41Z,M31,2031-04-17T15:01:00Z,2031-04-17T15:01:47Z,\
2031-04-17T15:06:23Z,2031-04-17T15:07:35Z,2031-04-17T15:37:07Z,2031-04-17T15:49:02Z,2031-04-17T15:53:52Z,PT47S,2031-04-17T16:30:13Z
2031-04-17T15:00:12Z,2031-04-17T15:00:18Z,2031-04-17T15:00:41Z,E7,2031-04-17T15:01:01Z,2031-04-17T15:01:53Z,\
2031-04-17T15:05:00Z,,,,,PT52S,2031-04-17T15:40:14Z
"""


def read(folder: Path, content: str, about: SourceHeader = ABOUT) -> Part:
    (folder / "cad.csv").write_text(content, encoding="utf-8")
    (part,) = dispatch_csv.read(folder / "cad.csv", about)
    check(part.events, EVENTS)
    return part


def told(part: Part) -> list[tuple]:
    assert part.start is not None
    rows = part.events.itertuples()
    return [
        ((part.start + timedelta(seconds=row.time_s)).strftime("%H:%M:%S"), row.type, row.by if isinstance(row.by, str) else None)
        for row in rows
    ]


def said(part: Part) -> str:
    return "\n".join(f"{note.level} {note.where}: {note.text}" for note in part.notes)


def test_neris_names_one_row_a_unit(tmp_path: Path):
    """Times of the call are one for all units, unit times carry the unit, an empty cell is not recorded, a duration is no time."""
    part = read(tmp_path, NERIS)
    assert (part.kind, part.format, part.start) == ("dispatch", "dispatch CSV", datetime.fromisoformat("2031-04-17T15:00:12+00:00"))
    assert told(part) == [
        ("15:00:12", "call_received", None),
        ("15:00:18", "call_answered", None),
        ("15:00:41", "note", None),
        ("15:01:00", "dispatched", "M31"),
        ("15:01:01", "dispatched", "E7"),
        ("15:01:47", "en_route", "M31"),
        ("15:01:53", "en_route", "E7"),
        ("15:05:00", "on_scene", "E7"),
        ("15:06:23", "on_scene", "M31"),
        ("15:07:35", "at_patient", "M31"),
        ("15:37:07", "left_scene", "M31"),
        ("15:40:14", "note", "E7"),
        ("15:49:02", "at_hospital", "M31"),
        ("15:53:52", "care_transferred", "M31"),
        ("16:30:13", "note", "M31"),
    ]
    assert part.notes == ()
    assert "at_patient" in part.could_chart
    assert "collapse" not in part.could_chart
    assert (set(part.events["source"]), set(part.events["clock"])) == ({"cad.csv"}, {""})


def test_columns_named_in_the_header(tmp_path: Path):
    """case-format.md section 1: columns named in the header's map, matched without regard to case and spaces; semicolons; a BOM."""
    about = SourceHeader(
        zone="America/Denver", columns={"Notruf": "call_received", "Alarm Zeit": "dispatched", "Fehlt": "on_scene"}
    )
    content = "\ufeffUnit;notruf;ALARM ZEIT;Bemerkung\nRTW 1;2031-04-17 09:00:12;2031-04-17 09:01:00;Herz; \n"
    part = read(tmp_path, content.replace("; \n", "\n"), about)
    assert told(part) == [("09:00:12", "call_received", None), ("09:01:00", "dispatched", "RTW 1")]
    assert part.start is not None
    assert part.start.utcoffset() == timedelta(hours=-6)
    assert "columns of the header's map that the file lacks: fehlt" in said(part)
    assert dispatch_csv.recognises(tmp_path / "cad.csv", about)
    assert not dispatch_csv.recognises(tmp_path / "cad.csv")


def test_one_row_a_status_change(tmp_path: Path):
    """The long shape of data-standards.md section 3; a status that nobody named stays unmapped with its own words."""
    about = SourceHeader(columns={"ENRT": "en_route", "ARRV": "on_scene"})
    content = (
        "unit,time,status\n"
        "M31,2031-04-17T09:01:00-06:00,Dispatched\n"
        "M31,2031-04-17T09:01:47-06:00,enrt\n"
        "E7,2031-04-17T09:05:00-06:00,ARRV\n"
        "E7,2031-04-17T09:06:00-06:00,10-97\n"
    )
    part = read(tmp_path, content, about)
    assert told(part) == [
        ("09:01:00", "dispatched", "M31"),
        ("09:01:47", "en_route", "M31"),
        ("09:05:00", "on_scene", "E7"),
        ("09:06:00", "unmapped", "E7"),
    ]
    assert part.events["text"].iloc[-1] == "10-97"
    assert dispatch_csv.recognises(tmp_path / "cad.csv")


def test_bad_cells_and_rows_are_put_aside_by_line(tmp_path: Path):
    """case-format.md section 3: 24:00:00, :60, no time at all, too few cells; the other cells and rows load."""
    content = (
        "unit,time_dispatch,time_on_scene\n"
        "M31,2031-04-17T24:00:00Z,2031-04-17T15:06:23Z\n"
        "E7,2031-04-17T15:01:60Z,soon\n"
        "B2,2031-04-17T15:01:02Z\n"
        "T9,2031-04-17T15:01:03Z,1900-01-01T00:00:00Z\n"
        "\n"
    )
    part = read(tmp_path, content)
    assert told(part) == [("15:01:03", "dispatched", "T9"), ("15:06:23", "on_scene", "M31")]
    notes = said(part)
    assert "cad.csv: line 2: time_dispatch: “2031-04-17T24:00:00Z”: the hour 24 does not exist" in notes
    assert "cad.csv: line 3: time_dispatch: “2031-04-17T15:01:60Z”: minutes and seconds end at 59" in notes
    assert "cad.csv: line 3: time_on_scene: “soon” is not a time" in notes
    assert "cad.csv: line 4: 2 cells where line 1 has 3; put aside" in notes


def test_the_hour_that_a_clock_change_repeats_or_skips(tmp_path: Path):
    """case-format.md section 3: said, both readings offered. US zones leave daylight time on 2031-11-02, enter it on 2031-03-09."""
    autumn = read(tmp_path, "time_dispatch,time_on_scene\n2031-11-02 00:50:00,2031-11-02 01:30:10\n", DENVER)
    assert autumn.events["time_s"].tolist() == [0.0, 2410.0]
    assert autumn.events["uncertainty_s"].tolist() == [0.0, 3600.0]
    assert "2031-11-02T01:30:10-06:00 or 2031-11-02T01:30:10-07:00; the first is used, ± 1 h" in said(autumn)
    spring = read(tmp_path, "time_dispatch,time_on_scene\n2031-03-09 01:50:00,2031-03-09 02:30:10\n", DENVER)
    assert "2031-03-09T02:30:10-07:00 or 2031-03-09T02:30:10-06:00" in said(spring)
    after = read(tmp_path, "time_dispatch,time_on_scene\n2031-03-09 01:59:50,2031-03-09 03:00:10\n", DENVER)
    assert after.events["time_s"].tolist() == [0.0, 20.0]
    assert after.notes == ()


def test_wall_clock_times_without_a_zone(tmp_path: Path):
    """Without offset and zone the start is a wall-clock time; beside times with an offset they are put aside."""
    part = read(tmp_path, "time_dispatch,time_on_scene\n2031-04-17T09:01:07,2031-04-17T09:06:23\n")
    assert part.start == datetime(2031, 4, 17, 9, 1, 7)
    assert part.events["time_s"].tolist() == [0.0, 316.0]
    assert "wall-clock times" in said(part)
    mixed = read(tmp_path, "time_dispatch,time_on_scene\n2031-04-17T09:01:07,2031-04-17T09:06:23-06:00\n")
    assert told(mixed) == [("09:06:23", "on_scene", None)]
    assert "line 2: time without an offset beside others that have one" in said(mixed)


def test_times_that_run_backwards_are_said(tmp_path: Path):
    """A later time point before an earlier one: said, kept as it stands."""
    part = read(tmp_path, "unit,time_dispatch,time_on_scene\nM31,2031-04-17T15:06:23Z,2031-04-17T15:01:00Z\n")
    assert "on_scene is 323 s before dispatched for M31" in said(part)
    assert [row[1] for row in told(part)] == ["on_scene", "dispatched"]


def test_minute_only_times_are_wider(tmp_path: Path):
    """data-standards.md 1.10: most times end in :00, so each is ± 60 s."""
    names = "time_dispatch,time_enroute_to_scene,time_on_scene,time_at_patient\n"
    part = read(tmp_path, names + ",".join(f"2031-04-17T15:0{minute}:00Z" for minute in range(1, 5)) + "\n")
    assert part.events["uncertainty_s"].tolist() == [60.0] * 4
    assert "charted to the minute" in said(part)


def test_an_unknown_time_column_stays_unmapped(tmp_path: Path):
    """A time_ column that neither NERIS nor the map names is kept with its name."""
    part = read(tmp_path, "time_dispatch,time_second_alarm\n2031-04-17T15:01:00Z,2031-04-17T15:03:07Z\n")
    assert told(part)[1][1] == "unmapped"
    assert "time_second_alarm" in part.events["text"].iloc[1]
    assert part.could_chart == {"dispatched"}


def test_recognised_by_its_first_line(tmp_path: Path):
    """Signals and event lists are not dispatch logs, whatever the file's name."""
    for content, expected in (
        ("time_on_scene\n", True),
        ("DISPATCH_TIME_CALL_ARRIVAL;x\n", True),
        ("Time,Unit Status\n", True),
        ("time,type,value\n", False),
        ("time_s,ecg[mV]\n", False),
        ("time,compression_depth[mm]\n", False),
        ("", False),
    ):
        (tmp_path / "x.txt").write_text(content, encoding="utf-8")
        assert dispatch_csv.recognises(tmp_path / "x.txt") == expected, content


def test_what_cannot_be_read_says_where(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """File, line, what was found, what would be right; a map entry with an unknown word lists the choices."""
    with pytest.raises(UnreadableFile, match=r"cad\.csv: line 1: found nothing"):
        read(tmp_path, "\n")
    with pytest.raises(UnreadableFile, match=r"line 1: found a, b; should name one of dispatch_time_call_arrival"):
        read(tmp_path, "a,b\n1,2\n")
    with pytest.raises(UnknownWord, match="“arrived” is not known; choose from"):
        read(tmp_path, NERIS, SourceHeader(columns={"x": "arrived"}))
    monkeypatch.setattr("qi.intake.dispatch_csv.LARGEST_BYTES", 100)
    with pytest.raises(UnreadableFile, match="a dispatch log is read up to 100 bytes"):
        read(tmp_path, NERIS)


def test_a_file_of_names_alone_has_no_events(tmp_path: Path):
    """Looked and found none: an empty table, no start."""
    part = read(tmp_path, NERIS.splitlines()[0] + "\n")
    assert part.events.empty
    assert part.start is None
