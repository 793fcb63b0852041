"""From what a reviewer points at to a correction: what is there now, what it shall be, and the words for it."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from qi.model.corrections import FOUND, Correction, anchor_of, file_s
from qi.model.journal import REVIEWER, Line, counting
from qi.model.review import Review
from qi.model.vocabulary import EVENT_VALUES, PAUSE_CAUSES, UNMAPPED
from qi.model.words import clock

NEAREST_S = 0.75  # how far from the moment pointed at a thing may lie to be the one that is meant [s] (our default, no source)
WHYS = (
    "seen on the waveform",
    "told by the crew",
    "heard on the call recording",
    "charted at another time",
    "charted wrongly",
    "artefact on the sensor",
)
# What can be put in at a moment, and over a stretch; the order is that of the choice on screen.
AT_A_MOMENT = (
    "compression",
    "ventilation",
    "shock",
    "rosc",
    "rearrest",
    "device_on",
    "device_off",
    "airway_placed",
    "airway_removed",
    "rhythm",
    "rhythm_check",
    "pulse_check",
    "ecg_12_lead",
    "drug",
    "access",
    "compressor_changed",
    "patient_moved",
    "arrest_recognised",
    "cpr_started",
    "terminated",
    "care_transferred",
    "at_patient",
    "charge",
    "note",
)
OVER_A_STRETCH = ("pause", "compression", "artefact", "ventilation", "arrest")
LABELS: Mapping[str, str] = {
    "compression": "compression",
    "ventilation": "breath",
    "rosc": "ROSC",
    "rearrest": "re-arrest",
    "cpr_started": "CPR started",
    "ecg_12_lead": "12-lead ECG",
    "device_on": "device on",
    "device_off": "device off",
    "arrest": "arrest (no circulation)",
    "artefact": "artefact: believe no sensor here",
    UNMAPPED: "event without a meaning yet",
}
_PUT = {"add": "put in", "move": "moved", "remove": "taken out", "relabel": "changed"}


def label(subject: str) -> str:
    """What a person reads for a subject."""
    return LABELS.get(subject, subject.replace("_", " "))


def values_of(subject: str) -> tuple[str, ...] | None:
    """The values that a subject may take; None for free text, empty where it takes none."""
    if subject == "pause":
        return PAUSE_CAUSES
    if subject in FOUND and subject != "shock":
        return ()
    return EVENT_VALUES.get(subject, None)


def things(review: Review) -> pd.DataFrame:
    """Everything that can be corrected but single compressions and breaths.

    Columns subject, start_s, end_s [s], value, source, by_person, text; pauses from the protocol's listed length on, shocks, arrest
    spans, and every charted event, in order of time.
    """
    found, listed_s = review.findings, review.protocol.values["listed_pause_s"]
    rows: list[dict[str, Any]] = []
    for pause in found.pauses[found.pauses["seconds"] >= listed_s].itertuples():
        by = pause.cause_by if isinstance(pause.cause_by, str) else ""
        rows.append(_thing("pause", pause.start_s, pause.end_s, pause.cause, by or "found", by == REVIEWER))
    for shock in found.shocks.itertuples():
        energy = f"{shock.energy_j:g}" if np.isfinite(shock.energy_j) else None
        person = REVIEWER in str(shock.sensor)
        rows.append(_thing("shock", shock.time_s, None, energy, shock.sensor, person))
    for span in found.arrest:
        ruled = [edge.rule for edge in found.course.edges if edge.time_s in (span.start_s, span.end_s)]
        rows.append(_thing("arrest", span.start_s, span.end_s, None, "; ".join(ruled), any("reviewer" in rule for rule in ruled)))
    for event in review.case.told:
        if event.type not in ("compression", "ventilation", "shock", "pause"):
            end = float(event.end_s) if np.isfinite(event.end_s) else None
            value = event.value if isinstance(event.value, str) else None
            rows.append(_thing(event.type, event.time_s, end, value, event.source, event.source == REVIEWER, event.text))
    table = pd.DataFrame(rows, columns=["subject", "start_s", "end_s", "value", "source", "by_person", "text"])
    return table.sort_values("start_s", kind="stable", ignore_index=True)


def _thing(
    subject: str,
    start: float,
    end: float | None,
    value: str | None,
    source: str,
    by_person: bool,  # noqa: FBT001
    text: object = None,
) -> dict[str, Any]:
    said = text if isinstance(text, str) else ""
    return {
        "subject": subject,
        "start_s": float(start),
        "end_s": np.nan if end is None else float(end),
        "value": value or "",
        "source": source,
        "by_person": by_person,
        "text": said,
    }


def before(review: Review, subject: str, start_s: float, end_s: float | None = None) -> dict[str, Any]:
    """What is there now, as a record of plain values: the charted event, or the row that was found.

    Parameters: review; subject; start_s and end_s, where the reviewer points [s].
    Returns: the record of the nearest thing of that subject; empty where nothing lies there.
    """
    found = review.findings
    if subject in ("compression", "ventilation") and end_s is not None:
        times = (found.compressions if subject == "compression" else found.ventilations)["time_s"]
        return {"count": int(((times >= start_s) & (times <= end_s)).sum())}
    if subject == "arrest":
        return {"spans_s": [[round(a, 3), round(b, 3)] for a, b in found.arrest.pairs()]}
    if subject == "artefact":
        return {}
    table, column = {
        "compression": (found.compressions, "time_s"),
        "ventilation": (found.ventilations, "time_s"),
        "shock": (found.shocks, "time_s"),
        "pause": (found.pauses, "start_s"),
    }.get(subject, (review.case.events[review.case.events["type"] == subject], "time_s"))
    reach = NEAREST_S if subject != "pause" else max(NEAREST_S, (end_s or start_s) - start_s)
    away = (table[column] - start_s).abs()
    if away.empty or away.min() > reach:
        return {}
    row = table.loc[away.idxmin()]
    if subject == "shock":  # a charted shock is known again by its own record
        charted = review.case.events[review.case.events["type"] == "shock"]
        near = (charted["time_s"] - start_s).abs()
        if len(near) and near.min() <= NEAREST_S:
            row = charted.loc[near.idxmin()]
    there = {str(key): _plain(value) for key, value in row.items() if not pd.isna(value)}
    since = file_s(review.case, str(there.get("source", "")), float(row["time_s"])) if "type" in there else None
    return there if since is None else there | {"file_s": round(since, 4)}


def _plain(value: object) -> object:
    if isinstance(value, bool | str):
        return value
    return round(float(value), 4) if isinstance(value, int | float | np.number) else str(value)


def correction(
    review: Review,
    action: str,
    subject: str,
    start_s: float,
    end_s: float | None = None,
    *,
    why: str,
    to_s: tuple[float, float | None] | None = None,
    value: str | None = None,
    dose: float | None = None,
    unit: str | None = None,
    type_: str | None = None,
    sensor: str = "",
) -> Correction:
    """A correction of what the reviewer points at, with what is there now and the file that its times hang on.

    Parameters: review, as it is shown; action and subject; start_s and end_s, where it is (for add: shall be) [s]; to_s, where it
    moves [s]; value, dose, unit, type_, sensor, see qi.model.corrections; why, the reviewer's reason.
    """
    anchor, anchor_s = anchor_of(review.case)
    there = {} if action == "add" and subject not in ("pause", "compression", "arrest") else before(review, subject, start_s, end_s)
    to_start, to_end = to_s or (None, None)
    if action == "move" and to_s is not None and to_s[1] is None and end_s is not None:
        to_end = to_s[0] + end_s - start_s
    return Correction(
        action,
        subject,
        round(start_s, 4),
        None if end_s is None else round(end_s, 4),
        to_start_s=to_start,
        to_end_s=to_end,
        value=value,
        dose=dose,
        unit=unit,
        type=type_,
        sensor=sensor,
        before=there,
        why=why,
        anchor=anchor,
        anchor_s=anchor_s,
    )


def said(one: Correction, *, zero_s: float = 0.0) -> str:
    """A correction in a few words.

    Parameters: one; zero_s, the moment that is shown as 0:00 [s].
    """
    start, end = one.span
    where = clock(start - zero_s) + (f" to {clock(end - zero_s)}" if one.end_s is not None else "")
    text = f"{label(one.subject)} {_PUT[one.action]}, {where}"
    if one.action == "move" and one.to_start_s is not None:
        text += f" → {clock(one.to_start_s - zero_s)}"
        text += f" to {clock(one.to_end_s - zero_s)}" if one.to_end_s is not None else ""
    if one.value:
        was = one.before.get("cause" if one.subject == "pause" else "value")
        text += f": {one.value.replace('_', ' ')}" + (f" (was {str(was).replace('_', ' ')})" if was and was != one.value else "")
    return text + (f" on {one.sensor}" if one.sensor else "")


def last_to_undo(lines: Sequence[Line], *, reading: int) -> int | None:
    """Number of the newest correction of a reading that still counts; None where there is none."""
    counted = [line.number for line in counting(lines, reading=reading) if line.kind == "correction" and line.reading == reading]
    return counted[-1] if counted else None
