"""When each effort ended, as far as the cohort table tells: first ROSC, termination, or the end that the device's entry gives."""

import numpy as np
import pandas as pd

from qi.trends import columns_used as use

NEEDED = (
    use.ANY_ROSC,
    use.ROSC_S,
    use.TERMINATED_S,
    use.ITD_FROM_COMPRESSION,
    use.part(use.ITD_FROM_COMPRESSION, "low"),
    use.part(use.ITD_FROM_COMPRESSION, "status"),
)
ENDED, RECORD_ENDS = "ended", "record ends"


def number(table: pd.DataFrame, column: str) -> np.ndarray:
    """A column as floats."""
    return table[column].to_numpy(dtype=float)


def end_of_effort(table: pd.DataFrame) -> pd.DataFrame:
    """When the effort, or the record of it, ended.

    Parameters: table, with NEEDED.
    Returns: a row a case, on the table's index: end_s [s], missing where nothing tells; how, ended (first ROSC, termination,
    hand-over) or record ends.
    Notes: first ROSC and termination count from the crew's first compression; where neither is recorded, the end that an ITD not
    applied was held against counts from the first compression by anybody.
    """
    use.need(table, NEEDED)
    own = np.fmin(number(table, use.ROSC_S), number(table, use.TERMINATED_S))
    status = use.words(table[use.part(use.ITD_FROM_COMPRESSION, "status")])
    without = np.where(status.isin(("never", "censored")), number(table, use.part(use.ITD_FROM_COMPRESSION, "low")), np.nan)
    censored = np.isnan(own) & (status == "censored").to_numpy() & ~np.isnan(without)
    end = np.where(np.isnan(own), without, own)
    how = pd.Series(np.where(censored, RECORD_ENDS, ENDED), index=table.index, dtype="str")
    return pd.DataFrame({"end_s": end, "how": how.where(~np.isnan(end))}, index=table.index)
