"""Which tables of the agency can be shared with small cells hidden: what their columns are to each other."""

from collections.abc import Sequence

import pandas as pd

from qi.trends.hidden_cells import Shape

_SHARE = ("met", "judged")
# Sets of columns that makers of qi.trends give; a table with another number in it is not known here, and is not shared.
PERIODS = Shape(
    counts=("judged", "n", "met", "cases"),
    derived={
        **dict.fromkeys(("median", "median_low", "median_high", "mean", "sd"), ("n",)),
        **dict.fromkeys(("share", "share_low", "share_high"), _SHARE),
    },
    within={"met": ("judged", "n", "cases"), "judged": ("n", "cases"), "n": ("cases",)},
)
CAPTURE = Shape(
    counts=("known", "recorded", "measurable", "elsewhere"),
    derived={
        **dict.fromkeys(("recorded_share", "recorded_low", "recorded_high"), ("recorded", "known")),
        **dict.fromkeys(("measurable_share", "measurable_low", "measurable_high"), ("measurable", "known")),
        "shown": ("known",),
    },
    within={"measurable": ("recorded", "known"), "recorded": ("known",), "elsewhere": ("known",)},
)
BY_SENSOR = Shape(
    counts=("cases", "measurable"),
    within={"measurable": ("cases",)},
    running=("known",),
    across=("sensor",),
)
MULTIPLES = Shape(
    counts=("known", "cases", "missing"),
    derived={**dict.fromkeys(("median", "low", "high"), ("known",)), "shown": ("known",)},
    within={"known": ("cases",), "missing": ("cases",)},
    adds={"cases": ("known", "missing")},
)
GROUP_MONTHS = Shape(counts=("cases",), derived={"median": ("cases",)}, across=("group", "month"))
POINTS = Shape(counts=("n", "count"), derived={"value": ("n", "count")}, within={"count": ("n",)}, across=("measure",))
_FUNNEL_LIMITS = ("low_95", "high_95", "low_998", "high_998")
GROUPS = Shape(
    counts=("n", "count", "missing"),
    derived={"shown": ("n",)},
    within={"count": ("n",)},
)
FUNNEL = Shape(
    counts=("n", "count", "missing"),
    derived={
        **dict.fromkeys(("value", "low", "high", "chance", "chance_among", "lies", "shown"), ("n", "count")),
        **dict.fromkeys(_FUNNEL_LIMITS, ("n",)),
    },
    within={"count": ("n",)},
)
MEDIANS = Shape(
    counts=("judged", "cases"),
    derived={"median": ("cases",), "share": ("judged", "cases")},
    within={"judged": ("cases",)},
)
CAUSES = Shape(
    counts=("cases", "count"),
    derived=dict.fromkeys(("seconds", "share", "largest_case"), ("cases", "count")),
    running=("cumulative",),
)
# Limits of one point tell of the scatter of all, the hidden ones among them.
CHART = Shape(counts=("n", "x"), derived={"value": ("n", "x")}, within={"x": ("n",)}, running=("low", "high", "z"))
KNOWN: Sequence[Shape] = (PERIODS, CAPTURE, BY_SENSOR, MULTIPLES, FUNNEL, GROUPS, MEDIANS, GROUP_MONTHS, CAUSES, CHART, POINTS)
_HARMLESS = ("year", "month", "hour", "phase", "centre")


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
