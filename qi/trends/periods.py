"""Trend table of one measure: a row a month or quarter, or a row a case, always with n. Charts are made from these rows."""

from collections.abc import Iterable
from datetime import date

import numpy as np
import pandas as pd

from qi.model.tables import Column, make
from qi.trends.dates import CASE, first_day, label, periods
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
    day = pd.to_datetime(pd.Series(list(days)), utc=False)
    cases = pd.DataFrame({"day": day, "value": np.asarray(list(values), dtype=float)})
    cases["verdict"] = pd.array([None] * len(cases) if verdicts is None else list(verdicts), dtype="str")
    cases = cases[cases["day"].notna()]
    if cases.empty:
        return make(PERIODS)
    starts = [first_day(one.date(), every) for one in cases["day"]]
    groups = {start: rows for start, rows in cases.groupby(starts)}
    rows = [_row(start, groups.get(start, cases.iloc[:0]), every) for start in periods(min(starts), max(starts), every)]
    table = pd.DataFrame(rows)
    return make(PERIODS, **{column.name: table[column.name] for column in PERIODS})


def by_case(names: Iterable[str], days: Iterable[object], values: Iterable[float]) -> pd.DataFrame:
    """Points of single cases in order of time, for charts of cases.

    Parameters: names, labels of the cases; days; values, NaN where the measure is not measurable.
    Returns: table of points with label, start, n (1) and value; cases without a day or value are left out.
    """
    table = pd.DataFrame(
        {"label": list(names), "day": pd.to_datetime(pd.Series(list(days))), "value": np.asarray(list(values), float)}
    )
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


def _row(start: date, rows: pd.DataFrame, every: str) -> dict[str, object]:
    known = rows["value"].dropna().to_numpy()
    middle = median_interval(known)
    met = int((rows["verdict"] == "met").sum())
    judged = met + int((rows["verdict"] == "not met").sum())
    low, high = wilson(met, judged)
    return {
        "label": label(start, every),
        "start": label(start, CASE),
        "cases": len(rows),
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
