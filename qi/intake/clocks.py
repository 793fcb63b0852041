"""Putting the files of one case on one axis of time: each keeps its own clock, with an offset and what that may be off by.

The reference clock is that of the earliest monitor recording, unless `offset_s` in case.toml says otherwise. Nothing is lined up by
guessing: what case.toml does not set stands as recorded, with the uncertainty that such a clock is known to have.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta, tzinfo
from typing import cast
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from qi.intake.facts import merged
from qi.intake.header import Header, SourceHeader
from qi.intake.moments import readings
from qi.model.case import Case, Clock, Note, Part, Signal, Source
from qi.model.tables import EVENTS, VITALS, check, make

# Half-width of what a clock may be off the reference clock by where case.toml does not say [s], by kind of source.
UNCERTAINTY_S = {
    # our default, no source
    "monitor": (60.0, "our default for a further monitor"),
    # Frisch et al., Resuscitation 2014: median absolute difference of record and monitor 2 min
    "record": (120.0, "hand-entered times"),
    "device": (60.0, "our default for the clock of a device that a care record tells of"),
    "events": (120.0, "hand-entered times"),
    # our default, near the mean deviation of dispatch clocks from an atomic clock (61 s) in a study of 22 dispatch centres
    "dispatch": (60.0, "our default for dispatch"),
}
# Times that lie this near an hour apart look like a clock that was not moved for daylight saving [s] (our default, no source).
HOUR_S, HOUR_WITHIN_S = 3600.0, 120.0
DAY_S = 86400.0


@dataclass(frozen=True)
class Member:
    """One part on its way to the axis: start in UTC on its own clock, at_s where its time 0 stands on the reference axis [s]."""

    part: Part
    about: SourceHeader
    clock: str
    start: datetime | None
    at_s: float | None = None

    @property
    def is_monitor(self) -> bool:
        """Whether it is a monitor recording that holds samples."""
        return self.part.kind == "monitor" and bool(self.part.signals)

    @property
    def span(self) -> tuple[float, float]:
        """First and last time that the part tells of, on its own clock [s]; a monitor's is that of its samples."""
        if self.part.signals:
            pieces = [piece for signal in self.part.signals for piece in signal.pieces]
            return min(piece.start_s for piece in pieces), max(piece.end_s for piece in pieces)
        events, vitals = self.part.events, self.part.vitals
        times = np.concatenate([events["time_s"], events["end_s"].dropna(), vitals["time_s"]])
        return (float(times.min()), float(times.max())) if len(times) else (0.0, 0.0)

    @property
    def says_when(self) -> bool:
        """Whether it holds anything that has a time."""
        return bool(self.part.signals) or len(self.part.events) + len(self.part.vitals) > 0

    @property
    def first_s(self) -> float:
        """Its first time on the reference axis [s]; late for one that is not placed or has no time."""
        return self.at_s + self.span[0] if self.at_s is not None and self.says_when else float("inf")


def assemble(parts: Sequence[Part], header: Header, *, notes: Sequence[Note] = ()) -> Case:
    """Put the parts of one case on one axis of time.

    Parameters: parts, in the order the files were read, each on its own clock; header, of the case; notes, what is known already.
    Returns: Case, times in seconds from the first sample of the earliest monitor recording (with no monitor the earliest event).
    """
    said = [*header.notes, *notes, *(note for part in parts for note in part.notes)]
    zone = _zone(parts, header, said)
    members = _placed([_member(part, number, parts, header, zone, said) for number, part in enumerate(parts)], said)
    monitors = sorted(
        (member for member in members if member.is_monitor and member.at_s is not None), key=lambda member: member.first_s
    )
    reference = monitors[0] if monitors else None
    zero_s = min((member.first_s for member in ([reference] if reference else members)), default=0.0)
    zero_s = zero_s if np.isfinite(zero_s) else 0.0
    clocks = _clocks(members, reference.clock if reference else "", said)
    _apart(members, reference, said)
    members = [replace(member, at_s=None if member.at_s is None else member.at_s - zero_s) for member in members]
    start = next((m.start - timedelta(seconds=m.at_s - _offset(m)) for m in members if m.start and m.at_s is not None), None)
    return Case(
        header.id,
        start.astimezone(zone) if start else None,
        tuple(_source(member) for member in members),
        clocks,
        reference.clock if reference else "",
        tuple(signal for member in members for signal in _shifted(member)),
        _table(members, "events"),
        _table(members, "vitals"),
        merged(parts, header, said),
        header.protocol,
        tuple(dict.fromkeys(said)),
        tuple(signal for member in members if member.at_s is None for signal in _moved(member)),
    )


def _zone(parts: Sequence[Part], header: Header, said: list[Note]) -> tzinfo:
    """Zone of wall-clock times: the header's, else the first offset in a file that is not UTC, else UTC with a note."""
    if header.zone:
        return ZoneInfo(header.zone)
    starts = [(header.sources[part.file].start if part.file in header.sources else None) or part.start for part in parts]
    naive = [part.file for part, start in zip(parts, starts, strict=True) if start is not None and start.tzinfo is None]
    aware = [
        (part.file, start) for part, start in zip(parts, starts, strict=True) if start is not None and start.tzinfo is not None
    ]
    if aware:
        file, start = next(((file, start) for file, start in aware if start.utcoffset()), aware[0])
        text = f"has no zone; that of {file} is taken (UTC{start:%z}). `zone` in case.toml would settle it"
        said.extend(Note("info", one, text) for one in naive)
        if not start.utcoffset():
            text = "tells UTC, and no zone is known: day and hour are those of UTC. `zone` in case.toml would settle it"
            said.append(Note("warning", file, text))
        return cast(tzinfo, start.tzinfo)
    said.extend(Note("warning", file, "has no zone; UTC is taken. `zone` in case.toml would settle it") for file in naive)
    return UTC


def _member(part: Part, number: int, parts: Sequence[Part], header: Header, zone: tzinfo, said: list[Note]) -> Member:
    """One part with its clock's name and its start in UTC."""
    about = _about(part, header)
    earlier = sum(other.file == part.file for other in parts[:number])
    clock = about.clock or (f"{part.file} ({earlier + 1})" if earlier else part.file)
    stated, own = (_in_utc(start, part.file, zone, said) for start in (about.start, None if about.start else part.start))
    if about.start and part.start:
        own = _in_utc(part.start, part.file, zone, [])
        if own and stated and own != stated:
            text = f"its own start is {part.start.isoformat()}; `start` in case.toml wins ({about.start.isoformat()})"
            said.append(Note("info", part.file, text))
    if not about.start and part.kind not in ("record", "device"):  # the reader of care records says this itself
        _other_offset(part, zone, said)
    return Member(part, about, clock, stated or own)


def _about(part: Part, header: Header) -> SourceHeader:
    """What the header says of a part: by its own name, else, for a further report ("file#2"), by its file's, but for the start.

    Events by a device's own clock ("file#device") have nothing of the file's but its name.
    """
    if part.file in header.sources:
        return header.sources[part.file]
    file, _, which = part.file.partition("#")
    whole = header.sources.get(file)
    if whole is None or which.endswith("device"):
        return SourceHeader(file=part.file)
    return replace(whole, file=part.file, start=None)


def _other_offset(part: Part, zone: tzinfo, said: list[Note]) -> None:
    """Say where a file writes its times at another offset than the agency's zone has that day; UTC is nothing to remark on."""
    if part.start is None or part.start.tzinfo is None or not isinstance(zone, ZoneInfo):
        return
    here = part.start.astimezone(zone)
    if part.start.utcoffset() and here.utcoffset() != part.start.utcoffset():
        text = f"its times are written at UTC{part.start:%z}, where {zone.key} has UTC{here:%z} that day; they are used as written"
        said.append(Note("warning", part.file, f"{text}. If the offset is wrong, `offset_s` in case.toml mends it"))


def _in_utc(start: datetime | None, file: str, zone: tzinfo, said: list[Note]) -> datetime | None:
    """A start in UTC; a wall-clock time in the hour that a clock change repeats or skips is said with both readings."""
    if start is None or start.tzinfo is not None:
        return start.astimezone(UTC) if start else None
    if not isinstance(zone, ZoneInfo):
        return start.replace(tzinfo=zone).astimezone(UTC)
    first, *other = readings(start, zone)
    if other:
        how = "happens twice" if (first.utcoffset() or timedelta()) > (other[0].utcoffset() or timedelta()) else "is skipped"
        text = f"starts at {start.isoformat(sep=' ')}, which {how} in {zone.key} for a clock change: read as {first.isoformat()}"
        said.append(Note("warning", file, f"{text}; the other reading is {other[0].isoformat()}; `start` in case.toml chooses"))
    return first.astimezone(UTC)


def _offset(member: Member) -> float:
    """What case.toml adds to the part's clock [s]."""
    return member.about.offset_s or 0.0


def _placed(members: list[Member], said: list[Note]) -> list[Member]:
    """Place each part on the reference axis, where something says when it began."""
    members = _same_offset(members, said)
    monitors = [member for member in members if member.is_monitor]
    timed = [member.start for member in members if member.start]
    by_clock = bool(timed) and (not monitors or any(member.start for member in monitors))
    epoch = min(timed, default=None)
    if not by_clock and (monitors or len(members) > 1) and any(not member.start for member in members):
        together = [member.part.file for member in (monitors or members) if not member.start]
        text = "says no time of day: its seconds count from case start"
        text += f", as do those of {', '.join(together[1:])}" if len(together) > 1 else ""
        said.extend([Note("warning", together[0], f"{text}; `start` in case.toml would place it")] if together else [])
    placed = []
    for member in members:
        at_s = None
        if by_clock and member.start and epoch:
            at_s = (member.start - epoch).total_seconds() + _offset(member)
        elif not by_clock and not member.start and (member.is_monitor or not monitors):
            at_s = _offset(member)
        placed.append(replace(member, at_s=at_s))
    standing = sorted((member for member in placed if member.is_monitor and member.at_s is not None), key=lambda m: m.first_s)
    return [_beside(member, standing, said) if member.at_s is None else member for member in placed]


def _same_offset(members: list[Member], said: list[Note]) -> list[Member]:
    """Sources that name one clock share its offset: the first that is stated."""
    offsets: dict[str, float] = {}
    for member in members:
        own = member.about.offset_s
        if own is not None and offsets.setdefault(member.clock, own) != own:
            text = f"its offset_s differs from that of clock “{member.clock}” ({offsets[member.clock]:g} s), which is used"
            said.append(Note("warning", member.part.file, text))
    return [replace(member, about=replace(member.about, offset_s=offsets.get(member.clock))) for member in members]


def _beside(member: Member, monitors: Sequence[Member], said: list[Note]) -> Member:
    """A part without a place: events in elapsed seconds stand beside the earliest monitor (of their clock, if they name one); all
    else stays unplaced, and why.
    """
    part = member.part
    monitor = next((other for other in monitors if other.clock == member.clock), monitors[0] if monitors else None)
    if part.kind == "events" and member.start is None and monitor and monitor.at_s is not None:
        own = (member.about.clock, member.about.offset_s, member.about.uncertainty_s) != (None, None, None)
        text = f"says no time of day: its seconds are taken from the start of {monitor.part.file}"
        said.append(Note("warning", part.file, f"{text}; `start` in case.toml would place it"))
        return replace(member, at_s=monitor.at_s + _offset(member), clock=member.clock if own else monitor.clock)
    if not member.says_when:
        return member
    if member.start is None:
        what = "says no time of day, so that it cannot be set beside the others"
        what += (
            ": its signals are kept apart, unplaced, until a clock is set"
            if part.signals
            else ": its events keep their distance to each other only"
        )
        said.append(Note("warning", part.file, f"{what}; `start` in case.toml for this file would mend it"))
    else:
        what = "tells the time of day and no monitor recording does: its events keep their distance to each other only"
        said.append(Note("warning", part.file, f"{what}; `start` in case.toml for the monitor's file would mend it"))
    return member


def _clocks(members: Sequence[Member], reference: str, said: list[Note]) -> dict[str, Clock]:
    """Every clock of the case with its offset, what that may be off by, and where it came from."""
    clocks: dict[str, Clock] = {}
    for name in dict.fromkeys(member.clock for member in members):
        # a placed part stands for its clock before one that could not be placed
        own = sorted(
            (member for member in members if member.clock == name), key=lambda m: (m.at_s is None, m.part.kind != "monitor")
        )
        stated = [member.about.uncertainty_s for member in own if member.about.uncertainty_s is not None]
        if len(set(stated)) > 1:
            said.append(
                Note("warning", own[0].part.file, f"clock “{name}” has several uncertainty_s ({stated}); the largest is used")
            )
        default_s, why = UNCERTAINTY_S[own[0].part.kind]
        is_reference = name == reference and not _offset(own[0])
        if is_reference:
            default_s, why = 0.0, "reference: the monitor's own clock"
        else:
            why = f"as recorded; {why}"
        if stated or own[0].about.offset_s is not None:
            why = "set in case.toml"
        if own[0].at_s is None and own[0].says_when:
            clocks[name] = Clock(name, 0.0, float("inf"), "not placed: nothing says when it began beside the others", placed=False)
        else:
            clocks[name] = Clock(name, _offset(own[0]), max(stated, default=default_s), why)
    return clocks


def _apart(members: Sequence[Member], reference: Member | None, said: list[Note]) -> None:
    """Say where a source stands about an hour off the monitor, which a clock that missed a change does, or more than a day off."""
    placed = [member for member in members if member.at_s is not None and member.says_when]
    for member in placed if reference else []:
        if reference is None or member.clock == reference.clock:
            continue
        days = abs(member.first_s - reference.first_s) / DAY_S
        if days > 1:
            text = f"its times stand {days:.3g} days from those of {reference.part.file}; they are used as recorded"
            said.append(Note("warning", member.part.file, f"{text}. `start` or `offset_s` in case.toml mends a wrong date"))
        hours = _hour_by_events(member, reference) or _hour_by_spans(member, reference)
        if hours and member.about.offset_s is None:
            how = "later" if hours > 0 else "earlier"
            text = f"its times stand about 1 h {how} than those of {reference.part.file}, as after a missed change of the clocks"
            other = f"they are used as recorded; the other reading is offset_s = {-hours * HOUR_S:g} in case.toml"
            said.append(Note("warning", member.part.file, f"{text}; {other}"))


def _hour_by_events(member: Member, reference: Member) -> int:
    """Whole hour, +1 or -1, by which the events that both tell of are apart; 0 where they are not."""
    ours, theirs = (m.part.events.groupby("type")["time_s"].first() + (m.at_s or 0.0) for m in (member, reference))
    both = (ours - theirs).dropna()
    apart_s = float(np.median(both)) if len(both) else 0.0
    if abs(abs(apart_s) - HOUR_S) > HOUR_WITHIN_S:
        return 0
    return 1 if apart_s > 0 else -1


def _hour_by_spans(member: Member, reference: Member) -> int:
    """Whole hour by which a source must move to overlap the monitor's recording at all; 0 where it overlaps as it is."""
    (start, end), (low, high) = (((m.at_s or 0.0) + m.span[0], (m.at_s or 0.0) + m.span[1]) for m in (member, reference))
    if start <= high and low <= end:
        return 0
    return next((hours for hours in (1, -1) if start - hours * HOUR_S <= high and low <= end - hours * HOUR_S), 0)


def _base(member: Member) -> float:
    """What to add to the part's own times [s]; an unplaced part counts from its own first time."""
    return member.at_s if member.at_s is not None else -member.span[0]


def _shifted(member: Member) -> list[Signal]:
    """The part's signals on the case axis; none where it could not be placed."""
    return [] if member.at_s is None else _moved(member)


def _moved(member: Member) -> list[Signal]:
    return [signal.shifted(_base(member), clock=member.clock) for signal in member.part.signals]


def _source(member: Member) -> Source:
    """The part as a source, with the time it covers; NaN where it could not be placed."""
    part = member.part
    if member.at_s is None or not member.says_when:
        start_s = end_s = float("nan")
    else:
        start_s, end_s = (member.at_s + time for time in member.span)
    return Source(part.file, part.format, part.kind, member.clock, start_s, end_s, part.could_chart)


def _table(members: Sequence[Member], which: str) -> pd.DataFrame:
    """The events or the vitals of all parts on the case axis, sorted by time."""
    columns = EVENTS if which == "events" else VITALS
    tables = []
    for member in members:
        table: pd.DataFrame = getattr(member.part, which)
        if len(table):
            moved = {name: table[name] + _base(member) for name in ("time_s", "end_s") if name in table}
            tables.append(table.assign(**moved, clock=pd.Series(member.clock, index=table.index, dtype="str")))
    if not tables:
        return make(columns)
    return check(pd.concat(tables, ignore_index=True).sort_values("time_s", kind="stable", ignore_index=True), columns)
