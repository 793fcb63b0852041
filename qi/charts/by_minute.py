"""The course of a case by minute: hands on the chest, rate, depth, breaths."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd
import plotly.graph_objects as go

from qi.charts.colours import ACCENTS


@dataclass(frozen=True)
class Course:
    """One row of the chart: a name, its unit, a value for each minute (NaN where unknown), and the band asked for."""

    name: str
    unit: str
    accent: str
    values: pd.Series
    low: float | None = None
    high: float | None = None


GAP = 0.06  # between two rows, as a share of the height


def figure(courses: Sequence[Course], *, dark: bool = False) -> go.Figure:
    """One row a course over the minutes of the arrest, the band asked for shaded; a minute without a value stays empty.

    Parameters: courses, rows from top to bottom, each with one value a minute from the first; dark, drawn on a dark page.
    Returns: a figure with one shared axis of minutes.
    Notes: made of plain dicts at once: adding rows, lines and bands one by one takes ten times as long.
    """
    count = max(1, len(courses))
    high = (1.0 - GAP * (count - 1)) / count
    layout: dict[str, Any] = {
        "height": 60 + 110 * count,
        "margin": {"l": 8, "r": 8, "t": 8, "b": 40},
        "shapes": [],
        "xaxis": {"title": {"text": "minute of the arrest"}, "anchor": "y" if count == 1 else f"y{count}"},
    }
    traces = []
    for row, course in enumerate(courses):
        axis = "" if row == 0 else str(row + 1)
        top = 1.0 - row * (high + GAP)
        layout[f"yaxis{axis}"] = {
            "title": {"text": f"{course.name}<br>{course.unit}", "font": {"size": 11}},
            "domain": [max(0.0, top - high), top],
            "nticks": 4,
        }
        layout["shapes"] += _band(course, f"y{axis}", dark=dark)
        traces.append(_trace(course, f"y{axis}", dark=dark))
    return go.Figure({"data": traces, "layout": layout})


def _trace(course: Course, axis: str, *, dark: bool) -> dict[str, Any]:
    return {
        "type": "scatter",
        "x": list(range(1, len(course.values) + 1)),
        "y": [None if pd.isna(value) else float(value) for value in course.values],
        "yaxis": axis,
        "mode": "lines+markers",
        "line": {"color": ACCENTS[course.accent]["dark" if dark else "light"], "shape": "hvh", "width": 1.5},
        "marker": {"size": 5},
        "connectgaps": False,
        "showlegend": False,
        "hovertemplate": f"minute %{{x}}: %{{y:.3~g}} {course.unit}<extra>{course.name}</extra>",
    }


def _band(course: Course, axis: str, *, dark: bool) -> list[dict[str, Any]]:
    """What is asked for, shaded between dotted edges; an open side reaches as far as the values."""
    edges = [edge for edge in (course.low, course.high) if edge is not None]
    if not edges:
        return []
    reach = [*course.values.dropna().tolist(), *edges]
    low = course.low if course.low is not None else min(reach)
    high = course.high if course.high is not None else max(reach)
    across = {"xref": "x domain", "x0": 0, "x1": 1, "yref": axis}
    shade = "rgba(255,255,255,0.08)" if dark else "rgba(0,0,0,0.06)"
    shapes = [{"type": "rect", **across, "y0": low, "y1": high, "fillcolor": shade, "line": {"width": 0}, "layer": "below"}]
    dotted = {"dash": "dot", "width": 1, "color": "grey"}
    return [*shapes, *({"type": "line", **across, "y0": edge, "y1": edge, "line": dotted} for edge in edges)]
