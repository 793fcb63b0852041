"""Corrections of compressions: one by one, by the stretch, and as pauses put in, taken out or moved."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from qi.model.corrections import Correction
from qi.model.journal import REVIEWER
from qi.model.seen import Seen
from qi.model.spans import Spans
from qi.model.tables import COMPRESSIONS, check, make

WITHIN_S = 0.25  # a compression that a correction speaks of lies this near [s] (our default, no source)
LONGEST_CYCLE_S = 1.0  # neighbours further apart are no cycle
NEAR_S = 15.0  # how far around a stretch its rate is looked for [s] (our default, no source)
PLAIN_CYCLE_S = 60.0 / 110.0  # where nothing near shows a rate (the middle of the guideline band, 100 to 120 per min)


def corrected(seen: Seen, corrections: Sequence[Correction], missed: list[Correction]) -> Seen:
    """Compressions as a reviewer left them.

    Parameters: seen, of all sensors together; corrections of compressions and pauses, in the order they were written [s]; missed,
    to which those are added that found nothing to change.
    Returns: Seen. A stretch of compressions that a person tells of is filled evenly at the rate given (`value`, per minute), else
    at the rate nearby, only where there are none yet; a pause that is put in takes away the compressions in it. Time that a person
    speaks of is known.
    """
    table, known = seen.events, seen.known
    for one in corrections:
        if one.subject == "compression" and one.end_s is None:
            changed = _single(table, one)
            if changed is None:
                missed.append(one)
            else:
                table = changed
                added = table[(table["sensor"] == REVIEWER)]
                known = known.union(Spans.of(zip(added["onset_s"], added["release_s"], strict=True)))
            continue
        fill, clear = _stretches(one)
        for start, end in fill:
            table = _filled(table, start, end, one.value if one.subject == "compression" else None)
        for start, end in clear:
            table = _cleared(table, start, end)
        known = known.union(Spans.of([*fill, *clear]))
    if table is seen.events:
        return seen
    return Seen(seen.sensor, check(table.sort_values("time_s", kind="stable", ignore_index=True), COMPRESSIONS), known)


def _stretches(one: Correction) -> tuple[list[tuple[float, float]], list[tuple[float, float]]]:
    """Stretches to fill with compressions, and stretches to clear of them, for one correction of a stretch."""
    old, new = Spans.of([one.span]), Spans()
    if one.action == "move" and one.to_start_s is not None:
        end = one.to_end_s if one.to_end_s is not None else one.to_start_s + old.seconds
        new = Spans.of([(one.to_start_s, end)])
    if one.subject == "compression":
        by_action = {"add": (old, Spans()), "remove": (Spans(), old), "move": (new, old.minus(new))}
    else:
        by_action = {"add": (Spans(), old), "remove": (old, Spans()), "move": (old.minus(new), new)}
    fill, clear = by_action.get(one.action, (Spans(), Spans()))
    return fill.pairs(), clear.pairs()


def _single(table: pd.DataFrame, one: Correction) -> pd.DataFrame | None:
    """One compression put in, taken out or moved; None where it is not there."""
    if one.action == "add":
        half = _cycle(table, one.start_s, one.start_s) / 2
        return _together(table, [one.start_s], half)
    away = (table["time_s"] - one.start_s).abs()
    if away.empty or away.min() > WITHIN_S:
        return None
    at = away.idxmin()
    if one.action == "remove":
        return table.drop(index=at).reset_index(drop=True)
    moved = table.copy()
    by_s = (one.to_start_s if one.to_start_s is not None else one.start_s) - float(table.at[at, "time_s"])
    moved.loc[at, ["time_s", "onset_s", "release_s"]] = table.loc[at, ["time_s", "onset_s", "release_s"]].astype(float) + by_s
    moved.loc[at, ["depth_mm", "residual_mm", "residual_n"]] = np.nan  # how deep it was at its new place nobody has measured
    moved.loc[at, "sensor"] = REVIEWER
    return moved.sort_values("time_s", kind="stable", ignore_index=True)


def _cycle(table: pd.DataFrame, start_s: float, end_s: float) -> float:
    """Median cycle of the compressions around a stretch [s]."""
    times = table["time_s"].to_numpy()
    near = np.diff(times[(times >= start_s - NEAR_S) & (times <= end_s + NEAR_S)])
    cycles = near[near < LONGEST_CYCLE_S]
    if not len(cycles):
        every = np.diff(times)
        cycles = every[every < LONGEST_CYCLE_S]
    return float(np.median(cycles)) if len(cycles) else PLAIN_CYCLE_S


def _filled(table: pd.DataFrame, start_s: float, end_s: float, rate: str | None) -> pd.DataFrame:
    """Compressions put evenly where a stretch has none."""
    cycle = 60.0 / float(rate) if rate else _cycle(table, start_s, end_s)
    there = Spans.of(zip(table["onset_s"] - cycle / 4, table["release_s"] + cycle / 4, strict=True))
    times: list[float] = []
    halves: list[float] = []
    for free in Spans.of([(start_s, end_s)]).minus(there):
        count = round(free.seconds / cycle)
        if count:
            step = free.seconds / count
            times += list(free.start_s + step * (np.arange(count) + 0.5))
            halves += [step / 2] * count
    return _together(table, times, halves) if times else table.copy()


def _cleared(table: pd.DataFrame, start_s: float, end_s: float) -> pd.DataFrame:
    """No compression in a stretch; neighbours that reach into it end, or begin, at its edge."""
    kept = table[(table["time_s"] < start_s) | (table["time_s"] > end_s)].reset_index(drop=True)
    times = kept["time_s"]
    release = kept["release_s"].where(times > start_s, np.minimum(kept["release_s"], start_s))
    onset = kept["onset_s"].where(times < end_s, np.maximum(kept["onset_s"], end_s))
    return kept.assign(onset_s=onset, release_s=release)


def _together(table: pd.DataFrame, times: Sequence[float], half: float | Sequence[float]) -> pd.DataFrame:
    at, reach = np.asarray(times, dtype=float), np.asarray(half, dtype=float)
    fresh = make(COMPRESSIONS, time_s=at, onset_s=at - reach, release_s=at + reach, sensor=[REVIEWER] * len(at))
    both = pd.concat([table, fresh], ignore_index=True) if len(table) else fresh
    return both.sort_values("time_s", kind="stable", ignore_index=True)
