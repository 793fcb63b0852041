"""Check values of tests/data/spc (its README says where each comes from), and tables of points for charts."""

import json
from pathlib import Path

import numpy as np
import pandas as pd

from qi.trends.dates import CASE, MONTH, label
from qi.trends.periods import periods

DATA = Path(__file__).parents[1] / "data" / "spc"


def read(name):
    file = DATA / name
    return json.loads(file.read_text(encoding="utf-8")) if file.suffix == ".json" else pd.read_csv(file)


def starts(count, *, first="2029-01-01"):
    """First days of so many months."""
    days = periods(pd.Timestamp(first).date(), pd.Timestamp("2099-12-31").date(), MONTH)
    return [label(next(days), CASE) for _ in range(count)]


def points(values, **columns):
    """Monthly points from January 2029 on."""
    days = starts(len(values))
    table = pd.DataFrame({"label": [day[:7] for day in days], "start": days, "n": 10.0, "value": np.asarray(values, dtype=float)})
    return table.assign(**{name: np.asarray(column, dtype=float) for name, column in columns.items()})


def out(chart, found):
    """Rows, from 1, of the points beyond the limits."""
    return [signal.first + 1 for signal in found if signal.rule == "beyond limits"]
