"""When each effort ended, and by what, whatever was done in it: first ROSC, termination, hand-over in arrest, or end of record."""

import numpy as np
import pandas as pd

from qi.trends import columns_used as use

NEEDED = (use.EFFORT_END_S, use.EFFORT_END)
ENDED, RECORD_ENDS = "ended", "record ends"
_RECORD_END = "record end"


def number(table: pd.DataFrame, column: str) -> np.ndarray:
    """A column as floats."""
    return table[column].to_numpy(dtype=float)


def end_of_effort(table: pd.DataFrame) -> pd.DataFrame:
    """When the effort, or the record of it, ended.

    Parameters: table, with NEEDED.
    Returns: a row a case, on the table's index: end_s [s from the crew's first compression], missing where no such was seen; how,
    ended (first ROSC, termination, hand-over) or record ends, missing where nothing tells.
    Notes: both were told from the course of the arrest when the case was measured: no device, airway or drug has a say in them, so
    that no case is kept or dropped by what it was given.
    """
    by = use.need(table, NEEDED)[use.EFFORT_END]
    code = np.where(by.isna(), -1, use.is_one_of(by, _RECORD_END))
    how = pd.Categorical.from_codes(code, [ENDED, RECORD_ENDS])
    return pd.DataFrame({"end_s": number(table, use.EFFORT_END_S), "how": how}, index=table.index)
