"""Funnel plot: a share of each station, shift or crew against its number of cases, with 95 % and 99.8 % limits; never a ranking."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import pandas as pd

from qi.model.errors import NotMeasurable
from qi.trends.columns_used import need
from qi.trends.intervals import COUNTS_BELOW, COUNTS_ONLY, chance_of_share, log_ways, percent, shown
from qi.trends.proportions import wilson
from qi.trends.shrinkage import expected_next, needed_in_words, reliability_of_variance, words

WARNING, ALARM = 0.95, 0.998
WITHIN, BEYOND_WARNING, BEYOND_ALARM = "within both limits", "between the 95 % and the 99.8 % limit", "beyond the 99.8 % limit"
FALSE_SHARE = 0.05  # share of false ones that is put up with among groups that are named (Benjamini and Hochberg)
_TAILS = {
    f"{side}_{name}": (1.0 + sign * level) / 2.0
    for name, level in (("95", WARNING), ("998", ALARM))
    for side, sign in (("low", -1), ("high", 1))
}
_WINSORISED = 0.1  # share of the scores pulled in at each end before scatter is measured (Spiegelhalter 2005, from memory)
_LINE_POINTS = 200
_ONE_CASE = 0.25  # variance by chance of one case on the arcsine scale


@dataclass(frozen=True)
class Scatter:
    """How far groups scatter against what their numbers of cases allow.

    phi is 1 where it is chance alone; tau2 is the variance between groups beyond chance, on the arcsine scale.
    """

    phi: float
    tau2: float
    groups: int

    @property
    def certain(self) -> bool:
        """phi lies beyond 1 by more than two of its standard deviations (Spiegelhalter 2005, from memory)."""
        return self.groups > 1 and self.phi > 1.0 + 2.0 * math.sqrt(2.0 / self.groups)


@dataclass(frozen=True, eq=False)
class Funnel:
    """Points and limits of a funnel plot.

    points, a row a group in order of its name: group, count, n, missing, shown, value (missing below 10 cases), low and high
    (Wilson interval), limits for its n, where it lies, chance (two-sided), chance_among (the same held against so many groups).
    Ours: a group of which all or none are so is judged by the chance of that, since a limit lies just short of all even where all
    is likely.
    lines, the limits for drawing by n. centre, the share of all groups together. widened says that the limits allow for scatter
    beyond chance.
    """

    points: pd.DataFrame
    lines: pd.DataFrame
    centre: float
    scatter: Scatter
    widened: bool
    sentences: Sequence[str]


def limits(n: int, centre: float, tails: Sequence[float]) -> tuple[float, ...]:
    """Funnel limits of a share by the exact binomial, interpolated between counts and held within 0 and 1.

    Parameters: n, cases; centre, the share expected; tails, for each limit the chance of lying below it.
    References: Spiegelhalter, Statistics in Medicine 24 (2005) 1185, appendix (from memory); checked with limits made by a second
    implementation. Ours: what interpolation puts below 0 or above 1 is 0 or 1.
    """
    if not 0.0 < centre < 1.0:
        return (centre,) * len(tails)
    counts = np.arange(n + 1)
    chances = np.exp(log_ways(n) + counts * math.log(centre) + (n - counts) * math.log1p(-centre))
    up_to = np.cumsum(chances)
    at = np.minimum(np.searchsorted(up_to, tails, side="right"), n)
    part = (up_to[at] - tails) / chances[at]
    return tuple(np.clip((at - part) / n, 0.0, 1.0).tolist())


def widened_limit(n: int, centre: float, tail: float, tau2: float) -> float:
    """Funnel limit that allows for a variance between groups beyond chance, on the arcsine scale.

    A plot never draws it narrower than the exact limit, which it can be at few cases.

    Parameters: n and centre as in limits; tail, chance of lying below; tau2, the variance.
    References: as scatter_of.
    """
    away = NormalDist().inv_cdf(tail) * math.sqrt(1.0 / (4.0 * n) + tau2)
    return math.sin(min(math.pi / 2.0, max(0.0, math.asin(math.sqrt(centre)) + away))) ** 2


def scatter_of(counts: Sequence[int] | np.ndarray, n: Sequence[int] | np.ndarray, centre: float) -> Scatter:
    """How far groups scatter beyond chance: winsorised phi and the variance between them.

    Parameters: counts and n of each group; centre, the share expected.
    References: Spiegelhalter, Quality and Safety in Health Care 14 (2005) 347 (from memory); checked with the values that a
    published R package's source gives.
    """
    cases = np.asarray(n, dtype=float)
    away = np.arcsin(np.sqrt(np.asarray(counts) / cases)) - math.asin(math.sqrt(centre))
    scores = 2.0 * np.sqrt(cases) * away
    scores = np.clip(scores, *np.quantile(scores, [_WINSORISED, 1.0 - _WINSORISED]))
    groups, phi, weight = len(cases), float((scores**2).mean()), 4.0 * cases
    room = float(weight.sum() - (weight**2).sum() / weight.sum())
    tau2 = max(0.0, (groups * phi - (groups - 1)) / room) if groups > 1 else 0.0
    return Scatter(phi, tau2, groups)


def among_many(chances: Sequence[float] | np.ndarray) -> np.ndarray:
    """Chances held against how many were looked at: a group is named at 5 % where its value here is at most 5 %.

    References: Benjamini and Hochberg, JRSS B 57 (1995) 289; their example gives 4 of 15 (from memory).
    """
    given = np.asarray(chances, dtype=float)
    order = np.argsort(given)[::-1]
    scaled = given[order] * len(given) / np.arange(len(given), 0, -1)
    found = np.empty(len(given))
    found[order] = np.minimum(1.0, np.minimum.accumulate(scaled)) if len(given) else scaled
    return found


def funnel(table: pd.DataFrame, *, noun: str, widened: bool = False) -> Funnel:
    """A funnel plot of shares.

    Parameters: table, a row a group with group, count, n and missing (of qi.trends.outcomes.by_group or groups.met_by); noun, what
    the groups are, as in "stations"; widened, limits that allow for scatter beyond chance.
    Returns: Funnel; groups under 10 cases have counts only and take part in nothing.
    Raises: NotMeasurable when no group has 10 cases; BadTable for a missing column.
    References: as limits, scatter_of and among_many.
    """
    rows = need(table, ("group", "count", "n", "missing"))[["group", "count", "n", "missing"]].reset_index(drop=True)
    rows["shown"] = [shown(int(n)) for n in rows["n"]]
    drawn = rows[rows["shown"] != COUNTS_ONLY]
    if drawn.empty:
        raise NotMeasurable(f"none of the {noun} has {COUNTS_BELOW} cases; counts are all that can be shown")
    centre = float(drawn["count"].sum() / drawn["n"].sum())
    scatter = scatter_of(drawn["count"], drawn["n"], centre)
    tau2 = scatter.tau2 if widened else None
    placed = [_point(int(count), int(n), centre, tau2) for count, n in zip(drawn["count"], drawn["n"], strict=True)]
    points = rows.join(pd.DataFrame(placed, index=drawn.index))
    points["chance_among"] = np.nan
    points.loc[drawn.index, "chance_among"] = among_many(points.loc[drawn.index, "chance"])
    most = int(drawn["n"].max() * 1.1) + 1
    at = np.unique(np.linspace(COUNTS_BELOW, most, _LINE_POINTS).round().astype(int))
    lines = pd.DataFrame([{"n": n, **_limits(int(n), centre, tau2)} for n in at])
    return Funnel(points, lines, centre, scatter, widened, _said(points, centre, scatter, noun, widened=widened))


def _limits(n: int, centre: float, tau2: float | None) -> dict[str, float]:
    tails = tuple(_TAILS.values())
    exact = limits(n, centre, tails)
    if tau2 is None:
        return dict(zip(_TAILS, exact, strict=True))
    wide = [widened_limit(n, centre, tail, tau2) for tail in tails]
    return {name: (min if tail < 0.5 else max)(*pair) for (name, tail), *pair in zip(_TAILS.items(), exact, wide, strict=True)}


def _point(count: int, n: int, centre: float, tau2: float | None) -> dict[str, float | str]:
    value, lines = count / n, _limits(n, centre, tau2)
    low, high = wilson(count, n)
    chance = _chance(count, n, centre, tau2)
    inside = {
        name: lines[f"low_{name}"] <= value <= lines[f"high_{name}"] or (count in (0, n) and chance >= 1.0 - level)
        for name, level in (("95", WARNING), ("998", ALARM))
    }
    lies = WITHIN if inside["95"] else BEYOND_WARNING if inside["998"] else BEYOND_ALARM
    return {"value": value, "low": low, "high": high, **lines, "lies": lies, "chance": chance}


def _chance(count: int, n: int, centre: float, tau2: float | None) -> float:
    if not 0.0 < centre < 1.0:
        return 1.0
    if tau2 is None:
        return chance_of_share(count, n, centre)
    away = abs(math.asin(math.sqrt(count / n)) - math.asin(math.sqrt(centre))) / math.sqrt(1.0 / (4.0 * n) + tau2)
    return 2.0 * NormalDist().cdf(-away)


def by_chance(groups: int, level: float) -> tuple[float, float]:
    """How many of so many stable groups lie beyond a limit by chance alone, and how likely at least one does.

    Parameters: groups; level, of the limit, as 0.95.
    Notes: taken as independent, with exactly that chance each; whole counts of cases make it a little less.
    """
    return groups * (1.0 - level), 1.0 - level**groups


def expected_next_of(found: Funnel) -> pd.DataFrame:
    """What to expect of each group next time if nothing changes, by how much of its difference can be relied on.

    Parameters: found.
    Returns: the points with two columns more, missing below 10 cases: reliability (0 to 1) and expected, the share drawn in towards
    that of all together.
    References: as scatter_of, and qi.trends.shrinkage.
    """
    rows, tau2 = found.points, found.scatter.tau2
    told = (rows["shown"] != COUNTS_ONLY).to_numpy()
    chance = [_ONE_CASE / n if one else math.nan for n, one in zip(rows["n"], told, strict=True)]
    reliability = [reliability_of_variance(by_chance_, tau2) for by_chance_ in chance]
    expected = [expected_next(value, found.centre, part) for value, part in zip(rows["value"], reliability, strict=True)]
    return rows.assign(reliability=reliability, expected=expected)


def needed_of(found: Funnel, noun: str) -> str:
    """How many cases a group needs before its own share can be told from chance.

    Parameters: found; noun, what the groups are.
    References: as expected_next_of.
    """
    return needed_in_words(noun, one_case=_ONE_CASE, between=found.scatter.tau2)


def _said(points: pd.DataFrame, centre: float, scatter: Scatter, noun: str, *, widened: bool) -> list[str]:
    """What a reader must know beside the plot, in plain words."""
    drawn = points[points["shown"] != COUNTS_ONLY]
    few, at_least_one = by_chance(len(drawn), WARNING)
    said = [
        f"The line is the share of all {noun} together, {percent(centre)}. In order of their names; there is no ranking.",
        f"Of {len(drawn)} {noun} without any difference, {few:.1f} would lie beyond the 95 % limits by chance, and at least one in "
        f"{percent(at_least_one)} of such plots; beyond the 99.8 % limits in {percent(by_chance(len(drawn), ALARM)[1])}.",
    ]
    said += [
        words(one.group, one.value, centre, reliability_of_variance(_ONE_CASE / one.n, scatter.tau2))
        for one in drawn[drawn["lies"] != WITHIN].itertuples()
    ]
    far = drawn[drawn["lies"] == BEYOND_ALARM]
    named = drawn[drawn["chance_among"] <= FALSE_SHARE]
    said.append(f"Beyond the 99.8 % limits: {', '.join(far['group']) or 'none'}. A reason to look at cases, not a judgement.")
    said.append(
        f"With all {len(drawn)} looked at together, more than chance is likely in: {', '.join(named['group']) or 'none'} "
        f"(at most {percent(FALSE_SHARE)} of those named would be so by chance)."
    )
    if len(drawn) < len(points):
        hidden = ", ".join(points.loc[points["shown"] == COUNTS_ONLY, "group"])
        said.append(f"Fewer than {COUNTS_BELOW} cases, so counts only and no point: {hidden}.")
    if scatter.certain:
        how = "the limits allow for it" if widened else "limits that allow for it are wider than these"
        said.append(f"The {noun} scatter more than chance alone gives (phi {scatter.phi:.1f}): they differ in something; {how}.")
    elif widened:
        said.append(f"The {noun} scatter no more than chance can give (phi {scatter.phi:.1f}).")
    return said
