"""Run chart: values in order about their median, without limits. The first view of every measure."""

import numpy as np
import pandas as pd

from qi.trends.baselines import NO_PLAN, Plan
from qi.trends.chart import Chart, Limits, Look, draw


def run_chart(table: pd.DataFrame, plan: Plan = NO_PLAN, *, unit: str, every: str) -> Chart:
    """Run chart with the median of its values; a frozen baseline or a phase has its own median.

    Parameters: table, a row a point with label, start, value and n; plan, what people set; unit of the values; every, month,
    quarter or case.
    Returns: Chart without limits.
    Raises: BadTable as qi.trends.chart.draw.
    References: Anhøj and Olesen, PLoS ONE 9 (2014) e113825 (secondary copy read).
    """
    return draw(Look("run", "median", limits=False), table, plan, _limits, unit=unit, every=every)


def median_line(values: np.ndarray, baseline: np.ndarray) -> Limits:
    """Median of the baseline, without limits; values may be several series, the points on the last axis."""
    none = np.full(values.shape, np.nan)
    return Limits(np.broadcast_to(np.median(values[..., baseline], axis=-1, keepdims=True), values.shape), none, none, none)


def _limits(rows: pd.DataFrame, baseline: np.ndarray) -> Limits:
    return median_line(rows["value"].to_numpy(), baseline)
