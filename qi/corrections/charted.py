"""Corrections of what files chart: events added, moved, taken away or called by another name. The case itself stays as it was."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from qi.model.case import Case
from qi.model.corrections import FOUND, Correction
from qi.model.journal import REVIEWER
from qi.model.tables import EVENTS, check, make

_SAME = ("type", "value", "text", "source")


def on_case(case: Case, corrections: Sequence[Correction]) -> tuple[Case, list[Correction]]:
    """The case with its charted events as a reviewer left them.

    Parameters: case, as the files tell it; corrections, in the order they were written [s from case start].
    Returns: the case (the same one where nothing concerns its events), and the corrections that found nothing to change. What a
    person added or moved stands on the lead clock, exact, its source REVIEWER; what was only relabelled keeps its time and clock.
    """
    events, missed = case.events, []
    for one in corrections:
        if one.subject not in FOUND or one.subject == "shock":
            changed = _changed(events, one, case.lead_clock)
            if changed is not None:
                events = changed
            elif one.subject != "shock":
                missed.append(one)
    if events is case.events:
        return case, missed
    return replace(case, events=check(events.sort_values("time_s", kind="stable", ignore_index=True), EVENTS)), missed


def _changed(events: pd.DataFrame, one: Correction, clock: str) -> pd.DataFrame | None:
    """The events after one correction; None where what it speaks of is not there."""
    if one.action == "add":
        return _with(events, _row(one, clock, one.start_s, one.end_s))
    at = _place(events, one)
    if one.action == "move" and at is None and one.subject == "shock" and one.to_start_s is not None:
        return _with(events, _row(one, clock, one.to_start_s, one.to_end_s))  # one that only the ECG shows becomes an event
    if at is None:
        return None
    if one.action == "remove":
        return events.drop(index=at).reset_index(drop=True)
    row = events.loc[at].to_dict() | {"source": REVIEWER}
    if one.action == "move":
        row |= {"time_s": one.to_start_s, "end_s": one.to_end_s, "clock": clock, "uncertainty_s": 0.0}
    else:
        row |= {key: value for key in ("type", "value", "dose", "unit") if (value := getattr(one, key)) is not None}
    return _with(events.drop(index=at).reset_index(drop=True), row)


def _place(events: pd.DataFrame, one: Correction) -> Any | None:  # noqa: ANN401 - an index label
    """Where the event stands that a correction speaks of: told by its own record, the nearest in time of those alike.

    Only the type is asked of an event whose record was not kept; its time must then be that of the correction.
    """
    alike = events["type"] == one.before.get("type", one.subject)
    for key in _SAME[1:]:
        if key in one.before:
            alike &= events[key] == one.before[key]
    away = (events["time_s"] - one.start_s).abs()[alike]
    if away.empty or (not one.before and away.min() > NEAR_S):
        return None
    return away.idxmin()


NEAR_S = 0.5  # an event without a record of its own is the one that lies this near [s] (our default, no source)


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
    if row["end_s"] is None:
        row["end_s"] = np.nan
    columns = [column.name for column in EVENTS]
    text = {column.name for column in EVENTS if column.kind == "text"}
    clean = {key: (None if key in text and pd.isna(row[key]) else row[key]) for key in columns}
    rows = [*events[columns].astype(object).where(events[columns].notna(), None).to_dict("records"), clean]
    rows.sort(key=lambda one: float(one["time_s"]))
    values = {key: [np.nan if key not in text and one[key] is None else one[key] for one in rows] for key in columns}
    return make(EVENTS, **values)
