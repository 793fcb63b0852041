"""The codebook: every column of every written table, and every measure, with unit, meaning and allowed values."""

from collections.abc import Mapping
from pathlib import Path

import pandas as pd

from qi.exports.case_tables import Table, tables, write_csv
from qi.model.corrections import ACTIONS, SUBJECTS
from qi.model.journal import REVIEWER
from qi.model.review import Judged, Review
from qi.model.tables import Column, make
from qi.model.vocabulary import DEVICE_KINDS, EVENT_VALUES, PAUSE_CAUSES, RHYTHMS, UNMAPPED

NAME = "codebook"
_TYPES = {"float": "number", "text": "text", "flag": "true or false"}
# Units that stand beside the value rather than above it.
_BESIDE = {("events", "dose"): "see unit", ("vitals", "value"): "see unit"}
_SENSOR = f"channel and file; events and file; {REVIEWER}"
_SOURCE = f"file; {REVIEWER}"
_TELLERS = f"machine; file; {REVIEWER}"
# (table, column) -> the values it may take, separated by semicolons; a column that is not here holds numbers or free text.
_ALLOWED: Mapping[tuple[str, str], str] = {
    ("measures", "verdict"): "met; not met; not measurable; no limit set",
    ("measures", "goal_verdict"): "met; not met; not measurable; no limit set",
    ("measures", "status"): "applied; never; censored; not recorded",
    ("pauses", "cause"): "; ".join(PAUSE_CAUSES),
    ("pauses", "causes"): f"one or more, separated by spaces, of: {'; '.join(PAUSE_CAUSES)}",
    ("pauses", "cause_by"): REVIEWER,
    ("shocks", "rhythm_before"): "; ".join(RHYTHMS),
    ("shocks", "rhythm_after"): "; ".join(RHYTHMS),
    ("devices", "kind"): f"{'; '.join(DEVICE_KINDS)}; or as charted",
    ("events", "type"): "; ".join((*EVENT_VALUES, UNMAPPED)),
    ("events", "value"): "by type: "
    + "; ".join(f"{kind}: {' '.join(values)}" for kind, values in EVENT_VALUES.items() if values)
    + "; else as charted",
    ("modes", "mode"): "cycles; continuous",
    ("arrest", "state"): "arrest; circulation",
    ("corrections", "action"): "; ".join(ACTIONS),
    ("corrections", "subject"): "; ".join(SUBJECTS),
    ("corrections", "type"): "; ".join((*EVENT_VALUES, UNMAPPED)),
    **{(table, "sensor"): _SENSOR for table in ("compressions", "ventilations", "shocks")},
    **{(table, "source"): _SOURCE for table in ("events", "devices", "vitals")},
}
CODEBOOK = (
    Column("table", "text", "", "file without its ending", may_lack=False),
    Column("column", "text", "", "column of that table", may_lack=False),
    Column("measure", "text", "", "id of the measure where the row tells of one; missing where it tells of the column itself"),
    Column("type", "text", "", "number, text, or true or false", may_lack=False),
    Column("unit", "text", "", "unit of its numbers"),
    Column("meaning", "text", "", "what it says; for a measure its name", may_lack=False),
    Column("allowed", "text", "", "values that it may take, separated by semicolons; missing for free text and numbers"),
    Column("may_be_missing", "flag", "", "whether a cell may be empty", may_lack=False),
    Column("method", "text", "", "how the measure is computed, with the definitions in force"),
    Column("source", "text", "", "who defined the measure so"),
    Column("limit", "text", "see unit", "what the protocol in force asks for"),
    Column("limit_source", "text", "", "who set the limit"),
    Column("goal", "text", "see unit", "tighter aim of the protocol in force"),
)


def codebook(review: Review) -> pd.DataFrame:
    """The codebook of the tables of one case.

    Parameters: review, of one case: its measures bring their method, source and limit with the definitions in force.
    Returns: one row for each column of each table (the codebook's own too), then one for each measure (measures, value).
    """
    every = {**tables(review), NAME: Table(CODEBOOK, pd.DataFrame())}
    rows = [_of_column(name, column) for name, table in every.items() for column in table.columns]
    first: dict[str, Judged] = {}
    for one in review.numbers:
        kept = first.setdefault(one.id, one)
        if kept.limit is None and one.limit is not None:
            first[one.id] = one
    rows += [_of_measure(one) for one in first.values()]
    return make(CODEBOOK, **{column.name: [row.get(column.name) for row in rows] for column in CODEBOOK})


def write(folder: Path, review: Review, *, banner: str = "") -> Path:
    """Write `codebook.csv` into the folder of a case's tables.

    Parameters: folder; review; banner, the agency's own line.
    Returns: its path.
    """
    folder.mkdir(parents=True, exist_ok=True)
    return write_csv(folder / f"{NAME}.csv", codebook(review), banner=banner)


def _of_column(table: str, column: Column) -> dict[str, object]:
    allowed = _TELLERS if column.name == "told_by" else _ALLOWED.get((table, column.name))
    return {
        "table": table,
        "column": column.name,
        "type": _TYPES[column.kind],
        "unit": _BESIDE.get((table, column.name), column.unit) or None,
        "meaning": column.meaning,
        "allowed": "true; false" if column.kind == "flag" else allowed,
        "may_be_missing": column.may_lack and column.kind != "flag",
    }


def _of_measure(one: Judged) -> dict[str, object]:
    return {
        "table": "measures",
        "column": "value",
        "measure": one.id,
        "type": _TYPES["float"],
        "unit": one.unit,
        "meaning": one.label,
        "may_be_missing": True,
        "method": one.method or None,
        "source": one.source,
        "limit": one.limit.text if one.limit else None,
        "limit_source": (one.limit.source or None) if one.limit else None,
        "goal": one.goal.text if one.goal else None,
    }
