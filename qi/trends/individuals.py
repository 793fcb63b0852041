"""Individuals and moving range (XmR): limits from how far neighbours lie apart.

Each function of limits takes one series, or several with the points on the last axis, and the flags of the baseline; neighbours
are neighbours in the baseline, so that a left-out or missing point is stepped over.
"""

import numpy as np
import pandas as pd

from qi.model.errors import NotMeasurable
from qi.trends.baselines import NO_PLAN, Plan, place
from qi.trends.chart import Chart, Limits, Look, draw
from qi.trends.dates import CASE

D2 = 1.128  # mean range of two in sigmas, rounded as the NIST/SEMATECH handbook has it (6.3.2.2); exactly 1.128379
MOVING_RANGE_HIGH = 3.267  # upper limit of the moving range over its mean (D4 of two, same place)
IGNORES_N = "The limits take no account of how many cases stand behind each point: read them beside n."


def individual_limits(values: np.ndarray, baseline: np.ndarray) -> Limits:
    """Mean of the baseline with three sigmas to each side, sigma from the mean moving range.

    Parameters: values; baseline, flags of the points that the limits come from.
    Returns: Limits.
    References: NIST/SEMATECH e-Handbook 6.3.2.2 (read in other projects' tests). Moving ranges are not screened for large ones.
    """
    chosen = values[..., baseline]
    centre = chosen.mean(axis=-1, keepdims=True)
    sigma = mean_range(chosen) / D2
    with np.errstate(divide="ignore", invalid="ignore"):
        z = np.where(sigma > 0, (values - centre) / sigma, np.nan)
    full = np.broadcast_to(centre, values.shape)
    return Limits(full, full - 3.0 * sigma, full + 3.0 * sigma, z)


def mean_range(chosen: np.ndarray) -> np.ndarray:
    """Mean distance of neighbours, missing below two points; keeps the last axis."""
    if chosen.shape[-1] < 2:
        return np.full((*chosen.shape[:-1], 1), np.nan)
    return np.abs(np.diff(chosen, axis=-1)).mean(axis=-1, keepdims=True)


def range_limits(ranges: np.ndarray, baseline: np.ndarray) -> Limits:
    """Mean of the moving ranges, lower limit 0, upper limit 3.267 times the mean."""
    centre = np.broadcast_to(ranges[..., baseline].mean(axis=-1, keepdims=True), ranges.shape)
    return Limits(centre, np.zeros(ranges.shape), MOVING_RANGE_HIGH * centre, np.full(ranges.shape, np.nan))


def individuals(table: pd.DataFrame, plan: Plan = NO_PLAN, *, unit: str, every: str) -> Chart:
    """Individuals chart (XmR) of values in order, each period's median or each case.

    Parameters: table, a row a point with label, start, value and n; plan; unit; every, month, quarter or case.
    Returns: Chart. A limit that no value could reach (below 0 where no value is, above 100 % of a share) is drawn at the edge.
    Raises: BadTable as qi.trends.chart.draw.
    References: as individual_limits.
    """
    floor, roof = _edges(table["value"], unit)

    def limits(rows: pd.DataFrame, baseline: np.ndarray) -> Limits:
        free = individual_limits(rows["value"].to_numpy(), baseline)
        return Limits(free.centre, np.maximum(free.low, floor), np.minimum(free.high, roof), free.z)

    remarks = () if every == CASE else (IGNORES_N,)
    return draw(Look("xmr", "mean", remarks=remarks), table, plan, limits, unit=unit, every=every)


def log_individuals(table: pd.DataFrame, plan: Plan = NO_PLAN, *, unit: str, every: str) -> Chart:
    """Individuals chart on the scale of logarithms, for times and other values with a long tail; drawn in the plain unit.

    Parameters: as individuals; every value above 0.
    Returns: Chart with the geometric mean as centre and limits that lie farther above it than below.
    Raises: NotMeasurable when a value is 0 or less; BadTable as qi.trends.chart.draw.
    References: common practice for skewed values, no source.
    """
    if (table["value"].dropna() <= 0).any():
        raise NotMeasurable("a chart of logarithms needs values above 0")

    def limits(rows: pd.DataFrame, baseline: np.ndarray) -> Limits:
        scaled = individual_limits(np.log(rows["value"].to_numpy()), baseline)
        return Limits(np.exp(scaled.centre), np.exp(scaled.low), np.exp(scaled.high), scaled.z)

    logs = "Limits are reckoned on logarithms, since such values have a long tail, and drawn in the plain unit."
    remarks = (logs,) if every == CASE else (logs, IGNORES_N)
    return draw(Look("xmr log", "geometric mean", remarks=remarks), table, plan, limits, unit=unit, every=every)


def moving_range(table: pd.DataFrame, plan: Plan = NO_PLAN, *, unit: str, every: str) -> Chart:
    """Moving range chart: how far each value lies from the one before it in its phase.

    Parameters: as individuals.
    Returns: Chart without run rules, since neighbouring ranges share a value.
    Raises: BadTable as qi.trends.chart.draw.
    References: NIST/SEMATECH e-Handbook 6.3.2.2 (read in other projects' tests).
    """
    values = table["value"].to_numpy(dtype=float)
    placed = place(table["label"], table["start"], ~np.isnan(values), plan)
    ranges = np.full(len(values), np.nan)
    for phase in placed["phase"].unique():
        at = np.flatnonzero((placed["phase"] == phase).to_numpy() & ~np.isnan(values) & ~placed["excluded"].to_numpy())
        ranges[at[1:]] = np.abs(np.diff(values[at]))
    return draw(Look("mr", "mean", runs=False), table.assign(value=ranges), plan, _range_limits, unit=unit, every=every)


def _range_limits(rows: pd.DataFrame, baseline: np.ndarray) -> Limits:
    return range_limits(rows["value"].to_numpy(), baseline)


def _edges(values: pd.Series, unit: str) -> tuple[float, float]:
    """Edges that no value lies beyond: 0 where none is below it, 1 for shares."""
    known = values.dropna()
    floor = 0.0 if (known >= 0).all() else -np.inf
    return floor, 1.0 if unit == "1" and (known <= 1).all() else np.inf
