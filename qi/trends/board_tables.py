"""Tables of the report to the board, in words: outcomes, times, causes of pauses, bundles, groups; small cells hidden if asked."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from qi.model.errors import NotMeasurable
from qi.trends import columns_used as use
from qi.trends import time_to, utstein
from qi.trends.bundles import Bundle, BundleResult, ElementResult, bundles, judge_bundle
from qi.trends.groups import multiples, way
from qi.trends.hidden_cells import HIDDEN, MOST_HIDDEN, Shape, Sum, hide
from qi.trends.hidden_shapes import CAUSES, MULTIPLES
from qi.trends.incidence import CENSORED, DONE, NEVER
from qi.trends.intervals import COUNTS_ONLY, GREY, percent, share, shown
from qi.trends.outcomes import FAVOURABLE, outcome_of, tally
from qi.trends.pause_causes import BY_COUNT, BY_SECONDS, ranking
from qi.trends.series import Subject

FEW = "°"  # beside a share of 10 to 29 cases
REPORTED: Mapping[str, str] = {
    use.SUSTAINED_ROSC: "ROSC for 20 min",
    use.SURVIVED_TO_DISCHARGE: "Alive at discharge",
    FAVOURABLE: "… with favourable neurology",
}
_STRATA = ("comparator", "bystander_not_shockable", "unwitnessed_shockable", "unwitnessed_not_shockable", "ems_witnessed")
MOST_GROUPS = 8  # of one sort that a page has room for where names are short
_ASKED = (time_to.device("itd"), time_to.FIRST_SHOCK, time_to.EPINEPHRINE)


@dataclass(frozen=True)
class Hiding:
    """Whether small cells are hidden, and how large a count is still small."""

    sharing: bool
    most: int = MOST_HIDDEN

    def of(
        self,
        table: pd.DataFrame,
        shape: Shape,
        totals: Collection[Sum] | None = None,
        rest: Mapping[str, float] | None = None,
    ) -> pd.DataFrame:
        """The table with its small cells hidden, or as it is; either way with the column `hidden`."""
        if not self.sharing:
            return table.assign(**{HIDDEN: ""})
        return hide(table, shape, totals=totals, rest=rest, most_hidden=self.most)


@dataclass(frozen=True)
class Printed:
    """A table as it is printed: names of its columns, its rows in words, and sentences that stand under it."""

    columns: Sequence[str]
    rows: Sequence[Sequence[str]]
    notes: Sequence[str] = ()


def needed() -> tuple[str, ...]:
    """The columns of the cohort table that these tables read beside those that are no measure's."""
    names = [name for asked in _ASKED for name in asked.needed] + [name for bundle in bundles() for name in bundle.needed]
    return tuple(dict.fromkeys(names))


def cell(row: Mapping[str, object], name: str) -> str:
    """A count as it is printed: the number, or that it is hidden."""
    if name in str(row[HIDDEN]).split(", "):
        return HIDDEN
    return f"{row[name]:.0f}" if pd.notna(row[name]) else "–"


def share_words(row: Mapping[str, object], count: str, n: str) -> str:
    """A share with its Wilson interval by the display rule; one word where either count is hidden."""
    if HIDDEN in (cell(row, count), cell(row, n)):
        return HIDDEN
    one = share(int(float(str(row[count]))), int(float(str(row[n]))))
    if one.n == 0:
        return "none known"
    if one.shown == COUNTS_ONLY:
        return f"{one.count} of {one.n}"
    return f"{one.count} of {one.n}: {percent(one.value)} ({_ends(one.low, one.high)}){_few(one.n)}"


def _ends(low: float, high: float) -> str:
    return f"{percent(low)} to {percent(high)}".replace(" % to", " to").replace("under 1 to", "under 1 % to")


def _few(n: int) -> str:
    return FEW if shown(n) == GREY else ""


def outcomes_table(table: pd.DataFrame, hiding: Hiding) -> Printed:
    """Outcomes by Utstein group, each with its Wilson interval.

    Parameters: table, with the columns of outcomes and of utstein.NEEDED, and excluded; hiding.
    Returns: a row a group, in the order of utstein.GROUPS. What is in a group but not in its part, what is in none, and (of all
    cases, whose number the report prints) whose outcome is not known, are counted too, so that they cannot be worked out where
    small cells are hidden.
    """
    cases = use.included(table)
    belongs = {group.key: (utstein.member(cases, group) == use.YES).to_numpy() for group in utstein.GROUPS}
    belongs["rest of comparator"] = belongs["comparator"] & ~belongs["comparator_cpr"]
    belongs["in none"] = ~np.any([belongs[key] for key in _STRATA], axis=0)
    rows = []
    answers = {outcome: outcome_of(cases, outcome) for outcome in REPORTED}
    for mask in belongs.values():
        told = {outcome: tally(answers[outcome][mask]) for outcome in REPORTED}
        known = {f"n {outcome}": one.yes + one.no for outcome, one in told.items()}
        rows.append(known | {outcome: one.yes for outcome, one in told.items()} | {"cases": int(mask.sum())})
    at = {key: place for place, key in enumerate([*belongs, "everybody", "not known"])}
    known = {f"n {outcome}": len(cases) for outcome in REPORTED}
    rows.append(rows[at["all"]] | known)
    rows.append({name: known.get(name, 0) - rows[at["all"]][name] if name in known else 0 for name in rows[0]})
    totals = (
        Sum(at["all"], [at[key] for key in (*_STRATA, "in none")]),
        Sum(at["comparator"], [at["comparator_cpr"], at["rest of comparator"]]),
        Sum(at["everybody"], [at["all"], at["not known"]]),
    )
    made = hiding.of(pd.DataFrame(rows, index=list(at)), _outcome_shape(), totals).to_dict("index")
    printed = [
        [group.label, cell(made[group.key], "cases"), *(share_words(made[group.key], one, f"n {one}") for one in REPORTED)]
        for group in utstein.GROUPS
    ]
    notes = [f"In none of the groups below the first, as witness or rhythm is not recorded: {cell(made['in none'], 'cases')}."]
    return Printed(("Group", "Cases", *REPORTED.values()), printed, notes)


def _outcome_shape() -> Shape:
    outcomes = list(REPORTED)
    known = [f"n {one}" for one in outcomes]
    within = {f"n {one}": ("cases",) for one in outcomes} | {one: (f"n {one}", "cases") for one in outcomes}
    for i, one in enumerate(outcomes):
        within[one] = (*within[one], *outcomes[:i])
        within[known[i]] = (*within[known[i]], *known[:i])
    return Shape(counts=(*known, *outcomes, "cases"), within=within)


_TIMES = Shape(
    counts=("cases", "n", "by 180", "by 120", "by 60", "done", "never", "censored", "left out"),
    derived={**{f"share {mark}": (f"by {mark}",) for mark in (60, 120, 180)}, "half": ("done",)},
    within={
        "by 60": ("by 120", "by 180", "done", "n"),
        "by 120": ("by 180", "done", "n"),
        "by 180": ("done", "n"),
    },
    adds={"n": ("done", "never", "censored"), "cases": ("n", "left out")},
)


def times_table(table: pd.DataFrame, hiding: Hiding) -> Printed:
    """Time to the ITD, the first shock and epinephrine: shares by the marks, those who never had it among the cases.

    Parameters: table, with what each time needs, and excluded; hiding.
    """
    rows, missing = [], []
    for asked in _ASKED:
        try:
            rows.append(_time_row(table, asked))
        except NotMeasurable:
            missing.append(f"{asked.label}: no case has a known time to it, nor a known end without it.")
    columns = ("Time to", "Cases", "By 60 s", "By 120 s", "By 180 s", "Half of all cases by", "Ended without it")
    if not rows:
        return Printed(columns, (), missing)
    made = hiding.of(pd.DataFrame(rows), _TIMES, ()).to_dict("records")
    printed = [
        [str(one["label"]), cell(one, "n"), *(_said(one, name) for name in _PRINTED_TIMES), cell(one, "never")] for one in made
    ]
    since = "; ".join(f"{one['label']} from {one['since']}" for one in rows)
    left = "; ".join(f"{one['label']} {cell(one, 'left out')}" for one in made if one["left out"] != 0)
    notes = [f"Counted: {since}.", *([f"Left out, as it was not asked or nothing could have recorded it: {left}."] if left else [])]
    return Printed(columns, printed, [*notes, *missing])


_PRINTED_TIMES = ("share 60", "share 120", "share 180", "half")


def _time_row(table: pd.DataFrame, asked: time_to.Asked) -> dict[str, object]:
    curve = time_to.curves(table, asked)[0]
    told = time_to.times_to(table, asked)
    code, time_s = told["code"].to_numpy(dtype=float), told["time_s"].to_numpy(dtype=float)
    known, few = int((code >= 0).sum()), curve.shown == COUNTS_ONLY
    marks = {
        f"share {at.time_s:.0f}": f"{percent(round(at.value, 9))} ({_ends(round(at.low, 9), round(at.high, 9))}){_few(known)}"
        if at.value is not None and not few
        else "–"
        for at in curve.marks
    }
    half = curve.incidence.median_s
    return {
        "label": asked.label,
        "since": asked.since,
        "n": known,
        "cases": len(told),
        "left out": len(told) - known,
        **{f"by {mark:.0f}": int(((code == DONE) & (time_s <= mark)).sum()) for mark in time_to.MARKS_S},
        **{name: int((code == one).sum()) for name, one in (("done", DONE), ("never", NEVER), ("censored", CENSORED))},
        **marks,
        "half": "–" if few else "not reached" if half is None else f"{half:.0f} s",
    }


def _said(row: Mapping[str, object], name: str) -> str:
    return HIDDEN if name in str(row[HIDDEN]).split(", ") else str(row[name])


def causes_table(pauses: pd.DataFrame, hiding: Hiding) -> Printed:
    """What pauses were for: share of the seconds and of the number of pauses, which differ; other and unknown last.

    Parameters: pauses, a row a pause with key, seconds and cause, of the cases that count; hiding.
    """
    columns = ("Cause of the pause", "Share of seconds", "Share of pauses", "Cases with it")
    try:
        by_seconds, by_count = ranking(pauses, by=BY_SECONDS), ranking(pauses, by=BY_COUNT)
    except NotMeasurable as why:
        return Printed(columns, (), (f"{str(why)[0].upper()}{str(why)[1:]}.",))
    rows = by_seconds.rows.merge(by_count.rows[["cause", "share"]].rename(columns={"share": "of pauses"}), on="cause")
    shape = Shape(CAUSES.counts, {**CAUSES.derived, "of pauses": ("cases", "count")}, running=CAUSES.running)
    made = hiding.of(rows, shape).to_dict("records")
    printed = [
        [
            str(one["cause"]).replace("_", " ").capitalize(),
            *(HIDDEN if HIDDEN in (cell(one, "count"), cell(one, "cases")) else percent(float(one[name])) for name in _SHARES),
            cell(one, "cases"),
        ]
        for one in made
    ]
    return Printed(columns, printed, (f"{by_seconds.seconds / 3600:.1f} h of pauses. A case can stand under several causes.",))


_SHARES = ("share", "of pauses")
_BUNDLE = Shape(counts=("n", "met", "missing", "cases"), within={"met": ("n",)}, adds={"cases": ("n", "missing")})


def bundles_table(table: pd.DataFrame, hiding: Hiding, no_outcomes: str = "") -> Printed:
    """Bundles all-or-none and element by element; what is missing stands by itself.

    Parameters: table, with the columns of the bundles, and excluded; hiding; no_outcomes, why no outcome is shown of these cases,
    empty where they are; with it, bundles that tell one are left out.
    """
    found: list[BundleResult] = []
    notes = []
    for one in bundles():
        if refused := one.refused(no_outcomes):
            notes.append(refused)
            continue
        try:
            found.append(judge_bundle(table, one))
        except NotMeasurable:
            notes.append(f"{one.label}: asked of no case here.")
    columns = ("Bundle", "Every element met", "Open", "Its elements")
    if not found:
        return Printed(columns, (), notes)
    made = hiding.of(pd.DataFrame([_bundle_row(one) for one in found]), _BUNDLE, ()).to_dict("records")
    printed = [
        [_name(result.bundle), share_words(one, "met", "n"), cell(one, "missing"), _elements(result.elements, hiding)]
        for one, result in zip(made, found, strict=True)
    ]
    notes.append("Open: an entry is missing and none failed. Missing is neither met nor failed.")
    return Printed(columns, printed, notes)


def _name(asked: Bundle) -> str:
    return f"{asked.label} (edition {asked.edition})"


def _bundle_row(result: BundleResult) -> dict[str, int]:
    one = result.all_or_none
    return {"n": one.n, "met": one.count, "missing": one.missing, "cases": one.n + one.missing}


def _elements(results: Sequence[ElementResult], hiding: Hiding) -> str:
    rows = [{"n": one.share.n, "met": one.share.count, "missing": 0, "cases": one.share.n} for one in results]
    made = hiding.of(pd.DataFrame(rows), _BUNDLE, ()).to_dict("records")
    said = []
    for one, result in zip(made, results, strict=True):
        n = result.share.n
        few = f"{result.share.count} of {n}" if n else "not known"
        value = percent(result.share.value) + _few(n) if n and result.share.shown != COUNTS_ONLY else few
        said.append(f"{result.element.label} {HIDDEN if n and HIDDEN in (cell(one, 'met'), cell(one, 'n')) else value}")
    return "; ".join(said)


def groups_table(table: pd.DataFrame, subject: Subject, ways: Sequence[str], hiding: Hiding, *, most: int) -> Printed:
    """How many cases each station, shift or other group has, and the median of one measure in it; in order of names, no ranking.

    Parameters: table, with the measure, the columns of ways, year, month and excluded; subject, the measure; ways, keys of
    qi.trends.grouping.WAYS; hiding; most, how many groups of a sort are printed.
    """
    printed: list[list[str]] = []
    notes = []
    for by in ways:
        rows = multiples(table, subject.column, by).rows
        made = hiding.of(rows, MULTIPLES, rest={"known": rows["missing"].sum()}).to_dict("records")
        for one in made[:most]:
            middle = HIDDEN if "median" in str(one[HIDDEN]).split(", ") else _middle(one, subject.unit)
            printed.append([f"{way(by).label} {one['group']}", cell(one, "cases"), cell(one, "known"), middle])
        if len(made) > most:
            notes.append(f"{len(made) - most} more by {way(by).label.lower()} are not printed.")
    return Printed(("Group", "Cases", "With a number", f"{subject.label}, median of cases"), printed, notes)


def _middle(row: Mapping[str, object], unit: str) -> str:
    """A median with its interval and unit; counts alone below 10 cases."""
    if pd.isna(row["median"]):
        return "counts only"
    values = [float(str(row[name])) for name in ("median", "low", "high")]
    said = [f"{value * 100:.0f}" if unit == "1" else f"{value:.1f}" for value in values]
    around = "" if pd.isna(row["low"]) else f" ({said[1]} to {said[2]})"
    few = _few(int(float(str(row["known"])))) if pd.notna(row["known"]) else ""
    return f"{said[0]} {'%' if unit == '1' else unit}{around}{few}"
