"""Measures and events of a case as tables: each as CSV and as Parquet, with the columns that the codebook tells of.

What a machine found, what files chart and what a person said stand apart: `told_by` says which.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from qi.exports import csv_text
from qi.exports.table_columns import ARREST, CLOCKS, CORRECTIONS, MEASURES, WHOSE, WITH_TELLER
from qi.exports.tellers import by_rule, by_sensor, by_source
from qi.model.cautions import LONG
from qi.model.review import Judged, Review
from qi.model.spans import Spans
from qi.model.tables import (
    COMPRESSIONS,
    DEVICES,
    DISAGREEMENTS,
    EVENTS,
    MODES,
    PAUSES,
    RECOILS,
    SHOCKS,
    VENTILATIONS,
    VITALS,
    Column,
    make,
)
from qi.model.words import name


@dataclass(frozen=True, eq=False)
class Table:
    """One table of a case and what its columns are."""

    columns: tuple[Column, ...]
    rows: pd.DataFrame


def tables(review: Review) -> dict[str, Table]:
    """Every table of one case by name; each begins with the case and the protocol in force, so that tables of cases can be stacked.

    Parameters: review, of one case.
    Returns: measures, compressions, ventilations, pauses, shocks, recoils, devices, modes, arrest, disagreements, events, vitals,
    clocks and corrections; an empty table means that there was none, or none was seen.
    """
    found, case = review.findings, review.case
    plain = {
        "measures": (MEASURES, _measures(review.numbers)),
        "compressions": (COMPRESSIONS, found.compressions),
        "ventilations": (VENTILATIONS, found.ventilations),
        "pauses": (PAUSES, found.pauses),
        "shocks": (SHOCKS, found.shocks),
        "recoils": (RECOILS, found.recoils),
        "devices": (DEVICES, found.devices),
        "modes": (MODES, found.modes),
        "arrest": (ARREST, _arrest(review)),
        "disagreements": (DISAGREEMENTS, found.disagreements),
        "events": (EVENTS, case.events),
        "vitals": (VITALS, case.vitals),
        "clocks": (CLOCKS, _clocks(review)),
        "corrections": (CORRECTIONS, _corrections(review)),
    }
    return {key: _told(key, columns, rows, review) for key, (columns, rows) in plain.items()}


def write(folder: Path, review: Review, *, banner: str = "") -> list[Path]:
    """Write every table of one case into a folder, as `<table>.csv` and `<table>.parquet`; each file says the cautions.

    Parameters: folder; review; banner, the agency's own line, which stands beside the cautions.
    Returns: the files written. CSV has the caution in a first line that begins with #, Parquet in its metadata.
    """
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for key, table in tables(review).items():
        written.append(write_csv(folder / f"{key}.csv", table.rows, banner=banner))
        written.append(write_parquet(folder / f"{key}.parquet", table, banner=banner))
    return written


def write_csv(path: Path, rows: pd.DataFrame, *, banner: str = "") -> Path:
    """Write one table as CSV that a spreadsheet shows and never runs."""
    path.write_text(csv_text.text(rows, banner=banner), encoding="utf-8", newline="")
    return path


def write_parquet(path: Path, table: Table, *, banner: str = "") -> Path:
    """Write one table as Parquet; unit and meaning of each column stand in the metadata of its field."""
    kinds = {"float": pa.float64(), "text": pa.string(), "flag": pa.bool_()}
    fields = [pa.field(one.name, kinds[one.kind], metadata={"unit": one.unit, "meaning": one.meaning}) for one in table.columns]
    schema = pa.schema(fields, metadata={"cautions": " ".join(LONG)} | ({"banner": banner} if banner else {}))
    pq.write_table(pa.Table.from_pandas(table.rows, schema=schema, preserve_index=False), path)
    return path


def _told(key: str, columns: Sequence[Column], rows: pd.DataFrame, review: Review) -> Table:
    """The table with whose it is in front, and with who told each row behind where there are several tellers."""
    whose = {"case": review.case.id, "protocol": review.protocol.name, "protocol_chosen_by": review.protocol.chosen_by}
    front = make(WHOSE, **{field: [text] * len(rows) for field, text in whose.items()})
    parts = [front, make(columns, **{column.name: rows[column.name] for column in columns})]
    full = (*WHOSE, *columns)
    if key in WITH_TELLER:
        column, (told_in, tell) = WITH_TELLER[key], _TELLERS[key]
        parts.append(make((column,), told_by=[tell(text) for text in rows[told_in]]))
        full = (*full, column)
    return Table(full, pd.concat(parts, axis=1))


# table -> the column that tells who said a row, and how it is read
_TELLERS: Mapping[str, tuple[str, Callable[[object], str]]] = {
    **dict.fromkeys(("compressions", "ventilations", "shocks"), ("sensor", by_sensor)),
    **dict.fromkeys(("events", "devices", "vitals"), ("source", by_source)),
    "arrest": ("rules", by_rule),
}


def _measures(numbers: Sequence[Judged]) -> pd.DataFrame:
    """One row for each answer of each measure."""
    floats = ("value", "low", "high", "error", "n", "coverage")
    values: dict[str, object] = {key: [_number(getattr(one.number, key)) for one in numbers] for key in floats}
    values |= {
        "id": [one.id for one in numbers],
        "label": [name(one) for one in numbers],
        "of": [one.number.of for one in numbers],
        "from": [one.number.from_ for one in numbers],
        "unit": [one.unit for one in numbers],
        "status": [one.number.status for one in numbers],
        "verdict": [one.verdict for one in numbers],
        "limit": [one.limit.text if one.limit else None for one in numbers],
        "limit_source": [one.limit.source if one.limit else None for one in numbers],
        "goal": [one.goal.text if one.goal else None for one in numbers],
        "goal_verdict": [one.goal_verdict if one.goal else None for one in numbers],
        "reason": [one.number.reason for one in numbers],
        "remark": [one.number.remark for one in numbers],
    }
    return make(MEASURES, **values)


def _number(value: float | None) -> float:
    return float(value) if value is not None and math.isfinite(value) else np.nan


def _arrest(review: Review) -> pd.DataFrame:
    """Arrest spans and circulation after them, each with the rules that set its edges."""
    course = review.findings.course
    rules = {(edge.side, edge.time_s): edge.rule for edge in course.edges}

    def rows(spans: Spans, state: str) -> list[dict[str, object]]:
        return [
            {"start_s": start, "end_s": end, "state": state, "rules": _joined(rules.get(("start", start)), rules.get(("end", end)))}
            for start, end in spans.pairs()
        ]

    both = sorted([*rows(course.spans, "arrest"), *rows(course.rosc, "circulation")], key=lambda row: float(str(row["start_s"])))
    return make(ARREST, **{column.name: [row[column.name] for row in both] for column in ARREST})


def _joined(*texts: str | None) -> str | None:
    return "; ".join(text for text in texts if text) or None


def _clocks(review: Review) -> pd.DataFrame:
    clocks = list(review.case.clocks.values())
    return make(
        CLOCKS,
        clock=[one.name for one in clocks],
        offset_s=[one.offset_s for one in clocks],
        uncertainty_s=[_number(one.uncertainty_s) for one in clocks],
        method=[one.method for one in clocks],
        placed=[one.placed for one in clocks],
    )


def _corrections(review: Review) -> pd.DataFrame:
    """A reviewer's corrections in the order they were written, each with its times [s]."""
    floats = ("number", "start_s", "end_s", "to_start_s", "to_end_s", "dose")
    texts = ("action", "subject", "value", "unit", "type", "sensor", "why")
    values: dict[str, object] = {key: [_number(getattr(one, key)) for one in review.corrections] for key in floats}
    values |= {key: [getattr(one, key) or None for one in review.corrections] for key in texts}
    return make(CORRECTIONS, **values)
