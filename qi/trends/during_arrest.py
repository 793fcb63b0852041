"""Resuscitation-time bias: why no outcome is shown by what was done during the arrest, and the refusal of it.

Who is in arrest for longer has more time to be given a device, an airway or a drug, and dies more often for that reason alone.
Shown by treatment, an outcome would tell how long arrests went on.
"""

from collections.abc import Iterable, Mapping

from qi.model.errors import QiError
from qi.trends import columns_used as use

KNOWN_BEFORE = (
    "agency",
    use.YEAR,
    use.MONTH,
    use.HOUR,
    use.STATION,
    use.SHIFT,
    use.UNIT,
    "age_years",
    "sex",
    use.WITNESSED,
    use.BYSTANDER_CPR,
    "bystander_aed",
    "dispatcher_cpr",
    "cause",
    "location",
    "response_interval_s",
    use.FIRST_RHYTHM,
)
WHY = (
    "The longer an arrest lasts, the more is done in it and the fewer survive. An outcome by what was done would show how long "
    "arrests lasted, not what the treatment did."
)


class OutcomeByTreatment(QiError):
    """An outcome was asked for by something done, measured or known only during the arrest, without a landmark time."""

    def __init__(self, by: str) -> None:
        self.by = by
        super().__init__(
            f"no outcome is shown by {by}: it is not known before the crew's care begins. {WHY} Ask from a landmark time instead: "
            f"of the cases still in arrest then, those that had it by then and those that had not."
        )


def refuse_outcome_by(by: str) -> str:
    """The column, where an outcome may be shown by it: known before the crew's care begins.

    Raises: OutcomeByTreatment for any other, be it a device, an airway, a drug, a dose or a measure.
    References: resuscitation time bias, Andersen, Grossestreuer and Donnino, Resuscitation 125 (2018) 79 (from memory).
    """
    if by not in KNOWN_BEFORE:
        raise OutcomeByTreatment(by)
    return by


TIMES_OF_OUTCOMES = ("interval_s.rosc.", "interval_s.rearrest.", "interval_s.terminated.")
_OF_ROSC_CASES, _AFTER_ROSC = ("device_left_on_s.",), ".after_rosc"  # measures, and answers of any measure, that start at ROSC
OUTCOME_COLUMNS = (use.ANY_ROSC, use.SUSTAINED_ROSC, use.SURVIVED_EVENT, use.SURVIVED_TO_DISCHARGE, use.CPC, use.MRS)


def tells_outcome(column: str) -> bool:
    """Whether a measure may be sorted only as outcomes may: the time of one (ROSC, re-arrest, termination), or one that only cases
    with ROSC have, so that its number of cases would tell how many had it.
    """
    return bool(why_outcome(column))


def why_outcome(column: str) -> str:
    """Why a measure tells an outcome, to follow “since”; empty where it does not."""
    if column.startswith(TIMES_OF_OUTCOMES):
        return "it is the time of an outcome"
    of_rosc = column.startswith(_OF_ROSC_CASES) or column.endswith(_AFTER_ROSC)
    return "only cases with ROSC have it, and their number would tell an outcome" if of_rosc else ""


def refuse_grouping(column: str, by: str) -> str:
    """The column of the groups, where a measure may be shown by it: any, but for a measure that tells an outcome.

    Raises: OutcomeByTreatment as refuse_outcome_by.
    """
    return refuse_outcome_by(by) if tells_outcome(column) else by


def groupings(column: str, ways: Iterable[str]) -> tuple[str, ...]:
    """Those of some ways to sort cases by which a measure may be shown."""
    return tuple(by for by in ways if not tells_outcome(column) or by in KNOWN_BEFORE)


def said_of_chosen(chosen_by: Iterable[str], labels: Mapping[str, str]) -> str:
    """Why no outcome is shown of cases that were chosen by some columns; empty where all of them are known before care begins.

    Parameters: chosen_by, columns; labels, their names on screen.
    """
    names = [labels[by] for by in chosen_by if by not in KNOWN_BEFORE]
    if not names:
        return ""
    return (
        f"No outcome is shown of cases chosen by {' and '.join(names)}, which is not known before the crew's care begins. {WHY} "
        "Of cases not chosen by it, outcomes are shown, also from a landmark time."
    )
