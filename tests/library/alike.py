"""Whether what comes back from the library is what was put in, field by field, NaN like NaN and True unlike 1."""

import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from datetime import datetime

import numpy as np
import pandas as pd

from qi.model.case import Case, Signal


def alike(one, other):
    """Same types and values throughout; samples are left to bounds of their own."""
    if type(one) is not type(other):
        return False
    if isinstance(one, float) and math.isnan(one):
        return math.isnan(other)
    if isinstance(one, datetime):
        return one == other and one.utcoffset() == other.utcoffset() and str(one.tzinfo) == str(other.tzinfo)
    if isinstance(one, pd.DataFrame):
        pd.testing.assert_frame_equal(one, other)
        return True
    if isinstance(one, np.ndarray):
        return len(one) == len(other)
    if is_dataclass(one):
        return all(alike(getattr(one, field.name), getattr(other, field.name)) for field in fields(one))
    if isinstance(one, Mapping):
        return list(one) == list(other) and all(alike(one[key], other[key]) for key in one)
    if isinstance(one, tuple):
        return len(one) == len(other) and all(map(alike, one, other))
    return one == other


def furthest(one: Signal, other: Signal) -> float:
    """Largest error of any sample, as a share of what is allowed: three roundings to float32, or 2**-31 of the signal's range."""
    worst = 0.0
    samples = np.concatenate([np.zeros(0), *(piece.values for piece in one.pieces)])
    range_ = np.ptp(samples) if len(samples) else 0.0
    for before, after in zip(one.pieces, other.pieces, strict=True):
        assert after.values.dtype == np.float32
        if len(before.values):
            allowed = np.maximum(3 * 2.0**-24 * np.abs(before.values.astype(float)), range_ * 2.0**-31) + 1e-300
            worst = max(worst, float((np.abs(after.values.astype(float) - before.values) / allowed).max()))
    return worst


def furthest_of(one: Case, other: Case) -> float:
    """Largest error of any sample of two cases."""
    pairs = zip((*one.signals, *one.unplaced), (*other.signals, *other.unplaced), strict=True)
    return max((furthest(before, after) for before, after in pairs), default=0.0)
