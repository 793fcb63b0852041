"""What a person sets on a chart: frozen baselines, phases, points left out. Nothing here is ever set by a rule.

A new phase is warranted only where the behaviour differs, the reason is known, the change is wanted and is expected to last
(Wheeler's four questions, read in a secondary copy); the person who sets it answers them in the reason.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from qi.model.errors import QiError


class BadPlan(QiError):
    """A baseline, phase or left-out point lacks its reason, or contradicts another."""


def _days(*days: str | None) -> None:
    for day in days:
        try:
            right = day is None or date.fromisoformat(day).isoformat() == day
        except ValueError:
            right = False
        if not right:
            raise BadPlan(f"“{day}” is no day; write YYYY-MM-DD")


def _reason(what: str, reason: str) -> None:
    if not reason.strip():
        raise BadPlan(f"{what} needs a reason, which the chart shows")


def _once(what: str, found: list[str]) -> None:
    if twice := sorted({one for one in found if found.count(one) > 1}):
        raise BadPlan(f"{what} {', '.join(twice)} more than once")


@dataclass(frozen=True)
class Baseline:
    """The points that centre and limits are frozen from: those that begin on or before `end`, and not before `start` if given.

    Days are YYYY-MM-DD. Without a start it begins with its phase; points of the phase before a start are drawn and not judged.
    """

    end: str
    reason: str
    start: str | None = None

    def __post_init__(self) -> None:
        _days(self.start, self.end)
        _reason("a baseline", self.reason)
        if self.start is not None and self.start > self.end:
            raise BadPlan(f"the baseline starts on {self.start}, after its end on {self.end}")


@dataclass(frozen=True)
class Phase:
    """A new phase from the first point that begins on or after `start` (YYYY-MM-DD), with the reason that the chart shows."""

    start: str
    reason: str

    def __post_init__(self) -> None:
        _days(self.start)
        _reason("a phase", self.reason)


@dataclass(frozen=True)
class Excluded:
    """A point that counts in no centre, limit or signal, by its label; it stays visible with the reason."""

    label: str
    reason: str

    def __post_init__(self) -> None:
        _reason(f"leaving out {self.label}", self.reason)


@dataclass(frozen=True)
class Plan:
    """All that people set on one chart."""

    baselines: tuple[Baseline, ...] = ()
    phases: tuple[Phase, ...] = ()
    excluded: tuple[Excluded, ...] = ()

    def __post_init__(self) -> None:
        _once("phases begin on", [phase.start for phase in self.phases])
        _once("points are left out twice:", [point.label for point in self.excluded])
        _once("two baselines end in phase", [str(self.phase_of(baseline.end)) for baseline in self.baselines])

    def phase_of(self, day: str) -> int:
        """Number of the phase that a day falls in, from 1."""
        return 1 + sum(phase.start <= day for phase in self.phases)

    def baseline_of(self, phase: int) -> Baseline | None:
        """The baseline frozen in a phase, if any."""
        return next((baseline for baseline in self.baselines if self.phase_of(baseline.end) == phase), None)

    def reason_of(self, phase: int) -> str:
        """Why a phase began; empty for the one before any was set."""
        ordered = sorted(self.phases, key=lambda one: one.start)
        return "" if phase == 1 else ordered[phase - 2].reason


NO_PLAN = Plan()


def place(labels: Iterable[str], starts: Iterable[str], present: np.ndarray, plan: Plan) -> pd.DataFrame:
    """Phase and part of each point under a plan.

    Parameters: labels and starts, name and first day of each point in order; present, whether it has a value; plan.
    Returns: a table with phase (from 1), excluded, why, baseline (centre and limits come from it) and judged, a row a point.
    """
    reasons = {point.label: point.reason for point in plan.excluded}
    why = [reasons.get(name) for name in labels]
    days = list(starts)
    phases = [plan.phase_of(day) for day in days]
    baselines = {phase: plan.baseline_of(phase) for phase in set(phases)}
    frozen = [baselines[phase] for phase in phases]
    excluded = np.array([one is not None for one in why], dtype=bool)
    inside = [one is None or (one.start or "") <= day <= one.end for one, day in zip(frozen, days, strict=True)]
    early = [one is not None and day < (one.start or "") for one, day in zip(frozen, days, strict=True)]
    return pd.DataFrame(
        {
            "phase": np.array(phases, dtype=float),
            "excluded": excluded,
            "why": pd.array(why, dtype="str"),
            "baseline": present & ~excluded & np.array(inside, dtype=bool),
            "judged": present & ~excluded & ~np.array(early, dtype=bool),
        }
    )
