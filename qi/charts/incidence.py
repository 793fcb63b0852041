"""Time to something as cumulative incidence: whom it was done to by when, whose effort ended without it, who is still open."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import plotly.graph_objects as go

from qi.charts.colours import ACCENTS
from qi.charts.panels import FAINT, GREY, SHADE, axis, grid, nothing, written

ROW = 300
POINTS = 400  # steps drawn of one curve at most
_MOST_S, _LEAST_S = 3600.0, 300.0  # ends of what is drawn
_REACHED, _ENDED = 0.98, 0.8  # within them: up to so much of what is ever done, and of what ever came to its end
MINUTE = 60.0


@dataclass(frozen=True, eq=False)
class Curve:
    """One group's curves as they are drawn.

    label; counted, its cases in words, with how many it was done in and how many ended without it; times_s, the moments of its
    steps [s]; done and never, shares 0 to 1; low and high, interval of done; few, the case count asks for grey; counts_only, it
    asks for no curve at all.
    """

    label: str
    counted: str
    times_s: np.ndarray
    done: np.ndarray
    never: np.ndarray
    low: np.ndarray
    high: np.ndarray
    few: bool = False
    counts_only: bool = False


def figure(curves: Sequence[Curve], *, marks_s: Sequence[float], accent: str, dark: bool = False) -> go.Figure:
    """A panel a group on one scale: done from below, ended without it from above, what lies between is still open.

    Parameters: curves, in order; marks_s, moments marked by upright lines [s]; accent, of colours.ACCENTS;
    dark.
    Returns: one figure; from the second panel on, the first one's curve is repeated as a dashed line.
    """
    told = [one for one in curves if not one.counts_only]
    if not told:
        return nothing("Fewer than 10 cases in each group: counts only.")
    shade = "dark" if dark else "light"
    longest = max(_reach(one) for one in told)
    heads = [(one.label or "All cases", one.counted + (" (few)" if one.few else "")) for one in curves]
    x = {"range": [0, longest / MINUTE], "nticks": 6, "zeroline": False, "title": {"text": "minutes", "standoff": 4}}
    y = {"range": [0, 100], "tickvals": [0, 25, 50, 75, 100], "zeroline": False}
    layout = grid(heads, columns=2, row=ROW, x=x, y=y, foot=44)
    layout["yaxis"]["title"] = {"text": "% of cases"}
    traces: list[dict[str, Any]] = []
    for at, one in enumerate(curves):
        if one.counts_only:
            layout["annotations"].append(written("counts only", at))
        layout["shapes"] += _marks(marks_s, at, shade)
        traces += _panel(one, at, longest, GREY[shade] if one.few else ACCENTS[accent][shade], shade)
        if at and not curves[0].counts_only and not one.counts_only:
            traces.append(_compared(curves[0], at, longest, shade))
    layout["legend"] = {"orientation": "h", "x": 0, "y": -0.02, "yanchor": "top"}
    layout["showlegend"] = True
    layout["height"] += 40
    return go.Figure({"data": traces, "layout": layout})


def _reach(one: Curve) -> float:
    """Moment by which nearly all that is ever done is done, and so many of all cases have come to their end [s]."""
    if not len(one.times_s):
        return _LEAST_S
    either = one.done + one.never
    at = max(int(np.searchsorted(one.done, one.done[-1] * _REACHED)), int(np.searchsorted(either, either[-1] * _ENDED)))
    return float(np.clip(one.times_s[min(at, len(one.times_s) - 1)] * 1.05, _LEAST_S, _MOST_S))


def _steps(one: Curve, values: np.ndarray, until_s: float) -> tuple[list[float], list[float]]:
    """A curve at its own steps, or at even moments where these are more than can be seen; minutes and percent."""
    inside = one.times_s[one.times_s <= until_s]
    times = np.concatenate([[0.0], inside, [until_s]]) if len(inside) <= POINTS else np.linspace(0.0, until_s, POINTS)
    at = np.searchsorted(one.times_s, times, side="right") - 1
    level = np.where(at < 0, 0.0, values[np.maximum(at, 0)]) if len(values) else np.zeros(len(times))
    return (times / MINUTE).tolist(), (level * 100.0).tolist()


def _panel(one: Curve, at: int, until_s: float, colour: str, shade: str) -> list[dict[str, Any]]:
    """Interval, done, and from above those that ended without it."""
    own = {"xaxis": f"x{axis(at)}", "yaxis": f"y{axis(at)}", "type": "scatter", "mode": "lines", "showlegend": at == 0}
    if one.counts_only:
        return [{**own, "x": [], "y": [], "name": "done", "showlegend": False}]
    minutes, done = _steps(one, one.done, until_s)
    edges = [_steps(one, edge, until_s)[1] for edge in (one.low, one.high)]
    never = [100.0 - level for level in _steps(one, one.never, until_s)[1]]
    hidden = {"line": {"width": 0, "shape": "hv"}, "hoverinfo": "skip", "showlegend": False}
    return [
        {
            **own,
            "x": minutes,
            "y": done,
            "name": "done",
            "legendgroup": "done",
            "line": {"color": colour, "width": 2.2, "shape": "hv"},
            "hovertemplate": f"by %{{x:.1f}} min: %{{y:.0f}} % done<extra>{one.label}</extra>",
        },
        {**own, **hidden, "x": minutes, "y": edges[1], "name": "high"},
        {
            **own,
            "x": minutes,
            "y": edges[0],
            "name": "95 % interval",
            "legendgroup": "interval",
            "line": {"width": 0, "shape": "hv"},
            "fill": "tonexty",
            "fillcolor": SHADE[shade],
            "hoverinfo": "skip",
        },
        {**own, **hidden, "x": [minutes[0], minutes[-1]], "y": [100.0, 100.0], "name": "all"},
        {
            **own,
            "x": minutes,
            "y": never,
            "name": "ended without it (from above)",
            "legendgroup": "never",
            "line": {"color": GREY[shade], "width": 1.2, "dash": "dash", "shape": "hv"},
            "fill": "tonexty",
            "fillpattern": {"shape": "/", "fgcolor": FAINT[shade], "size": 7, "solidity": 0.15},
            "customdata": [100.0 - level for level in never],
            "hovertemplate": f"by %{{x:.1f}} min: %{{customdata:.0f}} % ended without it<extra>{one.label}</extra>",
        },
    ]


def _compared(first: Curve, at: int, until_s: float, shade: str) -> dict[str, Any]:
    minutes, done = _steps(first, first.done, until_s)
    return {
        "type": "scatter",
        "mode": "lines",
        "x": minutes,
        "y": done,
        "xaxis": f"x{axis(at)}",
        "yaxis": f"y{axis(at)}",
        "name": f"done, {first.label[:1].lower()}{first.label[1:]}",
        "legendgroup": "compared",
        "showlegend": at == 1,
        "line": {"color": GREY[shade], "width": 1.4, "dash": "dot", "shape": "hv"},
        "hoverinfo": "skip",
    }


def _marks(marks_s: Sequence[float], at: int, shade: str) -> list[dict[str, Any]]:
    line = {"color": FAINT[shade], "width": 1, "dash": "dot"}
    across = {"yref": f"y{axis(at)} domain", "y0": 0, "y1": 1, "xref": f"x{axis(at)}", "layer": "below"}
    return [{"type": "line", **across, "x0": mark / MINUTE, "x1": mark / MINUTE, "line": line} for mark in marks_s]
