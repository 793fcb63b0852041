"""Corrections of compressions: one by one, by the stretch, and as pauses put in, taken out or moved."""

from collections.abc import Sequence
from math import floor

import numpy as np
import pandas as pd

from qi.model.corrections import Correction
from qi.model.journal import REVIEWER
from qi.model.seen import Seen
from qi.model.spans import Span, Spans
from qi.model.tables import COMPRESSIONS, check, make

WITHIN_S = 0.25  # a compression that a correction speaks of lies this near; no two lie nearer [s] (our default, no source)
LONGEST_CYCLE_S = 1.0  # neighbours this far apart or further are no cycle
NEAR_S = 15.0  # how far around a stretch its rate is looked for [s] (our default, no source)
PLAIN_CYCLE_S = 60.0 / 110.0  # where nothing near shows a rate (the middle of the guideline band, 100 to 120 per min)


def corrected(seen: Seen, corrections: Sequence[Correction], idle: list[Correction]) -> Seen:
    """Compressions as a reviewer left them.

    Parameters: seen, of all sensors together; corrections of compressions and pauses, in the order they were written, as
    qi.model.corrections.checked gives them [s]; idle, to which those are added that change no compression and make no time known
    (a pause may be there already where one is put in).
    Returns: Seen. A stretch of compressions that a person tells of is filled evenly at the rate given (`value`, per minute), else
    at the rate nearby, only where there are none yet; a pause that is put in takes away the compressions in it, and the runs beside
    it reach to its edges. Time that a person speaks of is known.
    """
    table, known = seen.events, seen.known
    for one in corrections:
        if one.subject == "pause" and one.action == "relabel":
            continue
        single = one.subject == "compression" and one.end_s is None
        changed, told = _single(table, one) if single else _stretch(table, one)
        if changed is table and not told.minus(known):
            idle.append(one)
        table, known = changed, known.union(told)
    if table is seen.events and known == seen.known:
        return seen
    return Seen(seen.sensor, check(table.sort_values("time_s", kind="stable", ignore_index=True), COMPRESSIONS), known)


def _stretch(table: pd.DataFrame, one: Correction) -> tuple[pd.DataFrame, Spans]:
    """The table after one correction of a stretch, the same object where nothing changes; and the time that it speaks of."""
    fill, clear = _stretches(one)
    for start, end in fill.pairs():
        table = _filled(table, Span(start, end), one.value if one.subject == "compression" else None)
    for start, end in clear.pairs():
        table = _cleared(table, start, end)
    return table, fill.union(clear)


def _stretches(one: Correction) -> tuple[Spans, Spans]:
    """Stretches to fill with compressions, and stretches to clear of them, for one correction of a stretch."""
    old, new = Spans.of([one.span]), Spans()
    if one.action == "move" and one.to_start_s is not None:
        end = one.to_end_s if one.to_end_s is not None else one.to_start_s + old.seconds
        new = Spans.of([(one.to_start_s, end)])
    if one.subject == "compression":
        by_action = {"add": (old, Spans()), "remove": (Spans(), old), "move": (new, old.minus(new))}
    else:
        by_action = {"add": (Spans(), old), "remove": (old, Spans()), "move": (old.minus(new), new)}
    return by_action.get(one.action, (Spans(), Spans()))


def _single(table: pd.DataFrame, one: Correction) -> tuple[pd.DataFrame, Spans]:
    """The table with one compression put in, taken out or moved, the same object where it is not there or has no room; and the
    time that a person thereby makes known."""
    times = table["time_s"].to_numpy()
    at = int(np.abs(times - one.start_s).argmin()) if len(times) else None
    there = at is not None and abs(times[at] - one.start_s) <= WITHIN_S
    if one.action == "add":
        return (table, Spans()) if there else _put(table, one.start_s)
    if at is None or not there:
        return table, Spans()
    others = table.drop(index=table.index[at]).reset_index(drop=True)
    if one.action == "remove":
        return others, Spans()
    if one.action != "move" or one.to_start_s is None or _nearest_s(others, one.to_start_s) < WITHIN_S:
        return table, Spans()
    by_s = one.to_start_s - times[at]
    return _put(others, one.to_start_s, (table["onset_s"].iloc[at] + by_s, table["release_s"].iloc[at] + by_s))


def _nearest_s(table: pd.DataFrame, at_s: float) -> float:
    return float((table["time_s"] - at_s).abs().min()) if len(table) else float("inf")


def _put(table: pd.DataFrame, at_s: float, edges_s: tuple[float, float] | None = None) -> tuple[pd.DataFrame, Spans]:
    """The table with one compression more, a cycle long unless its edges are given. How deep it was nobody has measured."""
    half = _cycle(table, at_s, at_s) / 2
    onset, release = edges_s or (at_s - half, at_s + half)
    changed = _together(table, [at_s], [onset], [release])
    row = changed.iloc[int((changed["time_s"] - at_s).abs().argmin())]
    return changed, Spans.of([(row["onset_s"], row["release_s"])])


def _cycle(table: pd.DataFrame, start_s: float, end_s: float) -> float:
    """Median cycle of the compressions around a stretch [s]."""
    times = table["time_s"].to_numpy()
    near = np.diff(times[(times >= start_s - NEAR_S) & (times <= end_s + NEAR_S)])
    cycles = near[near < LONGEST_CYCLE_S]
    if not len(cycles):
        every = np.diff(times)
        cycles = every[every < LONGEST_CYCLE_S]
    return float(np.median(cycles)) if len(cycles) else PLAIN_CYCLE_S


def _filled(table: pd.DataFrame, stretch: Span, rate: str | None) -> pd.DataFrame:
    """Compressions put evenly where a stretch has none; the same table where it is full."""
    nearby = _cycle(table, stretch.start_s, stretch.end_s)
    cycle = 60.0 / float(rate) if rate else nearby
    taken = _taken(table, nearby)
    times, edges = np.zeros(0), np.zeros((0, 2))
    for free in Spans.of([(stretch.start_s, stretch.end_s)]).minus(taken):
        between = bool(np.isin(free.start_s, taken.edges[:, 1]) and np.isin(free.end_s, taken.edges[:, 0]))
        count = _how_many(free.seconds, cycle, between=between, told=rate is not None)
        marks = free.start_s + free.seconds * np.arange(2 * count + 1) / max(2 * count, 1)
        times = np.concatenate([times, marks[1::2]])
        edges = np.concatenate([edges, np.column_stack([marks[:-1:2], marks[2::2]])])
    return _together(table, times, edges[:, 0], edges[:, 1]) if len(times) else table


def _how_many(seconds: float, cycle: float, *, between: bool, told: bool) -> int:
    """How many compressions go into free time: whole cycles, and unless the rate was told enough that no run is parted."""
    count = round(seconds / cycle)
    if told or not (count or (between and seconds + cycle >= LONGEST_CYCLE_S)):
        return count
    return max(count, floor(seconds / LONGEST_CYCLE_S) + 1)


def _taken(table: pd.DataFrame, cycle: float) -> Spans:
    """Time in which there are compressions: a cycle about each, and all the time between neighbours of one run."""
    times = table["time_s"].to_numpy()
    each = np.column_stack([np.minimum(table["onset_s"], times - cycle / 2), np.maximum(table["release_s"], times + cycle / 2)])
    steps = np.column_stack([times[:-1], times[1:]])
    return Spans.of(np.concatenate([each, steps[np.diff(times) < LONGEST_CYCLE_S]]))


def _cleared(table: pd.DataFrame, start_s: float, end_s: float) -> pd.DataFrame:
    """No compression in a stretch: a run that it cuts ends, or begins, at its edge; the same table where none was in it."""
    times = table["time_s"].to_numpy()
    onset, release = table["onset_s"].to_numpy(copy=True), table["release_s"].to_numpy(copy=True)
    inside = (times >= start_s) & (times <= end_s)
    release[times < start_s] = np.minimum(release[times < start_s], start_s)
    onset[times > end_s] = np.maximum(onset[times > end_s], end_s)
    which = np.flatnonzero(inside)
    if len(which):
        before, after = which[0] - 1, which[-1] + 1
        if before >= 0 and times[which[0]] - times[before] < LONGEST_CYCLE_S:
            release[before] = start_s
        if after < len(times) and times[after] - times[which[-1]] < LONGEST_CYCLE_S:
            onset[after] = end_s
    elif np.array_equal(onset, table["onset_s"]) and np.array_equal(release, table["release_s"]):
        return table
    return table.assign(onset_s=onset, release_s=release)[~inside].reset_index(drop=True)


def _together(
    table: pd.DataFrame,
    times: Sequence[float] | np.ndarray,
    onsets: Sequence[float] | np.ndarray,
    releases: Sequence[float] | np.ndarray,
) -> pd.DataFrame:
    """The table and further compressions of the reviewer's; where one of these and a neighbour overlap, they meet in the middle."""
    fresh = make(COMPRESSIONS, time_s=times, onset_s=onsets, release_s=releases, sensor=[REVIEWER] * len(times))
    both = pd.concat([table, fresh], ignore_index=True) if len(table) else fresh
    both = both.sort_values("time_s", kind="stable", ignore_index=True)
    at, onset, release = (both[name].to_numpy(copy=True) for name in ("time_s", "onset_s", "release_s"))
    told = (both["sensor"] == REVIEWER).to_numpy()
    crossed = (release[:-1] > onset[1:]) & (told[:-1] | told[1:])
    meet = np.clip((release[:-1] + onset[1:]) / 2, at[:-1], at[1:])
    release[:-1], onset[1:] = np.where(crossed, meet, release[:-1]), np.where(crossed, meet, onset[1:])
    return both.assign(onset_s=onset, release_s=release)
