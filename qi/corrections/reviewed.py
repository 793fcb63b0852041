"""A reviewer's corrections of what was found: compressions, breaths, shocks, pauses and their causes, arrest edges, artefact."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from qi.corrections import presses
from qi.corrections.arrest_edges import corrected
from qi.model.corrections import Correction
from qi.model.findings import Arrest
from qi.model.journal import REVIEWER
from qi.model.seen import Seen, Sensors
from qi.model.spans import Span, Spans
from qi.model.tables import VENTILATIONS, check, make

BREATH_WITHIN_S = 0.5  # a breath, or a shock, that a correction speaks of lies this near [s] (our default, no source)
SHOCK_WITHIN_S = 1.0
MOMENT_S = 1e-3  # length of time that a single marked breath makes known [s]


@dataclass
class Reviewed:
    """The corrections of one case as a Mending (qi.model.mending). missed collects those that found nothing to change."""

    corrections: Sequence[Correction]
    missed: list[Correction] = field(default_factory=list)

    def _of(self, *subjects: str) -> list[Correction]:
        return [one for one in self.corrections if one.subject in subjects]

    @property
    def changes_sensors(self) -> bool:
        """Whether a stretch is called artefact, so that the sensors must be weighed anew."""
        return bool(self._artefacts())

    def _artefacts(self) -> list[Correction]:
        return [one for one in self._of("artefact") if one.action == "add"]

    def sensors(self, seen: Sensors) -> Sensors:
        """What each sensor saw, without the stretches that are artefact on it."""
        marks = self._artefacts()
        return Sensors(*(tuple(_without(one, marks) for one in some) for some in (seen.pressed, seen.breathed, seen.exhaled)))

    def compressions(self, seen: Seen) -> Seen:
        """Compressions as a reviewer left them, and time in which a person, if no sensor, has seen."""
        return presses.corrected(seen, self._of("compression", "pause"), self.missed)

    def ventilations(self, seen: Seen) -> Seen:
        """Breaths as a reviewer left them."""
        events, known = seen.events, seen.known
        for one in self._of("ventilation"):
            start, end = one.span
            if one.action == "add":
                events = _breath(events, start, one.end_s)
                known = known.union(Spans.of([(start, max(end, start + MOMENT_S))]))
            elif one.end_s is not None and one.action == "remove":
                events = events[(events["time_s"] < start) | (events["time_s"] > end)]
                known = known.union(Spans.of([(start, end)]))
            else:
                events = self._one_breath(events, one)
        ordered = events.sort_values("time_s", kind="stable", ignore_index=True)
        return Seen(seen.sensor, check(ordered, VENTILATIONS), known)

    def exhalations(self, seen: Seen) -> Seen:
        """Capnogram breaths without those that a reviewer took away; one that is put in brings no CO2 value with it."""
        events = seen.events
        for one in self._of("ventilation"):
            if one.action == "remove":
                start, end = one.span
                slack = 0.0 if one.end_s is not None else BREATH_WITHIN_S
                events = events[(events["time_s"] < start - slack) | (events["time_s"] > end + slack)]
        return replace(seen, events=events.reset_index(drop=True))

    def _one_breath(self, events: pd.DataFrame, one: Correction) -> pd.DataFrame:
        away = (events["time_s"] - one.start_s).abs()
        if away.empty or away.min() > BREATH_WITHIN_S:
            self.missed.append(one)
            return events
        at = away.idxmin()
        if one.action == "remove":
            return events.drop(index=at).reset_index(drop=True)
        moved = events.copy()
        if one.to_start_s is not None:
            moved.loc[at, "time_s"] = one.to_start_s
        if one.to_start_s is not None and one.to_end_s is not None:
            moved.loc[at, "insufflation_s"] = one.to_end_s - one.to_start_s
        moved.loc[at, "sensor"] = REVIEWER
        return moved

    def by_ecg(self, shocks: pd.DataFrame) -> pd.DataFrame:
        """Shocks as the ECG shows them, without those that a reviewer took away, moved, or called artefact."""
        keep = np.ones(len(shocks), dtype=bool)
        times = shocks["time_s"].to_numpy()
        for one in self._of("shock"):
            if one.action in ("remove", "move"):
                keep &= np.abs(times - one.start_s) > SHOCK_WITHIN_S
        for one in self._artefacts():
            start, end = one.span
            on_it = np.array(
                [one.sensor in ("", name) or str(name).startswith(f"{one.sensor} and ") for name in shocks["sensor"]], bool
            )
            keep &= ~(on_it & (times >= start) & (times <= end))
        return shocks[keep].reset_index(drop=True)

    def course(self, course: Arrest) -> Arrest:
        """Arrest spans with the edges that a reviewer set."""
        return corrected(course, self._of("arrest"), self.missed)

    def pauses(self, pauses: pd.DataFrame) -> pd.DataFrame:
        """Pauses with the causes that a reviewer gave: that cause first, the others behind it."""
        told = pauses.copy()
        for one in self._of("pause"):
            if one.value is None or one.action == "remove":
                continue
            start, end = (one.to_start_s, one.to_end_s) if one.action == "move" else one.span
            at = _most_overlap(told, Span(float(start or 0.0), float(end or 0.0)))
            if at is None:
                self.missed.append(one)
                continue
            others = [cause for cause in str(told.at[at, "causes"]).split(" ") if cause not in (one.value, "unknown")]
            told.loc[at, ["cause", "causes", "cause_by"]] = [one.value, " ".join([one.value, *others]), REVIEWER]
        return told


def _without(seen: Seen, marks: Sequence[Correction]) -> Seen:
    """What one sensor saw outside of the artefact on it."""
    stretches = Spans.of(one.span for one in marks if one.sensor in ("", seen.sensor))
    if not stretches:
        return seen
    inside = stretches.contains(seen.events["time_s"].to_numpy())
    return replace(seen, events=seen.events[~inside].reset_index(drop=True), known=seen.known.minus(stretches))


def _breath(events: pd.DataFrame, start_s: float, end_s: float | None) -> pd.DataFrame:
    lasts = np.nan if end_s is None else end_s - start_s
    fresh = make(VENTILATIONS, time_s=[start_s], insufflation_s=[lasts], sensor=[REVIEWER])
    return pd.concat([events, fresh], ignore_index=True) if len(events) else fresh


def _most_overlap(pauses: pd.DataFrame, span: Span) -> int | None:
    """The pause that shares most time with a stretch; None where none does."""
    shared = np.minimum(pauses["end_s"], span.end_s) - np.maximum(pauses["start_s"], span.start_s)
    return int(shared.idxmax()) if len(shared) and shared.max() > 0 else None
