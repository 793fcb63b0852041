"""Small cases for tests of the library: a file and what it was read as, without signals."""

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from qi.library.library import Library
from qi.library.worklist import Summary
from qi.model.case import Case, Facts, Source

AGENCY = "Rillstone Valley EMS"
NOON = datetime(2031, 4, 17, 12, tzinfo=UTC)
CORRECTION = {"action": "remove", "subject": "shock", "start_s": 61.5, "why": "artefact on the sensor"}
FINDING = {"kind": "went_well", "text": "Compressions went on while the pads were put on."}


def case_of(number: str, *, outcome: Mapping[str, Any] | None = None) -> Case:
    """A case of 30 min without signals."""
    source = Source("monitor.csv", "signal CSV", "monitor", "monitor", 0.0, 1800.0)
    return Case(number, NOON, (source,), facts=Facts(station="Station 3", outcome=outcome or {}))


def bring_in(
    library: Library,
    folder: Path,
    number: str = "RV-1",
    *,
    agency: str = AGENCY,
    call_at: datetime | None = NOON,
    concern: float = 1.0,
    words: str = "longest pause 31.0 s",
    outcome: Mapping[str, Any] | None = None,
    invented: bool = False,
    content: str | None = None,
) -> str:
    """Bring a case into the library.

    Returns: its key.
    """
    path = folder / f"{number}-{agency}.csv".replace(" ", "-")
    path.write_text(f"time_s,co2\n0,{number} of {agency}\n" if content is None else content, encoding="utf-8")
    draft = library.begin({"monitor.csv": path})
    summary = Summary(call_at, "Station 3", "B", "M31", concern, words)
    case = case_of(number, outcome=outcome)
    draft.finish(case, summary, who="M. Ortiz", agency=agency, read_as={"monitor.csv": "signal CSV, monitor"}, invented=invented)
    return draft.key


class Clock:
    """A clock that a test sets: each look at it moves it on by a minute."""

    def __init__(self, start: datetime = NOON) -> None:
        self.time = start

    def __call__(self) -> datetime:
        self.time += timedelta(minutes=1)
        return self.time
