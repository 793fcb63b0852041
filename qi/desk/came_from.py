"""The moment of a case that a number came from: when a thing was done, or where it was worst."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from qi.model.review import Judged, Review
from qi.trends.cohort_columns import answer_name

_DENSE_S = 60.0  # moments so close together count as one place (our default, no source)
_DONE = ("interval_s", "time_to_device_s", "time_to_epinephrine_s", "first_shock_s")
# The column of MINUTES that a measure is a mean of, and the protocol's definitions that say what is asked of a minute: one band,
# or its two edges; empty where the lowest minute is the worst.
_MINUTES: dict[str, tuple[str, tuple[str, ...]]] = {
    **dict.fromkeys(
        ("compression_fraction", "compression_fraction_5min", "compression_fraction_10min", "compressions_per_minute"),
        ("fraction", ()),
    ),
    "compression_rate": ("rate_per_min", ("rate_band_per_min",)),
    "compression_depth_mm": ("depth_mm", ("depth_band_mm",)),
    "ventilation_rate": ("breaths_per_min", ("under_ventilated_per_min", "over_ventilated_per_min")),
}


@dataclass(frozen=True)
class Moment:
    """Where to look: the moment [s from case start], and in words what of the number lies there."""

    at_s: float
    words: str


def answer_of(review: Review, column: str) -> Judged | None:
    """The answer that stands in a column of the cohort table; None where the case has no such answer.

    Parameters: review; column, as qi.trends.cohort_columns.answer_name gives it.
    """
    return next((one for one in review.numbers if answer_name(one.id, _suffix(one)) == column), None)


def _suffix(one: Judged) -> str:
    return ".".join(part for part in (one.of, one.from_) if part)


def moment_of(review: Review, one: Judged, minutes: pd.DataFrame) -> Moment | None:
    """The moment that an answer came from.

    Parameters: review; one, an answer of it; minutes, MINUTES table of the case.
    Returns: of a time to an event, when it was done; of a mean that is known by minute, the minute furthest from what the protocol
    asks; of moments, where most of them lie within a minute; of stretches, the longest; None where the answer came from no place.
    """
    spans = np.array(one.number.spans_s, dtype=float).reshape(-1, 2)
    if one.value is None or not len(spans):
        return None
    if one.id in _DONE:
        return Moment(float(spans[-1, 1] if one.value >= 0 else spans[-1, 0]), "the moment that the time runs to")
    if one.id in _MINUTES and (at_s := _worst_minute(review, one, minutes, spans)) is not None:
        return Moment(at_s, f"the minute {'furthest from what is asked' if _MINUTES[one.id][1] else 'in which it is lowest'}")
    lengths = spans[:, 1] - spans[:, 0]
    if lengths.any():
        return Moment(float(spans[lengths.argmax(), 0]), "the longest stretch of it" if len(spans) > 1 else "its stretch")
    times = np.sort(spans[:, 0])
    many = np.searchsorted(times, times + _DENSE_S) - np.arange(len(times))
    return Moment(float(times[many.argmax()]), "the minute with most of its moments" if len(times) > 1 else "its moment")


def _worst_minute(review: Review, one: Judged, minutes: pd.DataFrame, spans: np.ndarray) -> float | None:
    """The start of the minute that lies furthest from what is asked, of those that the answer came from."""
    name, asked = _MINUTES[one.id]
    values, starts = minutes[name].to_numpy(), minutes["start_s"].to_numpy()
    inside = (spans[:, :1] < minutes["end_s"].to_numpy()) & (spans[:, 1:] > starts)
    known = inside.any(axis=0) & ~np.isnan(values)
    if not known.any():
        return None
    away = -values
    if asked:
        low, high = np.hstack([review.protocol.values[one] for one in asked])
        away = np.maximum(low - values, values - high)
    return float(starts[np.where(known, away, -np.inf).argmax()])
