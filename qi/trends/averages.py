"""Case mean or time-pooled: the two ways to put the shares of many cases together, and the words that say which it was."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from qi.model.errors import NotMeasurable
from qi.trends.columns_used import included, need, part
from qi.trends.intervals import COUNTS_BELOW

CASE_MEDIAN = "Median of cases: every case counts once, however long it was."
CASE_MEAN = "Mean of cases: every case counts once, however long it was."
CASE_SHARE = "Share of cases: every case counts once, however long it was."
TIME_POOLED = "Time-pooled: every second counts once, so that long cases weigh more."
FRACTION, NO_FLOW, DELIVERED = "compression_fraction", "no_flow_s", "compressions_per_minute"
KNOWN_TIME = (FRACTION, NO_FLOW, DELIVERED, part(DELIVERED, "n"))  # what known_arrest_s reads


@dataclass(frozen=True)
class Average:
    """A value over many cases, how many it rests on, how many had none, and which way it was made (a sentence)."""

    value: float
    cases: int
    missing: int
    averaged: str


def case_mean(table: pd.DataFrame, measure: str) -> Average:
    """Mean of a measure over cases, excluded ones left out.

    Parameters: table, with the measure and excluded; measure, a column of a measure's value.
    Raises: NotMeasurable where no case has a value.
    """
    values = need(included(table), [measure])[measure].astype(float)
    if not values.notna().any():
        raise NotMeasurable("no case has a number for it")
    return Average(float(values.mean()), int(values.notna().sum()), int(values.isna().sum()), CASE_MEAN)


def time_pooled(table: pd.DataFrame, measure: str, seconds: pd.Series) -> Average:
    """A share of time over all the time of all cases together, excluded cases left out.

    Parameters: table, as in case_mean; measure, a share of time; seconds, of each row of the table
    the time that its share is of [s].
    Raises: NotMeasurable where no case has a value and a time above 0.
    """
    cases = need(included(table), [measure])
    values, weight = cases[measure].to_numpy(dtype=float), seconds.loc[cases.index].to_numpy(dtype=float)
    known = ~np.isnan(values) & (weight > 0)
    if not known.any():
        raise NotMeasurable("no case has both a number and the time that it is of")
    value = float((values[known] * weight[known]).sum() / weight[known].sum())
    return Average(value, int(known.sum()), int((~known).sum()), TIME_POOLED)


def both_in_words(table: pd.DataFrame) -> str:
    """The compression fraction of all cases together in both ways, as sentences; empty below 10 cases.

    Parameters: table, with KNOWN_TIME and excluded.
    """
    try:
        ways = case_mean(table, FRACTION), time_pooled(table, FRACTION, known_arrest_s(table))
    except NotMeasurable:
        return ""
    if min(one.cases for one in ways) < COUNTS_BELOW:
        return ""
    mean, pooled = (f"{one.value * 100:.1f} % (n {one.cases:,})" for one in ways)
    return (
        f"All cases shown here together: mean of cases {mean}, time-pooled {pooled}. They part where long cases differ from short "
        "ones; “A point is” chooses which of them the chart shows."
    )


def known_arrest_s(table: pd.DataFrame) -> pd.Series:
    """Known arrest time of each case [s]; missing where neither its compressions nor its pauses tell it.

    Parameters: table, with KNOWN_TIME.
    Notes: no column holds it. Compressions over compressions per minute of known arrest time give it, also of a case that never
    paused; of a case without any compression, its no-flow time over the share lost does.
    """
    cases = need(table, KNOWN_TIME)
    rate = cases[DELIVERED].astype(float)
    by_compressions = 60.0 * cases[part(DELIVERED, "n")].astype(float) / rate.where(rate > 0)
    lost = 1.0 - cases[FRACTION].astype(float)
    return by_compressions.fillna(cases[NO_FLOW].astype(float) / lost.where(lost > 0))
