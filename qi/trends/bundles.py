"""Bundles of care: all-or-none and element by element, what is missing counted by itself and never silently met or failed."""

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from qi.model.errors import NotMeasurable, UnknownWord
from qi.model.words import many
from qi.trends import after_rosc
from qi.trends import columns_used as use
from qi.trends.during_arrest import OUTCOME_COLUMNS
from qi.trends.intervals import COUNTS_ONLY, Share, percent, share, shown, shown_words

_FILE = Path(__file__).with_name("bundles.toml")
BY_PERIOD = ("key", "label", "period", "count", "n", "missing", "not_asked", "share", "low", "high", "shown")
MET, NOT_MET, MISSING, NOT_ASKED = "met", "not met", "missing", "not asked"


@dataclass(frozen=True)
class When:
    """A condition: a column holds one of some words, or any of some columns has a value."""

    column: str = ""
    words: Sequence[str] = ()
    any_value: Sequence[str] = ()

    @property
    def needed(self) -> Sequence[str]:
        """The columns that it reads."""
        return self.any_value or (self.column,)

    def holds(self, table: pd.DataFrame) -> pd.Series:
        """yes, no, or missing where the column says nothing or unknown."""
        if self.any_value:
            so = table[list(self.any_value)].notna().any(axis=1)
            return pd.Series(np.where(so, use.YES, use.NO), index=table.index, dtype="str")
        told = use.words(table[self.column])
        answer = pd.Series(np.where(told.isin(self.words), use.YES, use.NO), index=table.index, dtype="str")
        return answer.where(told.notna() & (told != use.UNKNOWN))


@dataclass(frozen=True)
class Element:
    """One element: its name, the column that tells of it (verdict, applied or fact), when it is asked, what the record holds.

    limit, what a fact is held against, in words.
    """

    key: str
    label: str
    verdict: str = ""
    applied: str = ""
    fact: str = ""
    record: str = ""
    limit: str = ""
    when: Sequence[When] = ()

    @property
    def name(self) -> str:
        """Its label, with what it is held against where a table of limits says so."""
        return f"{self.label} ({self.limit})" if self.limit else self.label

    @property
    def column(self) -> str:
        """The column that tells whether it was met."""
        if self.verdict:
            return use.part(self.verdict, "verdict")
        return use.part(self.applied, "status") if self.applied else self.fact

    def state(self, table: pd.DataFrame) -> pd.Series:
        """met, not met, missing or not asked, for each case."""
        asked, told = _all(self.when, table), table[self.column]
        if self.fact:
            met = use.said(told).map({use.YES: MET, use.NO: NOT_MET})
        elif self.applied:
            met = use.words(told).map({"applied": MET, "never": NOT_MET})
        else:
            met = use.words(told).where(told.isin((MET, NOT_MET)).to_numpy())
        found = met.astype("str").fillna(MISSING).where(asked.notna().to_numpy(), MISSING)
        return found.where(~(asked == use.NO).to_numpy(), NOT_ASKED)


@dataclass(frozen=True)
class Bundle:
    """A bundle: its elements, the cases that it is asked of, its edition and where the choice of elements comes from."""

    key: str
    label: str
    edition: str
    source: str
    element: Sequence[Element]
    when: Sequence[When] = ()

    @property
    def needed(self) -> Sequence[str]:
        """The columns that it reads."""
        conditions = [*self.when, *(one for element in self.element for one in element.when)]
        names = [*(element.column for element in self.element), *(name for one in conditions for name in one.needed)]
        return tuple(dict.fromkeys(names))

    @property
    def tells_outcome(self) -> bool:
        """Whether it, or an element, is asked only of cases with an outcome, so that its counts would tell how many had that."""
        conditions = [*self.when, *(one for element in self.element for one in element.when)]
        return any(name in OUTCOME_COLUMNS for one in conditions for name in one.needed)

    def refused(self, no_outcomes: str) -> str:
        """Why it is not shown of the cases at hand; empty where it is.

        Parameters: no_outcomes, why no outcome is shown of them (qi.trends.during_arrest.said_of_chosen), empty where they are.
        """
        if not no_outcomes or not self.tells_outcome:
            return ""
        return f"{self.label}: it is asked of cases with ROSC, and their number would tell an outcome. {no_outcomes}"


@dataclass(frozen=True)
class ElementResult:
    """One element over many cases: share that met it, cases of which it is missing, and cases that it was not asked of."""

    element: Element
    share: Share
    not_asked: int

    def words(self) -> str:
        """In plain words."""
        apart = f"; not asked in {self.not_asked}" if self.not_asked else ""
        return f"{self.element.name}: met in {self.share.words()}{apart}."


@dataclass(frozen=True, eq=False)
class BundleResult:
    """A bundle over many cases.

    all_or_none: share of the cases in which every element asked was met; a case is open (missing) where none failed but one is
    missing. elements, each by itself. met_elements of asked_elements (met or not) are over all cases, missing_elements apart.
    states, a row a case on the table's index: the state of every element by its key, and of the whole. unplaced, cases of
    which it is not known whether the bundle is asked. The opportunity share has no interval: the elements of one case hang
    together.
    """

    bundle: Bundle
    all_or_none: Share
    elements: Sequence[ElementResult]
    met_elements: int
    asked_elements: int
    missing_elements: int
    states: pd.DataFrame
    unplaced: int
    notes: Sequence[str] = field(default=())

    @property
    def opportunity(self) -> float:
        """Elements met over elements asked and known, all cases together; NaN where there is none."""
        return self.met_elements / self.asked_elements if self.asked_elements else np.nan

    def words(self) -> str:
        """In plain words, with what missing entries could make of the share."""
        one = self.all_or_none
        parts = [f"{self.bundle.label} (edition {self.bundle.edition}), every element asked: met in {one.words()}."]
        if one.missing and shown(one.n) != COUNTS_ONLY:
            parts.append(f"Between {percent(one.at_least)} and {percent(one.at_most)}, by what the missing entries are.")
        if one.missing:
            parts.append("A case with a failed element counts as failed whatever is missing, one with none failed stays open.")
        parts.append(
            f"Elements met: {self.met_elements} of {self.asked_elements}, {self.missing_elements} missing. Missing is neither met "
            "nor failed; what was not asked of a case does not count."
        )
        parts += [f"Whether it is asked is not known in {many(self.unplaced, 'case')}."] if self.unplaced else []
        return " ".join(part for part in (*parts, shown_words(one.n), *self.notes) if part)


def bundles() -> tuple[Bundle, ...]:
    """The bundles as they are defined in bundles.toml."""
    return tuple(_read(one) for one in tomllib.loads(_FILE.read_text(encoding="utf-8"))["bundle"])


def bundle(key: str) -> Bundle:
    """One bundle by its key.

    Raises: UnknownWord for another key, with the choices.
    """
    known = {one.key: one for one in bundles()}
    if key not in known:
        raise UnknownWord("bundles", key, known)
    return known[key]


def _read(told: Mapping[str, Any]) -> Bundle:
    limits = after_rosc.limits().words()
    elements = [Element(**{**one, **_held(one, limits), "when": _conditions(one)}) for one in told["element"]]
    return Bundle(**{**told, "element": tuple(elements), "when": _conditions(told)})


def _held(told: Mapping[str, Any], limits: Mapping[str, str]) -> dict[str, str]:
    """What a fact is held against; where no limit is set, its label says so."""
    limit = limits.get(told.get("fact", ""), "")
    return {"label": f"{told['label']}, {limit}"} if limit in after_rosc.NO_LIMIT else {"limit": limit}


def _conditions(told: Mapping[str, Any]) -> tuple[When, ...]:
    return tuple(When(**one) for one in told.get("when", ()))


def judge_bundle(table: pd.DataFrame, asked: Bundle) -> BundleResult:
    """A bundle over many cases, all-or-none and element by element; excluded cases left out.

    Parameters: table, with the columns that the bundle needs, and excluded; asked, of bundles().
    Returns: BundleResult.
    Raises: NotMeasurable when it is asked of no case; BadTable for a missing column.
    References: all-or-none and opportunity scores, AHRQ decision guide on composite measures, table 6 (read); missing entries as a
    count of their own is ours.
    """
    cases = use.need(use.included(table), asked.needed)
    concerned = _all(asked.when, cases)
    inside = cases[(concerned == use.YES).to_numpy()]
    if inside.empty:
        raise NotMeasurable(f"{asked.label}: asked of no case here")
    states = pd.DataFrame({element.key: element.state(inside) for element in asked.element}, index=inside.index)
    results = tuple(_element(element, states[element.key]) for element in asked.element)
    elements = states.copy()
    states["all"] = _whole(elements)
    counts = states["all"].value_counts()
    met, failed, missing = (int(counts.get(word, 0)) for word in (MET, NOT_MET, MISSING))
    return BundleResult(
        asked,
        share(met, met + failed, missing=missing),
        results,
        met_elements=sum(one.share.count for one in results),
        asked_elements=sum(one.share.n for one in results),
        missing_elements=sum(one.share.missing for one in results),
        states=states,
        unplaced=int(concerned.isna().sum()),
        notes=tuple(_unlimited(inside, asked)),
    )


def by_period(table: pd.DataFrame, found: BundleResult, *, every: str) -> pd.DataFrame:
    """The whole bundle and each of its elements by month or quarter.

    Parameters: table, of which `found` was judged, with year and month; found; every, month or quarter.
    Returns: a row a period and part, the whole (key "all") first, then the elements in their order: key, label, period, count
    (met), n (met or not met), missing, not_asked, share, low and high (Wilson), shown; share and interval are missing below 10
    cases. Cases whose call has no time are left out.
    Raises: BadTable for a missing column.
    """
    periods = use.period_label(table.loc[found.states.index], every)
    labels = {"all": "Every element"} | {one.key: one.label for one in found.bundle.element}
    rows = []
    for key, label in labels.items():
        counts = found.states[key].groupby(periods, sort=True).value_counts().unstack(fill_value=0)
        for period, one in counts.iterrows():
            met, failed, missing, not_asked = (int(one.get(word, 0)) for word in (MET, NOT_MET, MISSING, NOT_ASKED))
            of = share(met, met + failed, missing=missing)
            hidden = of.shown == COUNTS_ONLY
            given = (np.nan,) * 3 if hidden else (of.value, of.low, of.high)
            rows.append((key, label, period, of.count, of.n, of.missing, not_asked, *given, of.shown))
    return pd.DataFrame(rows, columns=list(BY_PERIOD))


def _all(conditions: Sequence[When], table: pd.DataFrame) -> pd.Series:
    """yes where all conditions hold, no where one does not, missing where it is open."""
    answer = pd.Series(use.YES, index=table.index, dtype="str")
    for one in conditions:
        holds = one.holds(table)
        failed, is_open = (answer == use.NO) | (holds == use.NO), answer.isna() | holds.isna()
        answer = pd.Series(np.where(failed, use.NO, use.YES), index=table.index, dtype="str").where(failed | ~is_open)
    return answer


def _element(element: Element, states: pd.Series) -> ElementResult:
    counts = states.value_counts()
    met, failed, missing, not_asked = (int(counts.get(word, 0)) for word in (MET, NOT_MET, MISSING, NOT_ASKED))
    return ElementResult(element, share(met, met + failed, missing=missing), not_asked)


def _whole(states: pd.DataFrame) -> pd.Series:
    """The whole bundle of each case: failed by one failed element, else open by one missing, else met; not asked without any."""
    failed, missing, met = ((states == word).any(axis=1) for word in (NOT_MET, MISSING, MET))
    found = np.select([failed, missing, met], [NOT_MET, MISSING, MET], NOT_ASKED)
    return pd.Series(found, index=states.index, dtype="str")


def _unlimited(table: pd.DataFrame, asked: Bundle) -> list[str]:
    """Elements for which the protocol sets no limit, so that they can be neither met nor failed."""
    none = [one.label for one in asked.element if one.verdict and (table[one.column] == "no limit set").any()]
    return [f"The protocol sets no limit for {', '.join(none)}: there it is missing."] if none else []
