"""A process-behaviour chart as SVG, for paper and for files: the marks of the screen, told apart by shape, so that grey will do.

Diamonds are points of a long run, squares points beyond the limits, a hollow circle is a point that a person left out.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from qi.charts import svg
from qi.charts.process_behaviour import Drawn

_LETTER = 7.0  # size of words beside the plot
_FEWEST_LABEL = 30.0  # room that a label under the axis needs
_RUN, _BEYOND, _OUT = "diamond", "square", "circle-open"
_ROOM = 0.08  # of the span of the values, left free above and below


@dataclass(frozen=True)
class _Plot:
    """Where the plot lies in the picture, and which values its lower and upper edge stand for."""

    left: float
    top: float
    right: float
    bottom: float
    count: int
    low: float
    high: float

    def x(self, row: float) -> float:
        """The middle of a point's column."""
        return self.left + (row + 0.5) * self.step

    def y(self, value: float) -> float:
        """The height of a value."""
        return self.bottom - (value - self.low) / (self.high - self.low) * (self.bottom - self.top)

    @property
    def step(self) -> float:
        """Width of a point's column."""
        return (self.right - self.left) / max(1, self.count)


def process_chart_svg(
    chart: Drawn, title: str, *, words: str = "", width: float = 520.0, height: float = 280.0, grey: bool = False
) -> str:
    """A chart with its points, centre, limits, phases and signals, and n under the axis.

    Parameters: chart; title, and words, which stand for the picture where it cannot be seen; width and height; grey, without any
    colour.
    Returns: SVG that refers to no other file.
    """
    values = chart.points["value"].to_numpy(dtype=float) * chart.scale
    low, high = _ends(chart, values)
    plot = _Plot(30.0, 42.0, width - 6.0, height - 24.0, len(values), low, high)
    accent = svg.colour(chart.accent, grey=grey)
    parts = [*_head(chart, width), *_scale(chart, plot), *_asked(chart, plot), *_phases(chart, plot)]
    parts += _steps(chart, plot, "centre", dashes="")
    parts += [piece for name in ("low", "high") for piece in _steps(chart, plot, name, dashes="4 2")]
    parts += _line(plot, values, accent)
    parts += [_mark(plot, row, value, mark, accent) for row, (value, mark) in enumerate(zip(values, chart.marks, strict=True))]
    return svg.drawing(width, height, [*parts, *_under(chart, plot)], title=title, words=words)


def _ends(chart: Drawn, values: np.ndarray) -> tuple[float, float]:
    """The span of all that is drawn, with some room."""
    lines = chart.points[["centre", "low", "high"]].to_numpy(dtype=float).ravel() * chart.scale
    all_ = np.concatenate([values, lines])
    all_ = all_[~np.isnan(all_)]
    if not len(all_):
        return 0.0, 1.0
    low, high = float(all_.min()), float(all_.max())
    near = [edge * chart.scale for edge in chart.limit[:2] if edge is not None and low <= edge * chart.scale * 1.02 <= high * 1.05]
    low, high = min([low, *near]), max([high, *near])
    room = (high - low) * _ROOM or max(abs(high) * _ROOM, 0.5)
    return max(low - room, 0.0) if low >= 0 else low - room, high + room


def _head(chart: Drawn, width: float) -> list[str]:
    """Name, newest value and signal."""
    loud = bool(chart.runs or chart.beyond)
    said = f"{chart.latest}; {chart.signal}" if width > 400 else chart.latest
    size = min(9.0, 9.0 * (width - 4) / svg.width_of(chart.name, 9.0, bold=True)) if chart.name else 9.0
    lines = [svg.text(2, 10, chart.name, size=size, bold=True), svg.text(2, 21, said, size=_LETTER + 0.5, fill=svg.MUTED)]
    return lines if width > 400 else [*lines, svg.text(2, 32, chart.signal, size=_LETTER + 0.5, bold=loud)]


def _scale(chart: Drawn, plot: _Plot) -> list[str]:
    """Edges of the scale with their values and unit, and the axis."""
    digits = 0 if plot.high - plot.low >= 5 else 1 if plot.high - plot.low >= 0.5 else 2
    marks = [plot.low + (plot.high - plot.low) * share for share in (0.08, 0.5, 0.92)]
    parts = [svg.line(plot.left, plot.bottom, plot.right, plot.bottom, stroke=svg.MUTED, thick=0.6)]
    for mark in marks:
        at = round(mark, digits)
        parts += [
            svg.line(plot.left, plot.y(at), plot.right, plot.y(at), stroke=svg.FAINT, thick=0.4),
            svg.text(plot.left - 3, plot.y(at) + 2.4, f"{at:.{digits}f}", size=_LETTER, fill=svg.MUTED, anchor="end"),
        ]
    return [*parts, svg.text(plot.left - 3, plot.top - 3, chart.unit, size=_LETTER, fill=svg.MUTED, anchor="end")]


def _asked(chart: Drawn, plot: _Plot) -> list[str]:
    """What the protocol asks for, as a dotted line, where it lies within the scale."""
    low, high, words = chart.limit
    parts = []
    for edge in (low, high):
        if edge is not None and plot.low <= edge * chart.scale <= plot.high:
            y = plot.y(edge * chart.scale)
            parts.append(svg.line(plot.left, y, plot.right, y, stroke=svg.MUTED, thick=0.7, dashes="1 2"))
            if plot.right - plot.left > 300:
                parts.append(svg.text(plot.right, y - 2, words, size=_LETTER, fill=svg.MUTED, anchor="end", halo=True))
    return parts


def _phases(chart: Drawn, plot: _Plot) -> list[str]:
    """An upright line where a person began a phase, with the reason."""
    parts = []
    for first, last, reason in chart.sections:
        if reason:
            x = plot.x(first) - plot.step / 2
            room = int((plot.x(last) - x) / (_LETTER * 0.53))
            said = reason if len(reason) <= room else f"{reason[: max(0, room - 1)].rstrip()}…"
            parts.append(svg.line(x, plot.top - 6, x, plot.bottom, stroke=svg.MUTED, thick=0.9, dashes="2 2"))
            parts.append(svg.text(x + 2, plot.top - 1, said, size=_LETTER, halo=True))
    return parts


def _steps(chart: Drawn, plot: _Plot, column: str, *, dashes: str) -> list[str]:
    """Centre or a limit: level over each stretch of points that share it, broken between phases."""
    levels = chart.points[column].to_numpy(dtype=float) * chart.scale
    starts = {first for first, _, _ in chart.sections}
    parts: list[str] = []
    begun = 0
    for row in range(1, len(levels) + 1):
        if row == len(levels) or row in starts or levels[row] != levels[begun]:
            if not np.isnan(levels[begun]):
                y, left, right = plot.y(levels[begun]), plot.x(begun) - plot.step / 2, plot.x(row - 1) + plot.step / 2
                parts.append(svg.line(left, y, right, y, stroke=svg.MUTED, thick=0.9, dashes=dashes))
            begun = row
    return parts


def _line(plot: _Plot, values: np.ndarray, accent: str) -> list[str]:
    """The line through the points, broken where one has no value."""
    stretches: list[list[tuple[float, float]]] = [[]]
    for row, value in enumerate(values):
        if np.isnan(value):
            stretches.append([])
        else:
            stretches[-1].append((plot.x(row), plot.y(value)))
    return [svg.polyline(stretch, stroke=accent, thick=1.0) for stretch in stretches]


def _mark(plot: _Plot, row: int, value: float, mark: str, accent: str) -> str:
    if np.isnan(value):
        return ""
    x, y = plot.x(row), plot.y(value)
    size = min(3.4, max(1.6, plot.step * 0.42))
    if mark == _RUN:
        return svg.polygon([(x, y - size), (x + size, y), (x, y + size), (x - size, y)], fill=accent)
    if mark == _BEYOND:
        return svg.rect(x - size, y - size, 2 * size, 2 * size, fill=accent, stroke=svg.INK, thick=0.6)
    if mark == _OUT:
        return svg.circle(x, y, size * 0.8, fill=svg.PAPER, stroke=accent)
    return svg.circle(x, y, size * 0.6, fill=accent)


def _under(chart: Drawn, plot: _Plot) -> list[str]:
    """Labels of points with their n, as many as there is room for."""
    every = max(1, int(np.ceil(_FEWEST_LABEL / plot.step)))
    rows: Sequence[int] = range(0, len(chart.points), every)
    parts = [svg.text(2, plot.bottom + 18, "n", size=_LETTER, fill=svg.MUTED)] if rows else []
    for row in rows:
        point = chart.points.iloc[row]
        half = svg.width_of(str(point["label"]), _LETTER - 1) / 2
        x = min(plot.x(row), plot.right + 5 - half)
        n = "–" if np.isnan(point["n"]) else f"{point['n']:.0f}"
        parts += [
            svg.text(x, plot.bottom + 9, str(point["label"]), size=_LETTER - 1, fill=svg.MUTED, anchor="middle"),
            svg.text(x, plot.bottom + 18, n, size=_LETTER - 0.5, fill=svg.INK, anchor="middle"),
        ]
    return parts
