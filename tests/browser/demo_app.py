"""A page with both views on an invented case of 40 minutes, 5 channels at 250 Hz, for the browser test."""

import json
import sys
from datetime import datetime, timedelta, timezone
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

import numpy as np
import pandas as pd
import streamlit as st

from qi.charts.waveforms import pack
from qi.model.case import Piece, Signal
from qi.model.journal import REVIEWER
from qi.model.spans import Span, Spans
from qi.model.tables import COMPRESSIONS, DEVICES, EVENTS, PAUSES, QUALITY, SHOCKS, VENTILATIONS, make
from qi.screens import waveform

SECONDS, RATE = 2400, 250.0
FIRST = 42.0
CAUSES = ["ventilation", "rhythm_check", "shock", "airway", "unknown", "compressor_change"]
ROSC, AGAIN, END = 1500.0, 1740.0, 2300.0
DROPOUT = (1905.0, 1962.0)


def compressions(rng: np.random.Generator) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Runs of two minutes with shorter pauses inside, each run a little shallower; the pauses between them."""
    times, pauses, now = [], [], FIRST
    while now < END - 20:
        if ROSC - 5 < now < AGAIN:
            pauses.append((times[-1] + 0.22, ROSC, "pulse_check"))
            now = AGAIN + 4
        elif DROPOUT[0] < now < DROPOUT[1]:
            now = DROPOUT[1]
        run = rng.choice([22.0, 34.0, 55.0])
        steps = rng.normal(60 / 111, 0.02, int(run * 1.85))
        beats = now + np.cumsum(steps)
        if DROPOUT[0] < beats[-1] < DROPOUT[1]:
            beats = beats[beats < DROPOUT[0]]
        if ROSC - 4 < beats[-1] < AGAIN:
            beats = beats[beats < ROSC - 4]
        times.extend(beats)
        length = float(rng.choice([3.4, 4.2, 5.0, 6.5, 11.5, 17.0], p=[0.3, 0.25, 0.2, 0.1, 0.1, 0.05]))
        cause = "ventilation" if length < 5.5 else str(rng.choice(CAUSES[1:]))
        if not (DROPOUT[0] - 1 < beats[-1] + length < DROPOUT[1]) and not (ROSC - 6 < beats[-1] < ROSC):
            pauses.append((beats[-1] + 0.22, beats[-1] + length + 0.3, cause))
        now = beats[-1] + length
    t = np.array(times)
    depth = 54 + 4 * np.sin(t / 140) + rng.normal(0, 1.8, len(t)) - 4 * ((t % 130) / 130)
    residual = np.clip(rng.normal(2.5, 2.5, len(t)), 0, None)
    table = make(
        COMPRESSIONS, time_s=t, onset_s=t - 0.2, release_s=t + 0.22, depth_mm=depth, residual_mm=residual, sensor=["depth"] * len(t)
    )
    starts, ends, causes = (list(part) for part in zip(*sorted(pauses), strict=True))
    start, end = np.array(starts), np.array(ends)
    gaps = make(PAUSES, start_s=start, end_s=end, seconds=end - start, cause=causes, causes=causes, unknown_s=np.zeros(len(start)))
    return table, gaps


def breaths() -> pd.DataFrame:
    """A breath every six to ten seconds; end-tidal CO2 from 18 to 42 mmHg around the return of circulation."""
    t = np.arange(95.0, END, 7.0)
    value = 17 + 9 * (t / 1500) + 24 / (1 + np.exp(-(t - 1490) / 12)) - 22 / (1 + np.exp(-(t - 1745) / 10))
    value = np.where((t > 700) & (t < 780), np.nan, value + np.sin(t))
    return make(VENTILATIONS, time_s=t, insufflation_s=np.full(len(t), 1.1), etco2_mmhg=value, sensor=["co2"] * len(t))


def signals(rng: np.random.Generator, beats: pd.DataFrame, air: pd.DataFrame) -> list[Signal]:
    """Depth, ECG, CO2, airway pressure and impedance made from the same moments; depth and CO2 have a gap."""
    t = np.arange(0, SECONDS, 1 / RATE)
    near = np.searchsorted(beats["time_s"], t).clip(1, len(beats) - 1)
    best = np.where(t - beats["time_s"].to_numpy()[near - 1] < beats["time_s"].to_numpy()[near] - t, near - 1, near)
    away = t - beats["time_s"].to_numpy()[best]
    stroke = np.where(np.abs(away) < 0.24, np.cos(np.clip(away / 0.24, -1, 1) * np.pi / 2) ** 2, 0.0)
    depth = stroke * beats["depth_mm"].to_numpy()[best] + rng.normal(0, 0.4, len(t))
    last = np.searchsorted(air["time_s"], t, side="right") - 1
    since = np.where(last >= 0, t - air["time_s"].to_numpy()[last.clip(0)], 99)
    pressure = (
        np.where(since < 1.1, 22 * np.sin(np.clip(since / 1.1, 0, 1) * np.pi), 0) + 6 * stroke - 3 + rng.normal(0, 0.3, len(t))
    )
    tidal = np.nan_to_num(air["etco2_mmhg"].to_numpy(), nan=0.0)[last.clip(0)]
    co2 = np.where((since > 1.4) & (since < 4.6), tidal * np.tanh((since - 1.4) * 5), 0.3) + rng.normal(0, 0.15, len(t))
    ecg = 0.35 * np.sin(2 * np.pi * 4.6 * t + np.sin(t)) * (t < 900) + 0.3 * stroke + rng.normal(0, 0.03, len(t))
    ecg += np.where((t % 0.8 < 0.04) & (t > 1490), 1.1, 0)
    impedance = (
        92 + 1.4 * stroke + np.where(since < 2, 1.1 * np.sin(np.clip(since / 2, 0, 1) * np.pi), 0) + rng.normal(0, 0.05, len(t))
    )

    def signal(channel: str, unit: str, values: np.ndarray, *parts: tuple[float, float]) -> Signal:
        pieces = tuple(Piece(a, RATE, values[int(a * RATE) : int(b * RATE)]) for a, b in parts)
        return Signal(channel, unit, pieces, "monitor.edf")

    whole = (0.0, float(SECONDS))
    return [
        signal("ecg", "mV", ecg, whole),
        signal("compression_depth", "mm", depth, (0.0, DROPOUT[0]), (DROPOUT[1], float(SECONDS))),
        signal("co2", "mmHg", co2, (80.0, 700.0), (780.0, float(SECONDS))),
        signal("airway_pressure", "cmH2O", pressure, (300.0, float(SECONDS))),
        signal("thoracic_impedance", "ohm", impedance, whole),
    ]


def shocks() -> pd.DataFrame:
    """Five shocks, the first without its energy."""
    t = np.array([130.0, 262.0, 395.0, 640.0, 1862.0])
    energy = np.array([np.nan, 200.0, 200.0, 300.0, 360.0])
    return make(SHOCKS, time_s=t, energy_j=energy, stack=np.arange(1.0, 6), sensor=["events"] * 5)


def devices() -> pd.DataFrame:
    """Five devices, one twice."""
    kinds = ["defib_pads", "supraglottic", "itd", "tracheal_tube", "mechanical_cpr", "itd"]
    on = [70.0, 240.0, 300.0, 905.0, 1100.0, 1765.0]
    off = [np.nan, 890.0, 1530.0, np.nan, 2290.0, np.nan]
    return make(DEVICES, kind=kinds, on_s=on, off_s=off, clock=["m"] * 6, source=["record.xml"] * 6).sort_values("on_s")


def events() -> pd.DataFrame:
    """Rhythms, drugs, access, airway and circulation; some long before the recording."""
    rows = [
        (-540.0, "call_received", None, None, None),
        (-470.0, "dispatched", None, None, None),
        (-65.0, "on_scene", None, None, None),
        (20.0, "at_patient", None, None, None),
        (118.0, "rhythm", "VF", None, None),
        (185.0, "access", "io", None, None),
        (210.0, "drug", "epinephrine", 1.0, "mg"),
        (240.0, "airway_placed", "supraglottic", None, None),
        (405.0, "drug", "amiodarone", 300.0, "mg"),
        (430.0, "drug", "epinephrine", 1.0, "mg"),
        (660.0, "rhythm", "PEA", None, None),
        (668.0, "drug", "epinephrine", 1.0, "mg"),
        (905.0, "airway_placed", "tracheal_tube", None, None),
        (930.0, "drug", "epinephrine", 1.0, "mg"),
        (1180.0, "drug", "sodium bicarbonate", 50.0, "mEq"),
        (1188.0, "rhythm", "asystole", None, None),
        (1250.0, "compressor_changed", None, None, None),
        (1490.0, "rhythm", "organised", None, None),
        (ROSC, "rosc", None, None, None),
        (1640.0, "drug", "norepinephrine", 8.0, "ug/min"),
        (AGAIN, "rearrest", None, None, None),
        (1745.0, "rhythm", "VF", None, None),
        (1800.0, "drug", "epinephrine", 1.0, "mg"),
        (2080.0, "patient_moved", None, None, None),
        (END, "terminated", None, None, None),
        (3200.0, "at_hospital", None, None, None),
    ]
    time, kind, value, dose, unit = zip(*rows, strict=True)
    return make(
        EVENTS,
        time_s=np.array(time),
        type=list(kind),
        value=pd.Series(value, dtype="str"),
        dose=np.array(dose, dtype=float),
        unit=pd.Series(unit, dtype="str"),
        source=["record.xml"] * len(rows),
        clock=["record"] * len(rows),
        uncertainty_s=np.zeros(len(rows)),
    )


def quality():
    """The depth sensor missing in the dropout and noisy for a while at the start."""
    edges = [(0.0, 30.0, "noise"), (30.0, DROPOUT[0], "good"), (*DROPOUT, "missing"), (DROPOUT[1], float(SECONDS), "good")]
    starts, ends, states = zip(*edges, strict=True)
    sensors = ["compression_depth (monitor.edf)"] * len(edges)
    return make(QUALITY, start_s=list(starts), end_s=list(ends), sensor=sensors, state=list(states))


def corrected(table, subject, corrections, **fresh):
    """A table of moments after what a person said: the nearest row goes or moves, a new one is the reviewer's."""
    for one in (one for one in corrections if one["subject"] == subject):
        nearest = (table["time_s"] - one["start_s"]).abs().idxmin()
        if one["action"] == "remove":
            table = table.drop(index=nearest)
        elif one["action"] == "move":
            by = one["to_start_s"] - table.at[nearest, "time_s"]
            edges = [name for name in ("time_s", "onset_s", "release_s") if name in table]
            table.loc[nearest, edges] = table.loc[nearest, edges].astype(float) + by
            table.loc[nearest, "sensor"] = REVIEWER
        elif one["end_s"] is None or subject == "ventilation":
            values = {name: [one["start_s"] + by] for name, by in fresh.items()}
            row = make(columns_of(table), sensor=[REVIEWER], **values, **STACK.get(subject, {}))
            table = pd.concat([table, row])
        table = table.sort_values("time_s", ignore_index=True)
    return table


STACK = {"shock": {"stack": [9.0]}}


def columns_of(table):
    """The contract that a table of moments keeps."""
    return next(one for one in (COMPRESSIONS, VENTILATIONS, SHOCKS) if [column.name for column in one] == list(table))


def pauses_of(gaps, corrections):
    """Pauses after what a person said of them."""
    for one in (one for one in corrections if one["subject"] == "pause"):
        nearest = (gaps["start_s"] - one["start_s"]).abs().idxmin()
        if one["action"] == "remove":
            gaps = gaps.drop(index=nearest)
        elif one["action"] == "move":
            gaps.loc[nearest, ["start_s", "end_s", "seconds"]] = [
                one["to_start_s"],
                one["to_end_s"],
                one["to_end_s"] - one["to_start_s"],
            ]
        elif one["action"] == "relabel":
            gaps.loc[nearest, ["cause", "cause_by"]] = ["airway", REVIEWER]
    return gaps.reset_index(drop=True)


def arrest_of(corrections):
    """Arrest spans after what a person said of their edges."""
    spans = [(FIRST, ROSC), (AGAIN, END)]
    for one in (one for one in corrections if one["subject"] == "arrest"):
        spans = [span for span in spans if abs(span[0] - one["start_s"]) > 1] + [(one["to_start_s"], one["to_end_s"])]
    return Spans.of(spans)


def events_of(corrections):
    """Charted events, and what a person added."""
    table = events()
    added = [one for one in corrections if one["action"] == "add" and one["subject"] == "rosc"]
    if not added:
        return table
    fresh = make(
        EVENTS,
        time_s=[one["start_s"] for one in added],
        type=["rosc"] * len(added),
        source=[REVIEWER] * len(added),
        clock=["record"] * len(added),
        uncertainty_s=[0.0] * len(added),
    )
    return pd.concat([table, fresh]).sort_values("time_s", ignore_index=True)


# One of each kind, so that all marks of a reviewer can be seen at once around the first pauses.
REVIEW = (
    ("remove", "compression", 94.0, None, None, None, "counted twice"),
    ("add", "compression", 98.2, None, None, None, "seen in the force trace"),
    ("move", "pause", 96.44, 100.72, 96.44, 99.4, "hands were back earlier"),
    ("relabel", "pause", 133.96, 138.24, None, None, "as the crew charted"),
    ("add", "artefact", 88.0, 91.5, None, None, "patient was moved"),
    ("add", "ventilation", 105.5, None, None, None, ""),
    ("remove", "ventilation", 109.0, None, None, None, "no chest rise"),
    ("add", "shock", 104.0, None, None, None, ""),
    ("move", "shock", 130.0, None, 107.5, None, "clock of the record"),
    ("add", "rosc", 111.0, None, None, None, ""),
    ("move", "arrest", FIRST, ROSC, 86.5, ROSC, "pulse until then"),
)


def review():
    """The fixed corrections as pack.overlay takes them."""
    names = ("action", "subject", "start_s", "end_s", "to_start_s", "to_end_s", "why")
    rows = [dict(zip(names, row, strict=True)) for row in REVIEW]
    return [row | {"number": at, "words": row["subject"], "who": "B. Reed"} for at, row in enumerate(rows, start=1)]


@st.cache_data(max_entries=2)
def recorded() -> tuple[list[Signal], pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """The invented case."""
    rng = np.random.default_rng(7)
    beats, gaps = compressions(rng)
    air = breaths()
    return signals(rng, beats, air), beats, gaps, air


@st.cache_data(max_entries=2)
def samples_of(case: str) -> bytes:
    """The waveforms as the browser takes them."""
    return pack.samples(recorded()[0], case=case)


@st.cache_data(max_entries=4)
def overlay_of(case: str, revision: int, said: str) -> bytes:
    """What is drawn on them; a new revision changes a pause's cause, said holds the corrections as JSON."""
    _, beats, gaps, air = recorded()
    gaps.loc[gaps["seconds"].idxmax(), "cause"] = "airway" if revision == 0 else "moving"
    corrections = json.loads(said)
    overlay = pack.overlay(
        case=case,
        compressions=corrected(beats, "compression", corrections, time_s=0, onset_s=-0.2, release_s=0.2),
        ventilations=corrected(air, "ventilation", corrections, time_s=0),
        pauses=pauses_of(gaps, corrections),
        shocks=corrected(shocks(), "shock", corrections, time_s=0),
        devices=devices(),
        events=events_of(corrections),
        quality=quality(),
        arrest=arrest_of(corrections),
        unknown=Spans.of([DROPOUT]),
        extent=Span(0.0, float(SECONDS)),
        zero_s=float(beats["onset_s"].iloc[0]),
        start=datetime(2031, 4, 17, 14, 2, 11, tzinfo=timezone(timedelta(hours=-6))),
        long_pause_s=10.0,
        listed_pause_s=2.0,
        depth_band_mm=(50.0, 60.0),
        corrections=corrections,
    )
    return pack.message(overlay)


def take_in(edit):
    """Write down a correction; the page's own journal."""
    st.session_state.log = [*st.session_state.get("log", []), dict(edit)]
    if edit["act"] == "undo":
        st.session_state.said = st.session_state.get("said", [])[:-1]
        return
    one = {"action": edit["act"], "subject": edit["subject"], "words": edit["subject"], "who": "B. Reed"}
    one |= {name: edit.get(name) for name in ("start_s", "end_s", "to_start_s", "to_end_s")}
    said = st.session_state.get("said", [])
    st.session_state.said = [*said, one | {"why": edit.get("why", ""), "number": 100 + len(st.session_state.log)}]


def main() -> None:
    """Both views, and in words what was chosen."""
    st.set_page_config(page_title="Waveform demonstration", layout="wide")
    with st.container(horizontal=True):
        revision = int(st.checkbox("Second revision", key="second"))
        marked = st.checkbox("Why", key="why")
        case = "other" if st.checkbox("Another case", key="another") else "demo"
        editable = st.checkbox("Open for corrections", key="open")
        locked = "signed" if st.checkbox("Signed", key="signed") else ""
        reviewed = st.checkbox("Reviewed", key="reviewed")
        broken = st.checkbox("Broken off", key="broken")
    said = [*(review() if reviewed else []), *st.session_state.get("said", [])]
    waveform.keep(samples_of(case), overlay_of(case, revision, json.dumps(said)), key="case")
    long_ones = [(262.0, 280.0), (640.0, 655.0), (1240.0, 1260.0), (1862.0, 1876.0), (500.0, 500.0)]
    evidence = pack.highlight(long_ones, label="Evidence for: longest pause around a shock") if marked else None
    st.subheader("In one picture", anchor=False)
    chosen = waveform.show_picture(case, key="picture", highlight=evidence)
    st.subheader("Close up", anchor=False)
    looked = waveform.show_close_up(
        case,
        key="closeup",
        highlight=evidence,
        moment_s=chosen.moment_s,
        window_s=chosen.window_s,
        editable=editable,
        locked=locked,
        why_choices=("seen on another trace", "the record says so"),
    )
    if looked.edit:
        given = st.session_state.setdefault("given", [])
        given.append(looked.edit["serial"])
        if broken and given.count(given[-1]) == 1:
            st.stop()  # the first run with it does not live to write it down
        take_in(looked.edit)
        looked.taken()
        st.rerun()
    st.session_state.runs = st.session_state.get("runs", 0) + 1
    st.text(
        f"picture moment {chosen.moment_s} window {chosen.window_s} close-up moment {looked.moment_s} run {st.session_state.runs}"
    )
    st.text(f"stretch {json.dumps(looked.stretch_s)} picked {json.dumps(looked.picked)}")
    st.text(f"edits {json.dumps(st.session_state.get('log', []))} in all {len(st.session_state.get('log', []))}")


main()
