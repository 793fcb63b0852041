"""Utstein groups and strata: who is in each, and of whom the record does not tell."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from qi.model.errors import BadTable
from qi.model.vocabulary import RHYTHMS, SHOCKABLE
from qi.trends import columns_used as use

EMS, BYSTANDER, NOBODY = "ems", "bystander", "no"
STRATA: Mapping[str, str] = {
    "ems_witnessed": "witnessed by the crew",
    "bystander_shockable": "witnessed by a bystander, shockable",
    "bystander_not_shockable": "witnessed by a bystander, not shockable",
    "unwitnessed_shockable": "not witnessed, shockable",
    "unwitnessed_not_shockable": "not witnessed, not shockable",
}
NEEDED = (use.WITNESSED, use.FIRST_RHYTHM, use.BYSTANDER_CPR)


@dataclass(frozen=True)
class Group:
    """One Utstein group: its key, its name, what puts a case into it, and how the source differs."""

    key: str
    label: str
    conditions: Sequence[Callable[[pd.DataFrame], pd.Series]]
    note: str = ""


def witnessed_by(who: str) -> Callable[[pd.DataFrame], pd.Series]:
    """A condition: the arrest was witnessed by the crew (ems), a bystander, or nobody (no)."""

    def condition(table: pd.DataFrame) -> pd.Series:
        told = use.words(table[use.WITNESSED])
        if (strange := told[~told.isin((EMS, BYSTANDER, NOBODY, use.UNKNOWN)) & told.notna()]).size:
            raise BadTable(f"witnessed holds “{strange.iloc[0]}”; it may hold bystander, ems, no, unknown or nothing")
        return _answer(told == who, told.isin((EMS, BYSTANDER, NOBODY)))

    return condition


def shockable(table: pd.DataFrame) -> pd.Series:
    """yes, no or missing: the first rhythm was shockable. A word outside the vocabulary tells nothing.

    Notes: an organised first rhythm in arrest counts as not shockable (ours).
    """
    rhythm = use.words(table[use.FIRST_RHYTHM])
    return _answer(rhythm.isin(SHOCKABLE), rhythm.isin(RHYTHMS))


def not_shockable(table: pd.DataFrame) -> pd.Series:
    """yes, no or missing: the first rhythm is known and was not shockable."""
    return shockable(table).map({use.YES: use.NO, use.NO: use.YES}).astype("str")


def bystander_cpr(table: pd.DataFrame) -> pd.Series:
    """yes, no or missing: a bystander gave CPR."""
    told = use.said(table[use.BYSTANDER_CPR])
    return told.where(told != use.UNKNOWN)


def _answer(so: pd.Series, known: pd.Series) -> pd.Series:
    return pd.Series(np.where(so, use.YES, use.NO), index=so.index, dtype="str").where(known)


GROUPS: Sequence[Group] = (
    Group("all", "All EMS-treated", (), "Every case of the table that is not left out counts as treated."),
    Group(
        "comparator",
        "Utstein comparator: witnessed by a bystander, shockable",
        (witnessed_by(BYSTANDER), shockable),
    ),
    Group(
        "comparator_cpr",
        "Comparator with bystander CPR",
        (witnessed_by(BYSTANDER), shockable, bystander_cpr),
        "One registry counts a bystander's AED without CPR as well; here it is CPR alone.",
    ),
    Group("bystander_not_shockable", "Witnessed by a bystander, not shockable", (witnessed_by(BYSTANDER), not_shockable)),
    Group("unwitnessed_shockable", "Not witnessed, shockable", (witnessed_by(NOBODY), shockable)),
    Group("unwitnessed_not_shockable", "Not witnessed, not shockable", (witnessed_by(NOBODY), not_shockable)),
    Group("ems_witnessed", "Witnessed by the crew", (witnessed_by(EMS),), "Shown apart; in no other group but the first."),
)


def member(table: pd.DataFrame, group: Group) -> pd.Series:
    """Whether each case is in a group: yes, no, or missing where the record leaves it open.

    Parameters: table, with NEEDED; group, of GROUPS.
    Returns: text, one a case. One condition that fails is enough for a no, whatever the others say.
    Raises: BadTable where a column is missing or holds a strange word.
    References: comparator, and it with bystander CPR: CARES 2017 report p. 28 (read); all EMS-treated as the first denominator
    and EMS-witnessed apart: Utstein 2015 (from memory).
    """
    return members(table, [group])[0]


def members(table: pd.DataFrame, groups: Sequence[Group]) -> tuple[pd.Series, ...]:
    """Whether each case is in each of several groups, as `member` says, at little more than the cost of one."""
    few, told = _combinations(table)
    return tuple(told(_member(few, group)) for group in groups)


def _member(table: pd.DataFrame, group: Group) -> pd.Series:
    answer = pd.Series(use.YES, index=table.index, dtype="str")
    for condition in group.conditions:
        told = condition(table)
        open_ = (told.isna() & (answer != use.NO)) | (answer.isna() & (told != use.NO))
        answer = answer.where(~(told == use.NO).to_numpy(), use.NO).where(~open_.to_numpy())
    return answer


def _combinations(table: pd.DataFrame) -> tuple[pd.DataFrame, Callable[[pd.Series], pd.Series]]:
    """Each combination of the words of NEEDED once, and what tells every case the answer of its own combination."""
    told = use.need(table, NEEDED)[list(NEEDED)]
    number = np.zeros(len(told), dtype=int)
    for name in NEEDED:
        codes, words = pd.factorize(told[name])
        number = number * (len(words) + 1) + codes + 1
    which, kinds = pd.factorize(number)
    first = np.zeros(len(kinds), dtype=int)
    first[which[::-1]] = np.arange(len(told))[::-1]  # where one stands several times, its first row is written last
    few = told.iloc[first]
    return few, lambda answer: pd.Series(answer.array.take(which), index=table.index, dtype="str")


def stratum(table: pd.DataFrame) -> pd.Series:
    """The stratum of each case (a key of STRATA), missing where witness or first rhythm is not known.

    Parameters: table, with NEEDED.
    Returns: text, one a case; a case witnessed by the crew needs no rhythm.
    Raises: as member.
    """
    few, told = _combinations(table)
    return told(_stratum(few))


def _stratum(table: pd.DataFrame) -> pd.Series:
    who = {word: (witnessed_by(word)(table) == use.YES).to_numpy() for word in (EMS, BYSTANDER, NOBODY)}
    rhythm = shockable(table)
    shocks, not_shocks = (rhythm == use.YES).to_numpy(), (rhythm == use.NO).to_numpy()
    so = {
        "ems_witnessed": who[EMS],
        "bystander_shockable": who[BYSTANDER] & shocks,
        "bystander_not_shockable": who[BYSTANDER] & not_shocks,
        "unwitnessed_shockable": who[NOBODY] & shocks,
        "unwitnessed_not_shockable": who[NOBODY] & not_shocks,
    }
    found = pd.Series(np.select(list(so.values()), list(so), ""), index=table.index, dtype="str")
    return found.where(found != "")
