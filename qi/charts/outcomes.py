"""Outcomes: shares with their intervals by Utstein group or by what was had at a landmark, and observed over expected by group."""

from collections.abc import Sequence
from typing import Any

import pandas as pd
import plotly.graph_objects as go

from qi.charts.colours import ACCENTS
from qi.charts.panels import FAINT, GREY, nothing, numbers, safe

ROW = 52
COUNTS_ONLY, GREYED = "counts only", "grey"
_LONGEST_NAME = 30


def shares(rows: pd.DataFrame, *, context: Sequence[tuple[int, float, str]] = (), dark: bool = False) -> go.Figure:
    """A row a group from top to bottom: its share with the Wilson interval, its counts in words, published figures as light marks.

    Parameters: rows, label, count, n, missing, value, low, high (shares) and shown; context, place of a group, share and words of
    a published figure; dark.
    Returns: a figure on one scale of percent; a group of few cases hollow and grey, one of fewer still as counts alone.
    """
    if rows.empty:
        return nothing("There is no case.")
    shade = "dark" if dark else "light"
    drawn = rows[rows["shown"] != COUNTS_ONLY]
    traces = [_marks(drawn, 100.0, "share with its 95 % interval", shade, _hovers(drawn))]
    if context:
        traces.append(_published(context, shade))
    ends = [100.0 * float(drawn["high"].max())] if len(drawn) else [0.0]
    most = min(100.0, max(ends + [share * 100.0 for _, share, _ in context] + [10.0]) * 1.04)
    layout = _layout(rows, {"title": {"text": "% of cases whose outcome is known"}, "range": [0, most], "zeroline": False})
    layout["showlegend"] = bool(context)
    return go.Figure({"data": traces, "layout": layout})


def ratios(rows: pd.DataFrame, *, dark: bool = False) -> go.Figure:
    """A row a group: observed over expected with its exact interval on a scale of ratios, a line where both are the same.

    Parameters: rows, label, observed, expected, n, value (the ratio), low, high, shown; dark.
    """
    drawn = rows[(rows["shown"] != COUNTS_ONLY) & rows["value"].notna()]
    if drawn.empty:
        return nothing("No group has enough cases for a comparison: the table has the counts.")
    shade = "dark" if dark else "light"
    hovers = [
        f"{safe(str(one['label']))}: {one['observed']} observed, {one['expected']:.1f} expected<br>"
        f"{one['value']:.2f} ({one['low']:.2f} to {one['high']:.2f})"
        for one in drawn.to_dict("records")
    ]
    least, most = min(0.5, float(drawn["low"].min()) * 0.9), max(2.0, float(drawn["high"].max()) * 1.05)
    told = rows.assign(words=[f"{one['observed']} of {one['n']}" for one in rows.to_dict("records")])
    layout = _layout(told, {"title": {"text": "observed over expected"}, "range": [max(0.0, least), most], "zeroline": False})
    line = {"color": GREY[shade], "width": 1.2, "dash": "dot"}
    layout["shapes"] = [{"type": "line", "x0": 1, "x1": 1, "y0": 0, "y1": 1, "yref": "paper", "line": line, "layer": "below"}]
    return go.Figure({"data": [_marks(drawn, 1.0, "ratio with its 95 % interval", shade, hovers)], "layout": layout})


def _hovers(drawn: pd.DataFrame) -> list[str]:
    return [
        f"{safe(str(one['label']))}: {one['count']} of {one['n']}, {one['value'] * 100:.1f} % ({one['low'] * 100:.1f} to "
        f"{one['high'] * 100:.1f} %)<br>outcome not known in {one['missing']}"
        for one in drawn.to_dict("records")
    ]


def _marks(drawn: pd.DataFrame, scale: float, name: str, shade: str, hovers: Sequence[str]) -> dict[str, Any]:
    """Points with their intervals, each at its row's place."""
    few = (drawn["shown"] == GREYED).tolist()
    colours = [GREY[shade] if one else ACCENTS["circulation"][shade] for one in few]
    value = drawn["value"] * scale
    return {
        "type": "scatter",
        "name": name,
        "x": numbers(value),
        "y": drawn.index.tolist(),
        "mode": "markers",
        "marker": {
            "symbol": ["circle-open" if one else "circle" for one in few],
            "size": 11,
            "color": colours,
            "line": {"width": 2, "color": colours},
        },
        "error_x": {
            "type": "data",
            "symmetric": False,
            "array": (drawn["high"] * scale - value).tolist(),
            "arrayminus": (value - drawn["low"] * scale).tolist(),
            "color": GREY[shade],
            "thickness": 1.6,
            "width": 5,
        },
        "hovertext": list(hovers),
        "hovertemplate": "%{hovertext}<extra></extra>",
    }


def _published(context: Sequence[tuple[int, float, str]], shade: str) -> dict[str, Any]:
    """Published figures as thin upright marks under the group that they are of."""
    return {
        "type": "scatter",
        "name": "published by a registry, dated below",
        "x": [share * 100.0 for _, share, _ in context],
        "y": [place + 0.3 for place, _, _ in context],
        "mode": "markers",
        "marker": {"symbol": "line-ns-open", "size": 9, "color": FAINT[shade], "line": {"width": 2, "color": FAINT[shade]}},
        "hovertext": [safe(words) for _, _, words in context],
        "hovertemplate": "%{hovertext}<extra></extra>",
    }


def _layout(rows: pd.DataFrame, x: dict[str, Any]) -> dict[str, Any]:
    """Names and counts at the left of each row, the first on top."""
    words = rows["words"] if "words" in rows else [f"{one['count']} of {one['n']}" for one in rows.to_dict("records")]
    ticks = [
        f"{_wrapped(str(label))}<br><span style='font-size:11px'>{text}{', counts only' if shown == COUNTS_ONLY else ''}</span>"
        for label, text, shown in zip(rows["label"], words, rows["shown"], strict=True)
    ]
    return {
        "height": 76 + ROW * len(rows),
        "margin": {"l": 8, "r": 16, "t": 8, "b": 8},
        "hovermode": "closest",
        "dragmode": False,
        "showlegend": False,
        "legend": {"orientation": "h", "x": 0, "y": 1.0, "yanchor": "bottom"},
        "xaxis": {**x, "automargin": True, "fixedrange": True},
        "yaxis": {
            "tickvals": rows.index.tolist(),
            "ticktext": ticks,
            "range": [len(rows) - 0.45, -0.55],
            "tickfont": {"size": 12},
            "automargin": True,
            "showgrid": False,
            "zeroline": False,
            "fixedrange": True,
        },
    }


def _wrapped(text: str) -> str:
    """A name in lines that leave room for the chart."""
    lines = [""]
    for word in safe(text).split():
        if lines[-1] and len(lines[-1]) + len(word) >= _LONGEST_NAME:
            lines.append(word)
        else:
            lines[-1] = f"{lines[-1]} {word}".strip()
    return "<br>".join(lines)
