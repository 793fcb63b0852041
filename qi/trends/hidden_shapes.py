"""Which tables of the agency can be shared with small cells hidden: what their columns are to each other."""

from collections.abc import Sequence
from dataclasses import replace

import pandas as pd

from qi.trends.hidden_cells import Shape

_SHARE = ("met", "judged")
# How many cases a month, quarter or group has is the same for all measures: beside n of a measure it tells how many have no number,
# and a table of another measure may show it where this one does not. It is always hidden, as is how many have no number.
# Sets of columns that makers of qi.trends give; a table with another number in it is not known here, and is not shared.
PERIODS = Shape(
    counts=("n", "judged", "met", "cases"),
    always=("cases",),
    derived={
        **dict.fromkeys(("median", "median_low", "median_high", "mean", "sd"), ("n",)),
        **dict.fromkeys(("share", "share_low", "share_high"), _SHARE),
    },
    within={"met": ("judged", "n"), "judged": ("n",)},
    days="start",
)
CAPTURE = Shape(
    counts=("known", "recorded", "measurable", "elsewhere"),
    derived={
        **dict.fromkeys(("recorded_share", "recorded_low", "recorded_high"), ("recorded", "known")),
        **dict.fromkeys(("measurable_share", "measurable_low", "measurable_high"), ("measurable", "known")),
        "shown": ("known",),
    },
    within={"measurable": ("recorded", "known"), "recorded": ("known",), "elsewhere": ("known",)},
    days="month",
)
BY_SENSOR = Shape(
    counts=("cases", "measurable"),
    within={"measurable": ("cases",)},
    running=("known",),
    across=("sensor",),
)
MULTIPLES = Shape(
    counts=("known", "cases", "missing"),
    always=("cases", "missing"),
    derived={**dict.fromkeys(("median", "low", "high"), ("known",)), "shown": ("known",)},
    running=("drawn_in", "reliability"),
)
# What is made of all groups together (limits that allow for scatter, values drawn in) tells of the hidden ones among them.
_FUNNEL_LIMITS = ("low_95", "high_95", "low_998", "high_998")
GROUPS = Shape(
    counts=("n", "count", "missing"),
    always=("missing",),
    derived={"shown": ("n",)},
    within={"count": ("n",)},
)
FUNNEL = Shape(
    counts=("n", "count", "missing"),
    always=("missing",),
    derived={
        **dict.fromkeys(("value", "low", "high", "chance", "lies"), ("n", "count")),
        "shown": ("n",),
    },
    within={"count": ("n",)},
    running=(*_FUNNEL_LIMITS, "chance_among", "reliability", "expected"),
)
CAUSES = Shape(
    counts=("cases", "count"),
    derived=dict.fromkeys(("seconds", "share", "largest_case"), ("cases", "count")),
    running=("cumulative",),
)
# Limits and centre tell of all points, the hidden ones among them: the median of an odd number of points is one of them. of is how
# many cases have a value, which a chart of their medians shows, where n is of those judged or of those with a known time.
CHART = Shape(
    counts=("of", "n", "x"),
    derived={"value": ("n", "x")},
    within={"x": ("n", "of"), "n": ("of",)},
    running=("low", "high", "z", "centre"),
    days="start",
)
# A moving range is how far a value lies from the one before: beside that of its neighbour it would tell a hidden one.
BETWEEN_POINTS = replace(CHART, derived={}, running=(*CHART.running, "value"))
_MARKS = ("180_s", "120_s", "60_s")
_ENDS = ("median", "median_low", "median_high")
_DONE_BY = tuple(f"done_by_{at}" for at in (*_MARKS, *_ENDS))
# Where records end early a share is not the plain one of its count: with all its digits it would tell how many ended by then.
INCIDENCE = Shape(
    counts=("n", "done", "never", "record_ends", "left_out", *_DONE_BY),
    derived={
        **{f"by_{at}{end}": (f"done_by_{at}", "n", "record_ends") for at in _MARKS for end in ("", "_low", "_high")},
        **{f"{end}_s": (f"done_by_{end}", "n", "record_ends") for end in _ENDS},
    },
    within={
        "done": ("n",),
        **{name: ("n", "done", *(other for other in _DONE_BY if other != name)) for name in _DONE_BY},
    },
    adds={"n": ("done", "never", "record_ends")},
    rounded={f"by_{at}{end}": 2 for at in _MARKS for end in ("", "_low", "_high")},
)
# What is expected is made of how many cases a group has in each stratum: with all its digits it would tell them.
RATIOS = Shape(
    counts=("n", "observed", "left_out"),
    derived={
        **dict.fromkeys(("value", "low", "high", "crude", "adjusted", "drawn_in"), ("n", "observed")),
        **dict.fromkeys(("expected", "reliability", "shown"), ("n",)),
    },
    within={"observed": ("n",)},
    rounded={"expected": 0, "adjusted": 2, **dict.fromkeys(("value", "low", "high", "drawn_in"), 1)},
)
STRATA = Shape(
    counts=("n", "observed"),
    derived=dict.fromkeys(("expected", "shown"), ("n",)),
    within={"observed": ("n",)},
    across=("group", "stratum"),
    rounded={"expected": 1},
)
KNOWN: Sequence[Shape] = (
    CAPTURE,
    BY_SENSOR,
    MULTIPLES,
    FUNNEL,
    GROUPS,
    CAUSES,
    INCIDENCE,
    RATIOS,
    STRATA,
)
_HARMLESS = ("year", "month", "hour", "phase")


def shape_of(table: pd.DataFrame) -> Shape | None:
    """The shape of a table by its columns; None for one that is not known, which is then not for sharing.

    Parameters: table, of a maker of qi.trends. A column of numbers that no shape names makes a table unknown: it could tell of a
    hidden count.
    """
    numbers = {name for name in table.columns if _is_number(table[name])} - set(_HARMLESS)
    for shape in KNOWN:
        named = {*shape.counts, *shape.derived, *shape.running, *shape.across}
        if named <= set(table.columns) and numbers <= named:
            return shape
    return None


def _is_number(values: pd.Series) -> bool:
    return pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values)
