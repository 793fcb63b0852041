"""What every reader owes: recognise by content without raising, and read, or say where it cannot."""

import importlib.util
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from qi.intake import READERS, event_csv, wfdb_record
from qi.intake.header import SourceHeader
from qi.model.errors import UnreadableFile
from qi.model.tables import EVENTS, VITALS, check
from qi.model.vocabulary import CHANNELS, EVENT_VALUES, UNMAPPED
from tests.intake.made_files import ABOUT, EVENTS_CSV, edf_bytes, signal_csv, tal, write_bdf, write_parquet

HEA = "rec 1 250 500 14:02:11 17/04/2031\nrec.dat 16 200/mV 16 0 0 0 0 ecg\n"
SHARED = Path(__file__).parents[3] / "shared" / "data" / "nemsis" / "samples"


def _good(folder: Path) -> dict[str, Path]:
    """One small file of each format; care records are in the repository's data or beside it."""
    made = {
        "edf": edf_bytes(range(4), annotations=[tal(1.5, "shock 200J")], plus="EDF+C"),
        "edf with gaps": edf_bytes([0, 1, 9, 10, 4]),
        "signals csv": signal_csv().encode(),
        "clock csv": b"time,ecg[mV]\n2031-04-17T14:02:11Z,1\n2031-04-17T14:02:12Z,2\n2031-04-17T14:02:13Z,2\n",
        "events csv": EVENTS_CSV.encode(),
        "dispatch csv": b"unit_id_reported,time_dispatch,time_on_scene\nM31,2031-04-17T14:00:00-06:00,2031-04-17T14:08:00-06:00\n",
        "rec.hea": HEA.encode(),
    }
    for name, raw in made.items():
        (folder / name).write_bytes(raw)
    (folder / "rec.dat").write_bytes(np.arange(500, dtype="<i2").tobytes())
    columns = {"time_s": np.arange(100) / 50, "co2[kPa]": np.linspace(0, 5, 100)}
    paths = {name: folder / name for name in made}
    paths["bdf"] = write_bdf(folder / "bdf")
    paths["parquet"] = write_parquet(folder / "parquet", columns, "2031-04-17T14:02:11-06:00")
    own = sorted((Path(__file__).parents[1] / "data").rglob("*.xml")) + sorted(SHARED.glob("*.xml"))
    return paths | {path.name: path for path in own[:2]}


@pytest.fixture(scope="module")
def good(tmp_path_factory):
    return _good(tmp_path_factory.mktemp("good"))


def reader_of(path):
    (reader,) = [reader for reader in READERS if reader.recognises(path)]
    return reader


def hold_contract(parts):
    """Tables in their contract; signals in float32, in order, without overlap and without a missing value."""
    assert isinstance(parts, tuple)
    assert parts
    for part in parts:
        assert part.kind in ("monitor", "record", "device", "dispatch", "events")
        check(part.events, EVENTS)
        check(part.vitals, VITALS)
        assert set(part.events["type"]) <= {*EVENT_VALUES, UNMAPPED}
        assert {word.split()[0] for word in part.could_chart} <= set(EVENT_VALUES)
        for signal in part.signals:
            assert signal.channel in CHANNELS or signal.label in signal.channel or "[" in signal.channel
            assert signal.channel not in CHANNELS or signal.unit == CHANNELS[signal.channel].unit
            last_s = -np.inf
            for piece in signal.pieces:
                assert piece.values.dtype == np.float32
                assert len(piece.values)
                assert np.isfinite(piece.values).all()
                assert piece.rate_hz > 0
                assert piece.start_s >= last_s - 0.03
                last_s = piece.end_s


def outcome(reader, path):
    """What an attempt to read came to: None where the parts hold the contract, else the words of the refusal."""
    try:
        parts = reader.read(path, ABOUT)
    except UnreadableFile as error:
        return str(error)
    hold_contract(parts)
    return None


def test_there_is_a_reader_for_each_format_and_each_has_its_three_parts():
    for reader in READERS:
        assert isinstance(reader.FORMAT, str)
        assert callable(reader.recognises)
        assert callable(reader.read)


def test_exactly_one_reader_recognises_each_good_file(good):
    for name, path in good.items():
        assert len([reader.FORMAT for reader in READERS if reader.recognises(path)]) == 1, name


def test_each_good_file_holds_the_contract(good):
    for path in good.values():
        reader = reader_of(path)
        if reader is wfdb_record and not importlib.util.find_spec("wfdb"):
            continue
        hold_contract(reader.read(path, SourceHeader(file=path.name)))


def test_reading_leaves_the_file_as_it_was(good):
    for path in good.values():
        before = path.read_bytes()
        assert outcome(reader_of(path), path) is None or reader_of(path) is wfdb_record
        assert path.read_bytes() == before


def test_a_file_cut_anywhere_reads_or_names_its_place(good, tmp_path):
    for name, path in good.items():
        raw, reader = path.read_bytes(), reader_of(path)
        for cut in sorted({int(len(raw) * share) for share in np.linspace(0, 0.999, 21)}):
            short = tmp_path / name
            short.write_bytes(raw[:cut])
            for other in READERS:
                assert other.recognises(short) in (True, False)
            refusal = outcome(reader, short)
            places = ("byte", "line", "column", "table of contents", "element")
            assert refusal is None or any(place in refusal for place in places), (name, cut, refusal)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(
    st.binary(max_size=600),
    st.sampled_from([b"", b"PAR1", b"0       ", b"\xffBIOSEMI", b"<?xml ", b"time_s,ecg[mV]\n", b"time,type\n", b"r 1 2\n"]),
)
def test_any_bytes_are_recognised_or_not_without_raising(tmp_path, raw, head):
    path = tmp_path / "any"
    path.write_bytes(head + raw)
    for reader in READERS:
        if reader.recognises(path):
            assert path.name in (outcome(reader, path) or path.name)


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(st.data())
def test_damaged_bytes_read_or_are_unreadable_and_nothing_else(good, tmp_path, data):
    """Up to eight bytes of a good file changed at random."""
    name = data.draw(st.sampled_from(sorted(good)))
    raw = bytearray(good[name].read_bytes())
    for _ in range(data.draw(st.integers(1, 8))):
        raw[data.draw(st.integers(0, len(raw) - 1))] = data.draw(st.integers(0, 255))
    path = tmp_path / name
    path.write_bytes(bytes(raw))
    for reader in READERS:
        if reader.recognises(path):
            assert path.name in (outcome(reader, path) or path.name)


def test_wfdb_says_which_package_to_install(good):
    if importlib.util.find_spec("wfdb"):
        pytest.skip("wfdb is installed")
    with pytest.raises(UnreadableFile, match="install the package wfdb"):
        wfdb_record.read(good["rec.hea"], ABOUT)


def test_wfdb_record_is_read(good):
    """Format 16, 200 units per mV (header(5) of the WFDB guide, from memory)."""
    pytest.importorskip("wfdb")
    (part,) = wfdb_record.read(good["rec.hea"], ABOUT)
    (signal,) = part.signals
    assert (signal.channel, signal.pieces[0].rate_hz) == ("ecg", 250)
    assert signal.pieces[0].values == pytest.approx(np.arange(500) / 200, abs=1e-5)


@pytest.mark.parametrize("line", ["../rec.dat 16", "/etc/passwd 16", "gone.dat 16"])
def test_wfdb_reads_nothing_outside_its_folder(tmp_path, line):
    path = tmp_path / "rec.hea"
    path.write_text(f"rec 1 250\n{line}\n", encoding="utf-8")
    with pytest.raises(UnreadableFile, match="line 2"):
        wfdb_record.read(path, ABOUT)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(rows=st.lists(st.tuples(st.floats(-1e6, 1e6), st.sampled_from(sorted(EVENT_VALUES)), st.text(max_size=12)), max_size=12))
def test_events_are_never_lost_or_made_up(tmp_path, rows):
    """As many events come out as different rows went in, whatever stands in their text."""
    path = tmp_path / "e"
    quoted = [(at, kind, '"' + text.replace('"', "'").replace("\0", "").strip() + '"') for at, kind, text in rows]
    lines = [f"{at!r},{kind},{text}" for at, kind, text in quoted]
    path.write_text("time_s,type,text\n" + "\n".join(lines), encoding="utf-8", errors="replace", newline="")
    (part,) = event_csv.read(path, ABOUT)
    may_repeat = ("compression", "ventilation")
    once = {line for line, row in zip(lines, rows, strict=True) if row[1] not in may_repeat}
    assert len(part.events) == len(once) + sum(row[1] in may_repeat for row in rows)
