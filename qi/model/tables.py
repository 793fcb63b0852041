"""Columns of every table that stages hand to each other, and the check that each maker of a table ends with.

Time is float seconds from case start. An empty table means "looked and found none"; NaN (or None in text) means that this one
value is missing.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from qi.model.errors import BadTable


@dataclass(frozen=True)
class Column:
    """One column: its name, kind (float, text or flag), unit, meaning, and whether a value may be missing."""

    name: str
    kind: str
    unit: str
    meaning: str
    may_lack: bool = True


def _moment(name: str, meaning: str) -> Column:
    return Column(name, "float", "s", meaning, may_lack=False)


COMPRESSIONS = (
    _moment("time_s", "deepest point"),
    _moment("onset_s", "start of the downstroke"),
    _moment("release_s", "end of the upstroke"),
    Column("depth_mm", "float", "mm", "deepest point below the uncompressed chest; the stroke where the source knows only that"),
    Column("residual_mm", "float", "mm", "depth that was left at the release; missing where the source knows only the stroke"),
    Column("residual_n", "float", "N", "force that was left at the release"),
    Column("sensor", "text", "", "channel and file that saw it", may_lack=False),
)
VENTILATIONS = (
    _moment("time_s", "start of the insufflation, or of the CO2 washout where only a capnogram saw it"),
    Column("insufflation_s", "float", "s", "from the start of the rise to the end of inward flow"),
    Column("etco2_mmhg", "float", "mmHg", "end-tidal CO2 of the exhalation that this breath washed out"),
    Column("peak_cmh2o", "float", "cmH2O", "highest airway pressure of the breath"),
    Column("inspired_ml", "float", "mL", "volume that flowed in"),
    Column("expired_ml", "float", "mL", "volume that flowed out before the next breath"),
    Column("leak", "float", "1", "share of the inspired volume that did not come back, over neighbouring breaths"),
    Column("sensor", "text", "", "channel and file that saw it", may_lack=False),
)
PAUSES = (
    _moment("start_s", "last release before, or the start of the arrest or of known time"),
    _moment("end_s", "next onset, or the end of the arrest or of known time"),
    _moment("seconds", "length"),
    Column("cause", "text", "", "primary cause; unknown where nothing near it tells", may_lack=False),
    Column("causes", "text", "", "every cause near it, separated by spaces", may_lack=False),
    Column("unknown_s", "float", "s", "unknown time that touches it, which may have made it longer", may_lack=False),
    Column("cause_by", "text", "", "reviewer where a person gave the cause; missing where events near it did"),
)
SHOCKS = (
    _moment("time_s", "delivery"),
    Column("energy_j", "float", "J", "energy as recorded"),
    Column("pre_s", "float", "s", "last release to the first shock of the stack"),
    Column("post_s", "float", "s", "last shock of the stack to the next onset"),
    Column("peri_s", "float", "s", "last release to next onset around the stack"),
    Column("hands_off_30_s", "float", "s", "time without compressions in the 30 s before"),
    Column("stack", "float", "", "number of its stack, from 1", may_lack=False),
    Column("rhythm_before", "text", "", "last rhythm known before it"),
    Column("rhythm_after", "text", "", "first rhythm known after it"),
    Column("reason", "text", "", "why a pause around it is missing"),
    Column("sensor", "text", "", "event or channel and file that told it", may_lack=False),
)
RECOILS = (
    _moment("time_s", "deepest point of the compression"),
    Column("recoil_cmh2o", "float", "cmH2O", "lowest airway pressure of the recoil against the nearest still moments"),
    Column("in_breath", "flag", "", "a breath overlaps this recoil, so that it says nothing of the vacuum", may_lack=False),
)
DEVICES = (
    Column("kind", "text", "", "itd, mechanical_cpr, defib_pads, capnography, supraglottic, tracheal_tube, …", may_lack=False),
    _moment("on_s", "on"),
    Column("off_s", "float", "s", "off; missing where no removal was recorded"),
    Column("clock", "text", "", "clock that told it", may_lack=False),
    Column("source", "text", "", "file that told it", may_lack=False),
)
EVENTS = (
    _moment("time_s", "when it happened or began"),
    Column("end_s", "float", "s", "when it ended, for a stretch"),
    Column("type", "text", "", "word of qi.model.vocabulary, or unmapped", may_lack=False),
    Column("value", "text", "", "value in the vocabulary of the type, or as it stands"),
    Column("dose", "float", "", "amount of a drug"),
    Column("unit", "text", "", "unit of the dose or of the value"),
    Column("text", "text", "", "the source's own words"),
    Column("by", "text", "", "who did it, as a role or a masked number"),
    Column("source", "text", "", "file that told it", may_lack=False),
    Column("clock", "text", "", "clock it was told by", may_lack=False),
    Column("uncertainty_s", "float", "s", "what this entry itself may be off by, apart from its clock", may_lack=False),
)
VITALS = (
    _moment("time_s", "when it was taken"),
    Column("name", "text", "", "etco2, spo2, heart_rate, respiratory_rate, systolic, diastolic, glucose, …", may_lack=False),
    Column("value", "float", "", "number in the unit beside it"),
    Column("unit", "text", "", "mmHg, %, 1/min, …"),
    Column("text", "text", "", "the source's own words where it gave no number"),
    Column("source", "text", "", "file that told it", may_lack=False),
    Column("clock", "text", "", "clock it was told by", may_lack=False),
)
QUALITY = (
    _moment("start_s", "from"),
    _moment("end_s", "to; neighbouring seconds in one state are one row"),
    Column("sensor", "text", "", "channel and file", may_lack=False),
    Column("state", "text", "", "good, flat, railed, noise, out of range, missing or out of use", may_lack=False),
)
DISAGREEMENTS = (
    _moment("start_s", "from"),
    _moment("end_s", "to"),
    Column("what", "text", "", "what the sensors do not agree on, in words", may_lack=False),
    Column("sensors", "text", "", "who says so against whom", may_lack=False),
)
MODES = (
    _moment("start_s", "from"),
    _moment("end_s", "to"),
    Column("mode", "text", "", "cycles (30:2, 15:2) or continuous", may_lack=False),
    Column("uncertainty_s", "float", "s", "what the switch at the start may be off by"),
)
PROMPTS = (
    _moment("start_s", "last compression or the moment before which nothing speaks for circulation"),
    _moment("end_s", "first supporting evidence"),
    Column("strength", "text", "", "likely or possible; never a verdict", may_lack=False),
    Column("reasons", "text", "", "what speaks for it, in words", may_lack=False),
)


def make(columns: Sequence[Column], **values: object) -> pd.DataFrame:
    """Build a table with exactly these columns; a column that is not given is missing throughout. Checked before return.

    Values are taken in their order, whatever index they come with.
    """
    names = {column.name for column in columns}
    if unknown := [name for name in values if name not in names]:
        raise BadTable(f"columns {unknown} are not in the contract, which has {[c.name for c in columns]}")
    count = len(pd.Series(next(iter(values.values())))) if values else 0
    made = {column.name: _column(column.kind, values.get(column.name), count) for column in columns}
    return check(pd.DataFrame(made), columns)


def _column(kind: str, values: Any, count: int) -> Any:  # noqa: ANN401 - whatever pandas makes a column of
    if kind == "text":
        plain = [None] * count if values is None else values
        return plain.array if isinstance(plain, pd.Series) and plain.dtype == "str" else pd.array(list(plain), dtype="str")
    if values is None:
        return np.full(count, np.nan) if kind == "float" else np.zeros(count, dtype=bool)
    return np.asarray(values, dtype=float if kind == "float" else bool)


def check(table: pd.DataFrame, columns: Sequence[Column]) -> pd.DataFrame:
    """Return the table unchanged, or raise BadTable naming the column and row that break the contract.

    The first time column (name ending in `_s` that may not lack) must not run backwards.
    """
    names = [column.name for column in columns]
    if list(table.columns) != names:
        raise BadTable(f"columns are {list(table.columns)}, the contract has {names}")
    for column in columns:
        values = table[column.name]
        right = {
            "float": pd.api.types.is_float_dtype(values),
            "text": pd.api.types.is_string_dtype(values),
            "flag": pd.api.types.is_bool_dtype(values),
        }
        if not right[column.kind]:
            raise BadTable(f"{column.name} has dtype {values.dtype}, the contract has {column.kind}")
        if not column.may_lack and column.kind != "flag" and values.isna().any():
            raise BadTable(f"{column.name} is missing in row {int(values.isna().to_numpy().argmax())}")
    clock = next((c.name for c in columns if c.name.endswith("_s") and not c.may_lack), None)
    if clock and (np.diff(table[clock].to_numpy()) < 0).any():
        raise BadTable(f"{clock} runs backwards after row {int((np.diff(table[clock].to_numpy()) < 0).argmax())}")
    return table
