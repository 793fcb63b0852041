"""Tables read through a map: the same samples as our own table of the same data, and every bad row named."""

from datetime import datetime, timedelta

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from qi.intake import mapped_table, signal_table
from qi.intake.folder import read_case
from qi.intake.header import SourceHeader
from qi.intake.map_form import EventColumns, Map, TimeFormat
from qi.intake.maps import check_map, write_map
from qi.intake.meanings import Column, Word
from qi.intake.signal_columns import NoTimes
from qi.model.errors import UnreadableFile
from tests.intake.made_files import ABOUT, told, write_folder, write_parquet

START = datetime(2031, 4, 17, 23, 59, 55)
ROWS = 400
DEPTH_CM = np.round(2.5 - 2.5 * np.cos(np.arange(ROWS) / 6), 2)
CO2 = np.round(20 + 15 * np.sin(np.arange(ROWS) / 50), 1)


def channels(*, depth="Sternal travel (cm)", scale=1.0):
    return (Column(depth, "compression_depth", "cm", scale), Column("Gas", "co2", "mmHg"), Column("Rubbish", "ignored"))


def table(form, *, time="Clock", columns=None, **more):
    names = (time,) if isinstance(time, str) else time
    return Map("made-up export", "signals", (*names, "Gas"), time=TimeFormat(names, form), columns=columns or channels(), **more)


def own_signals(tmp_path):
    """The same data as our own table has them."""
    lines = [f"{at / 50:.3f},{depth},{gas}" for at, (depth, gas) in enumerate(zip(DEPTH_CM, CO2, strict=True))]
    (tmp_path / "own.csv").write_text("time_s,compression_depth[cm],co2[mmHg]\n" + "\n".join(lines), encoding="utf-8")
    return signal_table.read(tmp_path / "own.csv", ABOUT)[0].signals


def export(cells, *, delimiter=";", decimal=",", before=(), end="\n", names=None):
    """An export of a made-up monitor: the cells of its time columns, then travel in cm, gas and a column of rubbish."""
    lines = [*before, delimiter.join([*(names or ("Clock",)), "Sternal travel (cm)", "Gas", "Rubbish"])]
    for own, depth, gas in zip(cells, DEPTH_CM, CO2, strict=True):
        numbers = [f"{depth}".replace(".", decimal), f"{gas}".replace(".", decimal)]
        lines.append(delimiter.join([*([own] if isinstance(own, str) else own), *numbers, "n.a."]))
    return end.join(lines) + end


def at(row):
    return START + timedelta(milliseconds=20 * row)


def read(tmp_path, raw, map_, about=ABOUT):
    path = tmp_path / "x"
    path.write_bytes(raw if isinstance(raw, bytes) else raw.encode())
    check_map(map_)
    (part,) = mapped_table.read(path, about, map_)
    return part


FORMS = {
    "%d.%m.%Y %H:%M:%S,%f": lambda row: at(row).strftime("%d.%m.%Y %H:%M:%S,%f")[:-3],
    "%m/%d/%Y %I:%M:%S.%f %p": lambda row: at(row).strftime("%m/%d/%Y %I:%M:%S.%f %p"),
    "iso": lambda row: at(row).isoformat(),
    "%H:%M:%S.%f": lambda row: at(row).strftime("%H:%M:%S.%f"),
    "elapsed_s": lambda row: f"{row / 50:.2f}".replace(".", ","),
    "elapsed_ms": lambda row: f"{row * 20}",
    "elapsed_clock": lambda row: f"{row // 3000}:{row / 50 % 60:05.2f}",
    "epoch_s": lambda row: f"{1900000000 + row / 50:.2f}".replace(".", ","),
    "epoch_ms": lambda row: f"{1900000000000 + row * 20}",
    "excel_days": lambda row: f"{(at(row) - datetime(1899, 12, 30)) / timedelta(days=1):.10f}".replace(".", ","),
}
STARTS = dict.fromkeys(("%d.%m.%Y %H:%M:%S,%f", "%m/%d/%Y %I:%M:%S.%f %p", "iso"), START)


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("delimiter", [";", "\t", "|"])
def test_an_export_with_odd_columns_is_the_same_as_our_own_table(tmp_path, form, delimiter):
    """Values, rate and units equal; the times of day pass midnight on the way."""
    part = read(
        tmp_path,
        export([FORMS[form](row) for row in range(ROWS)], delimiter=delimiter, before=["Made-up monitor", "Serial;1;2"]),
        table(form, delimiter=delimiter, decimal=",", skip_lines=2),
    )
    assert part.kind == "monitor"
    for signal, own in zip(part.signals, own_signals(tmp_path), strict=True):
        assert (signal.channel, signal.unit) == (own.channel, own.unit)
        (piece,), (same,) = signal.pieces, own.pieces
        assert (piece.values == same.values).all()
        assert piece.rate_hz == pytest.approx(same.rate_hz, rel=1e-6)
        assert piece.start_s == pytest.approx(same.start_s, abs=1e-5)
    if form in STARTS:
        assert part.start == STARTS[form]
    assert (part.start is None) == (form.startswith("elapsed") or form == "%H:%M:%S.%f")
    assert "read by the map “made-up export”" in told(part.notes)
    assert "left out, as the map says: Rubbish" in told(part.notes)
    assert part.unknown == ()


def test_date_and_time_of_day_in_two_columns(tmp_path):
    cells = [(at(row).strftime("%Y/%m/%d"), at(row).strftime("%H:%M:%S.%f")) for row in range(ROWS)]
    map_ = table("%Y/%m/%d %H:%M:%S.%f", time=("Day", "Clock"), delimiter=";", decimal=",")
    part = read(tmp_path, export(cells, names=("Day", "Clock")), map_)
    assert part.start == START
    assert (part.signals[0].pieces[0].values == own_signals(tmp_path)[0].pieces[0].values).all()


def test_spreadsheet_day_and_fraction_in_two_columns(tmp_path):
    cells = [("48320", f"{row / 50 / 86400:.12f}".replace(".", ",")) for row in range(ROWS)]
    part = read(
        tmp_path, export(cells, names=("Day", "Clock")), table("excel_days", time=("Day", "Clock"), delimiter=";", decimal=",")
    )
    assert part.start == datetime(1899, 12, 30) + timedelta(days=48320)
    assert part.signals[0].pieces[0].rate_hz == pytest.approx(50, rel=1e-5)


@pytest.mark.parametrize(("coding", "name"), [("utf-8-sig", None), ("utf-16", "UTF-16"), ("cp1252", "Windows-1252")])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_codings_and_line_ends(tmp_path, coding, name, end):
    """A mark at the start is no part of the first name; another coding than UTF-8 is said."""
    text = "Zeit µ;Größe;Gas\n0;1;2\n1;2;2\n2;3;2\n".replace("\n", end)
    map_ = Map(
        "m", "signals", ("Zeit µ", "Größe"), ";", time=TimeFormat(("Zeit µ",), "elapsed_s"), columns=(Column("Größe", "ecg", "mV"),)
    )
    part = read(tmp_path, text.encode(coding), map_)
    assert part.signals[0].pieces[0].values.tolist() == [1, 2, 3]
    assert (f"its text is taken as {name}" in told(part.notes)) == bool(name)


def simple(**more):
    return Map("m", "signals", ("t", "a"), time=TimeFormat(("t",), "elapsed_s"), columns=(Column("a", "co2", "mmHg"),), **more)


def test_bad_rows_are_put_aside_by_line(tmp_path):
    part = read(tmp_path, "t,a\n0,1\n1,x\n2,3\nsoon,4\n4,5,6\n,7\n6,8\n7,\n8,9,\n", simple())
    notes = told(part.notes)
    assert "line 3: a cell that is no number (the first is “x”); put aside" in notes
    assert "lines 5 and 7: no usable t (the first: “soon” is not a time in seconds" in notes
    assert "line 6: not 2 cells as in line 1; put aside" in notes
    assert sum(len(piece.values) for piece in part.signals[0].pieces) == 4


def test_null_words_are_no_samples_and_no_bad_rows(tmp_path):
    rows = "".join(f"{row},{'OFF' if row % 3 else row}\n" for row in range(9))
    part = read(tmp_path, "t,a\n" + rows, simple(null_words=("off",)))
    assert part.signals[0].pieces[0].values.tolist() == [0, 3, 6]
    assert "put aside" not in told(part.notes)
    assert "a cell that is no number (the first is “OFF”)" in told(read(tmp_path, "t,a\n" + rows, simple()).notes)


def test_scale_turns_the_sign_and_is_said(tmp_path):
    part = read(tmp_path, "t,d\n0,-5\n1,-4\n", replace_columns(simple(), Column("d", "compression_depth", "cm", -1.0)))
    assert part.signals[0].pieces[0].values.tolist() == [50, 40]
    assert "multiplied, as the map says: d × -1" in told(part.notes)


def replace_columns(map_, *columns):
    return Map(map_.name, map_.kind, ("t",), time=map_.time, columns=columns)


def test_columns_that_the_map_does_not_name(tmp_path):
    """Numbers are kept as they stand and listed, texts are listed; nothing is taken for a channel by a likeness of names."""
    part = read(
        tmp_path,
        "t,travel,travel %,word\n0,1,9,x\n1,2,8,y\n",
        replace_columns(simple(), Column("travel", "compression_depth", "mm")),
    )
    assert [(signal.channel, signal.label) for signal in part.signals] == [
        ("compression_depth", "travel"),
        ("travel %", "travel %"),
    ]
    assert [(item.kind, item.name) for item in part.unknown] == [("column", "word"), ("channel", "travel %")]


def test_two_columns_of_one_name_are_kept_apart(tmp_path):
    map_ = replace_columns(simple(), Column("ECG", "ecg", "mV"), Column("ecg (2)", "ecg", "mV"))
    part = read(tmp_path, "t,ECG,ecg\n0,1,5\n1,2,6\n", map_)
    assert [signal.label for signal in part.signals] == ["ECG", "ecg (2)"]
    assert "ecg is there 2 times" in told(part.notes)


def test_the_header_goes_before_the_map(tmp_path):
    about = SourceHeader(file="x", channels={"A": "airway_pressure"}, depth_reference="stroke")
    part = read(tmp_path, "t,a\n0,1\n1,2\n", simple(), about)
    assert part.signals[0].channel == "airway_pressure"


def test_a_column_of_the_map_that_is_not_there(tmp_path):
    map_ = replace_columns(simple(), Column("a", "co2", "mmHg"), Column("gone", "ecg", "mV"))
    assert "columns of the map that the file lacks: gone" in told(read(tmp_path, "t,a\n0,1\n1,2\n", map_).notes)
    with pytest.raises(UnreadableFile, match="line 1: lacks t, a, which the map “m” needs; found x, y"):
        read(tmp_path, "x,y\n0,1\n", simple())


def test_no_time_can_be_read(tmp_path):
    with pytest.raises(NoTimes, match="column “t”: no row has a time that can be read") as error:
        read(tmp_path, "t,a\nx,1\ny,2\n", simple())
    assert (error.value.unknown.kind, error.value.unknown.name) == ("time", "t")


def test_a_table_without_rows(tmp_path):
    part = read(tmp_path, "t,a\n", simple())
    assert (part.signals, part.start) == ((), None)
    assert "holds no rows" in told(part.notes)


@pytest.mark.parametrize("stamped", [True, False])
def test_parquet_with_odd_columns(tmp_path, stamped):
    """The same samples from Parquet: numbers, time stamps, texts."""
    stamps = pd.Series([pd.Timestamp(at(row), tz="UTC") for row in range(ROWS)])
    columns = {"Clock": stamps if stamped else [at(row).isoformat() for row in range(ROWS)]}
    path = write_parquet(tmp_path / "p", columns | {"Sternal travel (cm)": DEPTH_CM, "Gas": CO2, "Rubbish": ["x"] * ROWS})
    (part,) = mapped_table.read(path, ABOUT, table("iso"))
    for signal, own in zip(part.signals, own_signals(tmp_path), strict=True):
        assert (signal.pieces[0].values == own.pieces[0].values).all()
    assert part.start.replace(tzinfo=None) == START
    assert (part.start.tzinfo is not None) == stamped


def test_signals_and_events_in_one_table(tmp_path):
    map_ = Map(
        "m",
        "signals",
        ("t", "a", "mark"),
        time=TimeFormat(("t",), "elapsed_s"),
        columns=(Column("a", "co2", "mmHg"),),
        events=EventColumns(type="mark"),
        words=(Word("SHK", "shock"),),
    )
    part = read(tmp_path, "t,a,mark\n0,1,\n1,2,SHK\n2,3,??x\n3,4,\n", map_)
    assert part.events[["time_s", "type"]].to_numpy().tolist() == [[1.0, "shock"], [2.0, "unmapped"]]
    assert [(item.kind, item.name, item.count) for item in part.unknown] == [("event", "??x", 1)]
    assert (part.kind, part.could_chart) == ("monitor", {"shock"})


def test_wall_clock_over_the_end_of_daylight_saving(tmp_path):
    """Denver, 2031-11-02: after 01:59:59 comes 01:00:00, as in our own tables."""
    times = [f"02.11.2031 01:59:{second}" for second in range(50, 60)] + [f"02.11.2031 01:00:0{second}" for second in range(10)]
    map_ = Map("m", "signals", ("t",), time=TimeFormat(("t",), "%d.%m.%Y %H:%M:%S"), columns=(Column("a", "etco2", "mmHg"),))
    part = read(
        tmp_path,
        "t,a\n" + "".join(f"{time},{30 + row}\n" for row, time in enumerate(times)),
        map_,
        SourceHeader(zone="America/Denver"),
    )
    assert part.signals[0].pieces[0].values.tolist() == list(range(30, 50))
    assert "steps back by 1 h at row 11" in told(part.notes)


# Hostile files.


@pytest.mark.parametrize(
    "name", ["=cmd|' /C calc'!A0", "+1+1", "-2", "@SUM(A1)", '"quoted"', "a,b", "x" * 30_000, "<script>", "𝛥 µ"]
)
def test_names_are_names_whatever_they_look_like(tmp_path, name):
    """Nothing is run or cut; the map with such a name reads back."""
    written = '"' + name.replace('"', '""') + '"'
    map_ = replace_columns(simple(), Column(name, "co2", "mmHg"))
    part = read(tmp_path, f"t,{written}\n0,1\n1,2\n", map_)
    assert part.signals[0].label == name
    assert name[:5] in write_map(map_).replace('\\"', '"')


def test_a_first_line_without_end_is_no_table(tmp_path):
    with pytest.raises(UnreadableFile, match="no line of names is there"):
        read(tmp_path, "t,a," + "x" * 100_000 + "\n0,1\n", simple())


def test_too_many_columns_are_refused(tmp_path):
    with pytest.raises(UnreadableFile, match="found 3002 columns; a table has at most 2000"):
        read(tmp_path, "t,a," + ",".join("b" * 1 for _ in range(3000)) + "\n", simple())


def test_bytes_of_zero(tmp_path):
    with pytest.raises(UnreadableFile, match="no line of names"):
        read(tmp_path, b"t,a\n0,1\n\x00,2\n", simple())
    rows = "".join(f"{row},1\n" for row in range(20_000))
    part = read(tmp_path, b"t,a\n" + rows.encode() + b"20000,\x00\n20001,1\n", simple())
    assert "line 20002: a cell that is no number" in told(part.notes)


def test_a_cell_without_end(tmp_path):
    part = read(tmp_path, 't,a\n0,1\n1,2\n9,"' + "x" * 200_000 + "\n2,4\n", simple())
    assert "line 4: a cell that is too long, or has no end; put aside" in told(part.notes)
    assert part.signals[0].pieces[0].values.tolist() == [1, 2, 4]


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(st.binary(max_size=400), st.sampled_from(["elapsed_s", "iso", "%H:%M", "excel_days"]))
def test_any_bytes_read_or_are_refused_in_words(tmp_path, raw, form):
    path = tmp_path / "any"
    path.write_bytes(b"t,a\n0,1\n" + raw)
    map_ = Map("m", "signals", ("t", "a"), time=TimeFormat(("t",), form), columns=(Column("a", "co2", "mmHg"),))
    try:
        (part,) = mapped_table.read(path, ABOUT, map_)
    except UnreadableFile:
        return
    for signal in part.signals:
        assert all(np.isfinite(piece.values).all() for piece in signal.pieces)


def test_a_case_is_read_through_a_map_and_says_so(tmp_path):
    """Not recognised without one; on the axis of the case beside other files with one."""
    folder = write_folder(
        tmp_path / "c",
        m__txt=export([FORMS["%d.%m.%Y %H:%M:%S,%f"](row) for row in range(ROWS)]),
        e__csv="time,type\n2031-04-18T00:00:00-06:00,shock\n",
        case__toml='zone = "America/Denver"\n',
    )
    map_ = table("%d.%m.%Y %H:%M:%S,%f", delimiter=";", decimal=",")
    assert "of no known kind" in told(read_case(folder).notes)
    case = read_case(folder, maps=[map_])
    assert [signal.channel for signal in case.signals] == ["compression_depth", "co2"]
    assert case.events["time_s"].tolist() == [5.0]
    assert "info m.txt: read by the map “made-up export”" in told(case.notes)
    assert case.sources[1].format == "table by the map “made-up export”"
