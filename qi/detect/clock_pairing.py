"""Which moments of two clocks are the same, and the offset that makes most of them meet with least scatter."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

_FREEDOM = 4.0  # of the long-tailed spread of a charted time about the true one (Student's t; ours)


@dataclass(frozen=True, eq=False)
class Series:
    """Moments of one key on both clocks.

    own_s, reference_s, sorted [s]; scale_s, expected scatter of each pair (one row an own moment) [s]; own_cost, reference_cost,
    what a moment without a partner counts against an offset; loose, whether such pairs only help to choose
    between offsets, and tell one where no others do.
    """

    own_s: np.ndarray
    reference_s: np.ndarray
    scale_s: np.ndarray
    own_cost: float
    reference_cost: float
    loose: bool = False


@dataclass(frozen=True, eq=False)
class Fit:
    """One offset [s]: how well it fits (a log-likelihood), and the pairs that meet, as (series, own row, reference row)."""

    offset_s: float
    score: float
    pairs: tuple[tuple[int, int, int], ...]


@dataclass(frozen=True)
class Windows:
    """Time that each clock tells of, first to last [s]: a moment without a partner counts only where the other clock tells."""

    own: tuple[float, float]
    reference: tuple[float, float]


def fits(series: Sequence[Series], windows: Windows, *, reach: float, span_s: float, kept: float) -> list[Fit]:
    """Offsets of the own clock that make moments meet, the best first, each refined to the weighted median of its pairs.

    Parameters: series, one entry a key; windows, the time that each clock tells of [s]; reach, how many times its expected scatter
    a pair may lie apart; span_s, time over which clocks may differ, against which a chance meeting is weighed [s]; kept, how many
    of the best candidates are refined.
    Returns: one Fit for each offset that makes at least one pair meet.
    Notes: every difference of two moments of one key is tried, so any number of moments may be missing on either side. Moments of
    one key are paired in their order in time. Pairs that meet count for an offset the more the nearer they meet; moments that lack
    a partner, though the other clock tells of that time, count against it. Of offsets that fit alike the one nearer to none, or to
    one hour, comes first.
    """
    tried = np.unique(np.concatenate([_differences(one).round(1) for one in series])) if series else np.zeros(0)
    if not len(tried):
        return []
    order = np.argsort(-_scores(series, tried, windows, reach=reach, span_s=span_s), kind="stable")[: int(kept)]
    found: dict[tuple[tuple[int, int, int], ...], Fit] = {}
    for offset in tried[order]:
        fit = _refined(series, float(offset), windows, reach=reach, span_s=span_s)
        if fit.pairs and (fit.pairs not in found or fit.score > found[fit.pairs].score):
            found[fit.pairs] = fit
    return sorted(found.values(), key=lambda fit: (-round(fit.score, 2), _oddness_s(fit.offset_s)))


def _differences(one: Series) -> np.ndarray:
    return np.subtract.outer(one.reference_s, one.own_s).ravel()


def _oddness_s(offset_s: float) -> float:
    """How far an offset lies from none or one hour, a clean hour being a little odder than none [s]."""
    return min(abs(offset_s), abs(abs(offset_s) - 3600.0) + 60.0)


def _refined(series: Sequence[Series], offset_s: float, windows: Windows, *, reach: float, span_s: float) -> Fit:
    """The fit at an offset once it has moved to the weighted median of its own pairs, three times."""
    best = Fit(offset_s, -np.inf, ())
    for _ in range(4):
        pairs, score = _matched(series, offset_s, windows, reach=reach, span_s=span_s)
        if score > best.score:
            best = Fit(offset_s, score, pairs)
        if not pairs:
            break
        apart, scale = of_pairs(series, telling(series, pairs))
        offset_s = weighted_median(apart, 1 / scale)
    return best


def telling(series: Sequence[Series], pairs: Sequence[tuple[int, int, int]]) -> list[tuple[int, int, int]]:
    """The pairs that tell the offset: those that are not loose, where there are any."""
    return [pair for pair in pairs if not series[pair[0]].loose] or list(pairs)


def of_pairs(series: Sequence[Series], pairs: Sequence[tuple[int, int, int]]) -> tuple[np.ndarray, np.ndarray]:
    """What each pair alone would add to the own clock, and its expected scatter [s]."""
    apart = np.array([series[k].reference_s[j] - series[k].own_s[i] for k, i, j in pairs])
    return apart, np.array([series[k].scale_s[i, j] for k, i, j in pairs])


def weighted_median(values: np.ndarray, weights: np.ndarray) -> float:
    """The value with half of the weight on either side; between two values that share it, their middle.

    Parameters: values, not empty; weights, of each value, above 0.
    """
    order = np.argsort(values, kind="stable")
    values, share = values[order], np.asarray(np.cumsum(weights[order]) / np.sum(weights))
    low, high = int(np.searchsorted(share, 0.5 - 1e-9)), int(np.searchsorted(share, 0.5 + 1e-9))
    return float((values[low] + values[min(high, len(values) - 1)]) / 2)


def robust_sd(values: np.ndarray) -> float:
    """Standard deviation as the median absolute deviation tells it: the MAD divided by 0.6745, exact for a normal spread."""
    return float(np.median(np.abs(values - np.median(values))) * 1.4826) if len(values) else 0.0


def _scores(series: Sequence[Series], offsets: np.ndarray, windows: Windows, *, reach: float, span_s: float) -> np.ndarray:
    """How well each offset fits."""
    total = np.zeros(len(offsets))
    for one in series:
        total += _table(*_weighed(one, offsets, windows, reach=reach, span_s=span_s))[:, -1, -1]
    return total


def _weighed(
    one: Series, offsets: np.ndarray, windows: Windows, *, reach: float, span_s: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """For each offset what each pair counts (-inf beyond reach), and what each moment without a partner costs."""
    off = one.reference_s[None, None, :] - one.own_s[None, :, None] - offsets[:, None, None]
    z = off / one.scale_s[None, :, :]
    likely = np.log(span_s / (one.scale_s * np.sqrt(2 * np.pi)))[None, :, :]
    worth = likely - (_FREEDOM + 1) / 2 * np.log1p(z**2 / _FREEDOM)
    worth[np.abs(z) > reach] = -np.inf
    moved, back = one.own_s[None, :] + offsets[:, None], one.reference_s[None, :] - offsets[:, None]
    seen = (moved >= windows.reference[0]) & (moved <= windows.reference[1])
    told = (back >= windows.own[0]) & (back <= windows.own[1])
    return worth, one.own_cost * seen, one.reference_cost * told


def _table(worth: np.ndarray, own_cost: np.ndarray, reference_cost: np.ndarray) -> np.ndarray:
    """Best total for the first i own and the first j reference moments, for each offset."""
    count, n, m = worth.shape
    best = np.zeros((count, n + 1, m + 1))
    best[:, 1:, 0] = -np.cumsum(own_cost, axis=1)
    best[:, 0, 1:] = -np.cumsum(reference_cost, axis=1)
    for i in range(n):
        for j in range(m):
            alone = np.maximum(best[:, i, j + 1] - own_cost[:, i], best[:, i + 1, j] - reference_cost[:, j])
            best[:, i + 1, j + 1] = np.maximum(alone, best[:, i, j] + worth[:, i, j])
    return best


def _matched(
    series: Sequence[Series], offset_s: float, windows: Windows, *, reach: float, span_s: float
) -> tuple[tuple[tuple[int, int, int], ...], float]:
    """The pairs that meet at one offset, and how well it fits."""
    pairs: list[tuple[int, int, int]] = []
    total = 0.0
    for k, one in enumerate(series):
        worth, own_cost, reference_cost = _weighed(one, np.array([offset_s]), windows, reach=reach, span_s=span_s)
        best = _table(worth, own_cost, reference_cost)[0]
        total += float(best[-1, -1])
        i, j = best.shape[0] - 1, best.shape[1] - 1
        while i and j:
            if best[i, j] == best[i - 1, j - 1] + worth[0, i - 1, j - 1]:
                i, j = i - 1, j - 1
                pairs.append((k, i, j))
            elif best[i, j] == best[i - 1, j] - own_cost[0, i - 1]:
                i -= 1
            else:
                j -= 1
    return tuple(sorted(pairs)), total
