"""Where the time went: pauses by cause, ranked by the seconds they took."""

import pandas as pd
import plotly.graph_objects as go

from qi.charts.colours import ACCENTS


def figure(pauses: pd.DataFrame, *, limit_s: float, dark: bool = False) -> go.Figure:
    """Seconds without compressions for each cause, longest first; the part beyond the limit of each pause is hatched.

    Parameters: pauses, PAUSES table [s]; limit_s, the length that a pause should not pass [s]; dark, drawn on a dark page.
    Returns: a figure of horizontal bars; an empty one with a sentence where there was no pause.
    """
    if pauses.empty:
        chart = go.Figure()
        chart.add_annotation(text="No pause was seen.", showarrow=False, x=0.5, y=0.5, xref="paper", yref="paper")
        return chart.update_layout(height=120, xaxis_visible=False, yaxis_visible=False)
    rows = by_cause(pauses, limit_s=limit_s)
    names = [f"{cause.replace('_', ' ')} ({count})" for cause, count in zip(rows["cause"], rows["count"], strict=True)]
    colour = ACCENTS["chest"]["dark" if dark else "light"]
    bars = [
        {
            "type": "bar",
            "y": names,
            "x": rows[part].tolist(),
            "orientation": "h",
            "name": name,
            "marker": {
                "color": colour,
                "pattern": {"shape": hatch, "fillmode": "overlay", "fgcolor": "black" if dark else "white"},
            },
            "hovertemplate": "%{y}: %{x:.0f} s " + name + "<extra></extra>",
        }
        for part, name, hatch in (("within_s", f"up to {limit_s:g} s each", ""), ("beyond_s", f"beyond {limit_s:g} s", "/"))
    ]
    layout = {
        "barmode": "stack",
        "height": 90 + 34 * len(rows),
        "margin": {"l": 8, "r": 16, "t": 8, "b": 40},
        "xaxis": {"title": {"text": "seconds without compressions"}},
        "yaxis": {"autorange": "reversed", "automargin": True},
        "legend": {"orientation": "h", "y": 1.02, "yanchor": "bottom", "x": 0},
    }
    return go.Figure({"data": bars, "layout": layout})


def by_cause(pauses: pd.DataFrame, *, limit_s: float) -> pd.DataFrame:
    """Pauses added up by cause: count, seconds, longest, seconds within and beyond the limit, most seconds first."""
    table = pauses.assign(within_s=pauses["seconds"].clip(upper=limit_s), beyond_s=(pauses["seconds"] - limit_s).clip(lower=0.0))
    grouped = table.groupby("cause", sort=False).agg(
        count=("seconds", "size"),
        seconds=("seconds", "sum"),
        longest_s=("seconds", "max"),
        within_s=("within_s", "sum"),
        beyond_s=("beyond_s", "sum"),
    )
    return grouped.sort_values("seconds", ascending=False, kind="stable").reset_index()
