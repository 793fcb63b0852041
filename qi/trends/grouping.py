"""Groups of cases by station, shift, unit, airway, rhythm, device or hour, in order of their names and never of their numbers."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from qi.trends import columns_used as use

HOURS_A_BAND = 6  # hours of the day drawn together (our default, no source)
_SHORT = 3  # signs up to which a name says little by itself
NOT_RECORDED = "not recorded"
_NO_SENSOR = "/"
DAY_BANDS = tuple(f"{start:02d}:00 to {start + HOURS_A_BAND - 1:02d}:59" for start in range(0, 24, HOURS_A_BAND))
_USED = {use.YES: "device used", use.NO: "no device used"}


@dataclass(frozen=True)
class By:
    """One way to sort cases into groups: the column, its name on screen, and what a reader must bear in mind."""

    column: str
    label: str
    note: str = ""


_LONG = "Long arrests have more time for it: groups differ in how long their arrests lasted before they differ in anything else."
WAYS: Mapping[str, By] = {
    way.column: way
    for way in (
        By(use.STATION, "Station"),
        By(use.SHIFT, "Shift"),
        By(use.UNIT, "Unit"),
        By(use.AIRWAY_KIND, "Airway", _LONG),
        By(use.FIRST_RHYTHM, "First rhythm"),
        By(use.DEVICE_USED, "Device used", _LONG),
        By(use.HOUR, "Hour of day"),
        By(use.SENSORS, "Sensors", "Other sensors see other things: a difference can be the equipment's alone."),
    )
}


def group_of(table: pd.DataFrame, by: str) -> pd.Series:
    """The group of each case as text; hours of the day in bands, what is missing as a group of its own.

    Parameters: table, with the column; by, its name.
    Raises: BadTable where the column is missing.
    """
    values = use.need(table, [by])[by]
    if by == use.HOUR:
        return _band(values.astype(float))
    if by == use.DEVICE_USED:
        return use.said(values).map(_USED).astype("str").fillna(NOT_RECORDED)
    told = use.words(values)
    if by in (use.AIRWAY_KIND, use.FIRST_RHYTHM, use.SENSORS):
        told = told.str.replace("_", " ").where(told != _NO_SENSOR, "no sensor")
    return told.fillna(NOT_RECORDED)


def _band(hours: pd.Series) -> pd.Series:
    names = [DAY_BANDS[int(hour) // HOURS_A_BAND] if not np.isnan(hour) else NOT_RECORDED for hour in hours]
    return pd.Series(names, index=hours.index, dtype="str")


def full_name(by: str, group: str) -> str:
    """A group's name as it is said: a number or letter alone gets what it is a name of, as in Station 2.

    Parameters: by, a key of WAYS; group, as group_of gives it.
    """
    return f"{WAYS[by].label} {group}" if by in (use.STATION, use.SHIFT, use.UNIT) and len(group) <= _SHORT else group


def in_order(groups: pd.Series) -> list[str]:
    """The groups in order of their names, numbers by size, the one not recorded last."""
    return sorted(groups.unique(), key=lambda name: (name == NOT_RECORDED, _natural(name)))


def _natural(name: str) -> Sequence[tuple[int, int, str]]:
    return [(0, int(piece), "") if piece.isdigit() else (1, 0, piece) for piece in re.split(r"(\d+)", name.casefold()) if piece]
