"""One patient seen by two monitors, a first responder's and then the ambulance's, each on its own clock.

The truth stays one; each monitor sees a stretch of it and tells its time from its own first sample and by its own clock.
"""

from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path

from tests.simulator import files
from tests.simulator.schedule import Happening, Truth

HOW = ("overlap", "gap", "at once")
FIRST_LABELS = {"ecg": "ECG pads", "thoracic_impedance": "Resp impedance", "chest_acceleration": "CC acceleration"}
SECOND_LABELS = {
    "compression_depth": "CC depth",
    "thoracic_impedance": "Resp impedance",
    "co2": "Resp CO2",
    "ecg": "ECG pads",
}


@dataclass(frozen=True)
class Monitor:
    """One monitor: what it saw, from start_s to end_s of the truth; ahead_s, how far its clock runs ahead of the true one [s]."""

    file: str
    seen: Truth
    start_s: float
    end_s: float
    ahead_s: float
    labels: dict[str, str]


def pair(truth: Truth, how: str, change_s: float, *, apart_s: float, ahead_s: tuple[float, float]) -> tuple[Monitor, Monitor]:
    """The two monitors of a case.

    Parameters: truth; how, "overlap" (both run for apart_s from change_s on), "gap" (none runs for apart_s), or "at once" (the
    second starts as the first ends); change_s, when the first monitor's hand-over begins [s, whole seconds]; apart_s, length of
    overlap or gap [s, whole seconds]; ahead_s, how far each clock runs ahead [s, whole seconds].
    Raises: ValueError for another way.
    """
    if how not in HOW:
        raise ValueError(f"{how} is not known; choose from {', '.join(HOW)}")
    first_end = change_s + (apart_s if how == "overlap" else 0.0)
    second_start = change_s + (apart_s if how == "gap" else 0.0)
    end = float(int(truth.plan.length_s))
    return (
        Monitor("first_responder.edf", seen_from(truth, 0.0, first_end, ahead_s[0]), 0.0, first_end, ahead_s[0], FIRST_LABELS),
        Monitor("ambulance.edf", seen_from(truth, second_start, end, ahead_s[1]), second_start, end, ahead_s[1], SECOND_LABELS),
    )


def seen_from(truth: Truth, start_s: float, end_s: float, ahead_s: float) -> Truth:
    """The part of a truth from start_s to end_s, its times counted from start_s and its wall clock ahead by ahead_s [s].

    A compression or breath that is cut by an edge is left out.
    """
    plan = truth.plan

    def inside(a: float, b: float) -> bool:
        return a >= start_s and b <= end_s

    def later(time_s: float) -> float:
        return time_s - start_s

    cut = [(max(a, start_s) - start_s, min(b, end_s) - start_s) for a, b in truth.arrest if b > start_s and a < end_s]
    moved = replace(
        plan,
        start=plan.start + timedelta(seconds=start_s + ahead_s),
        length_s=end_s - start_s,
        capnography_s=max(0.0, later(plan.capnography_s)),
        rhythms=_since(plan.rhythms, start_s),
        leak_spans=tuple((later(a), later(b)) for a, b in plan.leak_spans),
        gaps=tuple((later(a), later(b)) for a, b in plan.gaps),
        flats=tuple((name, later(a), later(b)) for name, a, b in plan.flats),
        troubles=tuple(replace(one, start_s=later(one.start_s), end_s=later(one.end_s)) for one in plan.troubles),
    )
    return Truth(
        moved,
        truth.seed,
        tuple(
            replace(one, onset_s=later(one.onset_s), time_s=later(one.time_s), release_s=later(one.release_s))
            for one in truth.compressions
            if inside(one.onset_s, one.release_s)
        ),
        tuple(replace(one, time_s=later(one.time_s)) for one in truth.breaths if inside(one.time_s, one.time_s + 3.0)),
        tuple(
            replace(one, start_s=later(one.start_s), end_s=later(one.end_s))
            for one in truth.pauses
            if inside(one.start_s, one.end_s)
        ),
        _marks(truth, start_s, end_s),
        tuple(cut),
        tuple((max(a, start_s) - start_s, min(b, end_s) - start_s) for a, b in truth.pulse if b > start_s and a < end_s),
    )


def _since(rhythms: tuple[tuple[float, str], ...], start_s: float) -> tuple[tuple[float, str], ...]:
    before = [word for at, word in rhythms if at <= start_s]
    return ((0.0, before[-1]), *((at - start_s, word) for at, word in rhythms if at > start_s))


def _marks(truth: Truth, start_s: float, end_s: float) -> tuple[Happening, ...]:
    """Marks of this stretch; a device that is on already is there from the first sample, since it acts on what the sensors show."""
    on = [one for one in truth.happenings if one.type in ("device_on", "airway_placed") and one.time_s < start_s]
    off = {(one.type, one.value) for one in truth.happenings if one.type == "device_off" and one.time_s < start_s}
    kept = [replace(one, time_s=0.0) for one in on if ("device_off", one.value) not in off]
    here = [replace(one, time_s=round(one.time_s - start_s, 2)) for one in truth.happenings if start_s <= one.time_s < end_s]
    return (*kept, *here)


def write(folder: Path, monitors: tuple[Monitor, Monitor], *, rate_hz: float = 100.0, ecg_hz: float = 250.0) -> list[Path]:
    """One EDF+ file a monitor into a folder. Returns the files."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for one in monitors:
        rates = {name: ecg_hz if name == "ecg" else rate_hz for name in one.labels}
        files.write_edf(folder / one.file, one.seen, rates, one.labels, [mark for mark in one.seen.happenings if mark.time_s > 0])
        paths.append(folder / one.file)
    return paths
