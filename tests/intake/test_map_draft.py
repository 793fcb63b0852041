"""Drafts of maps: what the look of a table tells, and what is asked because it does not."""

from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from qi.intake import mapped_table
from qi.intake.map_draft import named_in, propose
from qi.intake.map_form import TimeFormat
from qi.intake.maps import check_map
from qi.intake.meanings import Column, Word
from qi.model.errors import UnreadableFile
from tests.intake.made_files import ABOUT, write_parquet

EXPORT = """Made-up monitor;7
Serial;12

Datum;Uhrzeit;Sternum travel (cm);CO2 [mmHg];HR;Note
03.04.2031;14:02:11,5;1,5;35;---;
03.04.2031;14:02:11,6;1,6;35,5;80;x
"""


def draft(tmp_path, text, coding="utf-8"):
    (tmp_path / "t").write_bytes(text if isinstance(text, bytes) else text.encode(coding))
    return propose(tmp_path / "t")


def test_how_the_table_lies(tmp_path):
    made = draft(tmp_path, EXPORT)
    assert (made.map.kind, made.map.delimiter, made.map.decimal, made.map.skip_lines) == ("signals", ";", ",", 3)
    assert made.map.null_words == ("---",)
    assert made.map.finds == ("Datum", "Uhrzeit", "Sternum travel (cm)", "CO2 [mmHg]", "HR", "Note")


def test_day_and_month_are_asked_with_both_readings(tmp_path):
    """03.04.2031 can be 3 April or March 4: no time is set, both choices have their examples in letters."""
    made = draft(tmp_path, EXPORT)
    assert made.is_day_month_open
    assert made.map.time is None
    assert "Does the day or the month come first?" in made.asks
    read = {choice.time.format: choice.examples[0] for choice in made.times if choice.time.columns == ("Datum", "Uhrzeit")}
    assert read == {
        "%d.%m.%Y %H:%M:%S,%f": ("03.04.2031 14:02:11,5", "3 Apr 2031 14:02:11.5"),
        "%m.%d.%Y %H:%M:%S,%f": ("03.04.2031 14:02:11,5", "4 Mar 2031 14:02:11.5"),
    }


def test_a_day_above_12_settles_the_order(tmp_path):
    made = draft(tmp_path, EXPORT.replace("03.04", "17.04"))
    assert not made.is_day_month_open
    assert made.map.time == TimeFormat(("Datum", "Uhrzeit"), "%d.%m.%Y %H:%M:%S,%f")


def test_what_names_and_units_tell_and_what_is_open(tmp_path):
    made = draft(tmp_path, EXPORT)
    guesses = {guess.name: (guess.channel, guess.unit, guess.is_numbers, guess.is_open) for guess in made.columns}
    assert guesses == {
        "Sternum travel (cm)": ("", "", True, True),
        "CO2 [mmHg]": ("co2", "mmHg", True, False),
        "HR": ("heart_rate", "", True, True),
        "Note": ("", "", False, True),
    }
    assert made.map.columns == (Column("CO2 [mmHg]", "co2", "mmHg"),)
    assert "“Sternum travel (cm)”: which channel is it, in which unit?" in made.asks
    assert any(ask.startswith("“HR”: in which unit is it (1/min") for ask in made.asks)
    assert made.columns[2].examples == ("80",)


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("CC depth (cm)", ("compression_depth", "cm")),
        ("co2[kPa]", ("co2", "kPa")),
        ("airway_pressure_mbar", ("airway_pressure", "mbar")),
        ("ECG, mV", ("ecg", "mV")),
        ("depth [furlong]", ("compression_depth", "")),
        ("Impedance (\u2126)", ("thoracic_impedance", "\u03a9")),
        ("SpO2", ("spo2", "")),
        ("sternum travel (cm)", ("", "")),
        ("depth of snow", ("", "")),
        ("", ("", "")),
    ],
)
def test_channel_and_unit_in_a_name(name, told):
    assert named_in(name) == told


def test_units_below_the_names(tmp_path):
    made = draft(tmp_path, "t [ms],depth,co2\n,mm,[kPa]\n0,3,2\n20,4,2\n")
    assert made.map.columns == (Column("depth", "compression_depth", "mm"), Column("co2", "co2", "kPa"))
    assert made.map.time == TimeFormat(("t [ms]",), "elapsed_ms")


@pytest.mark.parametrize(
    ("cells", "forms"),
    [
        (("0", "10"), ["elapsed_s", "elapsed_ms"]),
        (("1900000000", "1900000001"), ["epoch_s"]),
        (("1900000000000", "1900000000010"), ["epoch_ms"]),
        (("45000.5", "45000.500001"), ["excel_days", "elapsed_s", "elapsed_ms"]),
        (("00:00:01", "00:00:02"), ["%H:%M:%S", "elapsed_clock"]),
        (("12:30", "12:31"), ["%H:%M", "elapsed_clock"]),
        (("75:30", "75:31"), ["elapsed_clock"]),
        (("2031-04-17 14:02:11", "2031-04-17 14:02:12"), ["iso"]),
        (("4/17/2031 2:02:11 PM", "4/17/2031 2:02:12 PM"), ["%m/%d/%Y %I:%M:%S %p"]),
        (("17-Apr-2031 14:02:11.5", "17-Apr-2031 14:02:12"), ["%d-%b-%Y %H:%M:%S.%f"]),
        (("01/02/31 14:02", "01/02/31 14:03"), ["%d/%m/%y %H:%M", "%m/%d/%y %H:%M"]),
        (("soon", "later"), []),
    ],
)
def test_forms_of_time_that_fit(tmp_path, cells, forms):
    made = draft(tmp_path, "stamp;x\n" + "".join(f"{cell};1\n" for cell in cells))
    assert [choice.time.format for choice in made.times if choice.time.columns == ("stamp",)] == forms
    assert (made.map.time is not None) == (len(forms) == 1)
    for choice in made.times:
        assert choice.examples


def test_no_form_of_time_is_asked(tmp_path):
    assert "Which column holds the times, and in which form?" in draft(tmp_path, "a;b\nx;y\nx;z\n").asks


def test_a_time_of_day_asks_for_the_day(tmp_path):
    made = draft(tmp_path, "t;ecg\n14:02:11.5;1\n14:02:11.6;1\n")
    assert any("no date. If they are times of day, on which day was it?" in ask for ask in made.asks)


def test_both_signs_before_a_fraction_are_asked(tmp_path):
    assert any("Both a point and a comma" in ask for ask in draft(tmp_path, "t;a;b\n1;1,5;2.5\n2;1,5;2.5\n").asks)


def test_a_list_of_events(tmp_path):
    text = (
        "when,event,value,comment\n2031-04-17T14:02:11,ITD placed,,\n2031-04-17T14:02:12,shock,200,x\n2031-04-17T14:02:13,shock,,\n"
    )
    made = draft(tmp_path, text)
    assert made.map.kind == "events"
    assert made.map.events.named == {"type": "event", "value": "value", "text": "comment"}
    assert [(word.text, word.count, word.type) for word in made.words] == [("shock", 2, "shock"), ("ITD placed", 1, "")]
    assert "“ITD placed”: which event is it?" in made.asks
    confirmed = replace(made.map, name="events", words=(Word("ITD placed", "device_on", "itd"),))
    check_map(confirmed)
    (part,) = mapped_table.read(tmp_path / "t", ABOUT, confirmed)
    assert part.events["type"].tolist() == ["device_on", "shock", "shock"]
    assert part.unknown == ()


def test_a_log_with_a_column_for_each_moment(tmp_path):
    made = draft(tmp_path, "Unit,Alarm,time_on_scene\nM31,2031-04-17 14:00:00,2031-04-17 14:08:00\nE7,2031-04-17 14:00:00,\n")
    assert (made.map.kind, made.map.time) == ("dispatch", TimeFormat((), "iso"))
    assert made.map.columns == (Column("time_on_scene", event="on_scene"),)
    assert made.map.events.by == "Unit"
    assert "“Alarm”: which event is it?" in made.asks
    check_map(made.map)


def test_a_draft_that_is_confirmed_reads_the_table(tmp_path):
    """A person answers what was asked; the map then reads the file with nothing left over."""
    made = draft(tmp_path, EXPORT)
    more = (Column("Sternum travel (cm)", "compression_depth", "cm"), Column("HR", "heart_rate", "bpm"), Column("Note", "ignored"))
    map_ = replace(made.map, time=made.times[0].time, columns=(*made.map.columns, *more))
    check_map(map_)
    (part,) = mapped_table.read(tmp_path / "t", ABOUT, map_)
    assert {signal.channel for signal in part.signals} == {"compression_depth", "co2", "heart_rate"}
    assert part.start.isoformat() == "2031-04-03T14:02:11.500000"
    assert part.unknown == ()


def test_the_name_of_a_draft_holds_nothing_of_the_files_name(tmp_path):
    """A file's name often holds a person's."""
    path = tmp_path / "SMITH JOHN.csv"
    path.write_text("t,a\n1,2\n2,3\n", encoding="utf-8")
    assert "SMITH" not in propose(path).map.name


def test_parquet(tmp_path):
    path = write_parquet(tmp_path / "p", {"when": ["2031-04-17T14:02:11", "2031-04-17T14:02:12"], "cc_depth_cm": [1.0, 2.0]})
    made = propose(path)
    assert made.map.time == TimeFormat(("when",), "iso")
    assert made.map.columns == (Column("cc_depth_cm", "compression_depth", "cm"),)


@pytest.mark.parametrize("coding", ["utf-8-sig", "utf-16", "cp1252"])
def test_codings(tmp_path, coding):
    assert draft(tmp_path, "Größe;t [s]\n1;0\n2;1\n", coding).map.finds == ("Größe", "t [s]")


@pytest.mark.parametrize("raw", [b"", b"junk\n", b"\0\1\2", b"a;b\n", b"PAR1junk", b"1;2\n3;4\n", b"x" * 100_000])
def test_no_table_is_said(tmp_path, raw):
    with pytest.raises(UnreadableFile, match="no table found: right would be a line of names"):
        draft(tmp_path, raw)


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(st.text(st.sampled_from('aT1,;\t|."\n:-/= µ\0'), max_size=200))
def test_any_text_is_drafted_or_refused(tmp_path, text):
    try:
        made = draft(tmp_path, "t;a\n" + text)
    except UnreadableFile:
        return
    assert made.map.finds
