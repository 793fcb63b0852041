"""A bundle over time: every element together, and beside it each element by itself; what is missing drawn by itself."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd
import plotly.graph_objects as go

from qi.charts.colours import ACCENTS
from qi.charts.panels import FAINT, GREY, SHADE, axis, days, days_axis, grid, numbers, safe, written

COLUMNS, ROW = 3, 200
COUNTS_ONLY, GREYED = "counts only", "grey"


@dataclass(frozen=True)
class Part:
    """One panel: its key in the rows and its name; over all cases the share that met it (NaN where these are few), n, missing."""

    key: str
    name: str
    share: float
    n: int
    missing: int


def figure(parts: Sequence[Part], rows: pd.DataFrame, *, accent: str, dark: bool = False) -> go.Figure:
    """A panel a part on one scale: share met by month or quarter with its interval, bars for the share that is missing.

    Parameters: parts, the whole first; rows, as qi.trends.bundles.by_period gives them; accent, of colours.ACCENTS; dark.
    Returns: one figure. A period of few cases is hollow and grey, one of fewer still has no point.
    """
    shade = "dark" if dark else "light"
    y = {"range": [-4, 104], "tickvals": [0, 25, 50, 75, 100], "zeroline": False}
    heads = [(one.name, _counted(one)) for one in parts]
    layout = grid(heads, columns=COLUMNS, row=ROW, x=days_axis(rows["period"].tolist()), y=y)
    for down in range(-(-len(parts) // COLUMNS)):
        layout[f"yaxis{axis(down * COLUMNS)}"]["title"] = {"text": "% of cases", "font": {"size": 12}}
    traces: list[dict[str, Any]] = []
    for at, one in enumerate(parts):
        told = rows[rows["key"] == one.key]
        traces += [_missing(told, at, shade), _met(told, at, ACCENTS[accent][shade], shade)]
        if told["share"].isna().all():
            layout["annotations"].append(written("fewer than 10 a period: the table has the counts", at, y=0.6))
        if not pd.isna(one.share):
            layout["shapes"].append(_level(one.share * 100.0, at, GREY[shade]))
    layout["showlegend"] = True
    layout["legend"] = {"orientation": "h", "x": 0, "y": -0.01, "yanchor": "top"}
    layout["height"] += 34
    return go.Figure({"data": traces, "layout": layout})


def _counted(one: Part) -> str:
    share = "" if pd.isna(one.share) else f"{one.share * 100:.0f} %, "
    return f"{share}n {one.n:,}, missing {one.missing:,}"


def _met(told: pd.DataFrame, at: int, colour: str, shade: str) -> dict[str, Any]:
    value = told["share"] * 100.0
    few = [one == GREYED for one in told["shown"]]
    colours = [GREY[shade] if one else colour for one in few]
    return {
        "type": "scatter",
        "name": "met, of those known, with its 95 % interval",
        "legendgroup": "met",
        "showlegend": at == 0,
        "x": days(told["period"].tolist()),
        "y": numbers(value),
        "xaxis": f"x{axis(at)}",
        "yaxis": f"y{axis(at)}",
        "mode": "lines+markers",
        "line": {"color": colour, "width": 1.2},
        "marker": {
            "symbol": ["circle-open" if one else "circle" for one in few],
            "size": 6,
            "color": colours,
            "line": {"width": 1.3, "color": colours},
        },
        "error_y": {
            "type": "data",
            "symmetric": False,
            "array": (told["high"] * 100.0 - value).fillna(0.0).tolist(),
            "arrayminus": (value - told["low"] * 100.0).fillna(0.0).tolist(),
            "color": FAINT[shade],
            "thickness": 1,
            "width": 0,
        },
        "hovertext": [
            f"{one['period']}: met in {one['count']} of {one['n']}, missing in {one['missing']}, not asked in {one['not_asked']}"
            for one in told.to_dict("records")
        ],
        "hovertemplate": f"%{{hovertext}}<extra>{safe(str(told['label'].iloc[0]) if len(told) else '')}</extra>",
    }


def _missing(told: pd.DataFrame, at: int, shade: str) -> dict[str, Any]:
    asked = told["n"] + told["missing"]
    return {
        "type": "bar",
        "name": "missing, of all asked",
        "legendgroup": "missing",
        "showlegend": at == 0,
        "x": days(told["period"].tolist()),
        "y": numbers(told["missing"] / asked.where(asked > 0), 100.0),
        "xaxis": f"x{axis(at)}",
        "yaxis": f"y{axis(at)}",
        "marker": {"color": SHADE[shade], "pattern": {"shape": "/", "fillmode": "overlay", "fgcolor": GREY[shade], "size": 5}},
        "hovertext": [
            f"{one['period']}: missing in {one['missing']} of {one['n'] + one['missing']}" for one in told.to_dict("records")
        ],
        "hovertemplate": "%{hovertext}<extra></extra>",
    }


def _level(value: float, at: int, colour: str) -> dict[str, Any]:
    across = {"xref": f"x{axis(at)} domain", "yref": f"y{axis(at)}", "x0": 0, "x1": 1, "y0": value, "y1": value, "layer": "below"}
    return {"type": "line", **across, "line": {"color": colour, "width": 1.2}}
