"""Resuscitation-time bias: why no outcome is shown by what was done during the arrest, and the refusal of it.

Who is in arrest for longer has more time to be given a device, an airway or a drug, and dies more often for that reason alone.
Shown by treatment, an outcome would tell how long arrests went on.
"""

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
