"""What pauses were for, over many cases: ranked by seconds and by count in two panels side by side."""

from typing import Any

import pandas as pd
import plotly.graph_objects as go

from qi.charts.colours import ACCENTS
from qi.charts.panels import FAINT, GREY, nothing, safe

ROW = 46
NOT_RANKED = ("other", "unknown")
HEADS = {"seconds": "by seconds", "count": "by count"}


def figure(by_seconds: pd.DataFrame, by_count: pd.DataFrame, *, dark: bool = False) -> go.Figure:
    """Causes as bars, each panel in its own order; other and unknown last and hatched; the cases with such a pause in words.

    Parameters: by_seconds and by_count, rows of qi.trends.pause_causes.Ranking; dark.
    Returns: one figure of two panels, shares of all seconds at the left, of all pauses at the right, on one scale.
    """
    if by_seconds.empty:
        return nothing("There are no pauses.")
    shade = "dark" if dark else "light"
    most = max(float(rows["share"].max()) for rows in (by_seconds, by_count)) * 100.0
    layout: dict[str, Any] = {
        "height": 70 + ROW * len(by_seconds),
        "margin": {"l": 8, "r": 12, "t": 28, "b": 8},
        "showlegend": False,
        "dragmode": False,
        "annotations": [],
        "bargap": 0.55,
    }
    traces = []
    for at, (name, rows) in enumerate((("seconds", by_seconds), ("count", by_count))):
        own = "" if at == 0 else "2"
        domain = [0.0, 0.48] if at == 0 else [0.52, 1.0]
        unit = "% of all seconds in pauses" if at == 0 else "% of all pauses"
        layout[f"xaxis{own}"] = {
            "domain": domain,
            "anchor": f"y{own}",
            "range": [0, most * 1.02],
            "title": {"text": unit, "font": {"size": 12}},
            "nticks": 5,
            "zeroline": False,
            "fixedrange": True,
            "automargin": True,
        }
        layout[f"yaxis{own}"] = {
            "anchor": f"x{own}",
            "range": [len(rows) - 0.5, -0.75],
            "showticklabels": False,
            "showgrid": False,
            "zeroline": False,
            "fixedrange": True,
        }
        layout["annotations"] += [_head(domain[0], HEADS[name]), *_names(rows, own, name)]
        traces.append(_bars(rows, own, name, shade))
    return go.Figure({"data": traces, "layout": layout})


def _head(left: float, text: str) -> dict[str, Any]:
    place = {"x": left, "y": 1.0, "xref": "paper", "yref": "paper", "xanchor": "left", "yanchor": "bottom"}
    return {**place, "text": f"<b>{text}</b>", "showarrow": False, "font": {"size": 13}}


def _names(rows: pd.DataFrame, own: str, ranked_by: str) -> list[dict[str, Any]]:
    """The cause over its bar, with how much and in how many cases."""
    return [
        {
            "x": 0.0,
            "y": at - 0.26,
            "xref": f"x{own}",
            "yref": f"y{own}",
            "xanchor": "left",
            "yanchor": "bottom",
            "align": "left",
            "showarrow": False,
            "font": {"size": 12},
            "text": f"{_plain(one['cause'])} · {_much(one, ranked_by)} · {_cases(one['cases'])}",
        }
        for at, one in enumerate(rows.to_dict("records"))
    ]


def _much(one: dict[Any, Any], ranked_by: str) -> str:
    return f"{one['seconds']:,.0f} s" if ranked_by == "seconds" else f"{one['count']:,}"


def _cases(count: int) -> str:
    return f"{count:,} case{'' if count == 1 else 's'}"


def _plain(cause: object) -> str:
    return safe(str(cause).replace("_", " "))


def _bars(rows: pd.DataFrame, own: str, ranked_by: str, shade: str) -> dict[str, Any]:
    apart = rows["cause"].isin(NOT_RANKED).tolist()
    return {
        "type": "bar",
        "orientation": "h",
        "name": HEADS[ranked_by],
        "x": [float(one) * 100.0 for one in rows["share"]],
        "y": list(range(len(rows))),
        "xaxis": f"x{own}",
        "yaxis": f"y{own}",
        "offset": -0.2,
        "width": 0.42,
        "marker": {
            "color": [FAINT[shade] if one else ACCENTS["chest"][shade] for one in apart],
            "pattern": {"shape": ["/" if one else "" for one in apart], "fillmode": "overlay", "fgcolor": GREY[shade]},
        },
        "hovertext": [
            f"{_plain(one['cause'])}: {one['share'] * 100:.0f} %, {_much(one, ranked_by)}, in {_cases(one['cases'])}<br>"
            f"the largest case alone gave {one['largest_case'] * 100:.0f} % of its seconds"
            for one in rows.to_dict("records")
        ],
        "hovertemplate": "%{hovertext}<extra></extra>",
    }
