"""Section 3 of case-format.md, line by line: one test or more for each line that concerns what is read here.

Care records (DTD, PN values, codes) are tested in test_nemsis.py, CSV that we write where it is written.
"""

import numpy as np
import pytest

from qi.intake import edf, event_csv, signal_parquet, signal_table
from qi.intake.folder import read_case
from qi.model.errors import UnreadableFile
from tests.intake.made_files import ABOUT, edf_bytes, signal_csv, tal, told, write_folder, write_parquet


def case_of(tmp_path, **files):
    return read_case(write_folder(tmp_path / "c", **files))


def test_cut_short_in_its_data_edf(tmp_path):
    """Read to the last whole record, with a note of how much is missing."""
    case = case_of(tmp_path, m__edf=edf_bytes(range(10))[: 768 + 7 * 140 + 10])
    assert case.recorded.pairs() == [(0, 7)]
    assert "7 of 10 records are whole; 3 records (3 s) are missing" in told(case.notes)


def test_cut_short_in_its_data_csv(tmp_path):
    """The last row has lost cells: it is put aside with its line."""
    case = case_of(tmp_path, m__csv=signal_csv(50)[:-6])
    assert "line 51: not 3 cells as in line 1; put aside" in told(case.notes)
    assert len(case.of_channel("compression_depth")[0].pieces[0].values) == 49


@pytest.mark.parametrize(
    ("name", "raw", "place"),
    [
        ("empty", b"", "byte 0: the file is empty"),
        ("cut_header", edf_bytes([0])[:300], "byte 300: the file ends inside its header"),
        ("wrong_type", b"0       this is text, not a recording" + b" " * 300, "byte 252: the number of channels"),
        ("cut_parquet", b"PAR1 and nothing", "byte 8: not a whole Parquet file"),
        ("photo", b"\x89PNG\r\n", "byte 0: begins with"),
    ],
)
def test_unreadable_file_is_said_with_its_place_and_the_rest_loads(tmp_path, name, raw, place):
    case = case_of(tmp_path, m__csv=signal_csv(), **{name: raw})
    assert [source.file for source in case.sources] == ["m.csv"]
    assert f"{name}: {place}" in told(case.notes)
    assert {path.name for path in (tmp_path / "c").iterdir()} == {"m.csv", name}


def test_bad_row_among_good_ones_signals(tmp_path):
    rows = signal_csv().splitlines()
    rows[7] = "0.600,six,"
    rows[9] = "oops,8,"
    rows[12] = "1.1,2"
    case = case_of(tmp_path, m__csv="\n".join(rows))
    assert "lines 8 and 10: a cell that is no number (the first is “six”); put aside" in told(case.notes)
    assert "line 13: not 3 cells" in told(case.notes)
    (piece,) = case.of_channel("compression_depth")[0].pieces
    assert piece.values == pytest.approx(np.arange(50) % 40)


def test_bad_row_among_good_ones_events(tmp_path):
    text = "time_s,type\n1,shock\nsoon,rosc\n3\n4,rearrest\n"
    case = case_of(tmp_path, m__csv=signal_csv(), e__csv=text)
    assert case.events["type"].tolist() == ["shock", "rearrest"]
    assert "line 3: “soon” is no number of seconds; put aside" in told(case.notes)
    assert "line 4: not 2 cells as in line 1; put aside" in told(case.notes)


def test_unknown_channel_unit_and_event_word_are_kept_and_listed(tmp_path):
    table = "time_s,sternum travel[mm],depth[furlong],co2[mmHg]\n" + "".join(f"{row / 10},1,2,3\n" for row in range(20))
    case = case_of(tmp_path, m__csv=table, e__csv="time_s,type,value\n1,zap,200\n")
    kept = {signal.channel: (signal.unit, signal.pieces[0].values[0]) for signal in case.signals}
    assert kept == {"sternum travel": ("mm", 1), "compression_depth[furlong]": ("furlong", 2), "co2": ("mmHg", 3)}
    assert case.of_channel("compression_depth") == []
    assert case.events[["type", "value", "text"]].to_numpy().tolist() == [["unmapped", "200", "zap"]]
    for word in ("“sternum travel”: not in the vocabulary", "“furlong” is not known for compression_depth (known: mm, cm", "“zap”"):
        assert word in told(case.notes)


def test_a_channel_without_unit_is_not_guessed(tmp_path):
    case = case_of(tmp_path, m__csv="time_s,depth\n0,1\n0.1,2\n0.2,3\n")
    assert [signal.channel for signal in case.signals] == ["compression_depth[]"]


def test_times_that_run_backwards_signals(tmp_path):
    rows = [f"{row / 10},{row}" for row in [*range(20, 40), *range(20)]]
    case = case_of(tmp_path, m__csv="time_s,co2[mmHg]\n" + "\n".join(rows))
    assert case.signals[0].pieces[0].values.tolist() == list(range(40))
    assert "times run backwards once: the blocks are put in order of time" in told(case.notes)


def test_times_that_run_backwards_events(tmp_path):
    case = case_of(tmp_path, e__csv="time_s,type\n9,rosc\n1,shock\n")
    assert case.events["type"].tolist() == ["shock", "rosc"]
    assert "rows are not in order of time; they are put in order" in told(case.notes)


def test_duplicate_and_overlapping_blocks(tmp_path):
    """A block written twice, and one that overlaps the one before: the later rows are put aside, nothing is averaged."""
    rows = [f"{row / 10},{value}" for block, value in ((range(20), 1), (range(20), 2), (range(15, 30), 3)) for row in block]
    case = case_of(tmp_path, m__csv="time_s,co2[mmHg]\n" + "\n".join([f"{at}" if "," in at else at for at in rows]))
    values = case.signals[0].pieces[0].values
    assert values.tolist() == [1] * 20 + [3] * 10
    assert "25 rows overlap an earlier block and are put aside" in told(case.notes)


def test_gap_in_edf_d(tmp_path):
    case = case_of(tmp_path, m__edf=edf_bytes([0, 1, 2, 40, 41]))
    assert case.signals[0].recorded.pairs() == [(0, 3), (40, 42)]
    assert "kept as one: 3 to 40 s" in told(case.notes)


def test_gap_in_a_table_is_never_joined(tmp_path):
    rows = [f"{at:.1f},1" for at in [*np.arange(0, 2, 0.1), *np.arange(8, 10, 0.1)]]
    case = case_of(tmp_path, m__csv="time_s,co2[mmHg]\n" + "\n".join(rows))
    assert np.asarray(case.signals[0].recorded.pairs()) == pytest.approx(np.array([[0, 2], [8, 10]]), abs=1e-6)


def test_daylight_step_of_an_hour(tmp_path):
    """Across the end of daylight saving the wall clock goes back an hour; the recording does not."""
    times = [f"2031-11-02T01:59:{second:02}" for second in range(55, 60)] + [f"2031-11-02T01:00:{second:02}" for second in range(5)]
    text = "time,etco2[mmHg]\n" + "".join(f"{at},35\n" for at in times)
    case = case_of(tmp_path, m__csv=text, case__toml='zone = "America/Denver"\n')
    assert case.recorded.pairs() == [(0, 10)]
    assert "the wall clock steps back by 1 h at row 6" in told(case.notes)


@pytest.mark.parametrize(
    "bad", ["2031-04-17T24:00:00-06:00", "2031-04-17T14:02:60-06:00", "2031-04-17", "14:02", "17.04.2031 14:02"]
)
def test_hour_24_second_60_and_other_non_times(tmp_path, bad):
    signals = f"time,ecg[mV]\n2031-04-17T14:02:11-06:00,1\n{bad},2\n2031-04-17T14:02:12-06:00,3\n2031-04-17T14:02:13-06:00,3\n"
    events = f"time,type\n2031-04-17T14:02:11-06:00,shock\n{bad},rosc\n"
    case = case_of(tmp_path, m__csv=signals, e__csv=events)
    assert f"line 3: no usable time (the first is “{bad}”); put aside" in told(case.notes)
    assert f"warning e.csv: line 3: “{bad}”" in told(case.notes)
    assert case.events["type"].tolist() == ["shock"]
    assert case.signals[0].pieces[0].values.tolist() == [1, 3, 3]


def test_two_channels_of_one_kind_are_kept_apart_by_source(tmp_path):
    case = case_of(tmp_path, a__csv=signal_csv(), b__csv=signal_csv(60))
    assert [signal.name for signal in case.of_channel("compression_depth")] == [
        "compression_depth (a.csv)",
        "compression_depth (b.csv)",
    ]


def test_the_choice_between_two_channels_of_one_kind_can_be_changed(tmp_path):
    header = """[[source]]
file = "a.csv"
[source.channels]
"compression_depth" = "ignored"
"""
    case = case_of(tmp_path, a__csv=signal_csv(), b__csv=signal_csv(60), case__toml=header)
    assert [signal.name for signal in case.of_channel("compression_depth")] == ["compression_depth (b.csv)"]
    assert "left out, as case.toml says" in told(case.notes)


def test_names_that_differ_only_in_case(tmp_path):
    folder = write_folder(tmp_path / "c", m__csv=signal_csv(), M__csv=signal_csv(60))
    if len(list(folder.iterdir())) < 2:
        pytest.skip("this file system does not tell upper from lower case")
    case = read_case(folder)
    assert {signal.source for signal in case.signals} == {"m.csv", "M.csv"}
    assert "differs from M.csv only in case; they are kept apart" in told(case.notes)


def test_the_same_file_twice_is_used_once(tmp_path):
    case = case_of(tmp_path, a__csv=signal_csv(), b__csv=signal_csv())
    assert [source.file for source in case.sources] == ["a.csv"]
    assert "warning b.csv: holds the same bytes as a.csv: the same file twice, used once" in told(case.notes)


def test_symbolic_link_in_a_case_folder_is_refused(tmp_path):
    folder = write_folder(tmp_path / "c", a__csv=signal_csv())
    secret = tmp_path / "secret.csv"
    secret.write_text(signal_csv(77), encoding="utf-8")
    try:
        (folder / "link.csv").symlink_to(secret)
        (folder / "case.toml").symlink_to(secret)
    except OSError:
        pytest.skip("links cannot be made here")
    case = read_case(folder)
    assert [source.file for source in case.sources] == ["a.csv"]
    assert "error link.csv: is a symbolic link: refused" in told(case.notes)
    assert "error case.toml: is a symbolic link: refused" in told(case.notes)


def test_parquet_that_unpacks_past_its_limit_is_refused(tmp_path, monkeypatch):
    folder = write_folder(tmp_path / "c", a__csv=signal_csv())
    write_parquet(folder / "big.parquet", {"time_s": np.arange(50_000) / 250, "ecg[mV]": np.zeros(50_000)})
    monkeypatch.setattr(signal_parquet, "UNPACKED_LIMIT_BYTES", 100_000)
    case = read_case(folder)
    assert [source.file for source in case.sources] == ["a.csv"]
    assert "error big.parquet: table of contents: unpacks to" in told(case.notes)


def test_zip_is_refused(tmp_path):
    case = case_of(tmp_path, a__csv=signal_csv(), b__zip=b"PK\x03\x04" + b"\0" * 60)
    assert "error b.zip: byte 0: a zip file" in told(case.notes)


def test_wall_clock_in_the_repeated_hour_offers_both_readings(tmp_path):
    raw = edf_bytes(range(5)).replace(b"17-APR-2031", b"02-NOV-2031").replace(b"17.04.3114.02.11", b"02.11.3101.30.00")
    case = case_of(tmp_path, m__edf=raw, case__toml='zone = "America/Denver"\n')
    assert "read as 2031-11-02T01:30:00-06:00; the other reading is 2031-11-02T01:30:00-07:00" in told(case.notes)


def test_absurd_values_become_unknown_and_are_counted(tmp_path):
    """Depth 400 mm for a second, EtCO2 of -5: unknown, not clipped and not kept."""
    rows = [f"{row / 10},{400 if 20 <= row < 30 else 50},{-5 if 40 <= row < 60 else 35}" for row in range(100)]
    case = case_of(tmp_path, m__csv="time_s,depth[mm],etco2[mmHg]\n" + "\n".join(rows))
    (depth,), (etco2,) = case.of_channel("compression_depth"), case.of_channel("etco2")
    assert depth.recorded.pairs() == [(0, 2), (3, 10)]
    assert np.concatenate([piece.values for piece in depth.pieces]).max() == 50
    assert etco2.recorded.pairs() == [(0, 4), (6, 10)]
    assert "“depth”: 10 samples outside -60 to 120 mm not believed" in told(case.notes)
    assert "“etco2”: 20 samples outside 0 to 150 mmHg not believed" in told(case.notes)


def test_single_absurd_sample_is_bridged(tmp_path):
    rows = [f"{row / 10},{400 if row == 5 else row}" for row in range(10)]
    case = case_of(tmp_path, m__csv="time_s,depth[mm]\n" + "\n".join(rows))
    assert case.signals[0].pieces[0].values.tolist() == list(range(10))


def test_not_a_number_and_infinity_are_no_samples(tmp_path):
    rows = [f"{row / 10},{'nan' if 3 <= row < 9 else 'inf' if row == 12 else row}" for row in range(20)]
    case = case_of(tmp_path, m__csv="time_s,co2[mmHg]\n" + "\n".join(rows))
    assert [len(piece.values) for piece in case.signals[0].pieces] == [3, 11]


@pytest.mark.parametrize("name", ["../monitor.edf", "/etc/passwd", "..", "a/../../b"])
def test_name_that_leads_out_of_the_folder_is_refused(tmp_path, name):
    case = case_of(tmp_path, m__csv=signal_csv(), case__toml=f'[[source]]\nfile = "{name}"\n')
    assert "leads out of the case folder" in told(case.notes)


def test_bad_annotation_among_good_ones(tmp_path):
    case = case_of(tmp_path, m__edf=edf_bytes(range(3), annotations=[tal(0.5, "rosc"), b"+1.5 no mark\0", tal(2.5, "rearrest")]))
    assert case.events["type"].tolist() == ["rosc", "rearrest"]
    assert "annotations in record 2 are not in the form of EDF+" in told(case.notes)


@pytest.mark.parametrize("reader", [edf, event_csv, signal_table, signal_parquet])
def test_each_reader_refuses_a_file_of_another_kind_by_itself(tmp_path, reader):
    path = tmp_path / "a"
    path.write_bytes(b"<html>not this</html>")
    assert not reader.recognises(path)
    with pytest.raises(UnreadableFile):
        reader.read(path, ABOUT)


def test_times_that_are_years_off_are_put_aside(tmp_path):
    """A slip in one row (a year of 2131, 1e300 s) does not stretch the case over a century."""
    signals = "time_s,co2[mmHg]\n0,1\n0.1,2\n1e300,3\n0.2,3\n0.3,4\n"
    events = "time,type\n2031-04-17T14:00:00Z,shock\n2131-04-17T14:00:10Z,rosc\n2031-04-17T14:00:20Z,rearrest\n"
    clock = "time,etco2[mmHg]\n2031-04-17T14:00:00Z,35\n2031-04-17T14:00:01Z,35\n0031-04-17T14:00:02Z,35\n2031-04-17T14:00:03Z,35\n"
    case = case_of(tmp_path, m__csv=signals, e__csv=events, n__csv=clock)
    assert case.events["type"].tolist() == ["shock", "rearrest"]
    assert "e.csv: line 3: lies years from the others; put aside" in told(case.notes)
    assert "m.csv: line 4: no usable time_s (the first is “1e+300”)" in told(case.notes)
    assert "n.csv: line 4: no usable time" in told(case.notes)
    assert case.recorded.seconds < 10


def test_source_of_another_day_is_said(tmp_path):
    case = case_of(tmp_path, m__edf=edf_bytes(range(5)), e__csv="time,type\n2031-04-19T14:02:20Z,shock\n")
    assert "e.csv: its times stand 2 days from those of m.edf" in told(case.notes)
