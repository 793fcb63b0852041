"""How sure a share or a count is: Wilson and exact intervals, and what may be shown of so few cases."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from qi.trends.proportions import wilson

COUNTS_BELOW = 10  # fewer cases: counts only (our rule; cells under 11 are not published by US federal agencies, read)
GREY_BELOW = 30  # fewer cases: greyed, with the interval (a US federal survey notice flags n below 30, read)
COUNTS_ONLY, GREY, PLAIN = "counts only", "grey", "plain"
_STEPS = 200


def shown(n: int) -> str:
    """What may be shown of n cases: counts only below 10, grey below 30, plain from 30."""
    return COUNTS_ONLY if n < COUNTS_BELOW else GREY if n < GREY_BELOW else PLAIN


def shown_words(n: int) -> str:
    """The display rule as a sentence; empty where there are cases enough."""
    if shown(n) == COUNTS_ONLY:
        return f"Fewer than {COUNTS_BELOW} cases: counts only."
    return f"{COUNTS_BELOW} to {GREY_BELOW - 1} cases: greyed, the interval is wide." if shown(n) == GREY else ""


@dataclass(frozen=True)
class Share:
    """A share of cases with its Wilson interval.

    count of n cases are so; missing are those of which it is not known, in neither. low and high are the interval, NaN without
    cases. at_least and at_most are what the share would be if none, or all, of the missing cases were so.
    """

    count: int
    n: int
    missing: int
    low: float
    high: float

    @property
    def value(self) -> float:
        """The share, 0 to 1; NaN without cases."""
        return self.count / self.n if self.n else math.nan

    @property
    def at_least(self) -> float:
        """The share if none of the missing cases were so."""
        return self.count / (self.n + self.missing) if self.n + self.missing else math.nan

    @property
    def at_most(self) -> float:
        """The share if all of the missing cases were so."""
        return (self.count + self.missing) / (self.n + self.missing) if self.n + self.missing else math.nan

    @property
    def shown(self) -> str:
        """counts only, grey or plain."""
        return shown(self.n)

    def words(self) -> str:
        """In plain words, by the display rule: counts only, or with the share and its interval; what is missing by itself."""
        text = f"{self.count} of {self.n}"
        if self.shown != COUNTS_ONLY:
            text += f" ({percent(self.value)}, 95 % interval {percent(self.low)} to {percent(self.high)})"
        if self.missing:
            text += f", not known in {self.missing}"
        return text


def share(count: int, n: int, *, missing: int = 0) -> Share:
    """A share of cases with its 95 % Wilson interval.

    Parameters: count, cases that are so; n, cases of which it is known; missing, cases of which it is not.
    References: as qi.trends.proportions.wilson.
    """
    return Share(int(count), int(n), int(missing), *wilson(count, n))


def percent(value: float) -> str:
    """A share as whole percent, – where there is none; 0 % and 100 % only where it is exactly that."""
    if math.isnan(value):
        return "–"
    whole = round(value * 100)
    if 0 < value < 1 and whole in (0, 100):
        return "under 1 %" if whole == 0 else "over 99 %"
    return f"{whole} %"


def chance_of_share(count: int, n: int, p: float) -> float:
    """How likely a count at least so far from what is expected is by chance alone: twice the smaller exact tail, at most 1.

    Parameters: count of n cases; p, the share that is expected.
    """
    ways = log_ways(n)
    below, above = _at_most(count, p, ways), 1.0 - (_at_most(count - 1, p, ways) if count else 0.0)
    return min(1.0, 2.0 * min(below, above))


def exact_count(count: int, *, level: float = 0.95) -> tuple[float, float]:
    """Exact interval of a count of events (Poisson).

    References: Garwood's interval (from memory); checked against the chi-squared quantiles of an independent library.
    """
    tail, most = (1.0 - level) / 2.0, count + 12.0 * math.sqrt(count + 1.0) + 20.0
    numbers = np.arange(count + 1)
    logs = np.concatenate([[0.0], np.cumsum(np.log(numbers[1:]))])
    low = 0.0 if count == 0 else _root(lambda mean: tail - (1.0 - _poisson_at_most(numbers[:-1], logs[:-1], mean)), 0.0, most)
    return low, _root(lambda mean: _poisson_at_most(numbers, logs, mean) - tail, 0.0, most)


def byar_count(count: int, *, level: float = 0.95) -> tuple[float, float]:
    """Byar's close approximation to the exact interval of a count of events.

    References: Breslow and Day, Statistical Methods in Cancer Research II (1987) (from memory); checked with given values.
    """
    from_centre = NormalDist().inv_cdf(0.5 + level / 2.0)
    low = 0.0 if count == 0 else count * (1 - 1 / (9 * count) - from_centre / (3 * math.sqrt(count))) ** 3
    above = count + 1
    return low, above * (1 - 1 / (9 * above) + from_centre / (3 * math.sqrt(above))) ** 3


def _root(falling: Callable[[float], float], low: float, high: float) -> float:
    """Where a falling function crosses zero, by halving."""
    for _ in range(_STEPS):
        middle = (low + high) / 2.0
        if middle in (low, high):
            break
        low, high = (middle, high) if falling(middle) > 0 else (low, middle)
    return (low + high) / 2.0


def log_ways(n: int) -> np.ndarray:
    """Logarithm of the ways to choose 0 to n of n things."""
    logs = np.concatenate([[0.0], np.cumsum(np.log(np.arange(1, n + 1)))])
    return logs[-1] - logs - logs[::-1]


def _at_most(count: int, p: float, ways: np.ndarray) -> float:
    """Chance of at most so many of n, each with chance p."""
    if p <= 0.0 or p >= 1.0:
        return 1.0 if p <= 0.0 or count >= len(ways) - 1 else 0.0
    up_to = np.arange(count + 1)
    return min(1.0, float(np.exp(ways[: count + 1] + up_to * math.log(p) + (len(ways) - 1 - up_to) * math.log1p(-p)).sum()))


def _poisson_at_most(numbers: np.ndarray, logs: np.ndarray, mean: float) -> float:
    """Chance of at most the last of these numbers of events; logs, of their factorials."""
    if mean <= 0.0:
        return 1.0
    return min(1.0, float(np.exp(numbers * math.log(mean) - mean - logs).sum()))
