"""What the tests of the care-record reader share: where records are, how to make one, and what a part tells, in short."""

from datetime import datetime, timedelta, timezone
from pathlib import Path

import pytest

from qi.intake import nemsis
from qi.intake.header import SourceHeader
from qi.model.case import Part
from tests.simulator.care_record import CareRecord, write

ROOT = Path(__file__).parents[2]
SHARED = ROOT / ".." / "shared" / "data" / "nemsis"
SAMPLES = SHARED / "samples"
OURS = ROOT / "tests" / "data" / "nemsis"
ABOUT = SourceHeader()
ZONE = timezone(timedelta(hours=-6))
NINE = datetime(2031, 4, 17, 9, 0, 12, tzinfo=ZONE)
needs_samples = pytest.mark.skipif(not SAMPLES.is_dir(), reason="the standard's samples are not here")
needs_schema = pytest.mark.skipif(not (SHARED / "xsd").is_dir(), reason="the standard's schema is not here")


def at(seconds: float) -> datetime:
    return NINE + timedelta(seconds=seconds)


def record(**more) -> CareRecord:
    return CareRecord(**({"incident": "RV-1", "report": "RV-1-31", "times": {"dispatched": at(0), "at_patient": at(303)}} | more))


def read_made(folder: Path, *reports: CareRecord, version: str = "3.5.1", about: SourceHeader = ABOUT) -> tuple[Part, ...]:
    write(folder / "made.xml", reports=reports, version=version)
    return nemsis.read(folder / "made.xml", about)


def sample(year: int) -> Path:
    return next(SAMPLES.glob(f"{year}-*.xml"))


def clock(part: Part, time_s: float) -> str:
    """Time of day as the file wrote it."""
    assert part.start is not None
    return (part.start + timedelta(seconds=time_s)).strftime("%H:%M:%S")


def told(part: Part, *kinds: str) -> list[tuple]:
    rows = part.events[part.events["type"].isin(kinds)]
    return [
        (clock(part, row.time_s), row.type, row.value) if isinstance(row.value, str) else (clock(part, row.time_s), row.type)
        for row in rows.itertuples()
    ]


def drugs(part: Part) -> list[tuple]:
    rows = part.events[part.events["type"] == "drug"]
    return [(clock(part, row.time_s), row.value, row.dose, row.unit) for row in rows.itertuples()]


def vitals(part: Part, name: str) -> list[tuple[str, float]]:
    rows = part.vitals[part.vitals["name"] == name]
    return [(clock(part, row.time_s), row.value) for row in rows.itertuples()]


def texts(part: Part, level: str | None = None) -> list[str]:
    return [f"{note.where}: {note.text}" for note in part.notes if level in (None, note.level)]
