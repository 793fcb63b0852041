"""A case with its clocks as a reviewer sets them: a new case, the one as read stays as it is."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, timedelta

import numpy as np
import pandas as pd

from qi.model.case import Case, Clock, Signal, Source
from qi.model.clock_proposal import ClockSetting
from qi.model.errors import UnknownWord
from qi.model.journal import Line
from qi.model.tables import EVENTS, VITALS, Column, check


def with_offsets(case: Case, settings: Sequence[ClockSetting]) -> Case:
    """The same case with some clocks set: all that each tells stands that much later or earlier.

    Parameters: case, as read; settings, of each clock that is set; of two for one clock the later one counts.
    Returns: Case. What a clock told is moved by the difference to the offset it had. A clock that nothing placed is placed by it,
    with its signals; of one that was placed already, what could not be placed stays so. Zero stays the first sample of the earliest
    monitor recording (with no monitor the earliest entry): the axis, `start` and `monitor_clock` follow where that changes, so that
    setting the reference monitor's own clock moves all others against it. Without a `start` before there is none after.
    Raises: UnknownWord for a clock that the case does not have.
    """
    chosen = {one.clock: one for one in settings}
    for name in chosen:
        if name not in case.clocks:
            raise UnknownWord("clock setting", name, case.clocks)
    changed = {name: one for name, one in chosen.items() if _as_clock(one) != case.clocks[name]}
    if not changed:
        return case
    clocks = {name: _as_clock(changed[name]) if name in changed else clock for name, clock in case.clocks.items()}
    by_s = {name: one.offset_s - case.clocks[name].offset_s for name, one in changed.items()}
    fresh = {name for name in changed if not case.clocks[name].placed}
    return _from_zero(_moved(replace(case, clocks=clocks), by_s, fresh))


def setting_of(line: Line) -> ClockSetting:
    """The setting that a journal line of kind "clock" holds.

    Raises: KeyError for a line without clock, offset_s, uncertainty_s or method (no such line is written).
    """
    body = line.body
    return ClockSetting(str(body["clock"]), float(body["offset_s"]), float(body["uncertainty_s"]), str(body["method"]))


def _as_clock(one: ClockSetting) -> Clock:
    return Clock(one.clock, one.offset_s, one.uncertainty_s, one.method)


def _moved(case: Case, by_s: dict[str, float], fresh: set[str]) -> Case:
    """The case with all that each clock tells later by its own seconds; the clocks in fresh are placed for the first time."""
    order = {source.file: number for number, source in enumerate(case.sources)}
    lost = {source.file for source in case.sources if not np.isfinite(source.start_s) and source.clock not in fresh}
    signals = [_later(signal, by_s.get(signal.clock, 0.0)) for signal in case.signals]
    found = [_later(signal, by_s[signal.clock]) for signal in case.unplaced if signal.clock in fresh]
    if found:
        signals = sorted([*signals, *found], key=lambda signal: order.get(signal.source, len(order)))
    moved = replace(
        case,
        signals=tuple(signals),
        unplaced=tuple(signal for signal in case.unplaced if signal.clock not in fresh),
        events=_table(case.events, by_s, order, lost, EVENTS),
        vitals=_table(case.vitals, by_s, order, lost, VITALS),
    )
    return replace(moved, sources=tuple(_source(moved, source, by_s, fresh) for source in case.sources))


def _later(signal: Signal, by_s: float) -> Signal:
    return signal.shifted(by_s, clock=signal.clock) if by_s else signal


def _table(
    table: pd.DataFrame, by_s: dict[str, float], order: dict[str, int], lost: set[str], columns: Sequence[Column]
) -> pd.DataFrame:
    """Events or vitals, each later by its clock's seconds, in order of time; at one time in the order of the files.

    Those of a lost file, one without a place on its clock, keep their distance to each other only and are left as they are.
    """
    shift = table["clock"].map(by_s).fillna(0.0).where(~table["source"].isin(lost), 0.0).to_numpy(float)
    if not shift.any():
        return table
    later = table.assign(**{name: table[name] + shift for name in ("time_s", "end_s") if name in table})
    rank = later["source"].map(order).fillna(len(order)).to_numpy(float)
    sorted_ = later.iloc[np.lexsort((rank, later["time_s"].to_numpy()))].reset_index(drop=True)
    return check(sorted_, columns)


def _source(case: Case, source: Source, by_s: dict[str, float], fresh: set[str]) -> Source:
    """The source with the time it covers now; of one placed for the first time, that of its samples, else of its entries."""
    if source.clock not in by_s:
        return source
    if source.clock not in fresh:
        return replace(source, start_s=source.start_s + by_s[source.clock], end_s=source.end_s + by_s[source.clock])
    pieces = [piece for signal in _of(case, source) for piece in signal.pieces]
    if pieces:
        return replace(source, start_s=min(one.start_s for one in pieces), end_s=max(one.end_s for one in pieces))
    events, vitals = (table[table["source"] == source.file] for table in (case.events, case.vitals))
    times = np.concatenate([events["time_s"], events["end_s"].dropna(), vitals["time_s"]])
    return replace(source, start_s=float(times.min()), end_s=float(times.max())) if len(times) else source


def _of(case: Case, source: Source) -> list[Signal]:
    return [signal for signal in case.signals if (signal.source, signal.clock) == (source.file, source.clock)]


def _from_zero(case: Case) -> Case:
    """The case counted from the first sample of its earliest monitor recording, with no monitor from its earliest entry."""
    placed = [source for source in case.sources if np.isfinite(source.start_s)]
    monitors = [source for source in placed if source.kind == "monitor" and _of(case, source)]
    first = min(monitors or placed, key=lambda source: source.start_s, default=None)
    zero_s = first.start_s if first else 0.0
    named = replace(case, monitor_clock=first.clock if first and monitors else "")
    if abs(zero_s) < 1e-9:
        return named
    by_s = dict.fromkeys(case.clocks, -zero_s)
    start = (case.start.astimezone(UTC) + timedelta(seconds=zero_s)).astimezone(case.start.tzinfo) if case.start else None
    return replace(_moved(named, by_s, set()), start=start)
