"""Pauses in compressions and what they were for, as far as events near them tell."""

import numpy as np
import pandas as pd

from qi.model.case import Case
from qi.model.spans import Spans
from qi.model.tables import PAUSES, make
from qi.model.vocabulary import PAUSE_CAUSES

_CAUSE_OF = {
    "shock": "shock",
    "airway_placed": "airway",
    "airway_removed": "airway",
    "device_on": "device_fitting",
    "device_off": "device_fitting",
    "patient_moved": "moving",
    "rhythm_check": "rhythm_check",
    "pulse_check": "pulse_check",
    "access": "access",
    "compressor_changed": "compressor_change",
}


def runs(compressions: pd.DataFrame, *, gap_s: float) -> Spans:
    """Stretches with hands on the chest: first onset to last release of neighbours less than gap_s apart.

    Parameters: compressions, COMPRESSIONS table sorted by time_s [s]; gap_s, shortest distance between two deepest points that
    parts two runs [s].
    Returns: Spans [s].
    References: the gap, Resuscitation 149 (2020) 127 (abstract read: at least 1 s).
    """
    if compressions.empty:
        return Spans()
    breaks = np.flatnonzero(np.diff(compressions["time_s"].to_numpy()) >= gap_s)
    onsets, releases = compressions["onset_s"].to_numpy(), compressions["release_s"].to_numpy()
    return Spans.of(np.column_stack([onsets[np.r_[0, breaks + 1]], releases[np.r_[breaks, len(onsets) - 1]]]))


def pauses(
    hands_on: Spans,
    arrest: Spans,
    known: Spans,
    case: Case,
    shocks_s: np.ndarray,
    breaths_s: np.ndarray,
    *,
    cause_reach_s: float,
    least_breath_pause_s: float,
    longest_breath_pause_s: float,
) -> tuple[pd.DataFrame, list[str]]:
    """Known arrest time without compressions, with the causes that events near it tell.

    Parameters: hands_on, runs of compressions [s]; arrest, the arrest spans [s]; known, time in which a sensor could see
    compressions [s]; case, for its events and clocks; shocks_s and breaths_s, moments of shocks and breaths [s]; cause_reach_s, how
    far from a pause an event still tells its cause, apart from its clock [s]; least_breath_pause_s and
    longest_breath_pause_s, length of a pause for breaths [s].
    Returns: the PAUSES table, and a sentence on the events whose clock is too loose to say which of several pauses they belong to.
    References: our definition (no source).
    """
    edges = arrest.overlap(known).minus(hands_on).edges
    found: list[set[str]] = [set() for _ in edges]
    loose: list[str] = []
    told = _tellers(case, shocks_s)
    exact = {cause for cause, _, _, apart in told if apart <= cause_reach_s}
    for cause, start, end, apart in told:
        if apart > cause_reach_s and cause in exact:
            continue  # the monitor's clock tells of the same, and better
        near = np.flatnonzero((edges[:, 0] <= end + cause_reach_s + apart) & (edges[:, 1] >= start - cause_reach_s - apart))
        if len(near) > 1 and apart > cause_reach_s:
            loose.append(cause)
            continue
        for i in near:
            found[i].add(cause)
    for i in _for_breaths(edges, breaths_s, (least_breath_pause_s, longest_breath_pause_s)):
        found[i] = found[i] or {"ventilation"}
    causes = [sorted(some, key=PAUSE_CAUSES.index) or ["unknown"] for some in found]
    table = make(
        PAUSES,
        start_s=edges[:, 0],
        end_s=edges[:, 1],
        seconds=edges[:, 1] - edges[:, 0],
        cause=[some[0] for some in causes],
        causes=[" ".join(some) for some in causes],
        unknown_s=_touching(edges, arrest.minus(known)),
    )
    return table, _too_loose(loose)


def _too_loose(causes: list[str]) -> list[str]:
    """One sentence for all events that could belong to several pauses."""
    if not causes:
        return []
    counts = ", ".join(f"{causes.count(cause)} × {cause.replace('_', ' ')}" for cause in dict.fromkeys(causes))
    return [f"events on a clock too loose to say which of several pauses they belong to give no cause: {counts}"]


def _tellers(case: Case, shocks_s: np.ndarray) -> list[tuple[str, float, float, float]]:
    """Everything that can tell a cause: cause, start, end, and how far its clock may be off [s]."""
    rows = case.events[case.events["type"].isin([*_CAUSE_OF, "pause"])]
    told = [("shock", float(at), float(at), 0.0) for at in shocks_s]
    for row in rows.itertuples():
        cause = row.value if row.type == "pause" else _CAUSE_OF[row.type]
        if cause not in PAUSE_CAUSES or cause == "unknown" or not case.clocks[row.clock].placed:
            continue
        end = row.end_s if np.isfinite(row.end_s) else row.time_s
        apart = case.apart_s(row.clock, case.lead_clock)
        told.append((str(cause), float(row.time_s), float(end), float(np.hypot(apart or 0.0, row.uncertainty_s))))
    return told


def _for_breaths(edges: np.ndarray, breaths_s: np.ndarray, lengths_s: tuple[float, float]) -> np.ndarray:
    if not len(edges):
        return np.zeros(0, int)
    seconds = edges[:, 1] - edges[:, 0]
    at = np.sort(breaths_s)
    count = np.searchsorted(at, edges[:, 1]) - np.searchsorted(at, edges[:, 0])
    return np.flatnonzero((count > 0) & (seconds >= lengths_s[0]) & (seconds <= lengths_s[1]))


def _touching(edges: np.ndarray, unknown: Spans) -> np.ndarray:
    """Unknown arrest time that begins where a pause ends, or ends where it begins [s]."""
    total = np.zeros(len(edges))
    for span in unknown:
        total += span.seconds * (np.isclose(edges[:, 1], span.start_s) | np.isclose(edges[:, 0], span.end_s))
    return total
