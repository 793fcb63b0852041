"""A reviewer's corrections of what was found: compressions, breaths, shocks, pauses and their causes, arrest edges, artefact."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from qi.corrections import presses
from qi.corrections.arrest_edges import corrected
from qi.model.corrections import Correction, carried_out
from qi.model.findings import Arrest
from qi.model.journal import REVIEWER
from qi.model.seen import Seen, Sensors
from qi.model.spans import Span, Spans
from qi.model.tables import PAUSES, VENTILATIONS, check, make

# A breath that a correction speaks of lies this near [s] (our default, no source)
BREATH_WITHIN_S = 0.5
# A capnogram's part of a breath lies this near to it [s] (our default, no source; as far as one breath lies apart in two sensors)
WASHOUT_WITHIN_S = 0.8
# A shock of the ECG that a correction speaks of lies this near [s] (our default, no source; so near an event and the ECG are one)
SHOCK_WITHIN_S = 2.0
SAME_S = 0.25  # no two breaths lie nearer [s] (our default, no source)
MOMENT_S = 1e-3  # length of time that a single marked breath makes known, and how exactly a correction's times are written [s]


@dataclass
class Reviewed:
    """The corrections of one case as a Mending (qi.model.mending). missed collects those that found nothing to change.

    Corrections that cannot be carried out at all (qi.model.corrections.carried_out) are left out: on_case tells of them.
    """

    corrections: Sequence[Correction]
    missed: list[Correction] = field(default_factory=list)
    _idle: list[Correction] = field(default_factory=list)  # corrections of compressions and pauses that changed no compression

    def __post_init__(self) -> None:
        self.corrections = carried_out(self.corrections)[0]

    def _of(self, *subjects: str) -> list[Correction]:
        return [one for one in self.corrections if one.subject in subjects]

    @property
    def changes_sensors(self) -> bool:
        """Whether a stretch is called artefact, so that the sensors must be weighed anew."""
        return any(self._artefacts().values())

    def _artefacts(self) -> dict[str, Spans]:
        """Stretches of artefact on each sensor by its name, "" for those on all of them."""
        found: dict[str, Spans] = {}
        for one in self._of("artefact"):
            old, marked = Spans.of([one.span]), found.get(one.sensor, Spans())
            if one.action == "add":
                found[one.sensor] = marked.union(old)
            elif not marked.minus(marked.minus(old)):
                self._miss(one)
            elif one.action == "move" and one.to_start_s is not None:
                end = one.to_end_s if one.to_end_s is not None else one.to_start_s + old.seconds
                found[one.sensor] = marked.minus(old).union(Spans.of([(one.to_start_s, end)]))
            else:
                found[one.sensor] = marked.minus(old)
        return found

    def _miss(self, one: Correction) -> None:
        if not any(one is other for other in self.missed):
            self.missed.append(one)

    def sensors(self, seen: Sensors) -> Sensors:
        """What each sensor saw, without the stretches that are artefact on it."""
        marks = self._artefacts()
        return Sensors(*(tuple(_without(one, marks) for one in some) for some in (seen.pressed, seen.breathed, seen.exhaled)))

    def artefact(self, sensor: str) -> Spans:
        """Stretches of artefact on one sensor."""
        return _marked(sensor, self._artefacts())

    def compressions(self, seen: Seen) -> Seen:
        """Compressions as a reviewer left them, and time in which a person, if no sensor, has seen."""
        self._idle = []
        changed = presses.corrected(seen, self._of("compression", "pause"), self._idle)
        for one in self._idle:
            if one.subject == "compression" or one.action == "remove":
                self._miss(one)
        return changed

    def ventilations(self, seen: Seen) -> Seen:
        """Breaths as a reviewer left them."""
        events, known = seen.events, seen.known
        for one in self._of("ventilation"):
            changed, told = _breaths(events, one)
            if changed is events and not told.minus(known):
                self._miss(one)
            events, known = changed, known.union(told)
        ordered = events.sort_values("time_s", kind="stable", ignore_index=True)
        return Seen(seen.sensor, check(ordered, VENTILATIONS), known)

    def exhalations(self, seen: Seen) -> Seen:
        """Capnogram breaths without those that a reviewer took away; one that is put in brings no CO2 value with it."""
        events = seen.events
        for one in self._of("ventilation"):
            if one.action == "remove" and one.end_s is not None:
                events = events[~_inside(events, one)]
            elif one.action == "remove" and (at := _nearest(events, one.start_s, WASHOUT_WITHIN_S)) is not None:
                events = events.drop(index=at)
        return replace(seen, events=events.reset_index(drop=True))

    def by_ecg(self, shocks: pd.DataFrame) -> pd.DataFrame:
        """Shocks as the ECG shows them, without those that a reviewer took away, moved, or called artefact."""
        keep = np.ones(len(shocks), dtype=bool)
        times = shocks["time_s"].to_numpy()
        for one in self._of("shock"):
            if one.action in ("remove", "move"):
                away = np.abs(times - one.start_s) > SHOCK_WITHIN_S
                if one.action == "remove" and away.all() and one.before and "type" not in one.before:
                    self._miss(one)  # nothing but the ECG had shown it (a charted one is missed by on_case)
                keep &= away
        for sensor, stretches in self._artefacts().items():
            names = [str(name) for name in shocks["sensor"]]
            on_it = np.array([sensor in ("", name) or name.startswith(f"{sensor} and ") for name in names], dtype=bool)
            keep &= ~(on_it & stretches.contains(times))
        return shocks[keep].reset_index(drop=True)

    def course(self, course: Arrest) -> Arrest:
        """Arrest spans with the edges that a reviewer set."""
        return corrected(course, self._of("arrest"), self.missed)

    def pauses(self, pauses: pd.DataFrame) -> pd.DataFrame:
        """Pauses with the causes that a reviewer gave: that cause first, the others behind it."""
        told = pauses.copy()
        for one, span in self._standing():
            at = _most_overlap(told, span)
            if at is None and (one.action == "relabel" or any(one is other for other in self._idle)):
                self._miss(one)
            if at is not None and one.value is not None:
                others = [cause for cause in str(pauses.at[at, "causes"]).split(" ") if cause not in (one.value, "unknown")]
                told.loc[at, ["cause", "causes", "cause_by"]] = [one.value, " ".join([one.value, *others]), REVIEWER]
        return check(told, PAUSES)

    def _standing(self) -> list[tuple[Correction, Span]]:
        """What was said of pauses and still stands, in order: a cause goes with the pause that moves, and away with one removed."""
        said: list[tuple[Correction, Span]] = []
        for one in self._of("pause"):
            old = Span(*one.span)
            if one.action == "move" and one.to_start_s is not None:
                end = one.to_end_s if one.to_end_s is not None else one.to_start_s + old.seconds
                new = Span(one.to_start_s, end)
                said = [(other, new if _shared(span, old) else span) for other, span in said]
                said.append((one, new))
            elif one.action == "remove":
                said = [(other, span) for other, span in said if not _shared(span, old)]
            else:
                said.append((one, old))
        return said


def _marked(sensor: str, marks: dict[str, Spans]) -> Spans:
    return marks.get("", Spans()).union(marks.get(sensor, Spans()))


def _without(seen: Seen, marks: dict[str, Spans]) -> Seen:
    """What one sensor saw outside of the artefact on it."""
    stretches = _marked(seen.sensor, marks)
    if not stretches:
        return seen
    inside = stretches.contains(seen.events["time_s"].to_numpy())
    return replace(seen, events=seen.events[~inside].reset_index(drop=True), known=seen.known.minus(stretches))


def _breaths(events: pd.DataFrame, one: Correction) -> tuple[pd.DataFrame, Spans]:
    """Breaths after one correction, the same table where it finds none; and the time that a person thereby makes known."""
    start, end = one.span
    if one.action == "add":
        if _nearest(events, start, SAME_S) is not None:
            return events, Spans()
        lasts = np.nan if one.end_s is None else end - start
        fresh = make(VENTILATIONS, time_s=[start], insufflation_s=[lasts], sensor=[REVIEWER])
        return (pd.concat([events, fresh], ignore_index=True) if len(events) else fresh), _moment(start, end)
    if one.action == "remove" and one.end_s is not None:
        gone = _inside(events, one)
        return (events[~gone].reset_index(drop=True) if gone.any() else events), Spans.of([(start, end)])
    at = _nearest(events, start, BREATH_WITHIN_S)
    if at is None:
        return events, Spans()
    if one.action == "remove":
        return events.drop(index=at).reset_index(drop=True), Spans()
    to = one.to_start_s if one.to_start_s is not None else float(events.at[at, "time_s"])
    moved = events.copy()
    moved.loc[at, ["time_s", "sensor"]] = [to, REVIEWER]
    if one.to_end_s is not None:
        moved.loc[at, "insufflation_s"] = one.to_end_s - to
    return moved, _moment(to, to if one.to_end_s is None else one.to_end_s)


def _moment(start_s: float, end_s: float) -> Spans:
    return Spans.of([(start_s, max(end_s, start_s + MOMENT_S))])


def _inside(events: pd.DataFrame, one: Correction) -> np.ndarray:
    start, end = one.span
    return events["time_s"].between(start - MOMENT_S, end + MOMENT_S).to_numpy()


def _nearest(events: pd.DataFrame, at_s: float, within_s: float) -> int | None:
    """Label of the event nearest to a moment; None where none lies near enough."""
    away = (events["time_s"] - at_s).abs()
    return None if away.empty or away.min() > within_s else int(away.idxmin())


def _shared(first: Span, second: Span) -> bool:
    """Whether two stretches are of one pause: at least half of the shorter lies in the other; a moment counts from its edges on."""
    shared = min(first.end_s, second.end_s) - max(first.start_s, second.start_s)
    shorter = min(first.seconds, second.seconds)
    return shared > -MOMENT_S if shorter == 0 else shared >= shorter / 2


def _most_overlap(pauses: pd.DataFrame, span: Span) -> int | None:
    """The pause that shares most time with a stretch; None where none shares half of the shorter of the two."""
    shared = np.minimum(pauses["end_s"], span.end_s) - np.maximum(pauses["start_s"], span.start_s)
    if not len(shared):
        return None
    at = int(shared.idxmax())
    return at if _shared(Span(float(pauses.at[at, "start_s"]), float(pauses.at[at, "end_s"])), span) else None
