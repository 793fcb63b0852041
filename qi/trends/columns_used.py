"""Columns of the cohort table that outcomes, groups and times to an event read, and the checks that they hold what they should."""

from collections.abc import Iterable
from datetime import date

import numpy as np
import pandas as pd

from qi.model.errors import BadTable
from qi.trends import dates

KEY, CASE_ID, YEAR, MONTH, HOUR, CALL_DAY, EXCLUDED = "key", "case_id", "year", "month", "hour", "call_day", "excluded"
STATION, SHIFT, UNIT, SENSORS, SOURCE = "station", "shift", "unit", "sensors", "source"
WITNESSED, BYSTANDER_CPR, FIRST_RHYTHM = "witnessed", "bystander_cpr", "first_rhythm"
AIRWAY_KIND, ADVANCED_AIRWAY, DEVICE_USED = "airway_kind", "advanced_airway", "device_used"
EFFORT_END_S, EFFORT_END = "effort_end_s", "effort_end"
HAS_RECORDING, MEASURABLE = "has_recording", "measurable"
ANY_ROSC, SUSTAINED_ROSC, SURVIVED_EVENT = "any_rosc", "sustained_rosc", "survived_event"
SURVIVED_TO_DISCHARGE, CPC, MRS = "survived_to_discharge", "cpc", "mrs"
EPINEPHRINE_DOSES, TIME_TO_EPINEPHRINE, FIRST_SHOCK = "epinephrine_doses", "time_to_epinephrine_s", "first_shock_s"
SHOCK_PAUSE, SHOCK_FROM_CALL = "peri_shock_pause_s", "interval_s.first_shock.call"
SHOCK_FROM_RHYTHM, SHOCK_FROM_PADS = "interval_s.first_shock.first_rhythm", "first_shock_s.pads_on"
DEVICE_ON_S = "interval_s.device_on.first_compression_ems"
AIRWAY_S = "interval_s.airway_placed.first_compression_ems"
ACCESS_S = "interval_s.access.first_compression_ems"
EPINEPHRINE_FROM_ACCESS = "interval_s.first_epinephrine.access"
ITD_FROM_COMPRESSION = "time_to_device_s.itd.first_compression"

YES, NO, UNKNOWN = "yes", "no", "unknown"
_SAID = {True: YES, False: NO, YES: YES, NO: NO, UNKNOWN: UNKNOWN}


def device_column(kind: str, zero: str) -> str:
    """The column of the time to a device, by its kind and the moment that it counts from."""
    return f"time_to_device_s.{kind}.{zero}"


def part(column: str, name: str) -> str:
    """The column of a part of an answer: its low, n, verdict or status."""
    return f"{column}__{name}"


def need(table: pd.DataFrame, columns: Iterable[str]) -> pd.DataFrame:
    """Return the table, or raise BadTable naming the columns that it lacks."""
    if missing := [name for name in dict.fromkeys(columns) if name not in table.columns]:
        raise BadTable(f"the table of cases lacks {', '.join(missing)}")
    return table


def included(table: pd.DataFrame, columns: Iterable[str] | None = None) -> pd.DataFrame:
    """Only the cases that nobody left out of comparisons.

    Parameters: table, with excluded; columns, those that are needed, all where none are named: a wide table takes long to cut.
    Raises: BadTable for a missing column.
    """
    kept = counting(table)
    asked = table if columns is None else need(table, names := list(dict.fromkeys(columns)))[names]
    return asked.copy(deep=False) if kept.all() else asked[kept]


def signed_anew(table: pd.DataFrame) -> int:
    """How many signed cases have numbers that were measured anew after a change of definitions, other ones than were signed.

    Parameters: table, with source and measured_anew.
    """
    return int((is_one_of(table[SOURCE], "signed") & table["measured_anew"].to_numpy(dtype=bool)).sum())


def counting(table: pd.DataFrame) -> np.ndarray:
    """Whether each case counts: nobody left it out of comparisons."""
    left_out = need(table, [EXCLUDED])[EXCLUDED]
    return left_out.isna().to_numpy() | is_one_of(left_out, "")


def is_one_of(values: pd.Series, *meant: str) -> np.ndarray:
    """Whether each case has one of these words; a missing word is none of them. Categories are compared by their numbers."""
    if not isinstance(values.dtype, pd.CategoricalDtype):
        return values.isin(meant).to_numpy(dtype=bool)
    fits = np.append(values.cat.categories.isin(meant), False)  # the last for -1, a missing word
    return fits[values.cat.codes.to_numpy()]


def said(values: pd.Series) -> pd.Series:
    """yes, no, unknown (recorded as not known) or missing (not recorded), from words or from True and False.

    Raises: BadTable for any other word; it is never taken for a no.
    """
    codes, few = pd.factorize(values)
    plain = pd.Series(few, dtype=object)
    told = plain.map(_SAID)
    if (strange := told.isna()).any():
        raise BadTable(f"{values.name} holds “{plain[strange].iloc[0]}”; it may hold yes, no, unknown or nothing")
    return pd.Series(told.astype("str").array.take(codes, allow_fill=True), index=values.index, name=values.name)


def words(values: pd.Series) -> pd.Series:
    """A column of words as text, with nothing where the word is empty or missing."""
    if isinstance(values.dtype, pd.CategoricalDtype):
        told = words(values.cat.categories.to_series().reset_index(drop=True))
        return pd.Series(told.array.take(values.cat.codes.to_numpy(), allow_fill=True), index=values.index, name=values.name)
    plain = values.astype(object)
    return plain.where(plain.notna() & (plain != "")).astype("str")


def month_label(table: pd.DataFrame) -> pd.Series:
    """Year and month as 2031-03; missing where the call's time is not known (month 0)."""
    year, month = (need(table, [YEAR, MONTH])[name].astype(int) for name in (YEAR, MONTH))
    text = year.astype("str").str.zfill(4) + "-" + month.astype("str").str.zfill(2)
    return text.where(month > 0)


def period_label(table: pd.DataFrame, every: str) -> pd.Series:
    """Month as 2031-03, or quarter as 2031 Q1; missing where the call's time is not known.

    Parameters: table, with year and month; every, month or quarter.
    """
    months = month_label(table)
    if every == dates.MONTH:
        return months
    quarters = {one: dates.label(date.fromisoformat(f"{one}-01"), dates.QUARTER) for one in months.dropna().unique()}
    return months.map(quarters).astype("str")
