"""The course of a case by minute: hands on the chest, rate, depth, breaths."""

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd
import plotly.graph_objects as go
from plotly.subplots import make_subplots

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


def figure(courses: Sequence[Course], *, dark: bool = False) -> go.Figure:
    """One row a course over the minutes of the arrest, the band asked for shaded; a minute without a value stays empty.

    Parameters: courses, rows from top to bottom, each with one value a minute from the first; dark, drawn on a dark page.
    Returns: a figure with one shared axis of minutes.
    """
    chart = make_subplots(rows=max(1, len(courses)), cols=1, shared_xaxes=True, vertical_spacing=0.06)
    for row, course in enumerate(courses, start=1):
        colour = ACCENTS[course.accent]["dark" if dark else "light"]
        minutes = list(range(1, len(course.values) + 1))
        chart.add_scatter(
            x=minutes,
            y=list(course.values),
            mode="lines+markers",
            line={"color": colour, "shape": "hvh", "width": 1.5},
            marker={"size": 5},
            connectgaps=False,
            showlegend=False,
            hovertemplate=f"minute %{{x}}: %{{y:.3~g}} {course.unit}<extra>{course.name}</extra>",
            row=row,
            col=1,
        )
        if course.low is not None or course.high is not None:
            _band(chart, course, row, dark=dark)
        chart.update_yaxes(title={"text": f"{course.name}<br>{course.unit}", "font": {"size": 11}}, row=row, col=1, nticks=4)
    chart.update_xaxes(title={"text": "minute of the arrest"}, row=len(courses), col=1)
    chart.update_layout(height=60 + 110 * len(courses), margin={"l": 8, "r": 8, "t": 8, "b": 40})
    return chart


def _band(chart: go.Figure, course: Course, row: int, *, dark: bool) -> None:
    """Shade what is asked for; an open side reaches a little past the values."""
    known = course.values.dropna().tolist()
    edges = [edge for edge in (course.low, course.high) if edge is not None]
    reach = [*known, *edges]
    low = course.low if course.low is not None else min(reach)
    high = course.high if course.high is not None else max(reach)
    shade = "rgba(255,255,255,0.08)" if dark else "rgba(0,0,0,0.06)"
    chart.add_hrect(y0=low, y1=high, fillcolor=shade, line_width=0, row=row, col=1)
    for edge in edges:
        chart.add_hline(y=edge, line={"dash": "dot", "width": 1, "color": "grey"}, row=row, col=1)
