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
_N_LETTER = 6.5
_LEFT = 30.0  # room for the scale beside the plot
_ORDINALS = {2: "second", 3: "third", 4: "fourth", 5: "fifth", 6: "sixth", 7: "seventh"}
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
    """A chart with its points, centre, limits, phases and signals, and n under the axis, as often as n_every says.

    Parameters: chart; title, and words, which stand for the picture where it cannot be seen; width and height; grey, without any
    colour.
    Returns: SVG that refers to no other file.
    """
    values = chart.points["value"].to_numpy(dtype=float) * chart.scale
    plot = _plot(chart, width, height)
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
    long = svg.width_of(chart.unit, _LETTER) > plot.left - 5
    x, anchor = (2.0, "start") if long else (plot.left - 3, "end")
    return [*parts, svg.text(x, plot.top - 3, chart.unit, size=_LETTER, fill=svg.MUTED, anchor=anchor)]


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
    """Labels of points, and their n, each as many as there is room for."""
    labels, counts = chart.points["label"].astype(str).tolist(), _counts(chart)
    every = max(1, int(np.ceil(_FEWEST_LABEL / plot.step)))
    parts = [svg.text(2, plot.bottom + 18, chart.n_name.split()[0], size=_LETTER, fill=svg.MUTED)] if labels else []
    for row in range(0, len(labels), every):
        x = min(plot.x(row), plot.right + 5 - svg.width_of(labels[row], _LETTER - 1) / 2)
        parts.append(svg.text(x, plot.bottom + 9, labels[row], size=_LETTER - 1, fill=svg.MUTED, anchor="middle"))
    return parts + [
        svg.text(plot.x(row), plot.bottom + 18, counts[row], size=_N_LETTER, fill=svg.INK, anchor="middle")
        for row in range(0, len(counts), _n_every(counts, plot))
    ]


def n_every(chart: Drawn, width: float) -> int:
    """Under which points of a picture n stands: 1, under each; 3, under every third.

    Parameters: chart; width, of the picture.
    """
    return _n_every(_counts(chart), _plot(chart, width, 0.0))


def under_which(every: int) -> str:
    """Under which points n stands, in words.

    Parameters: every, as n_every gives it.
    """
    return "it" if every == 1 else f"every {_ORDINALS.get(every, f'{every}th')} point"


def in_scale(chart: Drawn) -> bool:
    """Whether all edges of what the protocol asks for are drawn in a picture of the chart."""
    plot = _plot(chart, 0.0, 0.0)
    return all(plot.low <= edge * chart.scale <= plot.high for edge in chart.limit[:2] if edge is not None)


def _counts(chart: Drawn) -> list[str]:
    return ["–" if np.isnan(n) else f"{n:.0f}" for n in chart.points["n"].to_numpy(dtype=float)]


def _n_every(counts: Sequence[str], plot: _Plot) -> int:
    widest = max((svg.width_of(one, _N_LETTER) for one in counts), default=0.0)
    return max(1, int(np.ceil((widest + 1.5) / plot.step)))


def _plot(chart: Drawn, width: float, height: float) -> _Plot:
    """Where the plot lies in a picture of a chart."""
    low, high = _ends(chart, chart.points["value"].to_numpy(dtype=float) * chart.scale)
    return _Plot(_LEFT, 42.0, width - 6.0, height - 24.0, len(chart.points), low, high)
