"""What cuts a resuscitation of the sample agency short: hand-over in arrest, a record that ends, no shock, no epinephrine.

How often is our choice, no source. Nothing here knows what becomes of the patient but that ROSC came or not.
"""

import math
from dataclasses import replace

import numpy as np

from tests.simulator.schedule import Plan

HANDED_OVER, CUT_OFF = 0.3, 0.06  # of the cases without ROSC
UNSHOCKED, UNDOSED = 0.12, 0.35  # of those whose first rhythm was shockable; of short efforts
SHORT_S = 700.0
OPEN_END = "record_ends"  # marked by nobody: the record ends in mid-arrest


def as_it_went(plan: Plan, rng: np.random.Generator) -> Plan:
    """A plan with what cut it short. No drug is given between ROSC and re-arrest.

    Parameters: plan; rng, of this alone.
    """
    ending, early, without_shock, without_dose = rng.random(4)
    short_s = float(rng.uniform(300, 900))
    plan = replace(plan, extra=tuple(one for one in plan.extra if one.type != "drug" or not _in_circulation(plan, one.time_s)))
    if without_shock < UNSHOCKED and plan.shocks:
        plan = replace(plan, shocks=(), rhythms=((0.0, plan.rhythms[0][1]), (plan.first_s + 60.0, "PEA")))
    if plan.rosc_s is not None or ending >= HANDED_OVER + CUT_OFF:
        return plan
    cut = ending >= HANDED_OVER
    last = min(plan.last_s, plan.first_s + short_s) if cut or early < 0.5 else plan.last_s
    dosed = without_dose >= UNDOSED or last - plan.first_s > SHORT_S
    return replace(
        plan,
        last_s=last,
        length_s=last + 10.0 if cut else min(plan.length_s, last + 150.0),
        closing=OPEN_END if cut else "care_transferred",
        extra=tuple(one for one in plan.extra if one.time_s < last - 5.0 and (dosed or one.type != "drug")),
    )


def _in_circulation(plan: Plan, time_s: float) -> bool:
    return plan.rosc_s is not None and plan.rosc_s <= time_s < (plan.rearrest_s or math.inf)
