"""Outcomes of many cases: how many had each, of whom it is not known, by Utstein group and by what is known before care begins.

Nothing here says why an outcome was so. What was done during the arrest is no way to sort outcomes: qi.trends.landmark.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from qi.model.errors import UnknownWord
from qi.model.words import many
from qi.trends import columns_used as use
from qi.trends import utstein
from qi.trends.during_arrest import refuse_outcome_by
from qi.trends.grouping import group_of, in_order
from qi.trends.intervals import COUNTS_ONLY, Share, share, shown_words

FAVOURABLE = "favourable_neurology"
OUTCOMES: Mapping[str, str] = {
    use.ANY_ROSC: "Any ROSC",
    use.SUSTAINED_ROSC: "ROSC for 20 min",
    use.SURVIVED_EVENT: "Alive at hand-over to the hospital",
    use.SURVIVED_TO_DISCHARGE: "Alive at discharge",
    FAVOURABLE: "Alive at discharge with favourable neurological outcome",
}
GOOD_CPC = 2.0  # CPC 1 or 2 (Utstein 2015, from memory)
GOOD_MRS = 3.0  # mRS 0 to 3 (Reynolds et al., Circulation 134 (2016) 2084, abstract read)
NOT_WHY = "Patients differ between groups and years: these counts say what happened, not why."


@dataclass(frozen=True)
class Tally:
    """How many cases had an outcome and how many had not, those recorded as not known, and those of which nothing is recorded."""

    yes: int
    no: int
    unknown: int
    not_recorded: int

    @property
    def cases(self) -> int:
        """All of them."""
        return self.yes + self.no + self.unknown + self.not_recorded

    @property
    def share(self) -> Share:
        """Share of the cases whose outcome is known, with its Wilson interval and with the rest counted as missing."""
        return share(self.yes, self.yes + self.no, missing=self.unknown + self.not_recorded)

    def words(self) -> str:
        """In plain words, the unknown ones by themselves."""
        apart = f"; recorded as not known in {self.unknown}, not recorded in {self.not_recorded}"
        known = share(self.yes, self.yes + self.no).words()
        return known + (apart if self.unknown or self.not_recorded else "")


@dataclass(frozen=True)
class GroupOutcome:
    """One outcome in one Utstein group; unplaced are the cases that may belong to it, since the record leaves it open."""

    group: utstein.Group
    outcome: str
    tally: Tally
    unplaced: int

    def words(self) -> str:
        """A sentence for under the chart."""
        text = f"{self.group.label}: {OUTCOMES[self.outcome].lower().replace('rosc', 'ROSC')} in {self.tally.words()}."
        if self.unplaced:
            text += f" {self.unplaced} more may belong here: witness, rhythm or bystander CPR is not recorded."
        return " ".join(part for part in (text, shown_words(self.tally.share.n), self.group.note) if part)


def outcome_of(table: pd.DataFrame, outcome: str) -> pd.Series:
    """An outcome of each case: yes, no, unknown or missing.

    Parameters: table, with the columns of `columns_of(outcome)`; outcome, a key of OUTCOMES.
    Returns: text, one a case. A favourable neurological outcome is CPC 1 or 2 or, without a CPC, mRS 0 to 3; no for whoever is
    known not to have lived to discharge; missing for a survivor without either score.
    Raises: UnknownWord for another outcome; BadTable where a column is missing or holds a strange word.
    References: see GOOD_CPC and GOOD_MRS.
    """
    use.need(table, columns_of(outcome))
    if outcome != FAVOURABLE:
        return use.said(table[outcome])
    lived = use.said(table[use.SURVIVED_TO_DISCHARGE])
    cpc, mrs = (table[name].astype(float) for name in (use.CPC, use.MRS))
    good = pd.Series(np.where(cpc.notna(), cpc <= GOOD_CPC, mrs <= GOOD_MRS), index=table.index)
    scored = pd.Series(np.where(good, use.YES, use.NO), index=table.index, dtype="str")
    scored = scored.where(cpc.notna() | mrs.notna(), lived.where(lived == use.UNKNOWN))
    return scored.where((lived != use.NO).to_numpy(), use.NO)


def columns_of(outcome: str) -> Sequence[str]:
    """The columns that an outcome is read from.

    Raises: UnknownWord for what is no outcome.
    """
    if outcome not in OUTCOMES:
        raise UnknownWord("outcome", outcome, OUTCOMES)
    return (use.SURVIVED_TO_DISCHARGE, use.CPC, use.MRS) if outcome == FAVOURABLE else (outcome,)


def tally(answers: pd.Series) -> Tally:
    """Count yes, no, unknown and missing answers."""
    yes, no, unknown = (int((answers == word).sum()) for word in (use.YES, use.NO, use.UNKNOWN))
    return Tally(yes, no, unknown, int(answers.isna().sum()))


def by_utstein(table: pd.DataFrame, outcome: str) -> tuple[GroupOutcome, ...]:
    """One outcome in every Utstein group, the comparator among them, excluded cases left out.

    Parameters: table, with the outcome's columns, utstein.NEEDED and excluded; outcome, a key of OUTCOMES.
    Returns: GroupOutcome, one a group, in the order of utstein.GROUPS.
    Raises: as outcome_of and utstein.member.
    """
    cases = use.included(table, (*columns_of(outcome), *utstein.NEEDED))
    answers = outcome_of(cases, outcome)
    found = []
    for group, belongs in zip(utstein.GROUPS, utstein.members(cases, utstein.GROUPS), strict=True):
        found.append(GroupOutcome(group, outcome, tally(answers[belongs == use.YES]), int(belongs.isna().sum())))
    return tuple(found)


def by_group(table: pd.DataFrame, outcome: str, by: str) -> pd.DataFrame:
    """One outcome by station, shift or whatever is known before the crew's care begins, for a funnel plot.

    Parameters: table, with the outcome's columns, `by` and excluded; outcome, a key of OUTCOMES; by, a column.
    Returns: a row a group in order of its name, never of its outcome: group, count (yes), n (known), missing, shown.
    Raises: OutcomeByTreatment for a device, an airway, a drug, a dose or a measure; as outcome_of.
    """
    refuse_outcome_by(by)
    cases = use.included(table, (*columns_of(outcome), by))
    answers, groups = outcome_of(cases, outcome), group_of(cases, by)
    rows = []
    for name in in_order(groups):
        one = tally(answers[(groups == name).to_numpy()]).share
        rows.append({"group": name, "count": one.count, "n": one.n, "missing": one.missing, "shown": one.shown})
    return pd.DataFrame(rows, columns=["group", "count", "n", "missing", "shown"])


def said_of_missing(table: pd.DataFrame, outcome: str) -> str:
    """How much of an outcome is known at all, with what the missing ones could make of the share."""
    one = tally(outcome_of(use.included(table, columns_of(outcome)), outcome)).share
    if not one.missing:
        return f"The outcome of {'the' if one.n == 1 else 'all'} {many(one.n, 'case')} is known."
    if one.shown == COUNTS_ONLY:
        return f"The outcome of {one.missing:,} of {many(one.n + one.missing, 'case')} is not known."
    return (
        f"The outcome of {one.missing:,} of {many(one.n + one.missing, 'case')} is not known: the share lies between "
        f"{one.at_least * 100:.0f} % if none of them had it and {one.at_most * 100:.0f} % if all had. {NOT_WHY}"
    )


def shares_table(labelled: Sequence[tuple[str, Tally]]) -> pd.DataFrame:
    """Outcomes of several groups as a table.

    Parameters: labelled, name and Tally of each, in order.
    Returns: label, count (had it), n (known), missing, value, low and high (Wilson), shown; share and interval are missing below
    10 cases.
    """
    rows = []
    for label, one in labelled:
        of = one.share
        given = (np.nan,) * 3 if of.shown == COUNTS_ONLY else (of.value, of.low, of.high)
        rows.append((label, of.count, of.n, of.missing, *given, of.shown))
    return pd.DataFrame(rows, columns=["label", "count", "n", "missing", "value", "low", "high", "shown"])
