"""Shares of cases: p and p' charts, and the interval of one share."""

import math
from statistics import NormalDist

import numpy as np
import pandas as pd

from qi.trends.baselines import NO_PLAN, Plan
from qi.trends.chart import Chart, Limits, LimitsOf, Look, draw, noted
from qi.trends.individuals import D2, mean_range

LEAST_SIGMA_Z = 1.0  # p' and u' never draw limits narrower than n allows: sigma_z from few points can be far below 1
WIDE_SIGMA_Z = 1.5  # scatter from which the chart points to p' or u' (our mark, no source)


def wilson(count: float, n: float, *, level: float = 0.95) -> tuple[float, float]:
    """Interval of a share (Wilson).

    Parameters: count, cases that count; n, all cases; level, share of such intervals that hold the true share.
    Returns: low and high, 0 to 1; NaN twice where n is 0.
    References: Newcombe, Statistics in Medicine 17 (1998) 857, method 3 (read in a secondary copy).
    """
    if n <= 0:
        return math.nan, math.nan
    z = NormalDist().inv_cdf(0.5 + level / 2.0)
    share, z2 = count / n, z * z
    middle = (share + z2 / (2 * n)) / (1 + z2 / n)
    half = z / (1 + z2 / n) * math.sqrt(share * (1 - share) / n + z2 / (4 * n * n))
    return (0.0 if count == 0 else max(0.0, middle - half)), (1.0 if count == n else min(1.0, middle + half))


def proportion_limits(count: np.ndarray, n: np.ndarray, baseline: np.ndarray, *, prime: bool) -> Limits:
    """Pooled share of the baseline with binomial limits for each n; on a p' chart widened by sigma_z.

    Parameters: count and n of each point (count may be several series, points on the last axis); baseline, flags; prime.
    Returns: Limits clipped to 0 and 1, with sigma_z as found.
    References: p, NIST/SEMATECH e-Handbook 6.3.3.2 (read in other projects' tests). p', Laney's method as in Mohammed et al., BMJ
    Qual Saf 22 (2013) 362 (data read). Ours: sigma_z below 1 widens nothing and narrows nothing.
    """
    share = np.asarray(count[..., baseline].sum(axis=-1, keepdims=True) / n[baseline].sum())
    sigma = np.sqrt(share * (1.0 - share)) / np.sqrt(np.where(n > 0, n, np.nan))
    return spread(count / np.where(n > 0, n, np.nan), share, sigma, baseline, prime=prime, roof=1.0)


def spread(values: np.ndarray, centre: np.ndarray, sigma: np.ndarray, baseline: np.ndarray, *, prime: bool, roof: float) -> Limits:
    """Three sigmas about a centre where each point has its own sigma; shared by charts of shares and of rates.

    Parameters: values; centre, one of each series; sigma, of each point; baseline, flags; prime, widen by sigma_z; roof, the
    highest possible value.
    Returns: Limits, the lower one never below 0; sigma_z only for a single series.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        z = np.where(sigma > 0, (values - centre) / sigma, np.nan)
    sigma_z = mean_range(z[..., baseline]) / D2
    wide = np.fmax(sigma_z, LEAST_SIGMA_Z) if prime else np.ones(1)
    full = np.broadcast_to(centre, values.shape)
    low, high = np.maximum(full - 3.0 * wide * sigma, 0.0), np.minimum(full + 3.0 * wide * sigma, roof)
    single = float(sigma_z.item()) if sigma_z.size == 1 and np.isfinite(sigma_z).all() else None
    return Limits(full, low, high, z / wide, single)


def p_chart(table: pd.DataFrame, plan: Plan = NO_PLAN, *, unit: str = "1", every: str) -> Chart:
    """Share of cases by period with binomial limits (p chart).

    Parameters: table, a row a period with label, start, count (cases that count) and n (cases judged); plan; unit; every.
    Returns: Chart; a period without cases has no value.
    Raises: BadTable as qi.trends.chart.draw.
    References: as proportion_limits.
    """
    chart = draw(Look("p", "mean share"), _shares(table), plan, _limits(prime=False), unit=unit, every=every)
    wide = [f"{sigma_z:.1f}" for sigma_z in chart.sigma_z if sigma_z is not None and sigma_z >= WIDE_SIGMA_Z]
    said = (
        [f"The points scatter {', '.join(wide)} times as widely as their n allows: a p' chart takes account of it."] if wide else []
    )
    return noted(chart, [*said, *_unreachable(chart)])


def p_prime_chart(table: pd.DataFrame, plan: Plan = NO_PLAN, *, unit: str = "1", every: str) -> Chart:
    """Share of cases by period with limits widened by how far the points really scatter (p' chart).

    Parameters: as p_chart.
    Returns: Chart with sigma_z of each phase; it is held at 1 or more, and the chart says so.
    Raises: BadTable as qi.trends.chart.draw.
    References: as proportion_limits.
    """
    chart = draw(Look("p'", "mean share"), _shares(table), plan, _limits(prime=True), unit=unit, every=every)
    return noted(chart, [*said_of_sigma_z(chart), *_unreachable(chart)])


def said_of_sigma_z(chart: Chart) -> list[str]:
    """What the scatter did to the limits, a sentence a phase."""
    said = []
    for sigma_z in chart.sigma_z:
        if sigma_z is not None and sigma_z < LEAST_SIGMA_Z:
            said.append(f"sigma_z is {sigma_z:.2f}; below 1 it is taken as 1, since few points can make it small by chance.")
        elif sigma_z is not None:
            said.append(
                f"sigma_z is {sigma_z:.2f}: the limits lie that many times farther from the centre than n alone would put them."
            )
    return said


def _shares(table: pd.DataFrame) -> pd.DataFrame:
    n = table["n"].where(table["n"] > 0)
    return table.assign(x=table["count"], value=table["count"] / n)


def _limits(*, prime: bool) -> LimitsOf:
    def limits(rows: pd.DataFrame, baseline: np.ndarray) -> Limits:
        return proportion_limits(rows["x"].to_numpy(), rows["n"].to_numpy(), baseline, prime=prime)

    return limits


def _unreachable(chart: Chart) -> list[str]:
    """Where n is too small for any point to lie beyond a limit."""
    points = chart.points[chart.points["judged"] & chart.points["high"].notna()]
    said = []
    if (points["low"] <= 0).any():
        said.append("Where the lower limit is 0, n is too small for one period alone to lie below it.")
    if (points["high"] >= 1).any():
        said.append("Where the upper limit is 100 %, n is too small for one period alone to lie above it.")
    return said
