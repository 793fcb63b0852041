"""Trend table of one measure: a row a month or quarter, or a row a case, always with n. Charts are made from these rows."""

from collections.abc import Iterable
from datetime import date

import numpy as np
import pandas as pd

from qi.model.tables import Column, make
from qi.trends.dates import CASE, MONTH, label, periods
from qi.trends.medians import median_interval
from qi.trends.proportions import wilson

PERIODS = (
    Column("label", "text", "", "month or quarter", may_lack=False),
    Column("start", "text", "", "its first day, YYYY-MM-DD", may_lack=False),
    Column("cases", "float", "", "cases of the period", may_lack=False),
    Column("n", "float", "", "cases with a value", may_lack=False),
    Column("median", "float", "", "median of the cases' values"),
    Column("median_low", "float", "", "lower end of its 95 % interval; missing below 6 values"),
    Column("median_high", "float", "", "upper end of its 95 % interval"),
    Column("mean", "float", "", "mean of the cases' values"),
    Column("sd", "float", "", "their standard deviation; missing below 2 values"),
    Column("judged", "float", "", "cases judged against the limit: met and not met", may_lack=False),
    Column("met", "float", "", "cases that met it", may_lack=False),
    Column("share", "float", "", "share of the judged that met it, 0 to 1"),
    Column("share_low", "float", "", "lower end of its 95 % interval (Wilson)"),
    Column("share_high", "float", "", "upper end of its 95 % interval"),
)


def by_period(
    days: Iterable[object], values: Iterable[float], verdicts: Iterable[object] | None = None, *, every: str
) -> pd.DataFrame:
    """Trend table by month or quarter.

    Parameters: days, day of each case by the clocks of the place; values of the measure, NaN where it is not measurable;
    verdicts, where the measure has a limit: met, not met, or anything else, which counts as neither; every, month or quarter.
    Returns: PERIODS table from the first to the last period, those without a case included; cases without a day are left out.
    """
    number, first = period_numbers(days, every)
    dated = number >= 0
    value = np.asarray(values if isinstance(values, pd.Series) else list(values), dtype=float)[dated]
    word = _plain(verdicts, len(dated))[dated]
    if not dated.any():
        return make(PERIODS)
    number = number[dated]
    order = np.argsort(number, kind="stable")
    edges = np.searchsorted(number[order], np.arange(number.max() + 2))
    value, met, failed = value[order], (word == "met")[order], (word == "not met")[order]
    last = _months_on(first, int(number.max()), every)
    rows = [
        _row(start, value[a:b], int(met[a:b].sum()), int(failed[a:b].sum()), every)
        for start, a, b in zip(periods(first, last, every), edges[:-1], edges[1:], strict=True)
    ]
    table = pd.DataFrame(rows)
    return make(PERIODS, **{column.name: table[column.name] for column in PERIODS})


def period_numbers(days: Iterable[object], every: str) -> tuple[np.ndarray, date]:
    """Which month or quarter each day falls in.

    Parameters: days by the clocks of the place, missing ones among them; every, month or quarter.
    Returns: number of each period from the first that has a day, which is 0; -1 for a missing day; and that first period's day.
    """
    day = pd.to_datetime(days if isinstance(days, pd.Series) else pd.Series(list(days), dtype=object), utc=False)
    if day.isna().all():
        return np.full(len(day), -1), date(1, 1, 1)
    month = (day.dt.year * 12 + day.dt.month - 1).to_numpy(dtype=float)
    step = 1 if every == MONTH else 3
    period = np.floor(month / step)
    lowest = int(np.nanmin(period))
    months = lowest * step
    return np.nan_to_num(period - lowest, nan=-1.0).astype(int), date(months // 12, months % 12 + 1, 1)


def periods_of(first: date, count: int, every: str) -> list[str]:
    """Labels of so many months or quarters from a first one."""
    return [label(one, every) for one in periods(first, _months_on(first, count - 1, every), every)] if count else []


def _months_on(first: date, count: int, every: str) -> date:
    months = first.year * 12 + first.month - 1 + count * (1 if every == MONTH else 3)
    return date(months // 12, months % 12 + 1, 1)


def _plain(verdicts: Iterable[object] | None, count: int) -> np.ndarray:
    """Verdicts as plain objects, so that a missing one equals nothing."""
    if verdicts is None:
        return np.full(count, None, dtype=object)
    return np.asarray(verdicts if isinstance(verdicts, pd.Series) else list(verdicts), dtype=object)


def by_case(names: Iterable[str], days: Iterable[object], values: Iterable[float]) -> pd.DataFrame:
    """Points of single cases in order of time, for charts of cases.

    Parameters: names, labels of the cases; days; values, NaN where the measure is not measurable.
    Returns: table of points with label, start, n (1) and value; cases without a day or value are left out.
    """
    day = pd.to_datetime(pd.Series(list(days)))
    table = pd.DataFrame({"label": list(names), "day": day, "value": np.asarray(list(values), float)})
    table = table[table["day"].notna() & table["value"].notna()].sort_values("day", kind="stable")
    starts = [label(one.date(), CASE) for one in table["day"]]
    return pd.DataFrame({"label": table["label"].to_numpy(), "start": starts, "n": 1.0, "value": table["value"].to_numpy()})


def median_points(table: pd.DataFrame) -> pd.DataFrame:
    """Points of a PERIODS table for charts of medians: label, start, n, value."""
    return table[["label", "start", "n"]].assign(value=table["median"])


def mean_points(table: pd.DataFrame) -> pd.DataFrame:
    """Points of a PERIODS table for charts of means: label, start, n, mean, sd, value."""
    return table[["label", "start", "n", "mean", "sd"]].assign(value=table["mean"])


def share_points(table: pd.DataFrame) -> pd.DataFrame:
    """Points of a PERIODS table for charts of the share that met the limit: label, start, count, n (judged), value."""
    named = table[["label", "start", "met", "judged"]].rename(columns={"met": "count", "judged": "n"})
    return named.assign(value=table["share"])


def _row(start: date, values: np.ndarray, met: int, failed: int, every: str) -> dict[str, object]:
    known = values[~np.isnan(values)]
    middle = median_interval(known)
    judged = met + failed
    low, high = wilson(met, judged)
    return {
        "label": label(start, every),
        "start": label(start, CASE),
        "cases": len(values),
        "n": len(known),
        "median": middle.value,
        "median_low": middle.low,
        "median_high": middle.high,
        "mean": known.mean() if len(known) else np.nan,
        "sd": known.std(ddof=1) if len(known) > 1 else np.nan,
        "judged": judged,
        "met": met,
        "share": met / judged if judged else np.nan,
        "share_low": low,
        "share_high": high,
    }
