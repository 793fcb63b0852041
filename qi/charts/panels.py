"""Panels of one size on one scale in one figure: what small multiples share."""

import re
from collections.abc import Sequence
from typing import Any

import pandas as pd
import plotly.graph_objects as go

HEAD, FOOT, GUTTER = 38, 26, 0.035  # room over a panel for its name and n, and under it for ticks [px]; between two [share]
GREY = {"light": "#5F6B76", "dark": "#A9B4BF"}
SHADE = {"light": "rgba(95,107,118,0.16)", "dark": "rgba(169,180,191,0.20)"}
FAINT = {"light": "rgba(95,107,118,0.45)", "dark": "rgba(169,180,191,0.50)"}
_WIDE, _LINE = 90, 16  # signs over all panels side by side, and height of a line more [px]
_YEARS_FROM = 18  # months from which years alone stand under an axis


def grid(
    heads: Sequence[tuple[str, str]], *, columns: int, row: int, x: dict[str, Any], y: dict[str, Any], foot: int = FOOT
) -> dict[str, Any]:
    """The layout of panels from left to right and from top to bottom, each under its name and a line beside it.

    Parameters: heads, name and line of each; columns; row, height of a row [px]; x and y, what the axes of all have in common;
    foot, room for the ticks under each [px].
    Returns: layout whose axes are named as `axis` says.
    """
    columns = max(1, min(columns, len(heads)))
    rows = max(1, -(-len(heads) // columns))
    named = [_broken(safe(name), _WIDE // columns) for name, _ in heads]
    head_px = HEAD + _LINE * (max((len(one) for one in named), default=1) - 1)
    row += head_px - HEAD
    height = rows * row
    layout: dict[str, Any] = {
        "height": height + 12,
        "margin": {"l": 8, "r": 10, "t": 4, "b": 8},
        "showlegend": False,
        "hovermode": "closest",
        "dragmode": False,
        "annotations": [],
        "shapes": [],
    }
    for at, head in enumerate(heads):
        down, across = divmod(at, columns)
        left, right = (
            across / columns + (GUTTER if across else 0.0),
            (across + 1) / columns - (GUTTER if across < columns - 1 else 0),
        )
        top = 1.0 - down / rows
        own = axis(at)
        layout[f"xaxis{own}"] = {**x, "domain": [left, right], "anchor": f"y{own}", "fixedrange": True}
        layout[f"yaxis{own}"] = {
            **y,
            "domain": [max(0.0, top - 1.0 / rows + foot / height), top - head_px / height],
            "anchor": f"x{own}",
            "showticklabels": across == 0,
            "automargin": True,
            "fixedrange": True,
        }
        layout["annotations"].append(_head(named[at], head[1], left, top))
    return layout


def axis(at: int) -> str:
    """Number behind x and y of the panel at a place from 0."""
    return "" if at == 0 else str(at + 1)


def _head(name: Sequence[str], told: str, left: float, top: float) -> dict[str, Any]:
    place = {"x": left, "y": top, "xref": "paper", "yref": "paper", "xanchor": "left", "yanchor": "top"}
    text = f"<b>{'<br>'.join(name)}</b><br>{safe(told)}"
    return {**place, "text": text, "align": "left", "showarrow": False, "font": {"size": 12}}


def _broken(name: str, wide: int) -> list[str]:
    """A name in lines that fit over a narrow panel, broken at spaces and at the signs that join kinds of sensors."""
    lines = [""]
    for piece in re.split(r"(?<=[ +/])", name):
        if lines[-1] and len(lines[-1]) + len(piece) > wide:
            lines.append(piece)
        else:
            lines[-1] += piece
    return [line.strip() for line in lines]


def written(text: str, at: int, *, y: float = 0.5) -> dict[str, Any]:
    """Words in the middle of a panel, in place of points."""
    own = axis(at)
    return {
        "x": 0.5,
        "y": y,
        "xref": f"x{own} domain",
        "yref": f"y{own} domain",
        "text": safe(text),
        "showarrow": False,
        "font": {"size": 12},
    }


def safe(text: str) -> str:
    """Text with the signs spelt out that would be markup."""
    return text.replace("&", "&amp;").replace("<", "&lt;")


def days(labels: Sequence[str]) -> list[str]:
    """First days of months (2031-03) or quarters (2031 Q1), for an axis of days."""
    return [f"{one[:4]}-{3 * int(one[-1]) - 2:02d}-01" if "Q" in one else f"{one}-01" for one in labels]


def days_axis(labels: Sequence[str]) -> dict[str, Any]:
    """An axis of days for months or quarters: years alone where there are many, else few months."""
    told = pd.to_datetime(days(sorted(set(labels))))
    if not len(told):
        return {"type": "date"}
    months = (told[-1].year - told[0].year) * 12 + told[-1].month - told[0].month
    ends = [(told[0] - pd.Timedelta(days=20)).isoformat(), (told[-1] + pd.Timedelta(days=20)).isoformat()]
    ticks = {"dtick": "M12", "tickformat": "%Y"} if months >= _YEARS_FROM else {"nticks": 3, "tickformat": "%b %Y"}
    return {"type": "date", "range": ends, **ticks, "showgrid": False}


def nothing(text: str) -> go.Figure:
    """A figure that says in words why there is nothing to draw."""
    chart = go.Figure()
    chart.add_annotation(text=safe(text), showarrow=False, x=0.5, y=0.5, xref="paper", yref="paper")
    return chart.update_layout(height=90, xaxis_visible=False, yaxis_visible=False, margin={"l": 8, "r": 8, "t": 8, "b": 8})


def numbers(values: pd.Series, scale: float = 1.0) -> list[float | None]:
    """Values for a trace, None where one is missing."""
    return [None if pd.isna(one) else float(one) * scale for one in values]
