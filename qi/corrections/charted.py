"""Corrections of what files chart: events added, moved, taken away or called by another name. The case itself stays as it was."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from qi.model.case import Case, Clock
from qi.model.corrections import FOUND, Correction, carried_out
from qi.model.journal import REVIEWER
from qi.model.tables import EVENTS, check, make
from qi.model.vocabulary import EVENT_VALUES

NEAR_S = 0.5  # the event that a correction speaks of lies this near [s] (our default, no source)
TWICE_S = 1e-3  # two events alike, this near and both by a reviewer, are one [s] (our default, no source)
_SAME = ("type", "value", "text", "source")
_TEXT = frozenset(column.name for column in EVENTS if column.kind == "text")


def on_case(case: Case, corrections: Sequence[Correction]) -> tuple[Case, list[Correction]]:
    """The case with its charted events as a reviewer left them.

    Parameters: case, as the files tell it; corrections, in the order they were written [s from case start].
    Returns: the case (the same one where nothing concerns its events), and the corrections that found nothing to change or cannot
    be carried out at all. What a person added or moved stands on the lead clock, exact, its source REVIEWER; what was only
    relabelled keeps its time and clock. The clock that leads stays the one it was, however many events there are of each.
    """
    sound, missed = carried_out(corrections)
    clock, events = case.lead_clock or REVIEWER, case.events
    for one in sound:
        if one.subject not in FOUND or one.subject == "shock":
            changed = _changed(events, one, case, clock)
            if changed is not None:
                events = changed
            elif one.subject != "shock" or one.action == "add" or "type" in one.before:
                missed.append(one)
    if events is case.events:
        return case, missed
    clocks = case.clocks if clock in case.clocks else {**case.clocks, clock: Clock(clock, method="set by a reviewer")}
    told = replace(case, events=check(events, EVENTS), clocks=clocks)
    return (told if told.lead_clock == clock else replace(told, monitor_clock=clock)), missed


def _changed(events: pd.DataFrame, one: Correction, case: Case, clock: str) -> pd.DataFrame | None:
    """The events after one correction; None where what it speaks of is not there, or is already as it shall be."""
    if one.action == "add":
        row = _row(one, clock, one.start_s, one.end_s)
        return None if _there(events, row) else _with(events, row)
    at = _place(events, one, case)
    if at is None:
        return _from_ecg(events, one, clock)
    others = events.drop(index=at).reset_index(drop=True)
    if one.action == "remove":
        return others
    row = events.loc[at].to_dict() | {"source": REVIEWER}
    if one.action == "move":
        to = float(row["time_s"]) if one.to_start_s is None else one.to_start_s
        end = to + float(row["end_s"]) - float(row["time_s"]) if one.to_end_s is None else one.to_end_s
        row |= {"time_s": to, "end_s": end, "clock": clock, "uncertainty_s": 0.0}
    else:
        row |= {key: value for key in ("type", "value", "dose", "unit") if (value := getattr(one, key)) is not None}
        choices = EVENT_VALUES.get(str(row["type"]))
        if one.type is not None and one.value is None and choices is not None and row["value"] not in choices:
            row["value"] = None  # a word of the old type, which the new one does not know
    return _with(others, row)


def _there(events: pd.DataFrame, row: dict[str, Any]) -> bool:
    """Whether a reviewer has put in the very same already."""
    near = (events["time_s"] - row["time_s"]).abs() < TWICE_S
    values = events.loc[near & (events["type"] == row["type"]) & (events["source"] == REVIEWER), "value"]
    return bool((values.isna() if row["value"] is None else values == row["value"]).any())


def _from_ecg(events: pd.DataFrame, one: Correction, clock: str) -> pd.DataFrame | None:
    """A shock that only the ECG shows becomes an event when it is moved or given an energy; nothing else does."""
    if one.subject != "shock" or "type" in one.before or (one.to_start_s is None and one.value is None):
        return None
    return _with(events, _row(one, clock, one.start_s if one.to_start_s is None else one.to_start_s, None))


def _place(events: pd.DataFrame, one: Correction, case: Case) -> int | None:
    """Where the event stands that a correction speaks of.

    It is known by its record (type, value, text, source) and its place, which is told from the beginning of its file where that
    was kept (`file_s`), so that a clock that was set since does not matter. Where nothing alike lies there, the only event of that
    record that the files tell is meant, if another clock than the lead clock told it; else one of its type that lies there.
    """
    at_s = _looked_for_s(one, case)
    alike = _alike(events, one)
    at = _nearest(events[alike], at_s)
    if at is not None:
        return at
    charted = case.events[_alike(case.events, one)]
    if one.before and alike.sum() == len(charted) == 1 and charted["clock"].iloc[0] != case.lead_clock:
        return int(np.flatnonzero(alike)[0])
    return _nearest(events[events["type"] == one.before.get("type", one.subject)], at_s)


def _looked_for_s(one: Correction, case: Case) -> float:
    start = next((source.start_s for source in case.sources if source.file == one.before.get("source")), np.nan)
    since = one.before.get("file_s")
    return one.start_s if since is None or not np.isfinite(start) else start + float(since)


def _alike(events: pd.DataFrame, one: Correction) -> pd.Series:
    """Which events have the record that a correction keeps of its own."""
    alike = events["type"] == one.before.get("type", one.subject)
    for key in _SAME[1:]:
        if key in one.before:
            alike &= events[key] == one.before[key]
    return alike


def _nearest(some: pd.DataFrame, at_s: float) -> int | None:
    away = (some["time_s"] - at_s).abs()
    return None if away.empty or away.min() > NEAR_S else int(away.idxmin())


def _row(one: Correction, clock: str, start_s: float, end_s: float | None) -> dict[str, Any]:
    return {
        "time_s": start_s,
        "end_s": np.nan if end_s is None else end_s,
        "type": one.subject,
        "value": one.value if one.value is not None else one.before.get("value"),
        "dose": np.nan if one.dose is None else one.dose,
        "unit": one.unit,
        "text": one.why or None,
        "by": None,
        "source": REVIEWER,
        "clock": clock,
        "uncertainty_s": 0.0,
    }


def _with(events: pd.DataFrame, row: dict[str, Any]) -> pd.DataFrame:
    """The events and one more, in order of time."""
    clean = {key: ([None if pd.isna(value) else value] if key in _TEXT else [value]) for key, value in row.items()}
    fresh = make(EVENTS, **clean)
    both = pd.concat([events, fresh], ignore_index=True) if len(events) else fresh
    return check(both.sort_values("time_s", kind="stable", ignore_index=True), EVENTS)
