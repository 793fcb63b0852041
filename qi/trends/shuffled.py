"""The cases behind a chart, and its points drawn again from these cases shuffled: what the chart would show if nothing changed.

Nothing is supposed about how the cases scatter. Every point keeps its number of cases, and every draw is seeded.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

SHUFFLES = 1000  # draws of a chart: the chance is off by 1.6 percentage points at most (one standard error)
MOST_SHUFFLED = 2000  # of more cases, medians are drawn by their ranks and sums in bundles (our bound on the work)
_MOST_DRAWN = 1_000_000  # intervals between events drawn in all
_FEWEST_SHUFFLES = 50
_SEED = 2031

MEDIAN, MEAN, SHARE, RATE, SINGLE = "median", "mean", "share", "rate", "single"
BETWEEN_GAPS, BETWEEN_DAYS = "cases between", "days between"


@dataclass(frozen=True, eq=False)
class CasesBehind:
    """The cases behind a chart's points, point after point.

    way is how they make a point; point i rests on cases edges[i] to edges[i + 1] of first: their values, whether each counts
    (shares), their events (rates). second is their exposure (rates). Between events first says in which cases the event was,
    second is the day of each, and point i lies between events i and i + 1; edges are not used.
    """

    way: str
    first: np.ndarray
    second: np.ndarray
    edges: np.ndarray

    @property
    def sizes(self) -> np.ndarray:
        """How many cases stand behind each point."""
        return np.diff(self.edges)


@dataclass(frozen=True, eq=False)
class Redrawn:
    """Points of shuffled cases, a series a row: their values; n, cases or exposure; sd, within the cases of a point."""

    value: np.ndarray
    n: np.ndarray
    sd: np.ndarray


def redrawn(cases: CasesBehind, at: np.ndarray) -> Redrawn:
    """Points drawn again from their own cases, as if nothing had changed among these points.

    Parameters: cases; at, the points, in order.
    Returns: Redrawn with SHUFFLES series, fewer where there are very many events. Shares and intervals between events follow the
    exact law of a shuffle. Of more than MOST_SHUFFLED cases, medians follow the exact law of independent draws from them, and
    sums are those of cases put together at random into bundles of one size.
    References: the law of a shuffled share is hypergeometric, that of gaps uniform over all ways to part the cases (both checked
    in the tests against plain shuffles).
    """
    rng = np.random.default_rng(_SEED)
    if cases.way in (BETWEEN_GAPS, BETWEEN_DAYS):
        return _between(rng, cases, at)
    sizes = cases.sizes[at]
    pool = np.concatenate([np.arange(cases.edges[one], cases.edges[one + 1]) for one in at])
    return _WAYS[cases.way](rng, cases.first[pool], cases.second[pool] if len(cases.second) else cases.second, sizes)


def _shuffles(rng: np.random.Generator, count: int) -> np.ndarray:
    """Orders of so many things, one a row."""
    return rng.permuted(np.tile(np.arange(count, dtype=np.int32), (SHUFFLES, 1)), axis=1)


def _singles(rng: np.random.Generator, values: np.ndarray, _: np.ndarray, sizes: np.ndarray) -> Redrawn:
    return Redrawn(values[_shuffles(rng, len(values))], sizes.astype(float), np.full(len(sizes), np.nan))


def _shares(rng: np.random.Generator, counts: np.ndarray, _: np.ndarray, sizes: np.ndarray) -> Redrawn:
    found = rng.multivariate_hypergeometric(sizes, int(counts.sum()), size=SHUFFLES, method="marginals")
    return Redrawn(found / sizes, sizes.astype(float), np.full(len(sizes), np.nan))


def _medians(rng: np.random.Generator, values: np.ndarray, _: np.ndarray, sizes: np.ndarray) -> Redrawn:
    none = np.full(len(sizes), np.nan)
    if len(values) > MOST_SHUFFLED:
        return Redrawn(_medians_by_rank(rng, values, sizes), sizes.astype(float), none)
    parts = np.split(values[_shuffles(rng, len(values))], np.cumsum(sizes)[:-1], axis=1)
    return Redrawn(np.stack([np.median(part, axis=1) for part in parts], axis=1), sizes.astype(float), none)


def _medians_by_rank(rng: np.random.Generator, values: np.ndarray, sizes: np.ndarray) -> np.ndarray:
    """Medians of independent draws: their middle ranks are beta distributed, the upper one given the lower one too."""
    lower, upper = (sizes + 1) // 2, sizes // 2 + 1
    low = rng.beta(lower, sizes - lower + 1, (SHUFFLES, len(sizes)))
    above = np.maximum(sizes - lower, 1)
    step = 1.0 - rng.random(low.shape) ** (1.0 / above)
    high = np.where(upper > lower, low + (1.0 - low) * step, low)
    ordered, last = np.sort(values), len(values) - 1
    ends = [ordered[np.minimum((place * len(values)).astype(int), last)] for place in (low, high)]
    return (ends[0] + ends[1]) / 2.0


def _means(rng: np.random.Generator, values: np.ndarray, _: np.ndarray, sizes: np.ndarray) -> Redrawn:
    middle = values.mean()
    (total, squares), size = _sums(rng, np.stack([values - middle, (values - middle) ** 2]), sizes)
    mean = total / size
    spread = np.sqrt(np.maximum(squares - total * mean, 0.0) / np.maximum(size - 1, 1))
    return Redrawn(middle + mean, size.astype(float), np.where(size > 1, spread, np.nan))


def _rates(rng: np.random.Generator, events: np.ndarray, exposure: np.ndarray, sizes: np.ndarray) -> Redrawn:
    (total, of), _ = _sums(rng, np.stack([events, exposure]), sizes)
    return Redrawn(total / np.where(of > 0, of, np.nan), of, np.full(len(sizes), np.nan))


def _sums(rng: np.random.Generator, columns: np.ndarray, sizes: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Sums of shuffled cases in each series and point, a table a column; and how many cases stand behind each point."""
    bundle = -(-columns.shape[1] // MOST_SHUFFLED)
    if bundle > 1:
        count = columns.shape[1] // bundle
        columns = rng.permutation(columns, axis=1)[:, : count * bundle].reshape(len(columns), count, bundle).sum(axis=2)
        sizes = np.maximum(np.round(sizes / bundle).astype(int), 1)
        while sizes.sum() > count:
            sizes[sizes.argmax()] -= 1
    order = _shuffles(rng, columns.shape[1])[:, : sizes.sum()]
    starts = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    return np.stack([np.add.reduceat(column[order], starts, axis=1) for column in columns]), sizes * bundle


def _between(rng: np.random.Generator, cases: CasesBehind, at: np.ndarray) -> Redrawn:
    """Intervals between events that are strewn at random over the cases of these points, those before and after them included."""
    events = np.flatnonzero(cases.first)
    first = 0 if at[0] == 0 else events[at[0]]
    last = len(cases.first) if at[-1] + 2 >= len(events) else events[at[-1] + 1] + 1
    count = len(at) + 1
    series = max(_FEWEST_SHUFFLES, min(SHUFFLES, _MOST_DRAWN // (count + 1)))
    weights = rng.standard_exponential((series, count + 1))
    gaps = rng.multinomial(last - first - count, weights / weights.sum(axis=1, keepdims=True))
    value = gaps[:, 1:-1].astype(float)
    if cases.way == BETWEEN_DAYS:
        value = np.diff(cases.second[first + np.cumsum(gaps[:, :-1] + 1, axis=1) - 1], axis=1)
    return Redrawn(value, np.ones(len(at)), np.full(len(at), np.nan))


_WAYS: dict[str, Callable[[np.random.Generator, np.ndarray, np.ndarray, np.ndarray], Redrawn]] = {
    MEDIAN: _medians,
    MEAN: _means,
    SHARE: _shares,
    RATE: _rates,
    SINGLE: _singles,
}
