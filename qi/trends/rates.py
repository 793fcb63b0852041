"""Events per exposure, such as long pauses per minute of CPR: u and u' charts. The exposure is time, never cases alone."""

import numpy as np
import pandas as pd

from qi.trends.baselines import NO_PLAN, Plan
from qi.trends.chart import Chart, Limits, LimitsOf, Look, draw, noted
from qi.trends.proportions import WIDE_SIGMA_Z, said_of_sigma_z, spread


def rate_limits(count: np.ndarray, exposure: np.ndarray, baseline: np.ndarray, *, prime: bool) -> Limits:
    """Pooled rate of the baseline with Poisson limits for each exposure; on a u' chart widened by sigma_z.

    Parameters: count of events and exposure of each point (both may be several series, points on the last axis); baseline,
    flags; prime.
    Returns: Limits, the lower one never below 0, with sigma_z as found.
    References: Montgomery's u chart, checked with R qcc's output on his data; u' as p' in qi.trends.proportions.
    """
    rate = np.asarray(count[..., baseline].sum(axis=-1, keepdims=True) / exposure[..., baseline].sum(axis=-1, keepdims=True))
    known = np.where(exposure > 0, exposure, np.nan)
    return spread(count / known, rate, np.sqrt(rate / known), baseline, prime=prime, roof=np.inf)


def u_chart(table: pd.DataFrame, plan: Plan = NO_PLAN, *, unit: str, every: str) -> Chart:
    """Events per exposure by period with Poisson limits (u chart).

    Parameters: table, a row a period with label, start, count (events) and exposure, which is shown as n; plan; unit, of events
    over exposure; every.
    Returns: Chart; a period without exposure has no value.
    Raises: BadTable as qi.trends.chart.draw.
    References: as rate_limits.
    """
    chart = draw(Look("u", "mean rate"), _rates(table), plan, _limits(prime=False), unit=unit, every=every)
    wide = [f"{sigma_z:.1f}" for sigma_z in chart.sigma_z if sigma_z is not None and sigma_z >= WIDE_SIGMA_Z]
    return noted(
        chart,
        [f"The points scatter {', '.join(wide)} times as widely as counts do: a u' chart takes account of it."] if wide else [],
    )


def u_prime_chart(table: pd.DataFrame, plan: Plan = NO_PLAN, *, unit: str, every: str) -> Chart:
    """Events per exposure with limits widened by how far the points really scatter (u' chart).

    Parameters: as u_chart.
    Returns: Chart with sigma_z of each phase, held at 1 or more.
    Raises: BadTable as qi.trends.chart.draw.
    References: as rate_limits.
    """
    chart = draw(Look("u'", "mean rate"), _rates(table), plan, _limits(prime=True), unit=unit, every=every)
    return noted(chart, said_of_sigma_z(chart))


def _rates(table: pd.DataFrame) -> pd.DataFrame:
    exposure = table["exposure"].where(table["exposure"] > 0)
    return table.assign(x=table["count"], n=table["exposure"], value=table["count"] / exposure)


def _limits(*, prime: bool) -> LimitsOf:
    def limits(rows: pd.DataFrame, baseline: np.ndarray) -> Limits:
        return rate_limits(rows["x"].to_numpy(), rows["n"].to_numpy(), baseline, prime=prime)

    return limits
