"""How far off the detectors may be: half-widths from simulated cases, beside each number that came from a sensor."""

import tomllib
from collections.abc import Mapping
from functools import cache
from pathlib import Path

import pandas as pd

from qi.model.errors import QiError
from qi.model.findings import Findings

PLACE = Path(__file__).with_name("accuracy.toml")


@cache
def load(path: Path = PLACE) -> dict[str, dict[str, float]]:
    """Half-width of what detection may be off by, by channel and measure.

    Parameters: path, a file of half-widths; the one beside this module unless told otherwise.
    Returns: channel -> measure id -> half-width in the unit of the measure (fractions as shares 0 to 1). In 95 % of simulated cases
    like those it was drawn from, the measure, over the time that the sensor could see, lay no further than this from the truth. It
    does not speak of missing time (the bounds do), nor of monitors unlike the simulated ones. A channel or measure that is not
    there was not calibrated.
    Raises: QiError where an entry is not a number above or at zero.
    References: split-conformal half-width over cases, signals research note section 5; made by `python -m tests.accuracy`.
    """
    with path.open("rb") as file:
        found = tomllib.load(file)
    for channel, entries in found.items():
        for measure, value in entries.items():
            if isinstance(value, bool) or not isinstance(value, int | float) or value < 0:
                raise QiError(f"{path.name}, [{channel}]: {measure} is {value!r}, it should be a number of 0 or more")
    return {channel: {measure: float(value) for measure, value in entries.items()} for channel, entries in found.items()}


def of_case(found: Findings, widths: Mapping[str, Mapping[str, float]]) -> dict[str, float]:
    """Half-width of each measure on one case, by the sensor that most of its events came from.

    Parameters: found, the findings; widths, as `load` gives them.
    Returns: measure id -> half-width in the unit of the measure; a measure that is not there was not calibrated for that sensor.
    """
    leads = (
        (_lead(found.compressions), ("compression_fraction", "compression_rate", "compression_depth_mm")),
        (_lead(found.ventilations), ("ventilation_rate", "breath_duration_s")),
        (_lead(found.exhalations), ("etco2_mmhg",)),
    )
    known = {id_: widths[channel][id_] for channel, ids in leads for id_ in ids if id_ in widths.get(channel, {})}
    fraction = known.get("compression_fraction")
    shared = ("compression_fraction_5min", "compression_fraction_10min", "compression_fraction_minute")
    return known if fraction is None else known | dict.fromkeys(shared, fraction)


def _lead(events: pd.DataFrame) -> str:
    """Channel of the sensor that most events came from."""
    return str(events["sensor"].value_counts().idxmax()).split(" ")[0] if len(events) else ""
