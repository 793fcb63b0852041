"""A measure by group: small multiples on one scale with intervals, and the counts for a funnel plot. No order by value anywhere."""

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import pandas as pd

from qi.model.errors import UnknownWord
from qi.model.words import many
from qi.trends import columns_used as use
from qi.trends.averages import CASE_MEDIAN
from qi.trends.dates import MONTH
from qi.trends.during_arrest import refuse_grouping
from qi.trends.grouping import WAYS, By, full_name, group_of, in_order
from qi.trends.intervals import COUNTS_BELOW, COUNTS_ONLY, GREY_BELOW, shown
from qi.trends.medians import median_interval
from qi.trends.shrinkage import DRAWN_IN, FEWEST_GROUPS, between_groups, needed_in_words, shrunken

_Z = NormalDist().inv_cdf(0.975)


@dataclass(frozen=True, eq=False)
class Multiples:
    """One measure in every group of cases, to be drawn as panels of equal size on one scale.

    rows, a row a group in order of its name: group, cases, known, missing, median, low, high (95 % interval of the median), shown,
    drawn_in (the median drawn in towards all groups) and reliability (0 to 1, of the median's difference from them); median and
    interval are missing below 10 known cases, the last two also with fewer than four groups of 10.
    months: group, month (2031-03, or 2031 Q1), cases, median, of the groups that are drawn. scale, lowest and highest value of all
    panels; None where nothing is drawn. averaged says how cases were put together.
    """

    measure: str
    by: By
    rows: pd.DataFrame
    months: pd.DataFrame
    scale: tuple[float, float] | None
    averaged: str
    notes: Sequence[str]


def way(by: str) -> By:
    """One way to sort cases into groups.

    Raises: UnknownWord for another word, with the choices.
    """
    if by not in WAYS:
        raise UnknownWord("groups", by, WAYS)
    return WAYS[by]


def multiples(table: pd.DataFrame, measure: str, by: str, *, every: str = MONTH) -> Multiples:
    """A measure by station, shift, unit, airway, rhythm, device used, hour of day or sensors.

    Parameters: table, with the measure, `by`, year, month and excluded; measure, a column of a measure's value; by, a key of WAYS;
    every, month or quarter.
    Returns: Multiples, excluded cases left out.
    Raises: UnknownWord for another way; OutcomeByTreatment for the time of an outcome by what is not known before the crew's care;
    BadTable for a missing column.
    References: display rule as in qi.trends.intervals; interval of the median as in qi.trends.medians; drawn in as
    qi.trends.shrinkage.shrunken. Ours: the variance of a median by chance is taken from the width of its interval, which is a
    little wide with few cases, so that they are drawn in a little more.
    """
    about = way(refuse_grouping(measure, by))
    cases = use.need(use.included(table), [measure, by])
    told = pd.DataFrame(
        {"group": group_of(cases, by), "month": use.period_label(cases, every), "value": cases[measure].astype(float)}
    )
    rows = pd.DataFrame(
        [_row(name, told.loc[told["group"] == name, "value"]) for name in in_order(told["group"])],
        columns=["group", "cases", "known", "missing", "median", "low", "high", "shown"],
    )
    rows, needed = _drawn_in(rows, about)
    drawn = told[told["group"].isin(rows.loc[rows["shown"] != COUNTS_ONLY, "group"])].dropna()
    months = drawn.groupby(["group", "month"], sort=True)["value"].agg(cases="count", median="median").reset_index()
    scale = None if drawn.empty else _scale(rows, months)
    return Multiples(measure, about, rows, months, scale, CASE_MEDIAN, (*_notes(about, rows, every), *needed))


def _row(name: str, values: pd.Series) -> tuple[object, ...]:
    known = int(values.notna().sum())
    if shown(known) == COUNTS_ONLY:
        return name, len(values), known, len(values) - known, np.nan, np.nan, np.nan, COUNTS_ONLY
    one = median_interval(values.to_numpy())
    return name, len(values), known, len(values) - known, one.value, one.low, one.high, shown(known)


def _drawn_in(rows: pd.DataFrame, about: By) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """The rows with each median drawn in towards all, and what is to be said of that."""
    rows = rows.assign(drawn_in=np.nan, reliability=np.nan)
    told = rows[rows["shown"] != COUNTS_ONLY]
    variance = ((told["high"] - told["low"]).to_numpy(dtype=float) / (2.0 * _Z)) ** 2
    if len(told) < FEWEST_GROUPS:
        return rows, (f"Fewer than {FEWEST_GROUPS} groups of {COUNTS_BELOW} cases: too few to draw their medians in.",)
    if not (variance > 0).all():
        return rows, ("A median has an interval without width: most cases are alike, and no median is drawn in.",)
    values, known = told["median"].to_numpy(dtype=float), told["known"].to_numpy(dtype=float)
    rows.loc[told.index, "drawn_in"], rows.loc[told.index, "reliability"] = shrunken(values, variance)
    one_case, between = float(np.median(variance * known)), between_groups(values, variance)
    return rows, (DRAWN_IN, needed_in_words(f"groups by {about.label.lower()}", one_case=one_case, between=between))


def _scale(rows: pd.DataFrame, months: pd.DataFrame) -> tuple[float, float]:
    values = np.concatenate([rows[["median", "low", "high"]].to_numpy(dtype=float).ravel(), months["median"].to_numpy(dtype=float)])
    return float(np.nanmin(values)), float(np.nanmax(values))


def _notes(about: By, rows: pd.DataFrame, every: str) -> tuple[str, ...]:
    notes = ["All panels have one scale. Groups stand in order of their names; there is no ranking.", CASE_MEDIAN]
    notes.append(f"A {every} of one group rests on few cases, which stand beside it; single {every}s say little.")
    if hidden := list(rows.loc[rows["shown"] == COUNTS_ONLY, "group"]):
        notes.append(f"Fewer than {COUNTS_BELOW} cases with a number, so counts only: {', '.join(hidden)}.")
    if grey := list(rows.loc[rows["known"].between(COUNTS_BELOW, GREY_BELOW - 1), "group"]):
        notes.append(f"{COUNTS_BELOW} to {GREY_BELOW - 1} cases, greyed: {', '.join(grey)}.")
    if missing := int(rows["missing"].sum()):
        notes.append(f"Without a number: {missing:,} of {many(int(rows['cases'].sum()), 'case')}; not in any median.")
    return (*notes, about.note) if about.note else tuple(notes)


def met_by(table: pd.DataFrame, measure: str, by: str, *, yes_or_no: bool = False) -> pd.DataFrame:
    """How many cases of each group met the limit of a measure, for a funnel plot.

    Parameters: as multiples, with the measure's verdict; yes_or_no, each case answers with 0 or 1 alone, and a yes counts as met.
    Returns: a row a group in order of its name: group, count (met), n (met or not met), missing (not measurable, no limit set or no
    such answer), shown.
    Raises: as multiples.
    """
    way(refuse_grouping(measure, by))
    column = measure if yes_or_no else use.part(measure, "verdict")
    cases = use.need(use.included(table), [column, by])
    groups, verdict = group_of(cases, by), cases[column]
    if yes_or_no:
        verdict = (verdict > 0).map({True: "met", False: "not met"}).where(verdict.notna())
    rows = []
    for name in in_order(groups):
        told = verdict[(groups == name).to_numpy()]
        met, judged = int((told == "met").sum()), int(told.isin(("met", "not met")).sum())
        rows.append((name, met, judged, len(told) - judged, shown(judged)))
    return pd.DataFrame(rows, columns=["group", "count", "n", "missing", "shown"])


def keys_of(table: pd.DataFrame, by: str, group: str) -> list[str]:
    """The cases of one group, by their keys, excluded ones left out.

    Parameters: table, with key, `by` and excluded; by, a key of WAYS; group, its name, in full or as group_of gives it.
    Raises: as multiples.
    """
    way(by)
    cases = use.need(use.included(table), [use.KEY, by])
    groups = group_of(cases, by)
    meant = [one for one in groups.unique() if group in (one, full_name(by, one))]
    return cases.loc[groups.isin(meant).to_numpy(), use.KEY].tolist()
