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


def tells_outcome(column: str) -> bool:
    """Whether a measure is the time of an outcome, which may be sorted only as outcomes may: ROSC, re-arrest, termination."""
    return column.startswith(TIMES_OF_OUTCOMES)


def refuse_grouping(column: str, by: str) -> str:
    """The column of the groups, where a measure may be shown by it: any, but for the time of an outcome.

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
