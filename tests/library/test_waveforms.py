"""Waveforms in Parquet: what was put in comes back, in integers, by the minute, without a column of times."""

import json
import os
import stat
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qi.intake.folder import read_case
from qi.library import waveforms
from qi.model.case import Piece, Signal
from qi.model.errors import BadTable, UnreadableFile
from tests.intake.made_files import write_bdf
from tests.library.alike import alike, furthest

SAMPLES = Path(__file__).parents[2] / "sample_cases"
FOLDERS = sorted(folder for folder in SAMPLES.glob("rv-*") if folder.is_dir())
posix = pytest.mark.skipif(os.name != "posix", reason="modes of files are those of POSIX")


def signal_of(*pieces, channel="ecg", **about):
    return Signal(channel, "mV", tuple(Piece(start, rate, np.asarray(values)) for start, rate, values in pieces), "m.edf", **about)


def wave(seconds, rate_hz=100.0):
    """A slow wave in steps of 0.01."""
    return np.round(5 * np.sin(np.arange(int(seconds * rate_hz)) / 40), 2).astype(np.float32)


def stored(tmp_path, signal):
    path = tmp_path / "one.parquet"
    waveforms.write(path, signal)
    return path


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda folder: folder.name)
def test_every_signal_of_the_sample_cases_comes_back(folder, tmp_path):
    """EDF, CSV and Parquet sources all hold integers or decimals: every sample is the same float32 as before."""
    for number, signal in enumerate(read_case(folder).signals):
        path = tmp_path / f"{number}.parquet"
        waveforms.write(path, signal)
        after = waveforms.read(path)
        assert alike(signal, after)
        for one, other in zip(signal.pieces, after.pieces, strict=True):
            assert other.values.dtype == np.float32
            assert (one.values == other.values).all()
        assert pq.read_schema(path).types == [pa.int16()]


def test_a_file_of_24_bits_comes_back(tmp_path):
    (signal,) = read_case(write_bdf(tmp_path / "m.bdf")).signals
    assert waveforms.read(stored(tmp_path, signal)).pieces[0].values.tolist() == signal.pieces[0].values.tolist()


@pytest.mark.parametrize("name", ["rv-2031-0107", "rv-2031-0125"])
def test_no_larger_than_the_edf_file_it_came_from(name, tmp_path):
    signals = read_case(SAMPLES / name / "monitor.edf").signals
    for number, signal in enumerate(signals):
        waveforms.write(tmp_path / f"{number}.parquet", signal)
    packed = sum(path.stat().st_size for path in tmp_path.iterdir())
    assert packed <= (SAMPLES / name / "monitor.edf").stat().st_size


@given(
    st.lists(
        st.tuples(
            st.floats(-1e6, 1e6),
            st.sampled_from([0.5, 1.0, 25.0, 249.99]),
            st.lists(st.floats(width=32, allow_nan=False, allow_infinity=False), max_size=30),
        ),
        max_size=4,
    )
)
def test_whatever_the_samples_the_error_is_bounded(tmp_path_factory, pieces):
    """Values on no grid, constant, huge, single or none at all."""
    signal = signal_of(*((start, rate, np.array(values, np.float32)) for start, rate, values in pieces))
    after = waveforms.read(stored(tmp_path_factory.mktemp("w"), signal))
    assert alike(signal, after)
    assert furthest(signal, after) <= 1.0


def test_double_precision_comes_back_as_float32(tmp_path):
    signal = signal_of((0.0, 10.0, np.random.default_rng(2).normal(size=500)))
    after = waveforms.read(stored(tmp_path, signal))
    assert furthest(signal, after) <= 1.0


def test_all_that_a_signal_says_comes_back(tmp_path):
    """The odd ones: a unit and names beyond ASCII, a start that no decimal tells exactly, a rail without end."""
    signal = Signal(
        "airway µ[cmH₂O]", "cmH₂O", (Piece(-0.1 - 0.2, 1000 / 3, np.zeros(4, np.float32)),), "a “b”.edf", "Ätem", "uhr", "stroke",
        (-np.inf, 7.25),
    )  # fmt: skip
    after = waveforms.read(stored(tmp_path, signal))
    assert alike(signal, after)
    assert after.rails == (-np.inf, 7.25)


def test_plain_pyarrow_reads_it(tmp_path):
    """Outside check: integer * scale + offset, with nothing of ours but the names in the metadata."""
    signal = signal_of((0.0, 50.0, wave(200, 50.0)), (300.5, 50.0, -wave(90, 50.0)))
    table = pq.read_table(stored(tmp_path, signal))
    assert table.column_names == ["ecg"]
    assert pa.types.is_integer(table.schema.types[0])
    about = json.loads(table.schema.metadata[b"signal"])
    for piece, row in zip(signal.pieces, about["pieces"], strict=True):
        integers = table.column(0).to_numpy()[row["first"] : row["first"] + row["count"]]
        values = integers * row["scale"] + row["offset"]
        assert (values.astype(np.float32) == piece.values).all()
        assert (row["start_s"], row["rate_hz"]) == (piece.start_s, piece.rate_hz)
    assert {name: about[name] for name in ("channel", "unit", "source")} == {"channel": "ecg", "unit": "mV", "source": "m.edf"}


def test_row_groups_hold_a_minute_and_there_is_no_time_column(tmp_path):
    metadata = pq.read_metadata(stored(tmp_path, signal_of((3.0, 100.0, wave(250)))))
    groups = [metadata.row_group(at) for at in range(metadata.num_row_groups)]
    assert [group.num_rows for group in groups] == [6000, 6000, 6000, 6000, 1000]
    assert metadata.num_columns == 1
    assert {group.column(0).compression for group in groups} == {"ZSTD"}


def test_a_stretch_is_cut_out(tmp_path):
    signal = signal_of((10.0, 100.0, wave(100)), (200.0, 100.0, wave(100)))
    path = stored(tmp_path, signal)
    after = waveforms.read_between(path, 105.0, 201.5)
    assert [(piece.start_s, len(piece.values)) for piece in after.pieces] == [(105.0, 500), (200.0, 150)]
    assert (after.pieces[0].values == signal.pieces[0].values[9500:]).all()
    assert (after.pieces[1].values == signal.pieces[1].values[:150]).all()
    assert not waveforms.read_between(path, 111.0, 199.0).pieces
    assert not waveforms.read_between(path, 50.0, 50.0).pieces
    everything = waveforms.read_between(path, -np.inf, np.inf)
    assert alike(everything, signal)
    assert furthest(signal, everything) == 0


@given(st.floats(-5, 70), st.floats(-5, 70), st.sampled_from([1.0, 25.0, 99.9]))
def test_a_stretch_holds_its_samples_and_no_others(tmp_path_factory, one_s, other_s, rate_hz):
    values = np.arange(round(60 * rate_hz), dtype=np.float32)
    path = stored(tmp_path_factory.mktemp("w"), signal_of((0.0, rate_hz, values)))
    start_s, end_s = min(one_s, other_s), max(one_s, other_s)
    got = [value for piece in waveforms.read_between(path, start_s, end_s).pieces for value in piece.values]
    times = values.astype(float) / rate_hz
    inside = values[(times >= start_s - 1e-6) & (times < end_s - 1e-9)]
    sure = values[(times >= start_s + 1e-6) & (times < end_s - 1e-6)]
    assert set(sure) <= set(got) <= set(inside)


def test_a_stretch_is_read_without_the_other_minutes(tmp_path):
    """The first minute's bytes are spoilt: the fourth still reads, the whole does not."""
    signal = signal_of((0.0, 100.0, np.random.default_rng(5).normal(size=30000).astype(np.float32)))
    path = stored(tmp_path, signal)
    column = pq.read_metadata(path).row_group(0).column(0)
    raw = bytearray(path.read_bytes())
    at = column.data_page_offset + column.total_compressed_size // 2
    raw[at : at + 40] = bytes(40)
    path.write_bytes(raw)
    (piece,) = waveforms.read_between(path, 185.0, 190.0).pieces
    assert piece.values == pytest.approx(signal.pieces[0].values[18500:19000], abs=1e-6)
    with pytest.raises(UnreadableFile, match="rebuilt from the originals"):
        waveforms.read(path)


@pytest.mark.parametrize("bad", [np.nan, np.inf, 1e39])
def test_a_missing_sample_is_refused_and_no_file_is_left(tmp_path, bad):
    with pytest.raises(BadTable, match=r"ecg \(m\.edf\): sample 1 "):
        waveforms.write(tmp_path / "one.parquet", signal_of((0.0, 1.0, np.array([0.0, bad]))))
    assert not list(tmp_path.iterdir())


def test_damage_anywhere_is_said(tmp_path):
    """One byte changed at 60 places, in samples and in what is said of them: never a wrong sample, never another error."""
    signal = signal_of((0.0, 100.0, wave(70)))
    path = stored(tmp_path, signal)
    whole = path.read_bytes()
    said = []
    for at in np.linspace(0, len(whole) - 1, 60).astype(int):
        path.write_bytes(whole[:at] + bytes([whole[at] ^ 0x55]) + whole[at + 1 :])
        try:
            after = waveforms.read(path)
        except UnreadableFile as error:
            said.append(str(error))
        else:
            assert alike(after, signal)
            assert furthest(signal, after) == 0
    assert len(said) > 10
    assert all("rebuilt from the originals" in text for text in said)


@pytest.mark.parametrize("spoil", [lambda raw: raw[: len(raw) // 2], lambda raw: b"", lambda raw: b"time_s,ecg\n0,1\n"])
def test_a_cut_or_foreign_file_is_said(tmp_path, spoil):
    path = stored(tmp_path, signal_of((0.0, 100.0, wave(10))))
    path.write_bytes(spoil(path.read_bytes()))
    with pytest.raises(UnreadableFile, match=r"one\.parquet: is damaged.*rebuilt from the originals"):
        waveforms.read(path)


def test_a_parquet_file_of_another_kind_is_said(tmp_path):
    pq.write_table(pa.table({"ecg": [1, 2]}), tmp_path / "x.parquet")
    with pytest.raises(UnreadableFile, match="another version"):
        waveforms.read(tmp_path / "x.parquet")


def test_a_missing_file_is_said(tmp_path):
    with pytest.raises(UnreadableFile, match="is missing; it can be rebuilt"):
        waveforms.read(tmp_path / "none.parquet")


@posix
def test_only_the_owner_may_read_it(tmp_path):
    assert stat.S_IMODE(stored(tmp_path, signal_of((0.0, 1.0, np.zeros(3)))).stat().st_mode) == 0o600
