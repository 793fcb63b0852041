"""Means of periods with two or more cases each, and how far cases spread in a period: X-bar and S charts."""

import math

import numpy as np
import pandas as pd

from qi.trends.baselines import NO_PLAN, Plan
from qi.trends.chart import Chart, Limits, Look, draw

NEAR_SYMMETRIC = "Means and spreads fit values that lie about evenly around their middle; for a long tail take medians."


def c4(n: np.ndarray) -> np.ndarray:
    """Mean of the sample standard deviation of n normal values, over sigma; missing below 2."""
    return np.array([_c4(float(one)) for one in np.ravel(n)]).reshape(np.shape(n))


def typical_sd(sd: np.ndarray, n: np.ndarray, baseline: np.ndarray) -> np.ndarray:
    """Standard deviation inside the periods of the baseline.

    Parameters: sd and n of each period (sd may be several series, periods on the last axis); baseline, flags.
    Returns: the mean of the standard deviations where every n is the same; otherwise the pooled one, each weighted by n - 1.
    References: Montgomery's X-bar and S charts for equal and for varying n, checked with R qicharts2's output on his data.
    """
    use = baseline & (n >= 2)
    if not use.any():
        return np.full((*sd.shape[:-1], 1), np.nan)
    chosen, weight = sd[..., use], n[use] - 1.0
    if (weight == weight[0]).all():
        return chosen.mean(axis=-1, keepdims=True)
    return np.sqrt((weight * chosen**2).sum(axis=-1, keepdims=True) / weight.sum())


def mean_limits(mean: np.ndarray, sd: np.ndarray, n: np.ndarray, baseline: np.ndarray) -> Limits:
    """Mean of all cases of the baseline with limits at three standard errors for each n (X-bar, from S).

    Parameters: mean, sd and n of each period (the first two may be several series); baseline, flags.
    Returns: Limits; missing where n is below 2.
    References: A3 of each n, as typical_sd; the constants are exact integrals.
    """
    weight = n[baseline]
    centre = np.asarray((mean[..., baseline] * weight).sum(axis=-1, keepdims=True) / weight.sum())
    sigma = typical_sd(sd, n, baseline) / (c4(n) * np.sqrt(np.where(n >= 2, n, np.nan)))
    full = np.broadcast_to(centre, mean.shape)
    return Limits(full, full - 3.0 * sigma, full + 3.0 * sigma, (mean - centre) / np.where(sigma > 0, sigma, np.nan))


def spread_limits(sd: np.ndarray, n: np.ndarray, baseline: np.ndarray) -> Limits:
    """Typical standard deviation inside periods with limits for each n (S).

    Parameters: sd and n of each period (sd may be several series); baseline, flags.
    Returns: Limits; missing where n is below 2.
    References: B3 and B4 of each n, as typical_sd.
    """
    typical = np.broadcast_to(typical_sd(sd, n, baseline), sd.shape)
    factor = c4(n)
    sigma = typical * np.sqrt(1.0 - factor**2) / factor
    low = np.maximum(typical - 3.0 * sigma, 0.0)
    return Limits(typical, low, typical + 3.0 * sigma, (sd - typical) / np.where(sigma > 0, sigma, np.nan))


def mean_chart(table: pd.DataFrame, plan: Plan = NO_PLAN, *, unit: str, every: str) -> Chart:
    """Mean of each period's cases (X-bar chart).

    Parameters: table, a row a period with label, start, n, mean and sd; plan; unit; every.
    Returns: Chart; a period of one case has a value and no limits.
    Raises: BadTable as qi.trends.chart.draw.
    References: as mean_limits.
    """
    look = Look("x-bar", "mean", remarks=(NEAR_SYMMETRIC,))
    return draw(look, table.assign(value=table["mean"]), plan, _mean_limits, unit=unit, every=every)


def spread_chart(table: pd.DataFrame, plan: Plan = NO_PLAN, *, unit: str, every: str) -> Chart:
    """Standard deviation of each period's cases (S chart).

    Parameters: as mean_chart.
    Returns: Chart.
    Raises: BadTable as qi.trends.chart.draw.
    References: as spread_limits.
    """
    look = Look("s", "mean spread", remarks=(NEAR_SYMMETRIC,))
    return draw(look, table.assign(value=table["sd"]), plan, _spread_limits, unit=unit, every=every)


def _c4(n: float) -> float:
    if not n >= 2:
        return math.nan
    return math.sqrt(2.0 / (n - 1.0)) * math.exp(math.lgamma(n / 2.0) - math.lgamma((n - 1.0) / 2.0))


def _mean_limits(rows: pd.DataFrame, baseline: np.ndarray) -> Limits:
    return mean_limits(rows["mean"].to_numpy(), rows["sd"].to_numpy(), rows["n"].to_numpy(), baseline)


def _spread_limits(rows: pd.DataFrame, baseline: np.ndarray) -> Limits:
    return spread_limits(rows["sd"].to_numpy(), rows["n"].to_numpy(), baseline)
