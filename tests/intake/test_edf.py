"""EDF+ and BDF+: against another library's files (pyedflib), and against bytes laid out by the specification (edfplus.info)."""

from datetime import datetime

import numpy as np
import pyedflib
import pytest

from qi.intake import edf
from qi.intake.header import SourceHeader
from qi.model.errors import UnreadableFile
from tests.intake.made_files import ABOUT, edf_bytes, tal, told, write_bdf, write_edf
from tests.steps import lines_run


@pytest.fixture
def by_pyedflib(tmp_path):
    """Two channels, an annotation with a length, and a start with a fraction, written by pyedflib 0.1.42."""
    path = tmp_path / "outside.edf"
    rng = np.random.default_rng(5)
    waves = [rng.uniform(-4, 4, 2500), np.abs(rng.normal(20, 8, 625))]
    heads = [
        {"label": "ECG II", "dimension": "mV", "sample_frequency": 250, "physical_min": -5, "physical_max": 5}
        | {"digital_min": -32768, "digital_max": 32767, "transducer": "", "prefilter": ""},
        {"label": "Resp CO2", "dimension": "mm[Hg]", "sample_frequency": 62.5, "physical_min": -10, "physical_max": 120}
        | {"digital_min": -32768, "digital_max": 32767, "transducer": "", "prefilter": ""},
    ]
    with pyedflib.EdfWriter(str(path), 2, file_type=pyedflib.FILETYPE_EDFPLUS) as writer:
        writer.setSignalHeaders(heads)
        writer.setStartdatetime(datetime(2031, 4, 17, 14, 2, 11, 25000))  # this release writes ten times the fraction it is given
        writer.writeSamples(waves)
        writer.writeAnnotation(3.5, -1, "shock 200J")
        writer.writeAnnotation(4.0, 6.5, "pause value=airway")
    return path, waves


def test_values_of_pyedflib_within_one_step(by_pyedflib):
    """Each value lies within one digital step of what was written: 10 mV and 130 mmHg over 65535 steps."""
    path, waves = by_pyedflib
    (part,) = edf.read(path, ABOUT)
    ecg, co2 = part.signals
    assert (ecg.channel, ecg.unit, co2.channel, co2.unit) == ("ecg", "mV", "co2", "mmHg")
    for signal, wave, rate_hz, step in ((ecg, waves[0], 250, 10 / 65535), (co2, waves[1], 62.5, 130 / 65535)):
        (piece,) = signal.pieces
        assert piece.rate_hz == rate_hz
        assert piece.values.dtype == np.float32
        assert np.abs(piece.values - wave).max() <= step
    assert ecg.rails == (-5, 5)


def test_annotations_and_start_of_pyedflib(by_pyedflib):
    assert b"+0.25" in by_pyedflib[0].read_bytes()
    (part,) = edf.read(by_pyedflib[0], ABOUT)
    assert part.start == datetime(2031, 4, 17, 14, 2, 11, 250000)
    events = part.events.set_index("type")
    assert events.loc["shock", ["time_s", "value", "unit"]].tolist() == [3.5, "200", "J"]
    assert events.loc["pause", ["time_s", "end_s", "value"]].tolist() == [4.0, 10.5, "airway"]
    assert part.could_chart == {"shock", "pause"}


def test_gap_in_edf_d_is_kept(tmp_path):
    """Records at 0, 1 and 31, 32 s: two pieces, and nothing between them (edfio's own data would join them)."""
    (part,) = edf.read(write_edf(tmp_path / "a", [0, 1, 31, 32]), ABOUT)
    first, second = part.signals[0].pieces
    assert (first.start_s, first.end_s, second.start_s, second.end_s) == (0, 2, 31, 33)
    assert second.values == pytest.approx(np.arange(20, 40) / 10, abs=1e-6)
    assert "a gap between records, kept as one: 2 to 31 s" in told(part.notes)


def test_first_onset_moves_the_start(tmp_path):
    (part,) = edf.read(write_edf(tmp_path / "a", [0.25, 1.25], annotations=[tal(0.75, "rosc")]), ABOUT)
    assert part.start == datetime(2031, 4, 17, 14, 2, 11, 250000)
    assert part.signals[0].pieces[0].start_s == 0
    assert part.events["time_s"].tolist() == [0.5]


def test_backward_and_overlapping_records_are_said_and_never_joined(tmp_path):
    """Onsets 0 1 10 11 2 1.5: the block at 2 s is put in its place, the record at 1.5 s overlaps and is put aside."""
    (part,) = edf.read(write_edf(tmp_path / "a", [0, 1, 10, 11, 2, 1.5]), ABOUT)
    pieces = part.signals[0].pieces
    assert [(piece.start_s, piece.end_s) for piece in pieces] == [(0, 3), (10, 12)]
    assert np.concatenate([piece.values for piece in pieces]) == pytest.approx(
        np.r_[np.arange(20), np.arange(40, 50), np.arange(20, 40)] / 10, abs=1e-6
    )
    assert "put aside, as they overlap earlier ones: 6" in told(part.notes)


def test_small_jitter_of_records_is_no_gap_and_drift_is_followed(tmp_path):
    """100 records each 1.001 s after the last: one piece whose rate is 10 / 1.001 Hz."""
    (part,) = edf.read(write_edf(tmp_path / "a", [record * 1.001 for record in range(100)]), ABOUT)
    (piece,) = part.signals[0].pieces
    assert piece.rate_hz == pytest.approx(10 / 1.001, rel=1e-6)


def test_cut_in_its_data_reads_to_the_last_whole_record(tmp_path):
    path = tmp_path / "a.edf"
    path.write_bytes(edf_bytes(range(10))[: 768 + 140 * 6 + 33])
    (part,) = edf.read(path, ABOUT)
    assert part.signals[0].recorded.pairs() == [(0, 6)]
    assert "6 of 10 records are whole; 4 records (4 s) are missing" in told(part.notes)
    assert [note.level for note in part.notes if "missing" in note.text] == ["error"]
    assert "33 bytes of an unfinished record" in told(part.notes)


@pytest.mark.parametrize(
    ("raw", "place"),
    [
        (b"", "byte 0"),
        (b"not an EDF file at all", "byte 0"),
        (edf_bytes([0])[:100], "byte 100"),
        (edf_bytes([0])[:500], "byte 500"),
        (edf_bytes([0])[:800], "byte 800"),
        (edf_bytes([0]).replace(b"768     ", b"512     ", 1), "byte 184"),
        (edf_bytes([0])[:252] + b"two " + edf_bytes([0])[256:], "byte 252"),
        (edf_bytes([0], record_s=0), "byte 244"),
    ],
)
def test_broken_header_names_its_byte(tmp_path, raw, place):
    path = tmp_path / "a.edf"
    path.write_bytes(raw)
    with pytest.raises(UnreadableFile, match=place):
        edf.read(path, ABOUT)


def test_bdf_24_bits(tmp_path):
    """Three bytes, least significant first, with sign."""
    (part,) = edf.read(write_bdf(tmp_path / "a"), ABOUT)
    (piece,) = part.signals[0].pieces
    assert (part.signals[0].channel, part.format, piece.rate_hz) == ("airway_pressure", "BDF", 4)
    assert piece.values.tolist() == [1, -2, 3, -40, 5, 6, 7, 100, 9, 10, 11, 12]


def test_bdf_plus_by_pyedflib(tmp_path):
    path = str(tmp_path / "a.bdf")
    wave = np.linspace(-300, 300, 600)
    with pyedflib.EdfWriter(path, 1, file_type=pyedflib.FILETYPE_BDFPLUS) as writer:
        head = {"label": "flow", "dimension": "L/min", "sample_frequency": 100, "physical_min": -301, "physical_max": 301}
        writer.setSignalHeaders([head | {"digital_min": -8388608, "digital_max": 8388607, "transducer": "", "prefilter": ""}])
        writer.writeSamples([wave])
        writer.writeAnnotation(1.0, -1, "device_on itd")
    (part,) = edf.read(tmp_path / "a.bdf", ABOUT)
    assert (part.format, part.signals[0].channel) == ("BDF+C", "airway_flow")
    assert np.abs(part.signals[0].pieces[0].values - wave).max() < 1e-4
    assert part.events[["type", "value"]].to_numpy().tolist() == [["device_on", "itd"]]


def test_two_annotations_of_one_moment_and_odd_ones(tmp_path):
    """One list may hold several texts; what is in no form of EDF+ is put aside, what is no known word is kept as unmapped."""
    notes = [tal(0.5, "rosc", "drug epinephrine dose=1 unit=mg"), b"rubbish\0", tal(2.25, "Élan vital 3")]
    (part,) = edf.read(write_edf(tmp_path / "a", annotations=notes), ABOUT)
    assert part.events["type"].tolist() == ["rosc", "drug", "unmapped"]
    assert part.events.loc[1, ["value", "dose", "unit"]].tolist() == ["epinephrine", 1.0, "mg"]
    assert part.events.loc[2, "text"] == "Élan vital 3"
    assert "record 2 are not in the form of EDF+" in told(part.notes)


def test_annotation_named_by_the_map(tmp_path):
    about = SourceHeader(file="a", columns={"Pulse back!": "rosc"})
    (part,) = edf.read(write_edf(tmp_path / "a", annotations=[tal(0.5, "pulse back")]), about)
    assert part.events["type"].tolist() == ["rosc"]


@pytest.mark.parametrize("started", [None, datetime(1985, 1, 1)])
def test_anonymised_start_is_not_known(tmp_path, started):
    path = write_edf(tmp_path / "a", started=None)
    if started:
        path.write_bytes(path.read_bytes().replace(b"Startdate X", b"X          "))
    (part,) = edf.read(path, ABOUT)
    assert part.start is None
    assert "anonymised" in told(part.notes)


@pytest.mark.parametrize("clock", ["24.00.00", "14.02.60"])
def test_hour_24_and_second_60_are_no_start(tmp_path, clock):
    path = tmp_path / "a"
    path.write_bytes(edf_bytes([0]).replace(b"14.02.11", clock.encode()))
    (part,) = edf.read(path, ABOUT)
    assert part.start is None
    assert clock in told(part.notes)


def test_forty_minutes_are_read_a_record_and_not_a_sample_at_a_time(tmp_path):
    path = write_edf(tmp_path / "a", range(2400), per_record=1250, plus="EDF+C")
    (part,), lines = lines_run(lambda: edf.read(path, ABOUT))
    assert lines < 2400 * 200, "of 1250 samples a record"
    assert len(part.signals[0].pieces[0].values) == 3_000_000
