"""What goes to the browser: samples within half a step, gaps kept, events as JSON without NaN."""

import json
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from qi.charts.colours import ACCENTS, CHANNEL_MEANINGS
from qi.charts.waveforms import pack, words
from qi.model.case import Piece, Signal
from qi.model.journal import REVIEWER
from qi.model.spans import Span, Spans
from qi.model.tables import COMPRESSIONS, DEVICES, EVENTS, PAUSES, QUALITY, SHOCKS, VENTILATIONS, make
from qi.model.vocabulary import CHANNELS, PAUSE_CAUSES


def _unpack(message):
    length = int.from_bytes(message[:4], "little")
    return json.loads(message[4 : 4 + length]), np.frombuffer(message[4 + length :], dtype="<i2")


def _signal(channel="ecg", *pieces, source="a.edf", unit="mV"):
    return Signal(channel, unit, tuple(Piece(start, rate, np.asarray(values)) for start, rate, values in pieces), source)


def _overlay(**changes):
    given = {
        "case": "c:1",
        "compressions": None,
        "ventilations": None,
        "pauses": None,
        "shocks": None,
        "devices": None,
        "events": None,
        "quality": None,
        "arrest": Spans.of([(10, 100)]),
        "unknown": Spans(),
        "extent": Span(0, 120),
        "zero_s": 10.00049,
        "start": None,
        "long_pause_s": 10.0,
        "listed_pause_s": 2.0,
        "depth_band_mm": None,
    }
    return pack.overlay(**(given | changes))


def test_samples_come_back_within_half_a_step_at_mixed_rates_with_gaps():
    rng = np.random.default_rng(3)
    ecg, later, co2 = rng.normal(0, 1, 1001), rng.normal(5, 40, 333), rng.uniform(0, 60, 77)
    signals = [_signal("co2", (3.5, 25.0, co2), unit="mmHg"), _signal("ecg", (0.0, 250.0, ecg), (9.25, 250.0, later))]
    header, integers = _unpack(pack.samples(signals, case="c:1"))
    assert header["case"] == "c:1"
    assert [channel["channel"] for channel in header["channels"]] == ["ecg", "co2"]
    pieces = [piece for channel in header["channels"] for piece in channel["pieces"]]
    assert [(piece["start_s"], piece["rate_hz"]) for piece in pieces] == [(0.0, 250.0), (9.25, 250.0), (3.5, 25.0)]
    for piece, values in zip(pieces, (ecg, later, co2), strict=True):
        back = piece["offset"] + piece["scale"] * integers[piece["first"] : piece["first"] + piece["count"]].astype(float)
        assert np.abs(back - values).max() <= piece["scale"] / 2 * 1.0001
        assert piece["scale"] == pytest.approx((values.max() - values.min()) / 65534)
    assert len(integers) == 1001 + 333 + 77


@pytest.mark.parametrize("name", ["x", "xy", "xyz", "wxyz"])
def test_samples_stand_at_a_multiple_of_four_bytes(name):
    message = pack.samples([_signal("ecg", (0, 1, [1.0, 2.0]))], case=name)
    assert (4 + int.from_bytes(message[:4], "little")) % 4 == 0


def test_flat_empty_and_missing_signals():
    header, integers = _unpack(pack.samples([_signal("ecg", (0, 250.0, [2.5, 2.5, 2.5]), (1, 250.0, []))], case="c"))
    flat, empty = header["channels"][0]["pieces"]
    assert (flat["offset"], integers.tolist(), empty["count"]) == (2.5, [0, 0, 0], 0)
    assert _unpack(pack.samples([], case="c"))[0]["channels"] == []


def test_a_value_that_is_not_finite_is_refused_by_name():
    with pytest.raises(ValueError, match=r"ecg \(a.edf\): the piece at 4.0 s"):
        pack.samples([_signal("ecg", (4.0, 250.0, [0.0, np.nan]))], case="c")


def test_one_spike_does_not_set_the_axis():
    values = np.sin(np.arange(20000) / 30)
    values[10001] = 900.0
    low, high = _unpack(pack.samples([_signal("ecg", (0, 250.0, values))], case="c"))[0]["channels"][0]["show"]
    assert -1.5 < low < -1
    assert 1 < high < 1.5


def test_overlay_without_tables_says_not_recorded():
    overlay = _overlay()
    for name in ("compressions", "ventilations", "pauses", "shocks", "devices", "rhythms", "events", "clock", "depth_band_mm"):
        assert overlay[name] is None
    assert overlay["zero_s"] == 10.0
    assert overlay["arrest_s"] == [[10.0, 100.0]]


def test_overlay_with_empty_tables_says_none_found():
    overlay = _overlay(
        compressions=make(COMPRESSIONS),
        ventilations=make(VENTILATIONS),
        pauses=make(PAUSES),
        shocks=make(SHOCKS),
        devices=make(DEVICES),
        events=make(EVENTS),
    )
    assert overlay["compressions"]["runs"] == []
    assert overlay["ventilations"]["time_s"] == []
    assert all(overlay[name] == [] for name in ("pauses", "shocks", "devices", "rhythms", "events"))


def test_overlay_holds_no_nan_and_times_to_the_millisecond():
    t = np.array([10.12345, 10.7, 30.0, 30.5])
    beats = make(
        COMPRESSIONS, time_s=t, onset_s=t - 0.2, release_s=t + 0.2, depth_mm=[50.0, np.nan, 1 / 3, np.inf], sensor=["d"] * 4
    )
    pauses = make(PAUSES, start_s=[10.9], end_s=[29.8], seconds=[18.9], cause=["rhythm_check"], causes=["x"], unknown_s=[0.0])
    shocks = make(SHOCKS, time_s=[20.0, 21.0], energy_j=[np.nan, 200.0], stack=[1.0, 1.0], sensor=["e", "e"])
    devices = make(DEVICES, kind=["itd"], on_s=[15.0], off_s=[np.nan], clock=["m"], source=["m"])
    breaths = make(VENTILATIONS, time_s=[12.0], sensor=["co2"])
    overlay = _overlay(compressions=beats, pauses=pauses, shocks=shocks, devices=devices, ventilations=breaths)
    text = json.dumps(overlay, allow_nan=False)
    assert "NaN" not in text
    assert overlay["compressions"]["time_s"][0] == 10.123
    assert overlay["compressions"]["depth_mm"] == [50.0, None, 0.333, None]
    assert overlay["compressions"]["residual_mm"] == [None] * 4
    assert overlay["compressions"]["runs"] == [0, 2]
    machine = {"person": False, "number": None}
    pause = {"start_s": 10.9, "end_s": 29.8, "cause": "rhythm check", "value": "rhythm_check", "long": True, "listed": True}
    assert overlay["pauses"] == [pause | {"cause_by_person": False} | machine]
    assert [shock["words"] for shock in overlay["shocks"]] == ["Shock", "Shock 200 J"]
    device = {"row": "ITD", "words": "Impedance threshold device", "kind": "itd", "on_s": 15.0, "off_s": None}
    assert overlay["devices"] == [device | machine]
    assert overlay["ventilations"] == {"time_s": [12.0], "insufflation_s": [None], "etco2_mmhg": [None], "persons": []}
    assert pack.message(overlay)[4:].decode().strip() == json.dumps(overlay, separators=(",", ":"), ensure_ascii=False)


def test_unknown_time_parts_runs_too():
    t = np.array([10.0, 10.6, 40.0, 40.6])
    beats = make(COMPRESSIONS, time_s=t, onset_s=t - 0.2, release_s=t + 0.2, sensor=["d"] * 4)
    assert _overlay(compressions=beats, unknown=Spans.of([(11, 39)]))["compressions"]["runs"] == [0, 2]
    assert _overlay(compressions=beats)["compressions"]["runs"] == [0]


def test_rhythms_last_until_the_next_or_the_end_of_their_arrest():
    rows = [(20.0, "rhythm", "VF"), (60.0, "rhythm", "organised"), (110.0, "rhythm", "PEA"), (111.0, "drug", "epinephrine")]
    time, kind, value = zip(*rows, strict=True)
    events = make(
        EVENTS, time_s=list(time), type=list(kind), value=list(value), dose=[np.nan, np.nan, np.nan, 1.0],
        unit=pd.Series([None, None, None, "mg"], dtype="str"), source=["r"] * 4, clock=["r"] * 4, uncertainty_s=[0.0] * 4,
    )  # fmt: skip
    overlay = _overlay(events=events)
    assert [(one["start_s"], one["end_s"], one["words"]) for one in overlay["rhythms"]] == [
        (20.0, 60.0, "VF"),
        (60.0, 100.0, "Organised rhythm"),
        (110.0, 120.0, "PEA"),
    ]
    assert [one["words"] for one in overlay["events"]] == ["Epinephrine 1 mg"]


def test_clock_knows_its_zone_and_is_absent_without_one():
    start = datetime(2031, 4, 17, 14, 2, 11, 500_000, tzinfo=timezone(timedelta(hours=-6)))
    clock = _overlay(start=start)["clock"]
    assert clock["offset_s"] == -21600
    assert datetime.fromtimestamp(clock["utc_ms"] / 1000, UTC) == start
    assert _overlay(start=start.replace(tzinfo=None))["clock"] is None


def test_a_message_with_nan_is_refused():
    with pytest.raises(ValueError, match="JSON"):
        pack.message({"value": float("nan")})


def test_highlight_keeps_moments():
    assert pack.highlight([(1.23456, 1.23456), (2, 3)], label="x") == {"label": "x", "spans_s": [[1.235, 1.235], [2.0, 3.0]]}


def _luminance(colour):
    """Relative luminance as WCAG 2.1 defines it."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = [part / 12.92 if part <= 0.03928 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@pytest.mark.parametrize(("theme", "ground"), [("light", "#FFFFFF"), ("dark", "#171614")])
def test_accents_stand_out_from_the_ground_by_three_to_one(theme, ground):
    for meaning, colours in ACCENTS.items():
        light, dark = sorted((_luminance(colours[theme]), _luminance(ground)), reverse=True)
        assert (light + 0.05) / (dark + 0.05) >= 3, meaning


def test_every_channel_has_a_meaning_with_a_colour_and_a_place():
    assert set(CHANNEL_MEANINGS) == set(CHANNELS) == set(words.LANE_ORDER)
    assert set(CHANNEL_MEANINGS.values()) <= set(ACCENTS)
    assert [words.plain(cause) for cause in PAUSE_CAUSES if "_" in words.plain(cause)] == []


def test_quality_is_told_by_sensor_and_only_where_it_is_not_good():
    table = make(
        QUALITY,
        start_s=[0.0, 0.0, 30.0, 40.0],
        end_s=[60.0, 30.0, 40.0, 60.0],
        sensor=["ecg (a)", "co2 (a)", "co2 (a)", "co2 (a)"],
        state=["good", "good", "flat", "good"],
    )
    assert _overlay(quality=table)["quality"] == {"ecg (a)": [], "co2 (a)": [[30.0, 40.0, "flat"]]}
    assert _overlay()["quality"] is None


def _said(number, action, subject, start_s, end_s=None, to_start_s=None, to_end_s=None, **more):
    times = {"start_s": start_s, "end_s": end_s, "to_start_s": to_start_s, "to_end_s": to_end_s}
    return (
        {"number": number, "action": action, "subject": subject, "words": subject, "who": "B. Reed", "why": "seen"} | times | more
    )


def test_corrections_go_along_as_plain_values():
    given = [_said(4, "move", "shock", 20.00049, to_start_s=21.0), _said(5, "add", "artefact", 1, 2.0, sensor="ecg (a)", why=None)]
    first, second = _overlay(corrections=given)["corrections"]
    assert first == {
        "number": 4, "action": "move", "subject": "shock", "words": "shock", "who": "B. Reed", "why": "seen", "sensor": "",
        "start_s": 20.0, "end_s": None, "to_start_s": 21.0, "to_end_s": None,
    }  # fmt: skip
    assert (second["sensor"], second["why"], second["end_s"]) == ("ecg (a)", "", 2.0)
    assert _overlay()["corrections"] == []


def test_rows_of_a_reviewer_are_told_apart_with_the_correction_that_put_them_there():
    t = np.array([10.0, 10.6, 11.2, 11.8])
    beats = make(COMPRESSIONS, time_s=t, onset_s=t - 0.2, release_s=t + 0.2, sensor=["d", REVIEWER, REVIEWER, REVIEWER])
    breaths = make(VENTILATIONS, time_s=[12.0, 20.0], sensor=["co2", REVIEWER])
    said = [
        _said(3, "move", "compression", 10.4, to_start_s=10.6),
        _said(7, "add", "compression", 11.0, 12.0),
        _said(8, "remove", "compression", 10.6),
        _said(9, "add", "ventilation", 40.0),
    ]
    overlay = _overlay(compressions=beats, ventilations=breaths, corrections=said)
    assert overlay["compressions"]["persons"] == [[1, 3], [2, 7], [3, 7]]
    assert overlay["ventilations"]["persons"] == [[1, None]]  # its correction is not among those given


def test_shocks_events_and_rhythms_of_a_reviewer_are_told_apart():
    shocks = make(
        SHOCKS, time_s=[20.0, 50.0], energy_j=[np.nan, 200.0], stack=[1.0, 2.0], sensor=["events (a.xml)", f"events ({REVIEWER})"]
    )
    events = make(
        EVENTS, time_s=[20.0, 30.0, 60.0], type=["rhythm", "rosc", "drug"], value=["VF", None, "epinephrine"],
        source=[REVIEWER, REVIEWER, "record.xml"], clock=["m"] * 3, uncertainty_s=[0.0] * 3,
    )  # fmt: skip
    said = [_said(2, "add", "shock", 50.0), _said(3, "relabel", "note", 30.0, type="rosc"), _said(6, "add", "drug", 60.0)]
    overlay = _overlay(shocks=shocks, events=events, corrections=said)
    assert [(one["person"], one["number"]) for one in overlay["shocks"]] == [(False, None), (True, 2)]
    assert [(one["subject"], one["value"], one["person"], one["number"]) for one in overlay["events"]] == [
        ("rosc", None, True, 3),
        ("drug", "epinephrine", False, None),
    ]
    assert [(one["value"], one["person"], one["number"]) for one in overlay["rhythms"]] == [("VF", True, None)]


def test_a_device_of_a_reviewer_is_told_by_when_it_came_on_or_off():
    devices = make(
        DEVICES, kind=["itd", "tracheal_tube", "itd"], on_s=[15.0, 20.0, 60.0], off_s=[40.0, np.nan, np.nan],
        clock=["m"] * 3, source=[REVIEWER, REVIEWER, "record.xml"],
    )  # fmt: skip
    said = [_said(2, "add", "device_off", 40.0), _said(3, "add", "airway_placed", 20.0)]
    assert [one["number"] for one in _overlay(devices=devices, corrections=said)["devices"]] == [2, 3, None]


def test_a_pause_is_a_persons_by_its_cause_or_by_a_correction_of_it():
    pauses = make(
        PAUSES, start_s=[10.0, 30.0, 50.0], end_s=[15.0, 36.0, 57.0], seconds=[5.0, 6.0, 7.0], cause=["airway", "shock", "unknown"],
        causes=["airway", "shock", "unknown"], unknown_s=[0.0] * 3, cause_by=pd.Series([REVIEWER, None, None], dtype="str"),
    )  # fmt: skip
    said = [_said(2, "move", "pause", 20.0, 34.0, 30.0, 36.0), _said(4, "remove", "pause", 50.0, 57.0)]
    shown = _overlay(pauses=pauses, corrections=said)["pauses"]
    assert [(one["person"], one["cause_by_person"], one["number"]) for one in shown] == [
        (True, True, None),
        (True, False, 2),
        (False, False, None),
    ]
    without = _overlay(pauses=pauses.drop(columns="cause_by"))["pauses"]
    assert [one["person"] for one in without] == [False] * 3


def test_each_edge_of_an_arrest_knows_the_correction_that_set_it():
    arrest = Spans.of([(10, 100), (200, 300)])
    said = [_said(5, "move", "arrest", 10.0, 90.0, 10.0, 100.0), _said(6, "add", "arrest", 200.0, 300.0)]
    assert _overlay(arrest=arrest, corrections=said)["arrest_by"] == [[None, 5], [6, 6]]
    assert _overlay(arrest=arrest)["arrest_by"] == [[None, None], [None, None]]


def test_the_entry_names_every_module_so_that_the_browser_asks_for_all_at_once():
    assets = Path(pack.__file__).parent / "assets"
    entry = (assets / "waveforms.js").read_text(encoding="utf-8")
    modules = {path.name for path in assets.glob("*.js")} - {"waveforms.js"}
    assert {name for name in modules if f'"./{name}"' in entry} == modules
