"""Signals in CSV and Parquet."""

from datetime import datetime

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from qi.intake import signal_parquet, signal_table
from qi.intake.header import SourceHeader
from qi.model.errors import UnreadableFile
from tests.intake.made_files import ABOUT, signal_csv, told, write_parquet
from tests.steps import lines_run


def read_csv(tmp_path, text, about=ABOUT):
    path = tmp_path / "a.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    (part,) = signal_table.read(path, about)
    return part


def of(part, channel):
    (signal,) = [signal for signal in part.signals if signal.channel == channel]
    return signal


def test_blanks_of_a_slower_sensor_are_no_gaps(tmp_path):
    """End-tidal CO2 each second on a column of 10 Hz: one piece of 1 Hz (measures.md, section 1)."""
    part = read_csv(tmp_path, signal_csv())
    (depth,) = of(part, "compression_depth").pieces
    (etco2,) = of(part, "etco2").pieces
    assert (depth.rate_hz, len(depth.values), etco2.rate_hz, etco2.values.tolist()) == (10, 50, 1, [35] * 5)
    assert part.start is None


def test_units_are_converted_and_the_original_is_in_the_notes(tmp_path):
    """1 cm = 10 mm, 1 kPa = 7.50062 mmHg, 1 mbar = 1.01972 cmH2O."""
    part = read_csv(tmp_path, "time_s,cc depth[cm],Capnogram[kPa],Paw[mbar]\n0,5,4,10\n0.1,5,4,10\n0.2,5,4,10\n")
    assert of(part, "compression_depth").pieces[0].values == pytest.approx([50] * 3)
    assert of(part, "co2").pieces[0].values == pytest.approx([30.00248] * 3)
    assert of(part, "airway_pressure").pieces[0].values == pytest.approx([10.1972] * 3)
    for original in ("from cm to mm", "from kPa to mmHg", "from mbar to cmH2O"):
        assert original in told(part.notes)


def test_iso_times_with_offset_without_and_with_z(tmp_path):
    rows = "2031-04-17T14:02:11.0{0},1\n2031-04-17T14:02:11.5{0},2\n2031-04-17T14:02:12{0},3\n"
    for offset, expected in (
        ("-06:00", "2031-04-17T14:02:11-06:00"),
        ("Z", "2031-04-17T14:02:11+00:00"),
        ("", "2031-04-17T14:02:11"),
    ):
        part = read_csv(tmp_path, "time,ecg[mV]\n" + rows.format(offset))
        assert part.start == datetime.fromisoformat(expected)
        assert of(part, "ecg").pieces[0].times_s.tolist() == [0, 0.5, 1]


def test_a_gap_of_more_than_three_intervals_parts_and_one_of_three_does_not(tmp_path):
    def spans(step_over):
        times = [0, 0.1, 0.2, 0.3, 0.4, 0.4 + step_over, 0.5 + step_over, 0.6 + step_over]
        part = read_csv(tmp_path, "time_s,co2[mmHg]\n" + "".join(f"{at:.3f},{at}\n" for at in times))
        return of(part, "co2").recorded.pairs()

    assert len(spans(0.29)) == 1
    assert np.asarray(spans(0.35)) == pytest.approx(np.array([[0, 0.5], [0.75, 1.05]]), abs=1e-6)


def test_uneven_sampling_comes_to_an_even_grid(tmp_path):
    """Random intervals around 20 ms of a line: the grid lies on the same line."""
    times = np.cumsum(np.random.default_rng(3).uniform(0.008, 0.032, 500))
    part = read_csv(tmp_path, "time_s,airway_pressure[cmH2O]\n" + "".join(f"{at:.6f},{2 * at:.6f}\n" for at in times))
    (piece,) = of(part, "airway_pressure").pieces
    assert piece.values == pytest.approx(2 * piece.times_s, abs=1e-4)
    assert piece.rate_hz == pytest.approx(50, rel=0.1)
    assert "sampled unevenly" in told(part.notes)


def test_rounded_times_give_the_true_rate(tmp_path):
    """30 Hz with times in whole milliseconds: 30 Hz, not 1 / 0.033."""
    part = read_csv(tmp_path, "time_s,co2[mmHg]\n" + "".join(f"{row / 30:.3f},{row % 40}\n" for row in range(900)))
    (piece,) = of(part, "co2").pieces
    assert piece.rate_hz == pytest.approx(30, abs=0.005)
    assert piece.values == pytest.approx(np.arange(900) % 40)


def test_samples_out_of_order_doubled_and_overlapping(tmp_path):
    """Blocks 0-2 s, 4-6 s, 2-4 s, then 5-5.5 s again: one run of 0 to 6 s, the repeated block put aside."""
    blocks = [range(20), range(40, 60), range(20, 40), range(50, 55)]
    rows = "".join(f"{row / 10},{row}\n" for block in blocks for row in block)
    part = read_csv(tmp_path, "time_s,co2[mmHg]\n" + rows)
    (piece,) = of(part, "co2").pieces
    assert piece.values.tolist() == list(range(60))
    assert "times run backwards once" in told(part.notes)
    assert "5 rows overlap an earlier block" in told(part.notes)


def test_doubled_rows_are_put_aside(tmp_path):
    part = read_csv(tmp_path, "time_s,co2[mmHg]\n0,1\n0.1,2\n0.1,9\n0.2,3\n")
    assert of(part, "co2").pieces[0].values.tolist() == [1, 2, 3]
    assert "1 rows repeat the time" in told(part.notes)


def test_wall_clock_over_the_end_of_daylight_saving(tmp_path):
    """Denver, 2031-11-02: after 01:59:59 comes 01:00:00; the recording goes on without a gap."""
    times = [f"2031-11-02T01:59:{second:02}" for second in range(50, 60)] + [
        f"2031-11-02T01:00:{second:02}" for second in range(10)
    ]
    text = "time,etco2[mmHg]\n" + "".join(f"{at},{30 + row}\n" for row, at in enumerate(times))
    part = read_csv(tmp_path, text, SourceHeader(file="a.csv", zone="America/Denver"))
    (piece,) = of(part, "etco2").pieces
    assert piece.values.tolist() == list(range(30, 50))
    assert "steps back by 1 h at row 11" in told(part.notes)


def test_wall_clock_over_the_start_of_daylight_saving(tmp_path):
    """Denver, 2031-03-09: after 01:59:59 comes 03:00:00. In a zone without that change the same rows have a gap of an hour."""
    times = [f"2031-03-09T01:59:{second:02}" for second in range(50, 60)] + [
        f"2031-03-09T03:00:{second:02}" for second in range(10)
    ]
    text = "time,etco2[mmHg]\n" + "".join(f"{at},35\n" for at in times)
    assert len(of(read_csv(tmp_path, text, SourceHeader(zone="America/Denver")), "etco2").pieces) == 1
    assert len(of(read_csv(tmp_path, text, SourceHeader(zone="America/Phoenix")), "etco2").pieces) == 2


def test_columns_that_differ_in_case_are_kept_apart(tmp_path):
    part = read_csv(tmp_path, "time_s,ECG[mV],ecg[mV]\n0,1,2\n0.1,1,2\n")
    assert [(signal.channel, signal.label, signal.pieces[0].values[0]) for signal in part.signals] == [
        ("ecg", "ECG", 1),
        ("ecg", "ecg", 2),
    ]
    assert "ecg is there 2 times" in told(part.notes)


def test_parquet_start_from_metadata_and_nulls(tmp_path):
    ecg = pa.array([1000, None, *range(3000, 9000, 1000)])
    columns = {"time_s": [row / 10 for row in range(8)], "ecg[uV]": ecg, "note": list("abcdefgh")}
    (part,) = signal_parquet.read(write_parquet(tmp_path / "a", columns, "2031-04-17T14:02:11-06:00"), ABOUT)
    assert part.start == datetime.fromisoformat("2031-04-17T14:02:11-06:00")
    assert of(part, "ecg").pieces[0].values == pytest.approx([1, 2, 3, 4, 5, 6, 7, 8])
    assert "“note”: holds string, not numbers" in told(part.notes)


def test_parquet_bad_start_is_said(tmp_path):
    path = write_parquet(tmp_path / "a", {"time_s": [0.0, 0.1], "ecg[mV]": [0.0, 0.1]}, "2031-04-17T24:00:00")
    (part,) = signal_parquet.read(path, ABOUT)
    assert part.start is None
    assert "the hour 24 does not exist" in told(part.notes)


@pytest.mark.parametrize("zone", [None, "America/Denver"])
def test_parquet_time_stamps(tmp_path, zone):
    stamps = pd.Series(pd.date_range("2031-04-17 14:02:11", periods=4, freq="100ms", tz=zone))
    (part,) = signal_parquet.read(write_parquet(tmp_path / "a", {"time": pa.array(stamps), "ecg[mV]": [0.0, 1, 2, 3]}), ABOUT)
    assert part.start == stamps.iloc[0].to_pydatetime()
    assert of(part, "ecg").pieces[0].rate_hz == pytest.approx(10)


def test_what_pandas_writes_is_read_back(tmp_path):
    """A frame with its index, as pandas 3.1 writes it by itself."""
    frame = pd.DataFrame({"time_s": np.arange(100) / 50, "co2[mmHg]": np.linspace(0, 40, 100)}).iloc[5:]
    frame.to_parquet(tmp_path / "a")
    (part,) = signal_parquet.read(tmp_path / "a", ABOUT)
    assert [signal.channel for signal in part.signals] == ["co2"]
    assert part.signals[0].pieces[0].start_s == pytest.approx(0.1)


def test_parquet_that_unpacks_past_the_limit_is_refused(tmp_path, monkeypatch):
    """A constant packs to almost nothing: rows times columns count, not the bytes on disk."""
    path = write_parquet(tmp_path / "a", {"time_s": np.zeros(200_000), "ecg[mV]": np.zeros(200_000)})
    assert path.stat().st_size < 20_000
    monkeypatch.setattr(signal_parquet, "UNPACKED_LIMIT_BYTES", 1_000_000)
    with pytest.raises(UnreadableFile, match="unpacks to 3 MB, the limit is 0 MB; refused"):
        signal_parquet.read(path, ABOUT)


def test_one_bad_row_among_many_costs_each_row_the_same(tmp_path):
    """20,000 rows line by line because of one bad cell."""
    rows = [f"{row / 250:.3f},{row % 40}" for row in range(20_000)]
    rows[777] = "3.108,bad"
    part, lines = lines_run(lambda: read_csv(tmp_path, "time_s,co2[mmHg]\n" + "\n".join(rows)))
    assert lines < 20 * len(rows)
    assert "line 779: a cell that is no number (the first is “bad”)" in told(part.notes)
    (piece,) = of(part, "co2").pieces
    assert len(piece.values) == 20_000


@pytest.mark.parametrize("ends", ["", "\n", "\r\n", "\n\n\n"])
def test_line_ends_blank_lines_and_byte_order_mark(tmp_path, ends):
    eol = "\r\n" if ends == "\r\n" else "\n"
    text = "\ufefftime_s,ecg[mV]" + eol + eol.join(f"{row / 10},{row}" for row in range(9)) + ends
    part = read_csv(tmp_path, text)
    assert of(part, "ecg").pieces[0].values.tolist() == list(range(9))
    assert part.notes == ()


def test_header_alone_is_a_table_without_rows(tmp_path):
    part = read_csv(tmp_path, "time_s,ecg[mV]\n")
    assert part.signals == ()
    assert "holds no rows" in told(part.notes)


def test_first_row_after_zero_is_said(tmp_path):
    part = read_csv(tmp_path, "time_s,ecg[mV]\n5,1\n5.1,2\n5.2,3\n")
    assert of(part, "ecg").pieces[0].start_s == 5
    assert "its first row stands at 5 s; a start given for the file is that of 0 s" in told(part.notes)


def test_step_back_of_an_hour_in_a_zone_without_a_change_is_no_daylight_step(tmp_path):
    times = [f"2031-11-02T01:59:{second:02}" for second in range(50, 60)] + [
        f"2031-11-02T01:00:{second:02}" for second in range(10)
    ]
    text = "time,etco2[mmHg]\n" + "".join(f"{at},{30 + row}\n" for row, at in enumerate(times))
    part = read_csv(tmp_path, text, SourceHeader(zone="America/Phoenix"))
    assert len(of(part, "etco2").pieces) == 2
    assert "times run backwards once" in told(part.notes)
    assert "a gap in time, kept as one" in told(part.notes)
