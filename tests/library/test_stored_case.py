"""A stored case is the case that was read, field by field; damage is said, a write that breaks off changes nothing."""

import hashlib
import json
import os
import stat
from dataclasses import replace
from datetime import datetime
from functools import cache
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from qi import pipeline
from qi.intake.folder import read_case
from qi.library import stored_case, waveforms
from qi.model.case import Case, Clock, Facts, Note, Piece, Signal, Source
from qi.model.errors import BadTable, UnreadableFile
from qi.model.tables import EVENTS, VITALS, check, make
from tests.intake.made_files import write_edf
from tests.library.alike import alike, furthest_of
from tests.simulator import two_monitors
from tests.simulator.schedule import draw

FOLDERS = sorted(folder for folder in (Path(__file__).parents[2] / "sample_cases").glob("rv-*") if folder.is_dir())
posix = pytest.mark.skipif(os.name != "posix", reason="modes of files are those of POSIX")

sample = cache(read_case)


def odd_case():
    """A case with everything that is rare: the hour that happens twice, clocks without bound, unplaced signals, missing values."""
    pieces = (Piece(0.0, 10.0, np.arange(600, dtype=np.float32)), Piece(90.5, 10.0, np.zeros(0, np.float32)))
    ecg = Signal("ecg", "mV", pieces, "a.edf", "ECG “pads”", "a.edf", None, (-5.0, 5.0))
    depth = Signal("compression_depth", "mm", pieces[:1], "b.edf", clock="b.edf", reference="stroke")
    return Case(
        "odd 1",
        datetime(2031, 11, 2, 1, 30, 0, 5000, tzinfo=ZoneInfo("America/Denver"), fold=1),
        (
            Source("a.edf", "EDF+", "monitor", "a.edf", 0.0, 60.0, frozenset({"shock", "rosc"})),
            Source("b.edf", "EDF+", "monitor", "b.edf", np.nan, np.nan),
        ),
        {"b.edf": Clock("b.edf", 0.0, np.inf, "not placed", placed=False), "a.edf": Clock("a.edf", -1.5, 0.1, "set in case.toml")},
        "a.edf",
        (ecg,),
        make(EVENTS, time_s=[1.0, 2.0], type=["shock", "drug"], dose=[np.nan, 1.0], unit=[None, "mg"], by=["", None],
             source=["a.edf"] * 2, clock=["a.edf"] * 2, uncertainty_s=[0.0, 60.0]),
        make(VITALS, time_s=[-5.0], name=["spo2"], text=["“low”"], source=["c.xml"], clock=["c.xml"]),
        Facts(61.0, None, "unknown", bystander_cpr=True, bystander_aed="unknown", attempted=False, members=("C-104", "C-233"),
              outcome={"any_rosc": True, "survived_event": "unknown", "cpc": 2, "mrs": None}),
        "child-2020",
        (Note("warning", "a.edf", "one"), Note("info", "", "line\nbreak")),
        (depth,),
    )  # fmt: skip


def through(folder, case):
    stored_case.write(folder, case)
    return stored_case.read(folder)


def assert_same(before, after):
    assert alike(before, after)
    assert furthest_of(before, after) <= 1.0
    check(after.events, EVENTS)
    check(after.vitals, VITALS)


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda folder: folder.name)
def test_every_field_of_the_sample_cases_comes_back(folder, tmp_path):
    case = sample(folder)
    after = through(tmp_path / "stored", case)
    assert_same(case, after)
    for one, other in zip(case.signals, after.signals, strict=True):
        assert all((a.values == b.values).all() for a, b in zip(one.pieces, other.pieces, strict=True))


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda folder: folder.name)
def test_the_stored_case_measures_the_same(folder, tmp_path):
    case = sample(folder)
    after = through(tmp_path / "stored", case)
    protocol = pipeline.choose_protocol(case)
    assert pipeline.choose_protocol(after) == protocol
    before, again = pipeline.review(case, protocol), pipeline.review(after, protocol)
    assert [(one.id, one.verdict, one.number.reason) for one in before.numbers] == [
        (one.id, one.verdict, one.number.reason) for one in again.numbers
    ]
    for one, other in zip(before.numbers, again.numbers, strict=True):
        for name in ("value", "low", "high", "coverage", "error"):
            old, new = getattr(one.number, name), getattr(other.number, name)
            assert new == (None if old is None else pytest.approx(old, abs=1e-6, rel=0)), (one.id, name)
    assert again.notes == before.notes


def test_two_monitors_come_back_and_measure_the_same(tmp_path):
    folder = tmp_path / "two"
    two_monitors.write(folder, two_monitors.pair(draw(11), "overlap", 400.0, apart_s=40.0, ahead_s=(0.0, 7.0)))
    case = read_case(folder)
    assert len(case.clocks) == 2
    after = through(tmp_path / "stored", case)
    assert_same(case, after)
    protocol = pipeline.choose_protocol(case)
    before, again = (pipeline.review(one, protocol).of("compression_fraction").number for one in (case, after))
    assert (again.low, again.value, again.high) == pytest.approx((before.low, before.value, before.high), abs=1e-6, rel=0)


def test_all_that_is_rare_comes_back(tmp_path):
    case = odd_case()
    after = through(tmp_path / "stored", case)
    assert_same(case, after)
    assert after.start.fold == 1
    assert isinstance(after.start.tzinfo, ZoneInfo)


def test_an_unplaced_recording_comes_back(tmp_path):
    """Of two monitors one does not say when it began: its signals wait unplaced, its clock has no bound."""
    folder = tmp_path / "c"
    folder.mkdir()
    write_edf(folder / "a.edf", range(30))
    write_edf(folder / "b.edf", range(20), started=None)
    case = read_case(folder)
    assert [signal.source for signal in case.unplaced] == ["b.edf"]
    after = through(tmp_path / "stored", case)
    assert_same(case, after)
    assert after.clocks["b.edf"].uncertainty_s == np.inf


def test_a_case_of_nothing_comes_back(tmp_path):
    assert_same(Case("empty", None), through(tmp_path / "stored", Case("empty", None)))


def test_json_is_plain_and_holds_no_samples(tmp_path):
    stored_case.write(tmp_path, odd_case())
    raw = (tmp_path / "case.json").read_text(encoding="utf-8")

    def refuse(word):
        raise AssertionError(word)

    document = json.loads(raw, parse_constant=refuse)
    assert document["format"] == stored_case.FORMAT
    assert document["case"]["signals"] == 1
    tables = tmp_path / document["files"]
    files = sorted(path.relative_to(tables).as_posix() for path in tables.rglob("*") if path.is_file())
    assert files == ["events.parquet", "signals/01.parquet", "unplaced/01.parquet", "vitals.parquet"]


def test_a_stretch_is_read_alone(tmp_path):
    case = odd_case()
    stored_case.write(tmp_path, case)
    (ecg,) = stored_case.read_between(tmp_path, 5.0, 6.0)
    assert ecg.label == "ECG “pads”"
    assert ecg.pieces[0].values.tolist() == list(range(50, 60))
    assert stored_case.read_between(tmp_path, 70.0, 80.0) == []


def test_a_second_write_takes_the_place_of_the_first(tmp_path):
    stored_case.write(tmp_path, sample(FOLDERS[0]))
    assert_same(odd_case(), through(tmp_path, odd_case()))
    assert len(list(tmp_path.iterdir())) == 2


@pytest.mark.parametrize("step", ["signal", "table", "json", "swap"])
def test_a_write_that_fails_leaves_the_old_case_and_nothing_else(tmp_path, monkeypatch, step):
    stored_case.write(tmp_path, odd_case())
    there = sorted(tmp_path.rglob("*"))

    def fail(*args, **kwargs):
        raise OSError(28, "No space left on device")

    target, name = {
        "signal": (stored_case.waveforms, "write"),
        "table": (stored_case.pq, "write_table"),
        "json": (stored_case.json, "dumps"),
        "swap": (stored_case.Path, "replace"),
    }[step]
    monkeypatch.setattr(target, name, fail)
    with pytest.raises(OSError, match="No space left"):
        stored_case.write(tmp_path, sample(FOLDERS[0]))
    monkeypatch.undo()
    assert sorted(tmp_path.rglob("*")) == there
    assert_same(odd_case(), stored_case.read(tmp_path))


def test_a_process_that_dies_before_the_swap_leaves_the_old_case(tmp_path, monkeypatch):
    """Death is played by an error at the swap, with the tidying-up taken away; what it left goes an hour later."""
    stored_case.write(tmp_path, odd_case())
    monkeypatch.setattr(stored_case.Path, "replace", lambda *args: (_ for _ in ()).throw(SystemExit))
    monkeypatch.setattr(stored_case.Path, "unlink", lambda *args, **kwargs: None)
    monkeypatch.setattr(stored_case.shutil, "rmtree", lambda *args, **kwargs: None)
    with pytest.raises(SystemExit):
        stored_case.write(tmp_path, sample(FOLDERS[0]))
    monkeypatch.undo()
    in_force = ("case.json", json.loads((tmp_path / "case.json").read_bytes())["files"])
    left = [path for path in tmp_path.iterdir() if path.name not in in_force]
    assert len(left) == 2
    assert_same(odd_case(), stored_case.read(tmp_path))
    stored_case.write(tmp_path, odd_case())
    assert all(path.exists() for path in left)
    for path in left:
        os.utime(path, (0, 0))
    stored_case.write(tmp_path, odd_case())
    assert len(list(tmp_path.iterdir())) == 2


def test_a_case_stored_anew_while_it_is_read_is_read_anew(tmp_path, monkeypatch):
    stored_case.write(tmp_path, sample(FOLDERS[0]))
    read = waveforms.read

    def overtaken(path):
        monkeypatch.setattr(stored_case.waveforms, "read", read)
        stored_case.write(tmp_path, odd_case())
        return read(path)

    monkeypatch.setattr(stored_case.waveforms, "read", overtaken)
    assert_same(odd_case(), stored_case.read(tmp_path))


def changed(folder, change):
    """case.json with a change, and the digest that goes with it, as another version of the app would have written it."""
    path = folder / "case.json"
    document = json.loads(path.read_bytes())
    change(document)
    document["sha256"] = hashlib.sha256(json.dumps(document["case"]).encode()).hexdigest()
    path.write_text(json.dumps(document), encoding="utf-8")


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda document: document.update(format=0), "is of format 0"),
        (lambda document: document.pop("format"), "is damaged"),
        (lambda document: document.update(files="../elsewhere"), "is damaged"),
        (lambda document: document["case"].pop("unplaced"), "does not hold the fields"),
        (lambda document: document["case"].update(more=1), "does not hold the fields"),
        (lambda document: document["case"]["facts"].pop("sex"), "another version"),
        (lambda document: document["case"]["start"].update(zone="Nowhere/Town"), "time zone is not known"),
        (lambda document: document["case"].update(signals=2), "is missing"),
    ],
)
def test_another_version_is_said_and_can_be_rebuilt(tmp_path, change, said):
    stored_case.write(tmp_path, odd_case())
    changed(tmp_path, change)
    with pytest.raises(UnreadableFile, match=f"{said}.*it can be rebuilt from the originals"):
        stored_case.read(tmp_path)


def test_a_value_changed_by_hand_is_said(tmp_path):
    stored_case.write(tmp_path, odd_case())
    path = tmp_path / "case.json"
    path.write_text(path.read_text(encoding="utf-8").replace("61.0", "16.0"), encoding="utf-8")
    with pytest.raises(UnreadableFile, match=r"its content is not what was written.*it can be rebuilt"):
        stored_case.read(tmp_path)


@pytest.mark.parametrize("name", ["case.json", "events.parquet", "vitals.parquet", "01.parquet"])
@pytest.mark.parametrize("how", ["gone", "empty", "cut", "noise"])
def test_a_damaged_or_missing_file_is_said_and_can_be_rebuilt(tmp_path, name, how):
    stored_case.write(tmp_path, odd_case())
    for path in tmp_path.rglob(name):
        raw = path.read_bytes()
        path.unlink()
        if how != "gone":
            path.write_bytes(
                {"empty": b"", "cut": raw[: len(raw) * 2 // 3], "noise": raw[:8] + np.random.default_rng(1).bytes(len(raw) - 8)}[
                    how
                ]
            )
    with pytest.raises(UnreadableFile, match=rf"{name}: is (damaged|missing).*it can be rebuilt from the originals"):
        stored_case.read(tmp_path)
    stored_case.write(tmp_path, odd_case())
    assert_same(odd_case(), stored_case.read(tmp_path))


def test_no_stored_case_is_said(tmp_path):
    with pytest.raises(UnreadableFile, match=r"case\.json: is missing; it can be rebuilt from the originals"):
        stored_case.read(tmp_path / "none")


def test_a_table_that_breaks_its_contract_is_refused(tmp_path):
    case = odd_case()
    with pytest.raises(BadTable):
        stored_case.write(tmp_path, replace(case, events=case.events.drop(columns="dose")))
    assert list(tmp_path.iterdir()) == []


@posix
def test_only_the_owner_may_read_any_of_it(tmp_path):
    folder = tmp_path / "case" / "stored"
    stored_case.write(folder, odd_case())
    made = [tmp_path / "case", *(tmp_path / "case").rglob("*")]
    assert {stat.S_IMODE(path.stat().st_mode) for path in made if path.is_dir()} == {0o700}
    assert {stat.S_IMODE(path.stat().st_mode) for path in made if path.is_file()} == {0o600}
