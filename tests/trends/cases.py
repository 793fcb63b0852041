"""Rows of a cohort table for tests of outcomes and groups: what is not given is as in a plain, included case."""

import json
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd

from qi.trends import cohort

OUTCOME_DATA = Path(__file__).parents[1] / "data" / "spc_outcomes"
_PLAIN = {
    "agency": "Rillstone Valley EMS",
    "station": "2",
    "excluded": "",
    "source": "machine",
    "version": 0,
    "measured_anew": False,
    "sensors": "compression_depth/",
    "has_recording": True,
    "measurable": True,
    "protocol": "adult-2020",
    "definitions_digest": "abc",
    "last_line": 0,
}


def given(name):
    file = OUTCOME_DATA / name
    return json.loads(file.read_text(encoding="utf-8")) if file.suffix == ".json" else pd.read_csv(file)


def case(*, day="2031-03-18", **told):
    """One case; day None for a call whose time is not known."""
    at = None if day is None else datetime.fromisoformat(day)
    when = {
        "call_at": at and at.replace(tzinfo=UTC),
        "call_day": at,
        "year": at.year if at else 0,
        "month": at.month if at else 0,
        "measured_at": datetime(2032, 1, 1, tzinfo=UTC),
    }
    return _PLAIN | when | told


def table(*rows):
    """Cases as a cohort table under its whole contract."""
    return cohort.cases_table([{"key": str(i), "case_id": f"rv-{i}"} | row for i, row in enumerate(rows)])


def repeated(count, **told):
    return [case(**told) for _ in range(count)]


def ended(at_s, by="termination"):
    """The columns of an effort that ended so many seconds after the crew's first compression, None where that was not seen."""
    return {"effort_end_s": at_s, "effort_end": by}
