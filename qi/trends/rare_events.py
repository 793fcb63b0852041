"""Events so rare that most months have none: cases between them (g chart) and time between them (t chart)."""

from collections.abc import Sequence
from datetime import datetime
from itertools import pairwise

import numpy as np
import pandas as pd

from qi.trends.baselines import NO_PLAN, Plan
from qi.trends.chart import Chart, Limits, Look, draw
from qi.trends.dates import CASE
from qi.trends.individuals import individual_limits

ROOT = 3.6  # times between events to the power 1/3.6 are near normal (Nelson 1994, read in a secondary copy)
_ABOVE_IS_RARER = "A point is one event: the higher it lies, the rarer the event had become. A fall cannot show as a single point."


def cases_between(labels: Sequence[str], starts: Sequence[str], happened: Sequence[bool]) -> pd.DataFrame:
    """Cases without the event since the event before.

    Parameters: labels and starts (YYYY-MM-DD) of the cases in order of time; happened, whether the event did in each.
    Returns: table of points, one an event from the second on: label and start of its case, value.
    """
    at = np.flatnonzero(np.asarray(happened, dtype=bool))
    names, days = np.asarray(labels, dtype=object), np.asarray(starts, dtype=object)
    return pd.DataFrame({"label": names[at[1:]], "start": days[at[1:]], "value": np.diff(at) - 1.0})


def days_between(labels: Sequence[str], moments: Sequence[datetime]) -> pd.DataFrame:
    """Days from each event to the next.

    Parameters: labels of the events and when they happened, in order of time.
    Returns: table of points, one an event from the second on: label, start, value [days].
    """
    days = [(later - earlier).total_seconds() / 86400.0 for earlier, later in pairwise(moments)]
    starts = [moment.date().isoformat() for moment in moments[1:]]
    return pd.DataFrame({"label": list(labels)[1:], "start": starts, "value": days})


def between_cases_limits(between: np.ndarray, baseline: np.ndarray) -> Limits:
    """Median of the counts, upper limit at three standard deviations of a geometric count with their mean.

    Parameters: between, cases without the event (may be several series); baseline, flags.
    Returns: Limits with lower limit 0; no scale of sigmas, since such counts have a long tail.
    References: the g chart as R qicharts2 draws it (its output checked).
    """
    chosen = between[..., baseline]
    mean = chosen.mean(axis=-1, keepdims=True)
    centre = np.broadcast_to(np.median(chosen, axis=-1, keepdims=True), between.shape)
    high = np.broadcast_to(mean + 3.0 * np.sqrt(mean * (mean + 1.0)), between.shape)
    return Limits(centre, np.zeros(between.shape), high, np.full(between.shape, np.nan))


def between_times_limits(between: np.ndarray, baseline: np.ndarray) -> Limits:
    """Individuals limits of the times to the power 1/3.6, raised back.

    Parameters: between, times between events, 0 or more (may be several series); baseline, flags.
    Returns: Limits, a lower limit below 0 drawn at 0.
    References: Nelson (1994) as in Montgomery's t chart, checked with R qicharts2's output. Limits from quantiles of an exponential
    distribution are another kind, and differ a lot.
    """
    rooted = individual_limits(between ** (1.0 / ROOT), baseline)
    low, high = np.maximum(rooted.low, 0.0), np.maximum(rooted.high, 0.0)
    return Limits(rooted.centre**ROOT, low**ROOT, high**ROOT, rooted.z)


def g_chart(table: pd.DataFrame, plan: Plan = NO_PLAN, *, unit: str = "count", every: str = CASE) -> Chart:
    """Cases between rare events (g chart).

    Parameters: table, a row an event with label, start and value, as cases_between makes it; plan; unit; every.
    Returns: Chart.
    Raises: BadTable as qi.trends.chart.draw.
    References: as between_cases_limits.
    """
    look = Look("g", "median", remarks=(_ABOVE_IS_RARER,))
    return draw(look, table, plan, _g_limits, unit=unit, every=every)


def t_chart(table: pd.DataFrame, plan: Plan = NO_PLAN, *, unit: str = "days", every: str = CASE) -> Chart:
    """Time between rare events (t chart).

    Parameters: table, a row an event with label, start and value, as days_between makes it; plan; unit of the times; every.
    Returns: Chart.
    Raises: BadTable as qi.trends.chart.draw.
    References: as between_times_limits.
    """
    scale = "Limits are reckoned on times to the power 1/3.6 and raised back; limits from exponential quantiles would differ."
    look = Look("t", "centre line", remarks=(_ABOVE_IS_RARER, scale))
    return draw(look, table, plan, _t_limits, unit=unit, every=every)


def _g_limits(rows: pd.DataFrame, baseline: np.ndarray) -> Limits:
    return between_cases_limits(rows["value"].to_numpy(), baseline)


def _t_limits(rows: pd.DataFrame, baseline: np.ndarray) -> Limits:
    return between_times_limits(rows["value"].to_numpy(), baseline)
