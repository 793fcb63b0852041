"""A case: what the files of one resuscitation say, on one axis of time, each source with its own clock. All frozen."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from qi.model.spans import Spans
from qi.model.tables import EVENTS, VITALS, make


@dataclass(frozen=True)
class Note:
    """Something a person should know about a source: level is info, warning or error; where names the file and place."""

    level: str
    where: str
    text: str


@dataclass(frozen=True)
class Unknown:
    """Something in a file that is not understood. It is kept as it stands or left out, never guessed; a person may say what it is.

    kind is channel (a label or column that stands for no known channel), unit (of a known channel), event (a word), column (of a
    list of events or a dispatch log, not read), time (a column of times whose format is not understood) or code (of a care record).
    name is the file's own label, column, word or code; where names the file and place; detail says why; count is how often.
    """

    kind: str
    name: str
    where: str
    detail: str = ""
    count: int = 1


@dataclass(frozen=True)
class Clock:
    """How one source's clock sits against the reference clock.

    offset_s is added to the source's time to reach the reference clock; uncertainty_s is the half-width of what that may be off
    by; method says where the offset came from. A clock that could not be placed has no meaning across sources.
    """

    name: str
    offset_s: float = 0.0
    uncertainty_s: float = 0.0
    method: str = "as recorded"
    placed: bool = True


@dataclass(frozen=True, eq=False)
class Piece:
    """Evenly sampled stretch without a gap: sample i stands at start_s + i / rate_hz. No value is missing."""

    start_s: float
    rate_hz: float
    values: np.ndarray

    @property
    def end_s(self) -> float:
        """End of the last sample's interval [s]."""
        return self.start_s + len(self.values) / self.rate_hz

    @property
    def times_s(self) -> np.ndarray:
        """Time of each sample [s]."""
        return self.start_s + np.arange(len(self.values)) / self.rate_hz


@dataclass(frozen=True, eq=False)
class Signal:
    """One channel of one source, in the channel's own unit, as pieces in order of time with gaps between them.

    rails are the lowest and highest value that the file can hold, where it says so. reference tells a depth from the uncompressed
    chest ("absolute") from a mere stroke ("stroke").
    """

    channel: str
    unit: str
    pieces: tuple[Piece, ...]
    source: str
    label: str = ""
    clock: str = ""
    reference: str | None = None
    rails: tuple[float, float] | None = None

    @property
    def name(self) -> str:
        """Channel, file and the file's own label, as shown wherever a sensor is named; different for each sensor of a case."""
        own = "" if self.label in ("", self.channel) else f": {self.label}"
        return f"{self.channel} ({self.source}{own})"

    @property
    def recorded(self) -> Spans:
        """Time in which samples exist [s]."""
        return Spans.of((piece.start_s, piece.end_s) for piece in self.pieces)

    def shifted(self, by_s: float, *, clock: str) -> "Signal":
        """The same samples later by by_s, told by the named clock."""
        pieces = tuple(Piece(piece.start_s + by_s, piece.rate_hz, piece.values) for piece in self.pieces)
        return Signal(self.channel, self.unit, pieces, self.source, self.label, clock, self.reference, self.rails)


@dataclass(frozen=True)
class Facts:
    """What is known of patient, arrest, crew and outcome. None = not recorded; "unknown" = recorded as not known.

    age_years in years, sex female | male | other; witnessed bystander | ems | no | unknown; outcome holds any_rosc,
    sustained_rosc, survived_event, survived_to_discharge (True, False, "unknown"), cpc, mrs; hospital, what the hospital that the
    patient was taken to is able to do, in words of HOSPITAL_KINDS (empty: not recorded).
    """

    age_years: float | None = None
    sex: str | None = None
    witnessed: str | None = None
    bystander_cpr: bool | str | None = None
    bystander_aed: bool | str | None = None
    dispatcher_cpr: bool | str | None = None
    cause: str | None = None
    first_rhythm: str | None = None
    location: str | None = None
    attempted: bool | None = None
    station: str | None = None
    shift: str | None = None
    unit: str | None = None
    members: tuple[str, ...] = ()
    crew_roles: tuple[str, ...] = ()
    hospital: tuple[str, ...] = ()
    outcome: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Part:
    """What one file says, on its own clock: times are seconds from `start`.

    kind is monitor, record, device (its own clock, told by a record), dispatch or events. start is None (the file knows only
    elapsed seconds), a wall-clock time without a zone, or an aware time. could_chart names the event types that such a file is able
    to hold, for "not recorded" against "never".
    EVENTS and VITALS leave `clock` as "" (it is filled when the case is put together).
    """

    file: str
    format: str
    kind: str
    start: datetime | None = None
    signals: tuple[Signal, ...] = ()
    events: pd.DataFrame = field(default_factory=lambda: make(EVENTS))
    vitals: pd.DataFrame = field(default_factory=lambda: make(VITALS))
    facts: Facts = field(default_factory=Facts)
    notes: tuple[Note, ...] = ()
    could_chart: frozenset[str] = frozenset()
    unknown: tuple[Unknown, ...] = ()


@dataclass(frozen=True)
class Source:
    """One file of the case as read: its kind and format, the clock it is told by, and the stretch of time it covers [s]."""

    file: str
    format: str
    kind: str
    clock: str
    start_s: float
    end_s: float
    could_chart: frozenset[str] = frozenset()


@dataclass(frozen=True, eq=False)
class Case:
    """Everything the files of one resuscitation say.

    Times are seconds from case start: the first sample of the earliest monitor recording (with no monitor the earliest event) on
    the reference clock. start is that moment with its zone, or None where no file says what time it was. monitor_clock is the
    clock of the earliest monitor recording ("" with no monitor).
    """

    id: str
    start: datetime | None
    sources: tuple[Source, ...] = ()
    clocks: Mapping[str, Clock] = field(default_factory=dict)
    monitor_clock: str = ""
    signals: tuple[Signal, ...] = ()
    events: pd.DataFrame = field(default_factory=lambda: make(EVENTS))
    vitals: pd.DataFrame = field(default_factory=lambda: make(VITALS))
    facts: Facts = field(default_factory=Facts)
    protocol: str | None = None
    notes: tuple[Note, ...] = ()
    unplaced: tuple[Signal, ...] = ()

    @cached_property
    def told(self) -> tuple[Any, ...]:
        """The events as named tuples, for reading one by one without the cost of a table."""
        return tuple(self.events.itertuples(index=False, name="Event"))

    @cached_property
    def lead_clock(self) -> str:
        """The clock that moments seen by sensors stand on: the monitor's; with no monitor the one that tells most events."""
        if self.monitor_clock or self.events.empty:
            return self.monitor_clock or next(iter(self.clocks), "")
        return str(self.events["clock"].value_counts(sort=False).idxmax())

    @property
    def recorded(self) -> Spans:
        """Time covered by any monitor recording [s]."""
        return Spans.of((source.start_s, source.end_s) for source in self.sources if source.kind == "monitor")

    def of_channel(self, channel: str) -> list[Signal]:
        """All signals of one channel, in the order the files were read."""
        return [signal for signal in self.signals if signal.channel == channel]

    def apart_s(self, first_clock: str, second_clock: str) -> float | None:
        """Half-width of what an interval between two clocks may be off by [s]; None on one clock.

        Raises: KeyError for a clock the case does not have.
        """
        if first_clock == second_clock:
            return None
        return float(np.hypot(self.clocks[first_clock].uncertainty_s, self.clocks[second_clock].uncertainty_s))
