"""Clocks: each source on its own, placed by what it says or by case.toml, never by guessing."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest

from qi.intake.clocks import UNCERTAINTY_S, assemble
from qi.intake.event_words import Entry, table
from qi.intake.header import Header, SourceHeader
from qi.model.case import Facts, Part, Piece, Signal
from qi.model.tables import EVENTS, VITALS, check, make
from tests.intake.made_files import told

NOON = datetime(2031, 4, 17, 12, 0, tzinfo=UTC)


def monitor(file="m.edf", start: datetime | None = NOON, *, first_s=0.0, seconds=600, events=()):
    signal = Signal("ecg", "mV", (Piece(first_s, 10.0, np.zeros(seconds * 10, np.float32)),), file)
    rows = table([Entry(time_s, kind) for time_s, kind in events], file)
    return Part(file, "EDF+", "monitor", start, (signal,), events=rows)


def listed(file="e.csv", start: datetime | None = NOON, *, kind="events", events=((0.0, "shock"),), facts=Facts()):  # noqa: B008
    rows = table([Entry(time_s, word) for time_s, word in events], file)
    return Part(file, "CSV events", kind, start, events=rows, facts=facts)


def case_of(*parts, zone=None, facts=Facts(), **sources):  # noqa: B008
    named = {file.replace("__", "."): SourceHeader(file=file.replace("__", "."), **said) for file, said in sources.items()}
    case = assemble(parts, Header("c", zone=zone, sources=named, facts=facts))
    check(case.events, EVENTS)
    check(case.vitals, VITALS)
    assert set(case.events["clock"]) <= set(case.clocks)
    return case


def test_case_start_is_the_first_sample_of_the_earliest_monitor():
    late = monitor("b.edf", NOON + timedelta(seconds=100), first_s=5)
    case = case_of(monitor("a.edf", NOON + timedelta(seconds=300)), late, listed(events=[(50, "rosc"), (200, "shock")]))
    assert case.start == NOON + timedelta(seconds=105)
    assert case.monitor_clock == "b.edf"
    assert [signal.pieces[0].start_s for signal in case.signals] == [195, 0]
    assert case.events["time_s"].tolist() == [-55, 95]
    assert case.recorded.pairs() == [(0, 795)]


def test_uncertainties_by_kind_of_clock():
    """The earliest monitor is the reference; a further one 60 s, hand-entered times 120 s (cpr-definitions.md, section 6)."""
    parts = (monitor("a.edf"), monitor("b.edf", NOON + timedelta(seconds=9)), listed("r.xml", kind="record"))
    case = case_of(*parts, listed("d.csv", kind="dispatch"), listed("e.csv"))
    assert {name: clock.uncertainty_s for name, clock in case.clocks.items()} == {
        "a.edf": 0, "b.edf": 60, "r.xml": 120, "d.csv": 60, "e.csv": 120
    }  # fmt: skip
    assert case.clocks["a.edf"].method == "reference: the monitor's own clock"
    assert "hand-entered" in case.clocks["r.xml"].method
    assert case.apart_s("a.edf", "r.xml") == 120
    assert case.apart_s("r.xml", "d.csv") == pytest.approx(np.hypot(120, 60))


def test_with_no_monitor_the_case_starts_at_the_earliest_event():
    dispatch = listed("d.csv", NOON - timedelta(seconds=60), kind="dispatch", events=[(0, "dispatched")])
    case = case_of(listed(events=[(0, "shock")]), dispatch)
    assert case.start == NOON - timedelta(seconds=60)
    assert case.events["time_s"].tolist() == [0, 60]
    assert case.monitor_clock == ""


def test_offset_and_uncertainty_of_the_header():
    case = case_of(monitor(), listed("r.xml", kind="record"), r__xml={"offset_s": -90.0, "uncertainty_s": 5.0})
    clock = case.clocks["r.xml"]
    assert (clock.offset_s, clock.uncertainty_s, clock.method) == (-90, 5, "set in case.toml")
    assert case.events["time_s"].tolist() == [-90]
    assert case.start == NOON


def test_sources_that_name_one_clock_share_it():
    case = case_of(monitor(), listed(), m__edf={"clock": "monitor"}, e__csv={"clock": "monitor"})
    assert set(case.clocks) == {"monitor"}
    assert case.monitor_clock == "monitor"
    assert case.clocks["monitor"].uncertainty_s == 0


def test_two_offsets_for_one_clock_are_said():
    case = case_of(monitor(), listed(), m__edf={"clock": "m", "offset_s": 1.0}, e__csv={"clock": "m", "offset_s": 2.0})
    assert "its offset_s differs from that of clock “m” (1 s)" in told(case.notes)
    assert case.events["time_s"].tolist() == [0]


def test_annotations_share_the_clock_of_their_file():
    case = case_of(monitor(events=[(5, "shock")]))
    assert case.events.loc[0, "clock"] == "m.edf"
    assert list(case.clocks) == ["m.edf"]


def test_start_in_the_header_wins_and_it_is_said():
    stated = NOON + timedelta(hours=1)
    case = case_of(monitor(), m__edf={"start": stated})
    assert case.start == stated
    assert "its own start is 2031-04-17T12:00:00+00:00; `start` in case.toml wins" in told(case.notes)


def test_naive_start_takes_the_headers_zone():
    case = case_of(monitor(start=datetime(2031, 4, 17, 6, 0)), listed(), zone="America/Denver")
    assert case.start == NOON
    assert str(case.start.tzinfo) == "America/Denver"
    assert case.events["time_s"].tolist() == [0]


def test_naive_start_without_zone_takes_the_offset_of_another_source_else_utc():
    aware = datetime.fromisoformat("2031-04-17T06:00:00-06:00")
    case = case_of(monitor(start=datetime(2031, 4, 17, 6, 0)), listed(start=aware))
    assert case.start == NOON
    assert "has no zone; that of e.csv is taken (UTC-0600)" in told(case.notes)
    alone = case_of(monitor(start=datetime(2031, 4, 17, 6, 0)))
    assert alone.start == datetime(2031, 4, 17, 6, 0, tzinfo=UTC)
    assert "has no zone; UTC is taken" in told(alone.notes)


def test_a_file_in_utc_takes_the_offset_of_another_and_is_pointed_out_where_there_is_none():
    """UTC says nothing of the place: half past three in the night of 1 April may be the evening of 31 March there."""
    late = datetime(2031, 4, 1, 3, 30, tzinfo=UTC)
    local = late.astimezone(timezone(timedelta(hours=-6)))
    both = case_of(monitor(start=late), listed(start=local))
    assert (both.start, both.start.month) == (late, 3)
    assert "tells UTC" not in told(both.notes)
    alone = case_of(monitor(start=late))
    assert [note.level for note in alone.notes if "tells UTC, and no zone is known" in note.text] == ["warning"]
    assert "tells UTC" not in told(case_of(monitor(start=late), zone="America/Denver").notes)


@pytest.mark.parametrize(
    ("wall", "how", "read", "other"),
    [
        (datetime(2031, 11, 2, 1, 30), "happens twice", "2031-11-02T01:30:00-06:00", "2031-11-02T01:30:00-07:00"),
        (datetime(2031, 3, 9, 2, 30), "is skipped", "2031-03-09T02:30:00-07:00", "2031-03-09T02:30:00-06:00"),
    ],
)
def test_wall_clock_in_the_hour_of_a_clock_change_offers_both_readings(wall, how, read, other):
    """A wall-clock time in the hour that a clock change repeats or skips: both readings offered (case-format.md, 3)."""
    case = case_of(monitor(start=wall), zone="America/Denver")
    assert case.start.astimezone(UTC) == datetime.fromisoformat(read)
    for word in (how, read, other):
        assert word in told(case.notes)


def test_an_hour_between_sources_is_said_by_events_that_both_tell_of():
    hour = NOON + timedelta(seconds=3650)
    case = case_of(monitor(events=[(100, "shock")]), listed("r.xml", hour, kind="record", events=[(90, "shock")]))
    assert "its times stand about 1 h later than those of m.edf" in told(case.notes)
    assert "offset_s = -3600" in told(case.notes)
    assert case.events["time_s"].tolist() == [100, 3740]


def test_an_hour_between_sources_is_said_by_spans_that_would_overlap():
    case = case_of(
        monitor(), listed("r.xml", NOON - timedelta(seconds=3500), kind="record", events=[(0, "at_patient"), (400, "rosc")])
    )
    assert "about 1 h earlier" in told(case.notes)
    assert "offset_s = 3600" in told(case.notes)
    assert "about 1 h" not in told(case_of(monitor(), listed()).notes)


def test_offset_that_is_not_the_zones_that_day_is_said():
    wrong = datetime.fromisoformat("2031-04-17T05:00:00-07:00")
    case = case_of(monitor(start=wrong), zone="America/Denver")
    assert "written at UTC-0700, where America/Denver has UTC-0600 that day" in told(case.notes)


def test_all_monitors_elapsed_begin_together_and_absolute_sources_are_not_placed():
    record = listed("r.xml", kind="record", events=[(30, "shock"), (90, "rosc")])
    case = case_of(monitor("a.csv", None), monitor("b.csv", None, first_s=2), record)
    assert case.start is None
    assert [signal.pieces[0].start_s for signal in case.signals] == [0, 2]
    assert not case.clocks["r.xml"].placed
    assert case.clocks["a.csv"].placed
    assert case.events["time_s"].tolist() == [0, 60]
    assert "`start` in case.toml for the monitor's file would mend it" in told(case.notes)
    assert "its seconds count from case start, as do those of b.csv" in told(case.notes).replace("says no time of day: ", "")


def test_elapsed_events_share_the_clock_of_the_earliest_monitor():
    case = case_of(monitor("a.edf", NOON), listed("e.csv", None, events=[(12, "shock")]))
    assert case.events["time_s"].tolist() == [12]
    assert case.events["clock"].tolist() == ["a.edf"]
    assert "seconds are taken from the start of a.edf" in told(case.notes)


def test_elapsed_events_that_name_a_clock_stand_beside_its_monitor():
    parts = (monitor("a.edf"), monitor("b.edf", NOON + timedelta(seconds=40)), listed("e.csv", None, events=[(12, "shock")]))
    case = case_of(*parts, b__edf={"clock": "second"}, e__csv={"clock": "second"})
    assert case.events[["time_s", "clock"]].to_numpy().tolist() == [[52, "second"]]


def test_elapsed_monitor_beside_an_absolute_one_is_unplaced_and_left_out():
    case = case_of(monitor("a.edf"), monitor("b.csv", None, events=[(7, "shock")]))
    assert [signal.source for signal in case.signals] == ["a.edf"]
    assert not case.clocks["b.csv"].placed
    assert "its signals are kept apart, unplaced, until a clock is set" in told(case.notes)
    assert case.recorded.pairs() == [(0, 600)]


def test_start_in_the_header_places_an_elapsed_monitor():
    case = case_of(monitor("a.edf"), monitor("b.csv", None), b__csv={"start": NOON + timedelta(seconds=30)})
    assert [signal.pieces[0].start_s for signal in case.signals] == [0, 30]


def test_elapsed_events_alone_start_at_the_first():
    case = case_of(listed(start=None, events=[(5, "shock"), (9, "rosc")]))
    assert case.events["time_s"].tolist() == [0, 4]
    assert case.start is None
    assert case.clocks["e.csv"].placed


def test_two_channels_of_one_kind_are_kept_apart_by_source():
    case = case_of(monitor("a.edf"), monitor("b.edf", NOON + timedelta(seconds=5)))
    assert [signal.name for signal in case.of_channel("ecg")] == ["ecg (a.edf)", "ecg (b.edf)"]


def test_several_parts_of_one_file_each_have_a_clock():
    case = case_of(listed("r.xml", kind="record"), listed("r.xml", kind="record"))
    assert set(case.clocks) == {"r.xml", "r.xml (2)"}


def test_further_report_of_a_file_has_its_offset_and_a_devices_clock_has_not():
    parts = (monitor(), listed("r.xml", kind="record"), listed("r.xml#2", kind="record"), listed("r.xml#device", kind="record"))
    case = case_of(*parts, r__xml={"offset_s": 10.0})
    assert {name: clock.offset_s for name, clock in case.clocks.items()} == {
        "m.edf": 0,
        "r.xml": 10,
        "r.xml#2": 10,
        "r.xml#device": 0,
    }


def test_facts_of_the_header_win_and_a_disagreement_is_said():
    first = Facts(age_years=60, sex="male", witnessed="unknown", crew_roles=("Paramedic",), outcome={"any_rosc": True})
    second = Facts(age_years=63, witnessed="ems", crew_roles=("EMT",), outcome={"any_rosc": False, "cpc": 1})
    parts = (listed("a.xml", kind="record", facts=first), listed("b.xml", kind="record", facts=second))
    facts = case_of(*parts, facts=Facts(age_years=61)).facts
    assert (facts.age_years, facts.sex, facts.witnessed) == (61, "male", "ems")
    assert facts.crew_roles == ("Paramedic", "EMT")
    assert facts.outcome == {"any_rosc": True, "cpc": 1}
    notes = told(case_of(*parts, facts=Facts(age_years=61)).notes)
    assert "a.xml: age_years is 60 here and 61 in case.toml" in notes
    assert "any_rosc is False here and True in a.xml" in notes


def test_vitals_move_with_their_clock_and_empty_sources_are_harmless():
    vitals = make(VITALS, time_s=[30.0], name=["etco2"], value=[35.0], unit=["mmHg"], source=["r.xml"], clock=[""])
    record = replace(listed("r.xml", NOON + timedelta(seconds=60), kind="record", events=()), vitals=vitals)
    case = case_of(monitor(), record, listed("e.csv", None, events=()))
    assert case.vitals[["time_s", "clock"]].to_numpy().tolist() == [[90.0, "r.xml"]]
    assert len(case.sources) == 3


def test_every_default_uncertainty_says_where_it_comes_from():
    assert all(why for _, why in UNCERTAINTY_S.values())
