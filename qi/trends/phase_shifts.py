"""How far the cases of a phase lie from those of the phase before it, for a chart on which a person began one."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from qi.trends import columns_used as use
from qi.trends.baselines import Plan
from qi.trends.dates import CASE, QUARTER, named
from qi.trends.medians import Shift, shift
from qi.trends.series import CASES, MEANS, MEDIANS, Subject, View, keys_at

OF_VALUES = (MEDIANS, CASES, MEANS)  # sorts of points whose cases have values to be compared
_STEPS = {QUARTER: "Q"}


@dataclass(frozen=True)
class PhaseShift:
    """A phase and how far its cases lie from those of the phase before: when it begins, in words, and the reason that was given."""

    since: str
    reason: str
    change: Shift


def phase_shifts(table: pd.DataFrame, subject: Subject, view: View, plan: Plan) -> tuple[PhaseShift, ...]:
    """Each phase of a chart against the one before it.

    Parameters: table, subject, view and plan as in qi.trends.series.chart_of.
    Returns: one a phase that was begun, in order of time; none where the points are shares, rates or times between events. All
    cases of a phase count, those older than a chart of single cases draws among them; those of points that were left out do not.
    References: as qi.trends.medians.shift.
    """
    view = view.settled(subject)
    if not plan.phases or view.sort not in OF_VALUES:
        return ()
    left_out = {key for point in plan.excluded for key in keys_at(table, subject, view, point.label)}
    cases = use.included(table[[use.KEY, use.CALL_DAY, use.EXCLUDED, subject.column]])
    cases = cases[(cases[use.CALL_DAY].notna() & cases[subject.column].notna() & ~cases[use.KEY].isin(left_out)).to_numpy()]
    phases = sorted(plan.phases, key=lambda phase: phase.start)
    begun = np.searchsorted([pd.Timestamp(phase.start) for phase in phases], _starts(cases[use.CALL_DAY], view), side="right")
    values = cases[subject.column].to_numpy(dtype=float)
    every = CASE if view.sort == CASES else view.every
    return tuple(
        PhaseShift(_since(phase.start, every), phase.reason, shift(values[begun == number - 1], values[begun == number]))
        for number, phase in enumerate(phases, 1)
    )


def _starts(days: pd.Series, view: View) -> np.ndarray:
    """First day of the point that each case is in."""
    if view.sort == CASES:
        return days.to_numpy()
    return days.dt.to_period(_STEPS.get(view.every, "M")).dt.start_time.to_numpy()


def _since(start: str, every: str) -> str:
    return f"{'on' if every == CASE else 'in'} {named(start, every)}"
