"""Clocks beside each other: one line a clock, its moments on it, and threads between moments that two clocks both recorded."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from qi.charts.colours import ACCENTS
from qi.model.case import Case
from qi.model.clock_proposal import MEANINGS, ClockProposal
from qi.model.words import amount, clock

# meaning -> accent and mark: a shape of its own each, so that no colour stands alone
MARKS: Mapping[str, tuple[str, str]] = {
    "shock": ("shock", "star"),
    "co2": ("breath", "circle"),
    "airway": ("breath", "square"),
    "drug": ("drug", "diamond"),
    "circulation": ("circulation", "cross"),
    "time": ("other", "triangle-up"),
    "other": ("device", "hexagon"),
}
_LARGE = ("shock", "co2", "airway", "drug")  # what a reviewer looks for first; the rest is drawn smaller and beneath
FAR_MIN = 90.0  # moments further than this from the lead clock's are told in words, so that the picture stays readable
_LONGEST_NAME = 24


@dataclass(frozen=True)
class _Row:
    """One clock as it is drawn: its place from the top, its moments, what is added to them [s], and its half-width [s]."""

    name: str
    at: int
    moments: pd.DataFrame
    shift_s: float
    width_s: float | None
    placed: bool
    proposal: ClockProposal | None


def figure(
    case: Case, told: pd.DataFrame, proposals: Sequence[ClockProposal], *, after: bool, zero_s: float, dark: bool = False
) -> go.Figure:
    """One line a clock with its moments, the lead clock on top; threads join the pairs, a bar shows what each clock may be off by.

    Parameters: case, for its clocks; told, MOMENTS table, as the clocks stand now [s]; proposals, one a clock; after, drawn as
    proposed, where there is a proposal, instead of as it stands; zero_s, moment shown as minute 0 [s from case start]; dark, drawn
    on a dark page.
    Returns: a figure on one axis of minutes. An upright thread joins two entries that agree; a slanting one shows how far they are
    apart. Threads of weak evidence are dotted.
    """
    chart = go.Figure()
    rows = _rows(case, told, proposals, after=after)
    if not any(len(row.moments) for row in rows):
        chart.add_annotation(text="No clock tells of any moment.", showarrow=False, x=0.5, y=0.5, xref="paper", yref="paper")
        return chart.update_layout(height=120, xaxis_visible=False, yaxis_visible=False)
    grey = ACCENTS["other"]["dark" if dark else "light"]
    low, high = _reach(rows, zero_s)
    for row in rows:
        _line(chart, row, zero_s, (low, high), grey)
        _bar(chart, row, zero_s, (low, high), grey)
    _threads(chart, rows, zero_s, grey)
    _marks(chart, rows, zero_s, dark=dark)
    chart.update_layout(
        height=130 + 84 * len(rows),
        margin={"l": 8, "r": 16, "t": 8, "b": 40},
        legend={"orientation": "h", "y": 1.02, "yanchor": "bottom", "x": 0},
        hovermode="closest",
    )
    pad = 0.03 * (high - low) + 0.5
    chart.update_xaxes(title={"text": "minutes"}, range=[low - pad, high + pad], zeroline=False)
    chart.update_yaxes(
        tickvals=[row.at for row in rows],
        ticktext=[_label(row) for row in rows],
        tickfont={"size": 11},
        range=[len(rows) - 0.45, -0.55],
        automargin=True,
        showgrid=False,
        zeroline=False,
    )
    return chart


def pairs(one: ClockProposal, *, zero_s: float = 0.0) -> pd.DataFrame:
    """The pairs of a proposal as a table for reading.

    Parameters: one, a proposal; zero_s, moment told as 0:00 [s from case start].
    Returns: moment, by either clock (m:ss), apart now and left over after the proposal [s, one decimal], and whether it is weak.
    """
    rows = one.pairs
    return pd.DataFrame(
        {
            "moment": rows["what"].to_numpy(),
            "by this clock": [clock(time - zero_s) for time in rows["own_s"]],
            "by the reference": [clock(time - zero_s) for time in rows["reference_s"]],
            "apart now (s)": rows["apart_s"].round(1).to_numpy() + 0.0,
            "left over (s)": rows["residual_s"].round(1).to_numpy() + 0.0,
            "evidence": ["weak" if sort == "loose" else "counts" for sort in rows["sort"]],
        }
    )


def _rows(case: Case, told: pd.DataFrame, proposals: Sequence[ClockProposal], *, after: bool) -> list[_Row]:
    """The clocks from top to bottom, the lead clock first."""
    by_clock = {one.clock: one for one in proposals}
    names = sorted(case.clocks, key=lambda name: name != case.lead_clock)
    rows = []
    for at, name in enumerate(names):
        one, now = by_clock.get(name), case.clocks[name]
        moved = after and one is not None and one.offset_s is not None
        width = one.uncertainty_s if one is not None and moved else now.uncertainty_s
        rows.append(
            _Row(
                name,
                at,
                told[told["clock"] == name],
                (one.offset_s or 0.0) if one is not None and moved else 0.0,
                width if width is not None and np.isfinite(width) else None,
                now.placed or moved,
                one,
            )
        )
    return rows


def _minutes(times_s: pd.Series | np.ndarray | float, row: _Row, zero_s: float) -> np.ndarray:
    return np.asarray((times_s + row.shift_s - zero_s) / 60.0, dtype=float)


def _reach(rows: Sequence[_Row], zero_s: float) -> tuple[float, float]:
    """First and last minute drawn: all moments that are not far from the lead clock's."""
    lead = next(row for row in rows if len(row.moments))
    own = _minutes(lead.moments["time_s"], lead, zero_s)
    times = np.concatenate([_minutes(row.moments["time_s"], row, zero_s) for row in rows])
    near = times[(times >= own.min() - FAR_MIN) & (times <= own.max() + FAR_MIN)]
    return float(near.min()), float(near.max())


def _line(chart: go.Figure, row: _Row, zero_s: float, reach: tuple[float, float], grey: str) -> None:
    """The clock's own line, from its first to its last moment; in words where these lie far off."""
    at = _minutes(row.moments["time_s"], row, zero_s)
    seen = at[(at >= reach[0]) & (at <= reach[1])]
    if len(seen):
        dash = "solid" if row.placed else "dash"
        chart.add_shape(
            type="line",
            x0=seen.min(),
            x1=seen.max(),
            y0=row.at,
            y1=row.at,
            line={"color": grey, "width": 1, "dash": dash},
            layer="below",
        )
    elif len(at):
        early = at.max() < reach[0]
        hours = (reach[0] - at.max() if early else at.min() - reach[1]) / 60
        chart.add_annotation(
            x=0.0 if early else 1.0,
            xref="paper",
            y=row.at,
            xanchor="left" if early else "right",
            text=f"all of it {hours:.1f} h {'earlier' if early else 'later'}",
            showarrow=False,
        )
    else:
        chart.add_annotation(x=0.5, xref="paper", y=row.at, text="tells of no moment", showarrow=False)


def _bar(chart: go.Figure, row: _Row, zero_s: float, reach: tuple[float, float], grey: str) -> None:
    """What the clock may be off by: a bar of that half-width under its first pair, else its first moment in sight."""
    if not row.width_s or row.moments.empty:
        return
    own = row.proposal.pairs["own_s"] if row.proposal is not None else pd.Series(dtype=float)
    at = _minutes(own if len(own) else row.moments["time_s"], row, zero_s)
    at = at[(at >= reach[0]) & (at <= reach[1])]
    if not len(at):
        return
    chart.add_scatter(
        x=[float(at[0])],
        y=[row.at + 0.24],
        mode="markers",
        marker={"size": 3, "color": grey},
        error_x={"type": "constant", "value": row.width_s / 60.0, "color": grey, "thickness": 3, "width": 5},
        showlegend=False,
        hovertemplate=f"{row.name} may be off by ± {amount(row.width_s, 's')}<extra></extra>",
    )


def _threads(chart: go.Figure, rows: Sequence[_Row], zero_s: float, grey: str) -> None:
    """A thread from each moment to its partner on the reference clock."""
    by_name = {row.name: row for row in rows}
    for weak in (False, True):
        xs: list[float | None] = []
        ys: list[float | None] = []
        for own_min, at, reference_min, up in _joined(rows, by_name, zero_s, weak=weak):
            xs += [own_min, reference_min, None]
            ys += [at, up, None]
        if xs:
            chart.add_scatter(
                x=xs,
                y=ys,
                mode="lines",
                line={"color": grey, "width": 1, "dash": "dot" if weak else "solid"},
                name="weak pair" if weak else "pair",
                legendrank=100 + weak,
                hoverinfo="skip",
            )


def _joined(
    rows: Sequence[_Row], by_name: Mapping[str, _Row], zero_s: float, *, weak: bool
) -> Iterator[tuple[float, int, float, int]]:
    for row in rows:
        if row.proposal is None or row.proposal.reference not in by_name:
            continue
        top = by_name[row.proposal.reference]
        some = row.proposal.pairs[(row.proposal.pairs["sort"] == "loose") == weak]
        own, reference = _minutes(some["own_s"], row, zero_s), _minutes(some["reference_s"], top, zero_s)
        for left, right in zip(own, reference, strict=True):
            yield float(left), row.at, float(right), top.at


def _marks(chart: go.Figure, rows: Sequence[_Row], zero_s: float, *, dark: bool) -> None:
    """The moments, one trace a meaning, the larger ones on top."""
    for rank, (meaning, words) in reversed(list(enumerate(MEANINGS.items()))):
        accent, symbol = MARKS[meaning]
        xs: list[float] = []
        ys: list[int] = []
        said: list[str] = []
        for row in rows:
            some = row.moments[row.moments["meaning"] == meaning]
            xs += _minutes(some["time_s"], row, zero_s).tolist()
            ys += [row.at] * len(some)
            said += [f"{what}, {clock(60 * at)} by {row.name}" for what, at in zip(some["what"], xs[-len(some) :], strict=False)]
        if xs:
            chart.add_scatter(
                x=xs,
                y=ys,
                mode="markers",
                marker={
                    "symbol": symbol,
                    "size": 12 if meaning in _LARGE else 8,
                    "color": ACCENTS[accent]["dark" if dark else "light"],
                    "line": {"width": 1, "color": "black" if dark else "white"},
                },
                name=words,
                legendrank=1 + rank,
                text=said,
                hovertemplate="%{text}<extra></extra>",
            )


def _label(row: _Row) -> str:
    """The clock's name, shortened, and under it how it stands."""
    name = row.name if len(row.name) <= _LONGEST_NAME else f"{row.name[: _LONGEST_NAME - 1]}…"
    if not row.placed:
        return f"{name}<br>not placed"
    moved = f"{'+' if row.shift_s >= 0 else '-'}{amount(abs(row.shift_s), 's')}, " if row.shift_s else ""
    return f"{name}<br>{moved}± {amount(row.width_s or 0.0, 's')}"
