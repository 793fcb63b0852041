"""Tables as CSV that a spreadsheet shows and never runs."""

import re

import pandas as pd

from qi.exports.records import measure_record
from qi.model.cautions import SHORT
from qi.model.review import Review

_STARTS_A_FORMULA = ("=", "+", "-", "@", "\t", "\r")
_NOT_BEHIND_A_COMMA = re.compile(r'([,;\t]\s*)(?=[=+\-@"])')  # where a spreadsheet would begin a cell with it


def measures(review: Review, *, banner: str = "") -> str:
    """Every answer of every measure of one case, one row each, without the stretches they came from.

    Parameters: review; banner, the agency's own line.
    """
    rows = [{key: value for key, value in measure_record(judged).items() if key != "spans_s"} for judged in review.numbers]
    return text(pd.DataFrame(rows).assign(**_told(review)), banner=banner)


def pauses(review: Review, *, banner: str = "") -> str:
    """Every pause of one case [s from case start].

    Parameters: review; banner, the agency's own line.
    """
    return text(review.findings.pauses[["start_s", "end_s", "seconds", "cause", "causes"]].assign(**_told(review)), banner=banner)


def _told(review: Review) -> dict[str, str]:
    """Case and protocol, as columns."""
    chosen = review.protocol.chosen_by
    return {"case": review.case.id, "protocol": review.protocol.name, "protocol_chosen_by": chosen}


def text(table: pd.DataFrame, *, banner: str = "") -> str:
    """The table as CSV, the caution in a first line that starts with #; text that would start a formula gets an apostrophe.

    Parameters: table; banner, the agency's own line, which becomes a second line that starts with #.
    """
    safe = table.copy()
    for name in safe.columns:
        if not pd.api.types.is_numeric_dtype(safe[name]):
            safe[name] = safe[name].map(_harmless)
    return above(banner) + safe.rename(columns=_harmless).to_csv(index=False)


def above(banner: str) -> str:
    """The lines above a table: the caution, and the agency's own line where there is one."""
    return "".join(comment(line) for line in (SHORT, banner) if line)


def comment(line: str) -> str:
    """A line of words above a table, with its end; nothing in it begins a cell that a spreadsheet would run or leave open."""
    return "# " + _NOT_BEHIND_A_COMMA.sub(r"\1'", " ".join(line.split())) + "\n"


def _harmless(value: object) -> object:
    return f"'{value}" if isinstance(value, str) and value.startswith(_STARTS_A_FORMULA) else value
