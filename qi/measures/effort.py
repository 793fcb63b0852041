"""When the effort ended, and by what: told by the course of the arrest alone, whatever was or was not done in it."""

import pandas as pd

from qi.model.findings import Arrest
from qi.model.points import first_onset

ROSC, TERMINATION, HAND_OVER, RECORD_END = "rosc", "termination", "hand-over", "record end"
ENDINGS = (ROSC, TERMINATION, HAND_OVER, RECORD_END)
_CLOSED_BY = {"rosc": ROSC, "terminated": TERMINATION, "care_transferred": HAND_OVER, "recording": RECORD_END}


def end_of_effort(
    compressions: pd.DataFrame, course: Arrest, *, rosc_s: float | None, terminated_s: float | None
) -> tuple[float | None, str | None]:
    """When the effort, or the record of it, ended, and by what.

    Parameters: compressions, COMPRESSIONS table [s]; course, how the arrest went; rosc_s and terminated_s,
    first ROSC and termination from the crew's first compression, None where they have no time [s].
    Returns: seconds from the crew's first compression, None where no sensor or list saw one; and rosc, termination, hand-over or
    record end; None where nothing tells of an arrest. Whichever of ROSC and termination came first; without a time of either, what
    closed the course of the arrest, at its end.
    References: our definition (no source).
    """
    own = [(time, how) for time, how in ((rosc_s, ROSC), (terminated_s, TERMINATION)) if time is not None]
    if own:
        return min(own, key=lambda one: one[0])
    if not course.spans:
        return None, None
    zero = first_onset(compressions)
    return None if zero is None else course.spans.hull.end_s - zero, _CLOSED_BY[course.closed_by or "recording"]
