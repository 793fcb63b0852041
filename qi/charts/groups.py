"""A measure by group: small multiples on one scale, and the funnel of shares with its limits; in order of names, not of values."""

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from qi.charts.colours import ACCENTS
from qi.charts.panels import GREY, SHADE, axis, days, days_axis, grid, nothing, numbers, safe, written

COLUMNS, ROW = 3, 190
COUNTS_ONLY, GREYED = "counts only", "grey"
LINES: Mapping[str, tuple[str, str]] = {"95": ("95 % limits", "dash"), "998": ("99.8 % limits", "solid")}
EXPECTED = "drawn in: to be expected next if nothing changes"
MANY = 25  # groups from which only those beyond a limit carry their name, the others say it on hovering
_LABEL, _LONGEST = 11, 20  # size and signs of a name beside its point


def multiples(
    rows: pd.DataFrame,
    months: pd.DataFrame,
    scale: tuple[float, float] | None,
    *,
    unit: str,
    accent: str,
    dark: bool = False,
) -> go.Figure:
    """A panel a group in order of the rows: medians by month or quarter, the group's own median and its 95 % interval behind them.

    Parameters: rows and months as in qi.trends.groups.Multiples; scale, lowest and highest value of all panels; unit of the
    measure, shares drawn as percent; accent, of colours.ACCENTS; dark.
    Returns: one figure; a group of few cases in grey with hollow points, one of fewer still as its count alone.
    """
    if scale is None:
        return nothing("No group has enough cases for a chart: the table has the counts.")
    shade, factor = "dark" if dark else "light", 100.0 if unit == "1" else 1.0
    room = 0.06 * (scale[1] - scale[0]) or 0.5
    heads = [(str(one.group), _counted(int(one.known), int(one.missing))) for one in rows.itertuples()]
    y = {"range": [(scale[0] - room) * factor, (scale[1] + room) * factor], "nticks": 5, "zeroline": False}
    y["title"] = {"text": ""}
    layout = grid(heads, columns=COLUMNS, row=ROW, x=days_axis(months["month"].tolist()), y=y)
    for down in range(-(-len(rows) // COLUMNS)):
        layout[f"yaxis{axis(down * COLUMNS)}"]["title"] = {"text": axis_unit(unit), "font": {"size": 12}}
    traces = []
    for at, one in enumerate(rows.itertuples()):
        if one.shown == COUNTS_ONLY:
            layout["annotations"].append(written("counts only", at))
            traces.append(_points(months.iloc[:0], at, unit, factor, (GREY[shade], "circle"), ""))
            continue
        grey = one.shown == GREYED
        ends, levels = ([float(one_) * factor for one_ in two] for two in ((one.low, one.high), (one.median, one.drawn_in)))
        layout["shapes"] += _behind(at, ends, levels, shade)
        colour = GREY[shade] if grey else ACCENTS[accent][shade]
        told = months[months["group"] == one.group]
        traces.append(_points(told, at, unit, factor, (colour, "circle-open" if grey else "circle"), str(one.group)))
    return go.Figure({"data": traces, "layout": layout})


def axis_unit(unit: str) -> str:
    """A unit as an axis has it."""
    return {"1": "%", "1/min": "per min", "count": "count a case"}.get(unit, unit)


def _counted(known: int, missing: int) -> str:
    return f"n {known}" + (f", {missing} without a number" if missing else "")


def _behind(at: int, ends: list[float], levels: list[float], shade: str) -> list[dict[str, Any]]:
    """The group's median over all its cases as a line, drawn in as a dotted one, and its interval as a band, behind the points."""
    across = {"xref": f"x{axis(at)} domain", "yref": f"y{axis(at)}", "x0": 0, "x1": 1, "layer": "below"}
    lines = [
        {"type": "line", **across, "y0": level, "y1": level, "line": {"color": GREY[shade], "width": 1.5, "dash": dash}}
        for level, dash in zip(levels, ("solid", "dot"), strict=True)
        if not np.isnan(level)
    ]
    if np.isnan(ends).any():
        return lines
    return [{"type": "rect", **across, "y0": ends[0], "y1": ends[1], "fillcolor": SHADE[shade], "line": {"width": 0}}, *lines]


def _points(told: pd.DataFrame, at: int, unit: str, factor: float, look: tuple[str, str], name: str) -> dict[str, Any]:
    return {
        "type": "scatter",
        "name": name,
        "x": days(told["month"].tolist()),
        "y": numbers(told["median"], factor),
        "xaxis": f"x{axis(at)}",
        "yaxis": f"y{axis(at)}",
        "mode": "lines+markers",
        "line": {"color": look[0], "width": 1},
        "marker": {"symbol": look[1], "size": 5, "color": look[0], "line": {"width": 1.2, "color": look[0]}},
        "text": [f"{month}, n {cases}" for month, cases in zip(told["month"], told["cases"], strict=True)],
        "hovertemplate": f"%{{text}}: %{{y:.3~g}} {axis_unit(unit)}<extra>{safe(name)}</extra>",
    }


def funnel(points: pd.DataFrame, lines: pd.DataFrame, centre: float, *, cases: str, accent: str, dark: bool = False) -> go.Figure:
    """Each group's share against its number of cases, with the share of all and both limits; a group of few cases hollow and grey.

    Parameters: points as in qi.trends.funnel.expected_next_of and lines as in Funnel there, groups of fewer than 10 cases among the
    points left undrawn; centre, the share of all; cases, what n counts, for the axis; accent, of colours.ACCENTS; dark.
    Returns: a figure whose first trace holds the groups, named in its customdata, to be chosen from.
    """
    shade = "dark" if dark else "light"
    drawn = points[points["shown"] != COUNTS_ONLY]
    traces = [_groups(drawn, ACCENTS[accent][shade], GREY[shade])]
    traces += [
        _limit(lines, f"{side}_{name}", words, dash, GREY[shade], named=side == "low")
        for name, (words, dash) in LINES.items()
        for side in ("low", "high")
    ]
    ends = [float(lines["n"].min()), float(lines["n"].max())]
    traces.append(
        {
            "type": "scatter",
            "x": ends,
            "y": [centre * 100.0] * 2,
            "mode": "lines",
            "line": {"color": GREY[shade], "width": 1.2, "dash": "dot"},
            "name": "all together",
            "hoverinfo": "skip",
        }
    )
    traces += _drawn_in(drawn, GREY[shade])
    least, most = float(lines["low_998"].min()) * 100.0, float(lines["high_998"].max()) * 100.0
    span = [min(least, float(drawn["value"].min()) * 100.0), max(most, float(drawn["value"].max()) * 100.0)]
    layout = {
        "height": 400,
        "margin": {"l": 8, "r": 12, "t": 34, "b": 8},
        "hovermode": "closest",
        "clickmode": "event+select",
        "dragmode": False,
        "xaxis": {"title": {"text": cases}, "range": [0, ends[1] * 1.04], "automargin": True, "zeroline": False},
        "yaxis": {"title": {"text": "%"}, "range": [span[0] - 3, min(span[1] + 5, 103)], "automargin": True, "zeroline": False},
        "legend": {"orientation": "h", "x": 0, "y": 1.02, "yanchor": "bottom"},
    }
    return go.Figure({"data": traces, "layout": layout})


def _groups(drawn: pd.DataFrame, colour: str, grey: str) -> dict[str, Any]:
    """The groups as points: a diamond beyond the outer limit, a square between the two, hollow and grey where cases are few."""
    value = drawn["value"]
    outer = drawn["lies"].str.startswith("beyond").to_numpy()
    inner = drawn["lies"].str.startswith("between").to_numpy()
    few = (drawn["shown"] == GREYED).to_numpy()
    plain = np.select([outer, inner], ["diamond", "square"], "circle")
    named = outer | inner | (len(drawn) <= MANY)
    hover = [
        f"{safe(str(one['group']))}: {one['count']} of {one['n']}, {one['value'] * 100:.0f} % ({one['low'] * 100:.0f} to "
        f"{one['high'] * 100:.0f} %)<br>{one['lies']}"
        for one in drawn.to_dict("records")
    ]
    return {
        "type": "scatter",
        "name": "groups",
        "x": drawn["n"].tolist(),
        "y": numbers(value, 100.0),
        "mode": "markers+text",
        "marker": {
            "symbol": [f"{shape}-open" if hollow else str(shape) for shape, hollow in zip(plain, few, strict=True)],
            "size": np.where(outer, 14, np.where(inner, 12, 10)).tolist(),
            "color": [grey if hollow else colour for hollow in few],
            "line": {"width": 1.5, "color": [grey if hollow else colour for hollow in few]},
        },
        "text": [safe(_short(str(group))) if told else "" for group, told in zip(drawn["group"], named, strict=True)],
        "textposition": "top center",
        "textfont": {"size": _LABEL},
        "customdata": drawn["group"].tolist(),
        "hovertext": hover,
        "hovertemplate": "%{hovertext}<extra></extra>",
        "selected": {"marker": {"opacity": 1.0}},
        "unselected": {"marker": {"opacity": 0.75}},
        "showlegend": False,
        "cliponaxis": False,
    }


def _drawn_in(drawn: pd.DataFrame, grey: str) -> list[dict[str, Any]]:
    """Beside each group what to expect of it next, as an open bar with a thin line to the group's own share."""
    n, value, expected = drawn["n"].tolist(), numbers(drawn["value"], 100.0), numbers(drawn["expected"], 100.0)
    thread = {"type": "scatter", "mode": "lines", "hoverinfo": "skip", "showlegend": False, "line": {"color": grey, "width": 1}}
    thread["x"] = [one for count in n for one in (count, count, None)]
    thread["y"] = [one for pair in zip(value, expected, strict=True) for one in (*pair, None)]
    marks = {
        "type": "scatter",
        "name": EXPECTED,
        "x": n,
        "y": expected,
        "mode": "markers",
        "marker": {"symbol": "line-ew-open", "size": 15, "color": grey, "line": {"width": 2, "color": grey}},
        "hovertext": [
            f"{safe(str(one['group']))}: drawn in to {one['expected'] * 100:.0f} %<br>{one['reliability'] * 100:.0f} % of its "
            "difference can be relied on"
            for one in drawn.to_dict("records")
        ],
        "hovertemplate": "%{hovertext}<extra></extra>",
    }
    return [thread, marks]


def _short(name: str) -> str:
    return name if len(name) <= _LONGEST else f"{name[: _LONGEST - 1]}…"


def _limit(lines: pd.DataFrame, column: str, words: str, dash: str, colour: str, *, named: bool) -> dict[str, Any]:
    return {
        "type": "scatter",
        "name": words,
        "legendgroup": words,
        "x": lines["n"].tolist(),
        "y": numbers(lines[column], 100.0),
        "mode": "lines",
        "line": {"color": colour, "width": 1.3, "dash": dash},
        "hoverinfo": "skip",
        "showlegend": named,
    }
