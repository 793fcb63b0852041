"""Outcome from a landmark: of the cases still in arrest at a named time, those that had something by then and those that had not.

The only way in which an outcome is shown beside anything done during the arrest; even so it says what happened, not why.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from qi.model.errors import UnknownWord
from qi.model.words import many
from qi.trends import columns_used as use
from qi.trends.during_arrest import WHY
from qi.trends.effort import NEEDED as EFFORT
from qi.trends.effort import end_of_effort, number
from qi.trends.intervals import shown_words
from qi.trends.outcomes import OUTCOMES, Tally, columns_of, outcome_of, tally

_Told = tuple[np.ndarray, np.ndarray, np.ndarray]
ZERO = "the crew's first compression"
_ITD_STATUS = use.part(use.ITD_FROM_COMPRESSION, "status")


@dataclass(frozen=True)
class Factor:
    """Something done during the arrest: its name, the columns it needs, and what they tell of each case.

    told gives when it was done [s from ZERO], missing where it was not, or at a time not known; whether it surely was not; and
    whether it surely was.
    """

    label: str
    needed: Sequence[str]
    told: Callable[[pd.DataFrame], _Told]


@dataclass(frozen=True)
class Landmark:
    """An outcome from a landmark time.

    at_s, the landmark [s from ZERO]; had and had_not, the cases still in arrest then that had the factor by then, and those that
    had not, later of whom got it afterwards; ended, cases whose effort, or the record of it, had ended before; not_known, cases of
    which it is not known when the effort ended, or whether they had it by then; untimed, those of the latter that had it at some
    time.
    """

    factor: Factor
    outcome: str
    at_s: float
    had: Tally
    had_not: Tally
    later: int
    ended: int
    not_known: int
    untimed: int = 0

    @property
    def title(self) -> str:
        """What is shown, with its landmark: for over the chart."""
        return f"{OUTCOMES[self.outcome]}: cases still in arrest {self._when}, by {self.factor.label} up to then"

    @property
    def _when(self) -> str:
        return f"{self.at_s / 60:g} min after {ZERO}" if self.at_s >= 120 else f"{self.at_s:g} s after {ZERO}"

    def words(self) -> str:
        """In plain words, with who is left out and what it does not say."""
        outcome = OUTCOMES[self.outcome].lower().replace("rosc", "ROSC")
        few = shown_words(min(self.had.share.n, self.had_not.share.n))
        few = f"In the smaller group: {few[0].lower()}{few[1:]}" if few else ""
        return " ".join(
            part
            for part in (
                f"Landmark: {self._when}. Still in arrest then: {many(self.had.cases + self.had_not.cases, 'case')}.",
                f"With {self.factor.label} by then, {outcome} in {self.had.words()};",
                f"without it by then, in {self.had_not.words()}; {self.later} of these had it later.",
                f"Left out: {self.ended} whose effort, or the record of it, had ended before, {self.not_known} of which it is not"
                f" known{f' ({self.untimed} of them had it, at a time not known)' if self.untimed else ''}.",
                few,
                "Who had it by then was not left to chance, and the groups differ in other things: this does not say what it did.",
            )
            if part
        )


def _device(table: pd.DataFrame) -> _Told:
    status = table[_ITD_STATUS]
    return number(table, use.DEVICE_ON_S), use.is_one_of(status, "never", "censored"), use.is_one_of(status, "applied")


def _advanced_airway(table: pd.DataFrame) -> _Told:
    placed = table[use.ADVANCED_AIRWAY]
    return number(table, use.AIRWAY_S), use.is_one_of(placed, use.NO), use.is_one_of(placed, use.YES)


def _epinephrine(table: pd.DataFrame) -> _Told:
    doses = number(table, use.EPINEPHRINE_DOSES)
    return number(table, use.ACCESS_S) + number(table, use.EPINEPHRINE_FROM_ACCESS), doses == 0, doses > 0


FACTORS: Mapping[str, Factor] = {
    "device": Factor("the ITD", (use.DEVICE_ON_S, _ITD_STATUS), _device),
    "advanced_airway": Factor("an advanced airway", (use.AIRWAY_S, use.ADVANCED_AIRWAY), _advanced_airway),
    "epinephrine": Factor("epinephrine", (use.ACCESS_S, use.EPINEPHRINE_FROM_ACCESS, use.EPINEPHRINE_DOSES), _epinephrine),
}


def landmark(table: pd.DataFrame, outcome: str, factor: str, *, at_s: float) -> Landmark:
    """An outcome of the cases still in arrest at a landmark, by what they had been given before it.

    Parameters: table, with the outcome's columns, those of the factor, effort.NEEDED and excluded; outcome, a key of
    qi.trends.outcomes.OUTCOMES; factor, a key of FACTORS; at_s, the landmark, above 0 [s from the crew's first compression].
    Returns: Landmark. A case counts as still in arrest where the effort and the record of it ended after the landmark, by first
    ROSC, termination, hand-over or the record's end; which cases those are has nothing to do with the factor.
    Raises: UnknownWord for another factor or outcome; ValueError for a landmark that is not above 0; BadTable for a missing column.
    References: landmark analysis, Anderson, Cain and Gelber, J Clin Oncol 1 (1983) 710; resuscitation time bias, Andersen et al.,
    Resuscitation 125 (2018) 79 (both from memory).
    """
    if factor not in FACTORS:
        raise UnknownWord("landmark factors", factor, FACTORS)
    if not at_s > 0:
        raise ValueError(f"a landmark lies after {ZERO}: above 0 s, not {at_s:g} s. {WHY}")
    asked = FACTORS[factor]
    cases = use.included(table, (*columns_of(outcome), *asked.needed, *EFFORT))
    time, never, given = asked.told(cases)
    ended, going_on = _course(cases, at_s)
    by_then = ~np.isnan(time) & (time <= at_s)
    not_by_then = (~np.isnan(time) & (time > at_s)) | (np.isnan(time) & never & ~given)
    answers = outcome_of(cases, outcome)
    return Landmark(
        asked,
        outcome,
        at_s,
        had=tally(answers[going_on & by_then]),
        had_not=tally(answers[going_on & not_by_then]),
        later=int((going_on & ~np.isnan(time) & (time > at_s)).sum()),
        ended=int(ended.sum()),
        not_known=int((~ended & ~(going_on & (by_then | not_by_then))).sum()),
        untimed=int((going_on & np.isnan(time) & given).sum()),
    )


def _course(cases: pd.DataFrame, at_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Flags of the cases whose effort, or its record, had ended by the landmark, and of those in which it surely went on."""
    end = end_of_effort(cases)["end_s"].to_numpy()
    return end <= at_s, end > at_s
