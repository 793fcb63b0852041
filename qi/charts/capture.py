"""Capture: arrests known, recorded and measurable by month, and what kinds of sensors saw them; small beside a trend, or full."""

from typing import Any

import pandas as pd
import plotly.graph_objects as go

from qi.charts.colours import ACCENTS
from qi.charts.panels import GREY, days, days_axis, nothing, numbers, safe

_BREATHS, _NONE = "breaths: ", "no sensor"
STRIP = 54  # height of the small one [px]
_TOP, _ROW, _FOOT = 180, 58, 70  # heights of arrests, of a kind of sensor, and below [px]
# what is counted -> its name, its accent (None: an outline alone) and its hatch
COUNTED: tuple[tuple[str, str, str | None, str], ...] = (
    ("known", "known", None, ""),
    ("recorded", "recorded", "circulation", "/"),
    ("measurable", "measurable", "chest", ""),
)


def strip(months: pd.DataFrame, *, dark: bool = False) -> go.Figure:
    """A bar a month of the arrests known, filled as far as they are measurable; without axes, to stand beside a trend.

    Parameters: months, as in qi.trends.capture.Capture; dark.
    """
    if months.empty:
        return nothing("No month is known.")
    layout = {
        "height": STRIP,
        "margin": {"l": 2, "r": 2, "t": 2, "b": 2},
        "barmode": "overlay",
        "bargap": 0.15,
        "showlegend": False,
        "dragmode": False,
        "xaxis": {"type": "date", "visible": False, "fixedrange": True},
        "yaxis": {"visible": False, "rangemode": "tozero", "fixedrange": True},
    }
    return go.Figure({"data": _counts(months, dark=dark), "layout": layout})


def figure(months: pd.DataFrame, sensors: pd.DataFrame, *, dark: bool = False) -> go.Figure:
    """Arrests by month on top; under them a row a kind of sensor with the share of the month's arrests that it saw.

    Parameters: months, as in qi.trends.capture.Capture; sensors, as qi.trends.capture.by_sensor gives it; dark.
    Returns: one figure over one axis of months.
    """
    if months.empty:
        return nothing("No month is known.")
    shade, kinds = (
        "dark" if dark else "light",
        sorted(sensors["sensor"].unique(), key=lambda one: (one == _NONE, one.startswith(_BREATHS), one)),
    )
    height = _TOP + _ROW * len(kinds) + _FOOT
    inside = height - _FOOT
    layout: dict[str, Any] = {
        "height": height,
        "margin": {"l": 8, "r": 12, "t": 30, "b": 8},
        "barmode": "overlay",
        "bargap": 0.15,
        "dragmode": False,
        "hovermode": "closest",
        "legend": {"orientation": "h", "x": 0, "y": 1.01, "yanchor": "bottom", "traceorder": "normal"},
        "xaxis": {**days_axis(months["month"].tolist()), "anchor": f"y{len(kinds) + 1}" if kinds else "y", "fixedrange": True},
        "yaxis": {
            "domain": [1.0 - (_TOP - 24) / inside, 1.0],
            "title": {"text": "arrests a month"},
            "rangemode": "tozero",
            "nticks": 5,
            "automargin": True,
            "fixedrange": True,
        },
        "annotations": [],
    }
    traces = _counts(months, dark=dark)
    for at, kind in enumerate(kinds):
        own = f"y{at + 2}"
        top = 1.0 - (_TOP + _ROW * at) / inside
        layout[f"yaxis{at + 2}"] = {
            "domain": [max(0.0, top - (_ROW - 22) / inside), top],
            "range": [0, 100],
            "tickvals": [0, 100],
            "zeroline": False,
            "automargin": True,
            "fixedrange": True,
        }
        layout["annotations"].append(_named(f"{seen_by(kind)}, % of the month's arrests", top))
        traces.append(_seen(sensors[sensors["sensor"] == kind], own, ACCENTS["other"][shade]))
    return go.Figure({"data": traces, "layout": layout})


def seen_by(kind: str) -> str:
    """A kind of sensor as a person reads it: what it saw, and what it is."""
    what, plain = "breaths" if kind.startswith(_BREATHS) else "compressions", kind.removeprefix(_BREATHS).replace("_", " ")
    if kind == _NONE:
        return plain
    return f"{what} charted by hand" if plain == "charted" else f"{what} seen by {plain.replace('co2', 'CO2')}"


def _counts(months: pd.DataFrame, *, dark: bool) -> list[dict[str, Any]]:
    shade = "dark" if dark else "light"
    ground = "black" if dark else "white"
    hover = [
        f"{one['month']}: {one['known']} known, {one['recorded']} recorded, {one['measurable']} measurable"
        for one in months.to_dict("records")
    ]
    return [
        {
            "type": "bar",
            "name": name,
            "x": days(months["month"].tolist()),
            "y": numbers(months[column]),
            "marker": {
                "color": "rgba(0,0,0,0)" if accent is None else ACCENTS[accent][shade],
                "line": {"color": GREY[shade], "width": 1.0 if accent is None else 0.0},
                "pattern": {"shape": hatch, "fillmode": "overlay", "fgcolor": ground, "size": 6},
            },
            "hovertext": hover,
            "hovertemplate": "%{hovertext}<extra></extra>",
        }
        for column, name, accent, hatch in COUNTED
    ]


def _seen(told: pd.DataFrame, own: str, colour: str) -> dict[str, Any]:
    return {
        "type": "bar",
        "name": str(told["sensor"].iloc[0]),
        "x": days(told["month"].tolist()),
        "y": numbers(told["cases"] / told["known"], 100.0),
        "yaxis": own,
        "marker": {"color": colour},
        "showlegend": False,
        "hovertext": [f"{one['month']}: {one['cases']} of {one['known']} arrests" for one in told.to_dict("records")],
        "hovertemplate": "%{hovertext}<extra></extra>",
    }


def _named(text: str, top: float) -> dict[str, Any]:
    place = {"x": 0, "y": top, "xref": "paper", "yref": "paper", "xanchor": "left", "yanchor": "bottom"}
    return {**place, "text": safe(text), "showarrow": False, "font": {"size": 12}}
