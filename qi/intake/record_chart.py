"""What one report says, gathered row by row and turned into tables on its own clock."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pandas as pd

from qi.intake.nemsis_codes import APPROXIMATE
from qi.intake.nemsis_tree import Said, aware_moment
from qi.model.case import Note, Unknown
from qi.model.tables import EVENTS, VITALS, Column, make

WHOLE_MINUTE_SHARE = 0.8  # data-standards.md 1.10: charted to the minute, then ":00"; the share and the number are our default
FEWEST_TIMES = 4
MINUTE_S = 60.0


@dataclass
class Chart:
    """Rows, notes and checked times of one report; entries hold element, moment, "prior" and line for the rules of order."""

    path: Path
    file: str
    events: list[dict[str, Any]] = field(default_factory=list)
    vitals: list[dict[str, Any]] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    entries: list[tuple[str, datetime, bool | None, int]] = field(default_factory=list)
    unknown: list[Unknown] = field(default_factory=list)

    def not_known(self, said: Said, what: str) -> None:
        """Keep a code that the standard's lists do not have, with its line in the file."""
        self.unknown.append(Unknown("code", f"{said.name} {said.value}", f"{self.path.name} line {said.line}", what))

    def note(self, level: str, line: int, text: str) -> None:
        """Keep something a person should know, with its line in the file."""
        self.notes.append(Note(level, f"{self.path.name} line {line}", text))

    def time_of(self, said: Said, *, what: str, prior: bool | None = None) -> datetime | None:
        """The moment an element tells; a time that cannot be is kept aside with its line and the rest loads."""
        if not said.stands:
            return None
        try:
            time = aware_moment(str(said.value))
        except ValueError as error:
            self.note("warning", said.line, f"{what} kept aside: {said.name} {error}")
            return None
        self.entries.append((said.name, time, prior, said.line))
        return time

    def add(
        self,
        time: datetime,
        kind: str,
        *,
        value: str | None = None,
        dose: float = math.nan,
        unit: str | None = None,
        text: str | None = None,
        by: str | None = None,
        approximate: bool = False,
    ) -> None:
        """Keep one event."""
        row = {"time": time, "type": kind, "value": value, "dose": dose, "unit": unit, "text": text, "by": by}
        self.events.append(row | {"uncertainty_s": MINUTE_S if approximate else 0.0})

    def add_said(self, said: Said, kind: str, *, what: str, text: str, by: str | None = None) -> None:
        """Keep the event that an element of its own tells, where it has a time."""
        time = self.time_of(said, what=what)
        if time is not None:
            about = f"{text}; charted as approximate" if said.pn == APPROXIMATE else text
            self.add(time, kind, text=about, by=by, approximate=said.pn == APPROXIMATE)

    def add_vital(self, time: datetime, name: str, value: float, unit: str, text: str | None) -> None:
        """Keep one vital sign."""
        self.vitals.append({"time": time, "name": name, "value": value, "unit": unit, "text": text})

    def to_the_minute(self) -> bool:
        """Most times of this report end in :00, so that the chart was kept to the minute."""
        whole = [time.second == 0 and time.microsecond == 0 for _, time, _, _ in self.entries]
        return len(whole) >= FEWEST_TIMES and sum(whole) >= WHOLE_MINUTE_SHARE * len(whole)

    def tables(self) -> tuple[datetime | None, pd.DataFrame, pd.DataFrame]:
        """The start (earliest row, in its own zone), EVENTS and VITALS in seconds from it."""
        moments = [row["time"] for row in (*self.events, *self.vitals)]
        if not moments:
            return None, make(EVENTS), make(VITALS)
        start = min(moments, key=_utc)
        if self.to_the_minute():
            self._widen()
        return start, self._table(EVENTS, self.events, start), self._table(VITALS, self.vitals, start)

    def _widen(self) -> None:
        whole = sum(time.second == 0 for _, time, _, _ in self.entries)
        for row in self.events:
            if row["time"].second == 0:
                row["uncertainty_s"] = max(MINUTE_S, row["uncertainty_s"])
        text = f"{whole} of {len(self.entries)} times end in :00, so they were charted to the minute: each may be off by 60 s"
        self.notes.append(Note("info", self.path.name, text))

    def _table(self, columns: Sequence[Column], rows: list[dict[str, Any]], start: datetime) -> pd.DataFrame:
        """The rows in order of time, in seconds from the start."""
        if not rows:
            return make(columns)
        seconds = [(_utc(row["time"]) - _utc(start)).total_seconds() for row in rows]
        table = pd.DataFrame(rows).drop(columns="time").assign(time_s=seconds, source=self.file, clock="")
        table = table.sort_values("time_s", kind="stable", ignore_index=True)
        return make(columns, **{str(name): table[name] for name in table})


def _utc(time: datetime) -> datetime:
    """For arithmetic: aware times in UTC; a wall-clock time without a zone as it stands."""
    return time if time.tzinfo is None else time.astimezone(UTC)
