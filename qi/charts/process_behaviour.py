"""Process-behaviour charts: a wall of small ones, and one in full with its phases, limits, signals and n.

A signal is a shape and a word, never a colour alone: points of a long run are diamonds, points beyond the limits are
squares, what a person left out is hollow.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from qi.charts.colours import ACCENTS

COLUMNS = 3  # small charts side by side
ROW = 206  # height of a row of small charts [px]
HEAD = 80  # of it, room for the words over a chart [px]
LETTERS = 26  # in a line of these words, so that they fit on a page of 800 px
_PLAIN, _RUN, _BEYOND, _OUT = "circle", "diamond", "square", "circle-open"
_SIZES = {_PLAIN: 5, _RUN: 8, _BEYOND: 10, _OUT: 8}
_GREY = {"light": "#5F6B76", "dark": "#A9B4BF"}
_FAINT = {"light": "rgba(95,107,118,0.35)", "dark": "rgba(169,180,191,0.35)"}
_TEXT = {"light": "#1d252c", "dark": "#e6eaee"}  # as in .streamlit/config.toml
_TICKS = 12


@dataclass(frozen=True, eq=False)
class Drawn:
    """A chart as it is drawn: its points (qi.trends.chart.POINTS, with words for hovering), its marks and its lines.

    name, the measure; latest, the newest value in words; signal, what the chart says in a few words; accent, of colours.ACCENTS;
    scale multiplies values for the axis (100 for shares), unit is written on it; marked holds a row of a signal and its mark;
    sections are first row, last row and reason of each phase; limit, the protocol's edges and words; n_name, what the points' n
    counts.
    """

    name: str
    latest: str
    signal: str
    accent: str
    unit: str
    scale: float
    points: pd.DataFrame
    hover: Sequence[str]
    runs: frozenset[int]
    beyond: frozenset[int]
    sections: Sequence[tuple[int, int, str]] = ()
    centre_name: str = "centre"
    limit: tuple[float | None, float | None, str] = (None, None, "")
    around: tuple[Sequence[float], Sequence[float]] | None = None
    n_name: str = "n"

    @property
    def marks(self) -> list[str]:
        """The shape of each point."""
        out = self.points["excluded"].to_numpy()
        return [
            _OUT if out[row] else _BEYOND if row in self.beyond else _RUN if row in self.runs else _PLAIN
            for row in range(len(self.points))
        ]


def wall(charts: Sequence[Drawn], *, dark: bool = False) -> go.Figure:
    """Small charts in rows of three, each with its name, its newest value and what it says in words.

    Parameters: charts, in order of reading; dark, drawn on a dark page.
    Returns: one figure; the trace of values of chart i is trace 2i + 1.
    Notes: made of plain dicts at once, as qi.charts.by_minute is and for the same reason.
    """
    rows = max(1, -(-len(charts) // COLUMNS))
    layout: dict[str, Any] = {
        "height": rows * ROW + 10,
        "margin": {"l": 6, "r": 10, "t": 4, "b": 6},
        "showlegend": False,
        "annotations": [],
        "hovermode": "closest",
        "clickmode": "event+select",
        "dragmode": False,
    }
    traces: list[dict[str, Any]] = []
    for at, chart in enumerate(charts):
        row, column = divmod(at, COLUMNS)
        axis = "" if at == 0 else str(at + 1)
        left, right = column / COLUMNS + 0.004, (column + 1) / COLUMNS - 0.02
        top = 1.0 - row / rows
        head, foot = HEAD / (rows * ROW), 14 / (rows * ROW)
        layout[f"xaxis{axis}"] = _small_x(chart, (left, right), f"y{axis}")
        layout[f"yaxis{axis}"] = {
            "domain": [top - 1.0 / rows + foot, top - head],
            "anchor": f"x{axis}",
            "showticklabels": False,
            "showgrid": False,
            "zeroline": False,
            "fixedrange": True,
        }
        layout["annotations"] += _head(chart, left, top, dark=dark)
        traces += [_centre(chart, axis, dark=dark), _values(chart, axis, dark=dark, small=True)]
    return go.Figure({"data": traces, "layout": layout})


def figure(chart: Drawn, *, dark: bool = False) -> go.Figure:
    """One chart in full: values with their intervals, centre and limits phase by phase, the protocol's limit, n below.

    Parameters: chart; dark.
    Returns: a figure whose first trace holds the values, to be chosen from.
    """
    shade = "dark" if dark else "light"
    traces = [_values(chart, "", dark=dark, small=False), _centre(chart, "", dark=dark)]
    traces += [_line(chart, name, words, dark=dark) for name, words in (("high", "upper limit"), ("low", "lower limit"))]
    traces += [*_asked(chart, shade), _counts(chart, dark=dark)]
    last = len(chart.points) - 0.5
    every = max(1, -(-len(chart.points) // _TICKS))
    at = list(range(0, len(chart.points), every))
    ticks = {"tickvals": at, "ticktext": [str(chart.points["label"].iloc[one]) for one in at]}
    layout: dict[str, Any] = {
        "height": 460,
        "margin": {"l": 8, "r": 8, "t": 34, "b": 8},
        "hovermode": "closest",
        "clickmode": "event+select",
        "dragmode": False,
        "xaxis": {"range": [-0.6, last + 0.1], "anchor": "y2", "showgrid": False, "automargin": True, **ticks},
        "yaxis": {"domain": [0.2, 1.0], "title": {"text": chart.unit}, "nticks": 6, "zeroline": False, "automargin": True},
        "yaxis2": {"domain": [0.0, 0.12], "title": {"text": chart.n_name}, "nticks": 2, "rangemode": "tozero", "automargin": True},
        "legend": {"orientation": "h", "x": 0, "y": 1.02, "yanchor": "bottom"},
        "shapes": _phases(chart, shade),
        "annotations": _reasons(chart, _TEXT[shade]),
    }
    return go.Figure({"data": traces, "layout": layout})


def _small_x(chart: Drawn, domain: tuple[float, float], anchor: str) -> dict[str, Any]:
    return {
        "domain": list(domain),
        "anchor": anchor,
        "range": [-0.8, len(chart.points) - 0.2],
        "showticklabels": False,
        "showgrid": False,
        "zeroline": False,
        "fixedrange": True,
    }


def _head(chart: Drawn, left: float, top: float, *, dark: bool) -> list[dict[str, Any]]:
    """Name, newest value and signal over a small chart."""
    bold, shade = bool(chart.runs or chart.beyond), "dark" if dark else "light"
    name, signal = (wrapped(text, width=LETTERS, lines=2) for text in (chart.name, chart.signal))
    text = "<br>".join((f"<b>{name}</b>", chart.latest, f"<b>{signal}</b>" if bold else signal))
    place = {"x": left, "y": top, "xref": "paper", "yref": "paper", "xanchor": "left", "yanchor": "top"}
    return [{**place, "text": text, "align": "left", "showarrow": False, "font": {"size": 11, "color": _TEXT[shade]}}]


def _values(chart: Drawn, axis: str, *, dark: bool, small: bool) -> dict[str, Any]:
    shade = "dark" if dark else "light"
    colour = ACCENTS[chart.accent][shade]
    marks = chart.marks
    values = chart.points["value"].to_numpy(dtype=float) * chart.scale
    trace: dict[str, Any] = {
        "type": "scatter",
        "name": "values",
        "x": list(range(len(values))),
        "y": [None if np.isnan(one) else float(one) for one in values],
        "xaxis": f"x{axis}",
        "yaxis": f"y{axis}",
        "mode": "lines+markers",
        "line": {"color": colour, "width": 1.2},
        "marker": {
            "symbol": marks,
            "size": [(_SIZES[mark] - (1 if small else 0)) + (0 if small else 2) for mark in marks],
            "color": colour,
            "line": {"width": 1, "color": colour},
        },
        "connectgaps": False,
        "text": list(chart.hover),
        "hovertemplate": "%{text}<extra></extra>",
        "customdata": chart.points["label"].tolist(),
        "selected": {"marker": {"opacity": 1.0}},
        "unselected": {"marker": {"opacity": 1.0}},
        "showlegend": False,
    }
    if not small and chart.around is not None:
        low, high = (np.asarray(one, dtype=float) * chart.scale for one in chart.around)
        plus, minus = np.nan_to_num(high - values), np.nan_to_num(values - low)
        trace["error_y"] = {
            "type": "data",
            "symmetric": False,
            "array": plus.tolist(),
            "arrayminus": minus.tolist(),
            "color": _FAINT[shade],
            "thickness": 1,
            "width": 0,
        }
    return trace


def _stepped(chart: Drawn, values: np.ndarray) -> tuple[list[float | None], list[float | None]]:
    """A line of steps, a level a point, broken between phases and where there is none."""
    starts = {first for first, _, _ in chart.sections}
    x: list[float | None] = []
    y: list[float | None] = []
    for row, value in enumerate(values):
        if row in starts and row:
            x.append(None)
            y.append(None)
        level = None if np.isnan(value) else float(value) * chart.scale
        x += [row - 0.5, row + 0.5]
        y += [level, level]
    return x, y


def _centre(chart: Drawn, axis: str, *, dark: bool) -> dict[str, Any]:
    x, y = _stepped(chart, chart.points["centre"].to_numpy(dtype=float))
    return {
        "type": "scatter",
        "name": chart.centre_name,
        "x": x,
        "y": y,
        "xaxis": f"x{axis}",
        "yaxis": f"y{axis}",
        "mode": "lines",
        "line": {"color": _GREY["dark" if dark else "light"], "width": 1.2},
        "hoverinfo": "skip",
    }


def _line(chart: Drawn, column: str, words: str, *, dark: bool) -> dict[str, Any]:
    x, y = _stepped(chart, chart.points[column].to_numpy(dtype=float))
    drawn = any(one is not None for one in y)
    return {
        "type": "scatter",
        "name": words,
        "x": x if drawn else [],
        "y": y if drawn else [],
        "mode": "lines",
        "line": {"color": _GREY["dark" if dark else "light"], "width": 1.2, "dash": "dash"},
        "hoverinfo": "skip",
        "showlegend": drawn,
    }


def _counts(chart: Drawn, *, dark: bool) -> dict[str, Any]:
    n = chart.points["n"].to_numpy(dtype=float)
    return {
        "type": "bar",
        "name": "n",
        "x": list(range(len(n))),
        "y": [None if np.isnan(one) else float(one) for one in n],
        "xaxis": "x",
        "yaxis": "y2",
        "marker": {"color": _FAINT["dark" if dark else "light"]},
        "hovertemplate": f"{chart.n_name} %{{y:.4~g}}<extra></extra>",
        "showlegend": False,
    }


def _phases(chart: Drawn, shade: str) -> list[dict[str, Any]]:
    """An upright line where a person began a phase."""
    line = {"color": _GREY[shade], "width": 1, "dash": "dot"}
    return [
        {"type": "line", "xref": "x", "yref": "paper", "x0": first - 0.5, "x1": first - 0.5, "y0": 0, "y1": 1, "line": line}
        for first, _, reason in chart.sections
        if reason
    ]


def _reasons(chart: Drawn, colour: str) -> list[dict[str, Any]]:
    """The reason that was given for each phase, written on the chart."""
    return [
        {
            "x": first - 0.4,
            "y": 0.995,
            "xref": "x",
            "yref": "paper",
            "xanchor": "left",
            "yanchor": "top",
            "text": wrapped(reason, width=28, lines=4),
            "align": "left",
            "showarrow": False,
            "font": {"size": 11, "color": colour},
        }
        for first, _, reason in chart.sections
        if reason
    ]


def wrapped(text: str, *, width: int, lines: int) -> str:
    """Text broken into short lines, what is too long cut with an ellipsis; signs that would be markup are spelt out."""
    words, rows = text.replace("&", "&amp;").replace("<", "&lt;").split(), [""]
    for word in words:
        if rows[-1] and len(rows[-1]) + len(word) >= width:
            rows.append(word)
        else:
            rows[-1] = f"{rows[-1]} {word}".strip()
    return "<br>".join([*rows[: lines - 1], f"{rows[lines - 1]} …"] if len(rows) > lines else rows)


def _asked(chart: Drawn, shade: str) -> list[dict[str, Any]]:
    """The protocol's limit as a dotted line, or two, named once in the legend."""
    low, high, words = chart.limit
    edges = [edge for edge in (low, high) if edge is not None]
    return [
        {
            "type": "scatter",
            "name": words,
            "x": [-0.5, len(chart.points) - 0.5],
            "y": [edge * chart.scale] * 2,
            "mode": "lines",
            "line": {"color": _GREY[shade], "width": 1.5, "dash": "dot"},
            "hoverinfo": "skip",
            "showlegend": place == 0,
        }
        for place, edge in enumerate(edges)
    ]
