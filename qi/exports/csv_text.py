"""Tables as CSV that a spreadsheet shows and never runs."""

import pandas as pd

from qi.exports.records import measure_record
from qi.model.cautions import SHORT
from qi.model.review import Review

_STARTS_A_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def measures(review: Review) -> str:
    """Every answer of every measure of one case, one row each, without the stretches they came from."""
    rows = [{key: value for key, value in measure_record(judged).items() if key != "spans_s"} for judged in review.numbers]
    return text(pd.DataFrame(rows).assign(**_told(review)))


def pauses(review: Review) -> str:
    """Every pause of one case [s from case start]."""
    return text(review.findings.pauses[["start_s", "end_s", "seconds", "cause", "causes"]].assign(**_told(review)))


def _told(review: Review) -> dict[str, str]:
    """Case and protocol, as columns."""
    chosen = review.protocol.chosen_by
    return {"case": review.case.id, "protocol": review.protocol.name, "protocol_chosen_by": chosen}


def text(table: pd.DataFrame) -> str:
    """The table as CSV, the caution in a first line that starts with #; text that would start a formula gets an apostrophe."""
    safe = table.copy()
    for name in safe.columns:
        if not pd.api.types.is_numeric_dtype(safe[name]):
            safe[name] = safe[name].map(_harmless)
    return f"# {SHORT}\n" + safe.rename(columns=_harmless).to_csv(index=False)


def _harmless(value: object) -> object:
    return f"'{value}" if isinstance(value, str) and value.startswith(_STARTS_A_FORMULA) else value
