"""Clocks that a reviewer sets: held against reading the same files with that offset in their header, which is other code."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from qi.corrections.clocks import setting_of, with_offsets
from qi.intake.clocks import assemble
from qi.intake.event_words import Entry, table
from qi.intake.folder import read_case
from qi.intake.header import Header, SourceHeader
from qi.model.case import Part, Piece, Signal
from qi.model.clock_proposal import ClockSetting
from qi.model.errors import UnknownWord
from qi.model.journal import Line
from qi.model.tables import EVENTS, VITALS, check, make
from tests.test_sample_cases import HOME

NOON = datetime(2031, 4, 17, 12, 0, tzinfo=UTC)
SET = "set in case.toml"  # what the reader writes; the settings here say the same, so that the cases can be equal


def monitor(file="a.edf", start=NOON, *, first_s=0.0, seconds=600, events=(), channel="ecg"):
    signal = Signal(channel, "mV", (Piece(first_s, 1.0, np.arange(seconds, dtype=np.float32)),), file)
    return Part(file, "EDF+", "monitor", start, (signal,), events=table([Entry(t, word) for t, word in events], file))


def listed(file="r.xml", start=NOON, *, kind="record", events=((10.0, "shock"), (300.0, "rosc")), vitals=()):
    times, values = [one[0] for one in vitals], [one[1] for one in vitals]
    count = len(times)
    more = {"name": ["etco2"] * count, "unit": ["mmHg"] * count, "source": [file] * count, "clock": [""] * count}
    rows = table([Entry(one[0], one[1], end_s=one[2] if len(one) > 2 else None) for one in events], file)
    return Part(file, "made", kind, start, events=rows, vitals=make(VITALS, time_s=times, value=values, **more))


def read(*parts, zone="America/Denver", **sources):
    named = {file.replace("__", "."): SourceHeader(file=file.replace("__", "."), **said) for file, said in sources.items()}
    return assemble(parts, Header("c", zone=zone, sources=named))


def assert_equal(one, other, *, but_clocks=False, but_notes=True):
    assert one.start == other.start
    assert one.monitor_clock == other.monitor_clock
    for name in ("events", "vitals"):
        pd.testing.assert_frame_equal(getattr(one, name), getattr(other, name), check_exact=False, rtol=0, atol=1e-6)
    for name in ("signals", "unplaced"):
        mine, theirs = getattr(one, name), getattr(other, name)
        assert [(s.name, s.clock, s.channel) for s in mine] == [(s.name, s.clock, s.channel) for s in theirs]
        for left, right in zip(mine, theirs, strict=True):
            assert [p.start_s for p in left.pieces] == pytest.approx([p.start_s for p in right.pieces], abs=1e-6)
            assert all(np.array_equal(p.values, q.values) for p, q in zip(left.pieces, right.pieces, strict=True))
    for left, right in zip(one.sources, other.sources, strict=True):
        assert replace(left, start_s=0, end_s=0) == replace(right, start_s=0, end_s=0)
        assert [left.start_s, left.end_s] == pytest.approx([right.start_s, right.end_s], abs=1e-6, nan_ok=True)
    if not but_clocks:
        assert dict(one.clocks) == dict(other.clocks)
    if not but_notes:
        assert one.notes == other.notes


TWO = (
    monitor("a.edf", events=[(20.0, "shock")]),
    monitor("b.edf", NOON + timedelta(seconds=200), events=[(5.0, "shock")]),
    listed("r.xml", NOON - timedelta(seconds=30), vitals=[(90.0, 20.0)], events=((50.0, "shock"), (80.0, "pause", 95.0))),
    listed("d.csv", NOON - timedelta(seconds=500), kind="dispatch", events=((0.0, "dispatched"), (400.0, "at_patient"))),
)


@pytest.mark.parametrize("clock", ["a.edf", "b.edf", "r.xml", "d.csv"])
@pytest.mark.parametrize("offset_s", [-3601.5, -420.0, -199.0, 0.25, 45.0, 3600.0, 86400.0])
def test_a_set_clock_is_as_if_the_header_had_said_so(clock, offset_s):
    """Every clock, the reference monitor's own among them; monitors change places where the offset is large."""
    raw = read(*TWO)
    asked = read(*TWO, **{clock.replace(".", "__"): {"offset_s": offset_s, "uncertainty_s": 4.0}})
    found = with_offsets(raw, [ClockSetting(clock, offset_s, 4.0, SET)])
    assert_equal(found, asked, but_clocks=True)
    assert found.clocks[clock] == asked.clocks[clock]
    check(found.events, EVENTS)
    check(found.vitals, VITALS)


def test_zero_stays_the_first_sample_of_the_earliest_monitor():
    raw = read(*TWO)
    assert raw.monitor_clock == "a.edf"
    found = with_offsets(raw, [ClockSetting("b.edf", -260.0, 1.0, "by hand")])
    assert found.monitor_clock == "b.edf"
    assert found.start == NOON - timedelta(seconds=60)
    assert [signal.pieces[0].start_s for signal in found.signals] == [60, 0]
    assert found.recorded.pairs()[0][0] == 0


def test_setting_the_reference_monitors_own_clock_moves_the_others_against_it():
    raw = read(*TWO)
    found = with_offsets(raw, [ClockSetting("a.edf", 40.0, 3.0, "by hand")])
    shock = [
        case.events[(case.events["clock"] == "r.xml") & (case.events["type"] == "shock")]["time_s"].item() for case in (raw, found)
    ]
    assert shock[1] == shock[0] - 40
    assert found.signals[0].pieces[0].start_s == 0
    assert found.start == NOON + timedelta(seconds=40)
    assert found.clocks["a.edf"].uncertainty_s == 3
    assert found.apart_s("a.edf", "r.xml") == pytest.approx(np.hypot(3, 120))


@pytest.mark.parametrize("clock", ["a.edf", "b.edf", "r.xml", "d.csv"])
def test_setting_a_clock_back_restores_the_case(clock):
    raw = read(*TWO)
    was = raw.clocks[clock]
    moved = with_offsets(raw, [ClockSetting(clock, -437.0, 2.0, "by hand")])
    assert moved is not raw
    back = with_offsets(moved, [ClockSetting(clock, was.offset_s, was.uncertainty_s, was.method)])
    assert_equal(back, raw, but_notes=False)


def test_the_order_of_entries_at_one_time_is_restored_too():
    parts = (
        listed("z.xml", events=((0.0, "shock"), (60.0, "shock"))),
        listed("b.xml", events=((0.0, "rosc"), (60.0, "rearrest"))),
        monitor(),
    )
    raw = read(*parts)
    moved = with_offsets(raw, [ClockSetting("z.xml", 60.0, 1.0, "x")])
    assert moved.events["type"].tolist() == ["rosc", "shock", "rearrest", "shock"]
    was = raw.clocks["z.xml"]
    assert_equal(with_offsets(moved, [ClockSetting("z.xml", 0.0, was.uncertainty_s, was.method)]), raw)


def test_the_case_as_read_is_not_altered_and_nothing_to_set_gives_it_back():
    raw = read(*TWO)
    events, vitals, starts = raw.events.copy(), raw.vitals.copy(), [signal.pieces[0].start_s for signal in raw.signals]
    with_offsets(raw, [ClockSetting("r.xml", -420.0, 9.0, "x"), ClockSetting("a.edf", 5.0, 1.0, "x")])
    pd.testing.assert_frame_equal(raw.events, events)
    pd.testing.assert_frame_equal(raw.vitals, vitals)
    assert [signal.pieces[0].start_s for signal in raw.signals] == starts
    assert with_offsets(raw, []) is raw
    assert raw.clocks["r.xml"].offset_s == 0


def test_several_clocks_and_the_later_setting_of_one():
    raw = read(*TWO)
    settings = [
        ClockSetting("r.xml", 999.0, 1.0, SET),
        ClockSetting("d.csv", 30.0, 2.0, SET),
        ClockSetting("r.xml", -60.0, 4.0, SET),
    ]
    asked = read(*TWO, r__xml={"offset_s": -60.0, "uncertainty_s": 4.0}, d__csv={"offset_s": 30.0, "uncertainty_s": 2.0})
    assert_equal(with_offsets(raw, settings), asked)


def test_an_offset_takes_the_place_of_the_headers():
    raw = read(*TWO, r__xml={"offset_s": -100.0, "uncertainty_s": 5.0})
    asked = read(*TWO, r__xml={"offset_s": -60.0, "uncertainty_s": 4.0})
    assert_equal(with_offsets(raw, [ClockSetting("r.xml", -60.0, 4.0, SET)]), asked)


def test_a_clock_that_nothing_placed_is_placed_with_its_events():
    """The record tells the time of day and the monitor does not: its entries count from the first of them."""
    raw = read(monitor(start=None), listed(events=((70.0, "shock"), (100.0, "rosc"))), r__xml={})
    assert not raw.clocks["r.xml"].placed
    assert raw.events["time_s"].tolist() == [0, 30]
    found = with_offsets(raw, [ClockSetting("r.xml", 155.0, 6.0, "by hand")])
    assert found.events["time_s"].tolist() == [155, 185]
    assert found.clocks["r.xml"].placed
    assert (found.sources[1].start_s, found.sources[1].end_s) == (155, 185)
    assert found.start is None


def test_a_recording_that_nothing_placed_gets_its_signals_back():
    raw = read(monitor("a.edf"), monitor("b.edf", start=None, first_s=3.0, events=[(10.0, "shock")]), listed())
    assert [signal.source for signal in raw.unplaced] == ["b.edf"]
    assert np.isnan(raw.sources[1].start_s)
    found = with_offsets(raw, [ClockSetting("b.edf", 120.0, 2.0, "by hand")])
    assert not found.unplaced
    assert [signal.source for signal in found.signals] == ["a.edf", "b.edf"]
    assert found.signals[1].pieces[0].start_s == 120
    assert (found.sources[1].start_s, found.sources[1].end_s) == (120, 720)
    assert found.events[found.events["clock"] == "b.edf"]["time_s"].tolist() == [127]
    early = with_offsets(raw, [ClockSetting("b.edf", -50.0, 2.0, "by hand")])
    assert early.monitor_clock == "b.edf"
    assert [signal.pieces[0].start_s for signal in early.signals] == [50, 0]
    assert early.start == NOON - timedelta(seconds=50)


def test_what_is_not_placed_keeps_its_own_times_when_zero_moves():
    raw = read(monitor("a.edf"), monitor("b.edf", start=None, events=[(10.0, "shock")]), listed())
    found = with_offsets(raw, [ClockSetting("a.edf", 33.0, 2.0, "by hand")])
    assert found.events[found.events["clock"] == "b.edf"]["time_s"].tolist() == [10]
    assert found.unplaced[0].pieces[0].start_s == 0
    assert found.events[found.events["clock"] == "r.xml"]["time_s"].tolist() == [10 - 33, 300 - 33]


def test_a_list_without_a_place_on_a_clock_that_has_one_stays_as_it_is():
    """The list tells the time of day and no monitor does, though it names the monitor's clock."""
    parts = (monitor("a.edf", None, events=[(20.0, "shock")]), listed("r.csv", kind="events"))
    raw = read(*parts, a__edf={"clock": "x"}, r__csv={"clock": "x"})
    assert raw.clocks["x"].placed
    assert np.isnan(raw.sources[1].start_s)
    asked = read(*parts, a__edf={"clock": "x", "offset_s": 25.0, "uncertainty_s": 4.0}, r__csv={"clock": "x"})
    found = with_offsets(raw, [ClockSetting("x", 25.0, 4.0, SET)])
    assert found.events[found.events["source"] == "r.csv"]["time_s"].tolist() == [10 - 10, 300 - 10]
    assert_equal(found, asked)


def test_start_is_moved_in_true_seconds_over_a_change_of_the_clocks():
    """Denver puts its clocks back at 2:00 on 2 November 2031 (first Sunday of November; United States rule, from memory)."""
    zone = ZoneInfo("America/Denver")
    raw = read(monitor(start=datetime(2031, 11, 2, 1, 50, tzinfo=zone)))
    found = with_offsets(raw, [ClockSetting("a.edf", 1200.0, 1.0, "by hand")])
    assert (found.start.astimezone(UTC) - raw.start.astimezone(UTC)).total_seconds() == 1200
    assert found.start.isoformat() == "2031-11-02T01:10:00-07:00"


def test_a_clock_that_the_case_does_not_have_is_refused_with_the_choices():
    with pytest.raises(UnknownWord, match=r"c\.edf.*a\.edf, b\.edf, d\.csv, r\.xml"):
        with_offsets(read(*TWO), [ClockSetting("c.edf", 1.0, 1.0, "x")])


def test_a_line_of_the_journal_is_read():
    body = {"clock": "r.xml", "offset_s": -420, "uncertainty_s": 12.5, "method": "matched on 4 moments", "before": {}, "why": "x"}
    assert setting_of(Line(3, "QI", NOON, "clock", body)) == ClockSetting("r.xml", -420.0, 12.5, "matched on 4 moments")


@pytest.mark.parametrize("folder", sorted(one for one in HOME.glob("rv-*") if one.is_dir()), ids=lambda one: one.name)
def test_every_sample_case_can_be_set_and_set_back(folder):
    raw = read_case(folder)
    for name, was in raw.clocks.items():
        moved = with_offsets(raw, [ClockSetting(name, was.offset_s + 61.0, 2.0, "x")])
        assert_equal(with_offsets(moved, [ClockSetting(name, was.offset_s, was.uncertainty_s, was.method)]), raw, but_notes=False)
