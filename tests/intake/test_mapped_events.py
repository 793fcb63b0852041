"""Lists of events and dispatch logs read through a map."""

from datetime import datetime

import pytest

from qi.intake import mapped_table
from qi.intake.folder import read_case
from qi.intake.header import SourceHeader
from qi.intake.map_form import EventColumns, Map, TimeFormat
from qi.intake.maps import check_map
from qi.intake.meanings import Column, Word
from qi.intake.signal_columns import NoTimes
from qi.model.tables import EVENTS, check
from tests.intake.made_files import ABOUT, signal_csv, told, write_folder, write_parquet

WORDS = (
    Word("ITD placed", "device_on", "itd"),
    Word("Defib", "shock"),
    Word("Epi", "drug", "epinephrine"),
    Word("CC", "compression"),
)


def events(form="%m/%d/%Y %H:%M:%S", *, words=WORDS, delimiter=",", **columns):
    named = {"type": "what"} | columns
    return Map(
        "log", "events", ("when", "what"), delimiter, time=TimeFormat(("when",), form), events=EventColumns(**named), words=words
    )


def read(tmp_path, text, map_, about=ABOUT):
    path = tmp_path / "x"
    path.write_text(text, encoding="utf-8")
    check_map(map_)
    (part,) = mapped_table.read(path, about, map_)
    check(part.events, EVENTS)
    return part


def test_words_values_doses_and_ends(tmp_path):
    text = (
        "when,until,what,how much,dose,of,who,free\n"
        "04/17/2031 14:03:00,,itd PLACED,,,,M31,at the mask\n"
        "04/17/2031 14:05:10,,Defib,200 J,,,M31,\n"
        "04/17/2031 14:06:00,,Epi,,1,mg,,\n"
        "04/17/2031 14:07:00,04/17/2031 14:07:20,pause,pulse check,,,,\n"
        "04/17/2031 14:08:00,04/17/2031 14:07:20,rosc,,,,,\n"
        "04/17/2031 14:09:00,later,Zap,x,,,,y\n"
    )
    more = {"value": "how much", "dose": "dose", "unit": "of", "by": "who", "end": "until", "text": "free"}
    part = read(tmp_path, text, events(**more))
    assert part.start == datetime(2031, 4, 17, 14, 3)
    assert part.events["time_s"].tolist() == [0, 130, 180, 240, 300, 360]
    assert part.events["type"].tolist() == ["device_on", "shock", "drug", "pause", "rosc", "unmapped"]
    assert part.events.loc[0, ["value", "by", "text"]].tolist() == ["itd", "M31", "at the mask"]
    assert part.events.loc[1, ["value", "unit"]].tolist() == ["200", "J"]
    assert part.events.loc[2, ["value", "dose", "unit"]].tolist() == ["epinephrine", 1.0, "mg"]
    assert part.events.loc[3, ["end_s", "value"]].tolist() == [260.0, "pulse_check"]
    assert part.events.loc[4:, "end_s"].isna().all()
    assert part.events.loc[5, ["value", "text"]].tolist() == ["x", "Zap y"]
    assert "line 6: it ends before it begins" in told(part.notes)
    assert "line 7: its end cannot be read" in told(part.notes)
    assert [(item.kind, item.name, item.count) for item in part.unknown] == [("event", "Zap", 1)]
    assert part.could_chart == {"device_on", "shock", "drug", "compression", "pause", "rosc"}


def test_a_fixed_value_keeps_what_the_file_has_beside_it(tmp_path):
    part = read(tmp_path, "when,what,v\n04/17/2031 14:03:00,Epi,first\n", events(value="v"))
    assert part.events.loc[0, ["value", "text"]].tolist() == ["epinephrine", "first"]


def test_a_word_with_its_value(tmp_path):
    """A value that is not known can be mapped together with its word."""
    part = read(tmp_path, "when,what,v\n04/17/2031 14:03:00,pause,lunch\n", events(value="v"))
    assert [(item.name, item.detail) for item in part.unknown] == [("pause lunch", "not a value of pause: kept as it stands")]
    part = read(
        tmp_path,
        "when,what,v\n04/17/2031 14:03:00,pause,lunch\n",
        events(value="v", words=(Word("pause lunch", "pause", "moving"),)),
    )
    assert part.events.loc[0, ["type", "value"]].tolist() == ["pause", "moving"]
    assert part.unknown == ()


def test_the_words_of_case_toml_go_before_the_map(tmp_path):
    part = read(tmp_path, "when,what\n04/17/2031 14:03:00,Defib\n", events(), SourceHeader(columns={"defib": "charge"}))
    assert part.events["type"].tolist() == ["charge"]


def test_bad_rows_are_put_aside_by_line(tmp_path):
    text = (
        "when,what\n04/17/2031 14:03:00,Defib\n04/17/2031 14:03:00,Defib\n"
        "04/17/2031 24:03:00,Defib\n17/04/2031 14:03:00,rosc\n"
        "04/17/2031 14:03:60,rosc\n04/17/2031 14:04:00,\n04/17/2131 14:03:00,rosc\n1,2,3\n"
        "04/17/2031 14:03:01,CC\n04/17/2031 14:03:01,CC\n"
    )
    part = read(tmp_path, text, events())
    assert part.events["type"].tolist() == ["shock", "compression", "compression"]
    notes = told(part.notes)
    assert "line 3: the same as a row above; put aside" in notes
    assert "line 4: “04/17/2031 24:03:00”: the hour 24 does not exist" in notes
    assert "line 5: “17/04/2031 14:03:00”: not of the form %m/%d/%Y %H:%M:%S; put aside" in notes
    assert "line 6: “04/17/2031 14:03:60”: minutes and seconds end at 59" in notes
    assert "line 7: no event word; put aside" in notes
    assert "line 8: lies years from the others" in notes
    assert "line 9: not 2 cells as in line 1; put aside" in notes


def test_no_time_can_be_read(tmp_path):
    with pytest.raises(NoTimes, match="column “when”"):
        read(tmp_path, "when,what\nsoon,Defib\n", events())
    assert read(tmp_path, "when,what\n", events()).events.empty


def test_times_of_day_pass_midnight_and_ends_too(tmp_path):
    text = "when,until,what\n23:59:50,00:00:10,pause\n00:00:20,,Defib\n23:59:55,,rosc\n00:01:00,,rearrest\n"
    part = read(tmp_path, text, events("%H:%M:%S", end="until"))
    assert part.events[["time_s", "type"]].to_numpy().tolist() == [[0, "pause"], [5, "rosc"], [30, "shock"], [70, "rearrest"]]
    assert part.events["end_s"].iloc[0] == 20
    assert part.start is None
    assert "no date: its seconds count from 23:59:50" in told(part.notes)


@pytest.mark.parametrize(
    ("form", "cells", "start"),
    [
        ("epoch_ms", ("1900000000000", "1900000001500"), datetime.fromisoformat("2030-03-17T17:46:40+00:00")),
        ("excel_days", ("48320.5", "48320.500017361"), datetime(2032, 4, 16, 12)),
        ("iso", ("2031-04-17T14:02:11-06:00", "2031-04-17T15:02:12.5-05:00"), datetime.fromisoformat("2031-04-17T14:02:11-06:00")),
        ("elapsed_clock", ("0:10", "0:11.5"), None),
        ("elapsed_ms", ("10000", "11500"), None),
    ],
)
def test_other_forms_of_time(tmp_path, form, cells, start):
    part = read(tmp_path, "when,what\n" + "".join(f"{cell},rosc\n" for cell in cells), events(form))
    first = 0 if start else 10
    assert part.events["time_s"].tolist() == pytest.approx([first, first + 1.5], abs=1e-4)
    assert part.start == start


def test_the_hour_that_a_clock_change_repeats(tmp_path):
    """US zones leave daylight time on 2031-11-02: true seconds across the change, and the unsure hour is ± 1 h."""
    text = "when,what\n11/02/2031 00:30:00,rosc\n11/02/2031 01:30:00,rearrest\n11/02/2031 02:30:00,rosc\n"
    part = read(tmp_path, text, events(), SourceHeader(zone="America/Denver"))
    assert part.events["time_s"].tolist() == [0, 3600, 10800]
    assert part.events["uncertainty_s"].tolist() == [0, 3600, 0]
    assert part.start == datetime.fromisoformat("2031-11-02T00:30:00-06:00")
    assert "line 3: falls in the hour that a clock change repeats or skips" in told(part.notes)


def test_decimal_comma_in_a_dose(tmp_path):
    map_ = events(dose="mg", delimiter=";")
    map_ = Map(**vars(map_) | {"decimal": ","})
    assert read(tmp_path, "when;what;mg\n04/17/2031 14:03:00;Epi;0,5\n", map_).events["dose"].tolist() == [0.5]


def test_columns_that_are_not_named_are_listed(tmp_path):
    part = read(tmp_path, "when,what,colour\n04/17/2031 14:03:00,Defib,red\n", events())
    assert [(item.kind, item.name) for item in part.unknown] == [("column", "colour")]
    ignoring = Map(**vars(events()) | {"columns": (Column("Colour", "ignored"),)})
    assert read(tmp_path, "when,what,colour\n04/17/2031 14:03:00,Defib,red\n", ignoring).unknown == ()


def wide(**more):
    columns = (
        Column("Alarm", event="dispatched"),
        Column("Arrived", event="on_scene"),
        Column("Vest", event="device_on", value="mechanical_cpr"),
    )
    return Map("cad", "dispatch", ("Alarm",), time=TimeFormat((), "%m/%d/%Y %H:%M:%S", "America/Denver"), columns=columns, **more)


def test_a_dispatch_log_with_a_column_for_each_moment(tmp_path):
    map_ = wide(events=EventColumns(by="Unit"), null_words=("none",))
    text = (
        "Unit,Alarm,Arrived,Vest\n"
        "M31,04/17/2031 14:00:00,04/17/2031 14:08:00,none\n"
        "E7,04/17/2031 14:00:01,bad,04/17/2031 14:09:00\n"
    )
    part = read(tmp_path, text, map_)
    rows = part.events[["time_s", "type", "by"]].to_numpy().tolist()
    assert rows == [[0, "dispatched", "M31"], [1, "dispatched", "E7"], [480, "on_scene", "M31"], [540, "device_on", "E7"]]
    assert part.events["value"].iloc[3] == "mechanical_cpr"
    assert part.start == datetime.fromisoformat("2031-04-17T14:00:00-06:00")
    assert (part.kind, part.could_chart) == ("dispatch", {"dispatched", "on_scene", "device_on"})
    assert "line 3: “bad”: not of the form" in told(part.notes)


def test_a_dispatch_log_with_a_row_for_each_status(tmp_path):
    map_ = Map(
        "cad",
        "dispatch",
        ("Zeit", "Status"),
        ";",
        time=TimeFormat(("Zeit",), "%d.%m.%Y %H:%M"),
        events=EventColumns(type="Status", by="Wagen"),
        words=(Word("3", "en_route"), Word("4", "on_scene")),
    )
    part = read(
        tmp_path, "Wagen;Zeit;Status\nRTW 1;17.04.2031 14:00;3\nRTW 1;17.04.2031 14:08;4\nRTW 1;17.04.2031 14:09;99\n", map_
    )
    assert part.events["type"].tolist() == ["en_route", "on_scene", "unmapped"]
    assert "at_patient" in part.could_chart


def test_events_in_parquet(tmp_path):
    path = write_parquet(tmp_path / "p", {"when": [0.5, 2.5], "what": ["Defib", "rosc"], "v": [200.0, None]})
    (part,) = mapped_table.read(path, ABOUT, events("elapsed_s", value="v"))
    assert part.events[["time_s", "type"]].to_numpy().tolist() == [[0.5, "shock"], [2.5, "rosc"]]
    assert part.events["value"].iloc[0] == "200"
    assert part.events["value"].isna().iloc[1]


def test_a_list_that_our_reader_knows_but_whose_times_it_does_not_is_read_by_the_map(tmp_path):
    """Columns time and type, but times of another form: without the map nothing is read, with it all."""
    text = "time,type\n17.04.2031 14:03,shock\n"
    folder = write_folder(tmp_path / "c", e__csv=text, m__csv=signal_csv())
    assert read_case(folder).events.empty
    form = TimeFormat(("time",), "%d.%m.%Y %H:%M")
    map_ = Map("ours", "events", ("time", "type"), time=form, events=EventColumns(type="type"))
    case = read_case(folder, maps=[map_])
    assert case.events["type"].tolist() == ["shock"]
    assert "read by the map “ours”" in told(case.notes)


def test_a_list_that_our_reader_understands_is_not_read_by_a_map(tmp_path):
    folder = write_folder(tmp_path / "c", e__csv="time_s,type\n1,shock\n")
    map_ = Map("ours", "events", ("time_s", "type"), time=TimeFormat(("time_s",), "elapsed_ms"), events=EventColumns(type="type"))
    case = read_case(folder, maps=[map_])
    assert case.sources[0].format == "CSV events"
    assert "map" not in told(case.notes)
