"""Runs on one side of the centre, and the exact chance that an unchanging series breaks the run rules.

A point on the centre is not useful: it is dropped, and neither ends a run nor adds to it.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import pandas as pd

FEWEST_USEFUL = 10  # run rules say nothing below this many useful points (Anhøj and Olesen 2014, table from 10)
_RARE = Fraction(1, 20)  # crossings fewer than in the lowest 5 % of unchanging series
_NODES = 24
EXACT_TRIALS = 300
MOST_BY_CHANCE = 0.25  # run rules that so many unchanging series would break say nothing (our mark, no source)


@dataclass(frozen=True)
class Runs:
    """What the points of one phase do about its centre.

    useful counts points off the centre; longest is the longest run of them on one side, crossings how often their line crosses
    the centre; stretches holds each run as (first, last, above) with positions in the series given.
    """

    useful: int
    longest: int
    crossings: int
    stretches: tuple[tuple[int, int, bool], ...]
    lengths: tuple[int, ...]


@dataclass(frozen=True)
class Signs:
    """How many useful points lie on each side: of those that the centre was drawn from, and of those judged against it later."""

    above: int
    below: int
    later: int = 0


def runs(side: Sequence[float] | np.ndarray) -> Runs:
    """Runs and crossings of a series about its centre.

    Parameters: side, above 0 for a point above the centre, below 0 for one below, 0 or NaN for one that is not useful.
    Returns: Runs.
    References: Anhøj and Olesen, PLoS ONE 9 (2014) e113825 (secondary copy read): points on the centre are dropped.
    """
    signs = np.asarray(side, dtype=float)
    at = np.flatnonzero(np.nan_to_num(signs) != 0.0)
    if not len(at):
        return Runs(0, 0, 0, (), ())
    above = signs[at] > 0
    starts = np.flatnonzero(np.r_[True, above[1:] != above[:-1]])
    ends = np.r_[starts[1:], len(at)]
    lengths = ends - starts
    stretches = tuple((int(at[s]), int(at[e - 1]), bool(above[s])) for s, e in zip(starts, ends, strict=True))
    return Runs(len(at), int(lengths.max()), len(starts) - 1, stretches, tuple(int(length) for length in lengths))


def runs_of(rows: pd.DataFrame) -> Runs:
    """Runs and crossings of the points of one phase (rows of a chart's points)."""
    return runs(_side(rows))


def signs_of(rows: pd.DataFrame) -> Signs:
    """Useful points of one phase on each side, those judged against a frozen centre apart."""
    side, baseline = _side(rows), rows["baseline"].to_numpy()
    return Signs(int((side[baseline] > 0).sum()), int((side[baseline] < 0).sum()), int((side[~baseline] != 0).sum()))


def chance_of_false_run(signs: Signs) -> float:
    """Chance that an unchanging phase breaks a run rule, at the limits for its useful points; 0 below ten of them."""
    useful = signs.above + signs.below + signs.later
    if useful < FEWEST_USEFUL:
        return 0.0
    return chance(signs, longest=longest_allowed(useful), crossings=fewest_crossings(useful))


def _side(rows: pd.DataFrame) -> np.ndarray:
    """1 for a useful point above the centre, -1 for one below, 0 for a point that is not useful."""
    useful, value, centre = (rows[name].to_numpy() for name in ("useful", "value", "centre"))
    return np.where(useful, np.sign(value - centre), 0.0)


def longest_allowed(useful: int) -> int:
    """Longest run that is no signal: log2 of the useful points plus 3, rounded.

    Parameters: useful, number of useful points, at least 1.
    Returns: number of points; a longer run is a signal.
    References: Anhøj and Olesen, PLoS ONE 9 (2014) e113825 (secondary copy read).
    """
    return round(math.log2(useful) + 3)


def fewest_crossings(useful: int) -> int:
    """Fewest crossings that are no signal: the lower 5 % point of the binomial distribution of useful - 1 trials at one half.

    Parameters: useful, number of useful points, at least 1.
    Returns: number of crossings; fewer are a signal.
    References: Anhøj and Olesen, PLoS ONE 9 (2014) e113825 (secondary copy read).
    """
    return lower_half_point(useful - 1, _RARE)


def lower_half_point(trials: int, share: Fraction) -> int:
    """Smallest count at or below which a binomial of so many trials at one half falls with at least this chance.

    Parameters: trials, 0 or more; share, above 0 to 1.
    Returns: 0 to trials; counted in whole numbers, above EXACT_TRIALS in floats.
    """
    if trials > EXACT_TRIALS:
        logs = np.concatenate([[0.0], np.cumsum(np.log(np.arange(1, trials + 1)))])
        chances = np.exp(logs[-1] - logs - logs[::-1] - trials * math.log(2.0))
        return int(np.searchsorted(np.cumsum(chances), float(share)))
    wanted = math.ceil(share * 2**trials)
    ways, total, count = 1, 1, 0
    while total < wanted:
        ways = ways * (trials - count) // (count + 1)
        count += 1
        total += ways
    return count


def chance_fixed_centre(useful: int, *, longest: int, crossings: int) -> float:
    """Chance that a series in which each point falls on either side like a coin breaks a run rule.

    Parameters: useful, number of points; longest, longest run that is no signal; crossings, fewest crossings that are none.
    Returns: 0 to 1, exact. It holds where the centre was known beforehand.
    References: our closed form; equal to whole tables of the joint distribution by an independent program (R crossrun).
    """
    kept = sum(_compositions(useful, parts, longest) for parts in range(max(1, crossings + 1), useful + 1))
    return 1.0 - float(Fraction(2 * kept, 2**useful))


def chance_own_centre(above: int, below: int, *, longest: int, crossings: int) -> float:
    """Chance that so many points above and below, in random order, break a run rule.

    Parameters: above, below, useful points on each side of a centre drawn from these very points; longest, longest run that is
    no signal; crossings, fewest crossings that are none.
    Returns: 0 to 1, exact for any series whose order says nothing.
    References: our closed form, counting compositions; checked in the tests by listing every order of short series.
    """
    first, second = _ways(above, longest), _ways(below, longest)
    kept = 0
    for parts, ways in first.items():
        for other in (parts - 1, parts, parts + 1):
            if parts + other >= crossings + 1:
                kept += ways * second.get(other, 0) * (2 if other == parts else 1)
    return 1.0 - float(Fraction(kept, math.comb(above + below, above)))


def chance(signs: Signs, *, longest: int, crossings: int) -> float:
    """Chance that a phase in which nothing changes breaks a run rule, by where its centre comes from.

    Parameters: signs, useful points on each side; longest, longest run that is no signal; crossings, fewest crossings that are
    none.
    Returns: 0 to 1. Exact where the centre is drawn from all points. Where it was frozen, later points lie above it with a
    chance that the frozen points tell only roughly (a beta distribution with half a point added to each side), which makes
    false signals likelier than a centre known beforehand.
    References: our own; the frozen case is checked by simulation in the tests.
    """
    if signs.above + signs.below == 0:
        return chance_fixed_centre(signs.later, longest=longest, crossings=crossings)
    if not signs.later:
        return chance_own_centre(signs.above, signs.below, longest=longest, crossings=crossings)
    state = _through_baseline(signs, longest, crossings)
    above, weights = _beta_nodes(signs.above + 0.5, signs.below + 0.5)
    later = weights[:, None, None, None] * state
    for _ in range(signs.later):
        later = sum(_step(later, above), np.zeros_like(later))
    return float(1.0 - later[..., crossings].sum())


def _compositions(total: int, parts: int, longest: int) -> int:
    """In how many ways a number is a sum of so many parts, each from 1 to the longest."""
    if parts == 0:
        return int(total == 0)
    if not parts <= total <= parts * longest:
        return 0
    terms = range((total - parts) // longest + 1)
    return sum((-1) ** i * math.comb(parts, i) * math.comb(total - i * longest - 1, parts - 1) for i in terms)


def _ways(points: int, longest: int) -> dict[int, int]:
    return {parts: _compositions(points, parts, longest) for parts in range(points + 1)}


def _step(state: np.ndarray, above: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Add one point; state[…, side, run - 1, crossings so far], above the chance that it lies above for each leading row.

    Returns: the states that end above and those that end below; runs grown too long drop out, crossings are counted up to what
    is enough.
    """
    made = []
    for side, share in ((0, above), (1, 1.0 - above)):
        after = np.zeros_like(state)
        weight = share[:, None, None]
        after[:, side, 1:] = state[:, side, :-1] * weight
        crossed = state[:, 1 - side].sum(axis=1) * share[:, None]
        after[:, side, 0, 1:] = crossed[:, :-1]
        after[:, side, 0, -1] += crossed[:, -1]
        made.append(after)
    return made[0], made[1]


def _through_baseline(signs: Signs, longest: int, crossings: int) -> np.ndarray:
    """States after the frozen points, every order of which is as likely; the leading row counts points above so far."""
    count = signs.above + signs.below
    state = np.zeros((signs.above + 1, 2, longest, crossings + 1))
    if signs.above:
        state[1, 0, 0, 0] = signs.above / count
    state[0, 1, 0, 0] = signs.below / count
    so_far = np.arange(signs.above + 1)
    for point in range(1, count):
        up, down = _step(state, np.clip((signs.above - so_far) / (count - point), 0.0, 1.0))
        state = down
        state[1:] += up[:-1]
    return state[signs.above]


def _beta_nodes(first: float, second: float) -> tuple[np.ndarray, np.ndarray]:
    """Points and weights that stand for a beta distribution."""
    mean = first / (first + second)
    reach = 6.0 * math.sqrt(mean * (1.0 - mean) / (first + second + 1.0))
    low, high = max(0.0, mean - reach), min(1.0, mean + reach)
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    points = low + (high - low) * (nodes + 1.0) / 2.0
    density = weights * np.exp((first - 1.0) * np.log(points) + (second - 1.0) * np.log1p(-points))
    return points, density / density.sum()
