"""The case in one picture: chest ribbon with its pauses, breaths, CO2, devices, shocks and rhythm, drugs, on one axis.

Nothing is told by colour alone: every meaning has a lane, and shapes and words of its own.
"""

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from qi.charts import picture_lanes as lanes
from qi.charts import svg
from qi.charts.picture_frame import AXIS, GUTTER, Frame
from qi.model.review import Review
from qi.model.spans import Span

AFTER_S = 60.0  # how much of the time after the arrest is shown [s] (our default, no source)
GAP = 5.0
_MINUTES = (1, 2, 5, 10, 20, 30, 60)


@dataclass(frozen=True)
class _Lane:
    """What a lane is called, how high it is, and how it is painted from its top edge down."""

    name: str
    height: float
    paint: Callable[[float], list[str]]


def case_picture(
    review: Review,
    *,
    width: float,
    height: float,
    grey: bool = False,
    axis_s: tuple[float, float] | None = None,
    without: Collection[str] = (),
) -> str:
    """Draw the case.

    Parameters: review; width and height of the picture, of which the chest takes what the other lanes leave (lanes are no lower
    than they can be read, so a picture may come out higher than asked); grey, without colours; axis_s, from where to where the
    whole width reaches [s from the first compression], so that pictures of several cases can be held against one another: each
    then ends where its own stretch does (None: the case takes the whole width); without, names of lanes that are left out.
    Returns: SVG text with a title and a description in words.
    """
    frame = _along(_frame(review, width, grey=grey), axis_s)
    others = [lane for lane in _others(frame) if lane.height and lane.name not in without]
    rows = lanes.pause_rows(frame)
    head = lanes.ROW * max(1, len({row for row, _, _ in rows}))
    taken = sum(lane.height + GAP for lane in others) + AXIS + lanes.LEGEND + GAP
    ribbon = max(lanes.LEAST_RIBBON, height - taken - head)
    chest = _Lane("Chest", head + ribbon, lambda top: lanes.chest(frame, top, head, ribbon, rows))
    top, parts, starts = 2.0, [], []
    for lane in (chest, *others):
        starts.append((lane, top))
        top += lane.height + GAP
    parts += _axis(frame, starts[0][1] + head, top)
    for lane, at in starts:
        parts += [svg.text(0, at + (head + 11 if lane is chest else 9), lane.name, size=9, bold=True), *lane.paint(at)]
    parts += lanes.turning_points(frame, starts[0][1] + head, top)
    parts += lanes.legend(frame, top + AXIS)
    return svg.drawing(width, top + AXIS + lanes.LEGEND, parts, title="The case in one picture", words=in_words(review))


def _frame(review: Review, width: float, *, grey: bool) -> Frame:
    found = review.findings
    onsets = found.compressions["onset_s"].to_numpy()
    arrest = found.arrest.hull
    zero = float(onsets[0]) if len(onsets) else arrest.start_s
    if arrest.seconds > 0:
        recorded = review.case.recorded.hull
        end = min(arrest.end_s + AFTER_S, max(arrest.end_s, recorded.end_s))
        extent = Span(min(arrest.start_s, zero), end)
    else:
        ends = [0.0, *found.compressions["release_s"], *found.ventilations["time_s"], *review.case.events["time_s"]]
        extent = Span(min(0.0, zero), max(max(ends), zero + 60.0))
    return Frame(review, extent, zero, GUTTER, width - 4.0, grey)


def stretch_of(review: Review) -> tuple[float, float]:
    """From where to where the picture of a case reaches [s from the first compression]."""
    frame = _frame(review, 680.0, grey=False)
    return frame.extent.start_s - frame.zero_s, frame.extent.end_s - frame.zero_s


def _along(frame: Frame, axis_s: tuple[float, float] | None) -> Frame:
    """The frame on an axis that several pictures share: it begins with that axis, and its right edge is its own end."""
    if axis_s is None:
        return frame
    first, last = (frame.zero_s + edge for edge in axis_s)
    share = (frame.extent.end_s - first) / (last - first)
    right = frame.left + min(1.0, share) * (frame.right - frame.left)
    return replace(frame, extent=Span(first, frame.extent.end_s), right=right)


def _others(frame: Frame) -> Sequence[_Lane]:
    found, events = frame.review.findings, frame.review.case.events
    doses = lanes.doses(events)
    devices = lanes.device_rows(found.devices, frame)
    expired = lanes.expired(found)
    shock_height = lanes.SHOCKS if len(found.shocks) or len(lanes.rhythms(frame)) else 0.0
    return (
        _Lane("Breaths", lanes.BREATHS, lambda top: lanes.breaths(frame, top)),
        _Lane("CO2", lanes.CO2 if len(expired) else 0.0, lambda top: lanes.co2(frame, top, expired)),
        _Lane("Devices on", lanes.BAR * len(devices), lambda top: lanes.devices(frame, top, devices)),
        _Lane("Shocks," if len(found.shocks) else "Rhythm", shock_height, lambda top: lanes.shocks(frame, top)),
        _Lane("Drugs", lanes.drug_height(frame, doses), lambda top: lanes.drugs(frame, top, doses)),
    )


def _axis(frame: Frame, top: float, bottom: float) -> list[str]:
    """Minutes from the first compression, and a faint line at each."""
    first, last = ((time - frame.zero_s) / 60.0 for time in (frame.extent.start_s, frame.extent.end_s))
    step = next((step for step in _MINUTES if (last - first) / step <= 13), _MINUTES[-1])
    parts = [svg.line(frame.left, bottom, frame.right, bottom, stroke=svg.INK, thick=0.7)]
    for minute in range(int(np.ceil(first / step)) * step, int(last) + 1, step):
        x = frame.x(frame.zero_s + 60.0 * minute)
        parts.append(svg.line(x, top, x, bottom + 3, stroke=svg.FAINT, thick=0.6))
        parts.append(svg.text(x, bottom + 12, str(minute), size=9, anchor="middle", fill=svg.MUTED))
    words = "minutes from the first compression" if len(frame.review.findings.compressions) else "minutes"
    at = max(frame.right, frame.left + svg.width_of(words, 8.5))
    return [*parts, svg.text(at, bottom + 23, words, size=8.5, anchor="end", fill=svg.MUTED)]


def in_words(review: Review) -> str:
    """What the picture shows, in words, for who cannot see it."""
    frame = _frame(review, 680.0, grey=False)
    found, limit = review.findings, float(review.protocol.values["long_pause_s"])
    said = [
        f"Time runs from {frame.since(frame.extent.start_s)} to {frame.since(frame.extent.end_s)} min from the first compression"
    ]
    said += _pauses_in_words(found.pauses, limit, frame)
    said.append(f"{len(found.ventilations)} breaths" if found.ventilations_known else "breaths were not recorded")
    said += [f"{name} from {frame.since(on)}" for name, on, _ in lanes.device_rows(found.devices, frame)]
    said += [f"shock at {frame.since(time)}" for time in found.shocks["time_s"]]
    said += [f"{name} at {frame.since(time)}" for time, name in lanes.doses(review.case.events)]
    said += [f"ROSC at {frame.since(span.start_s)}" for span in found.course.rosc if frame.holds(span.start_s)]
    return "; ".join(said) + "."


def _pauses_in_words(pauses: pd.DataFrame, limit_s: float, frame: Frame) -> list[str]:
    long = pauses[pauses["seconds"] > limit_s]
    if long.empty:
        return [f"no pause longer than {limit_s:g} s"]
    each = [f"{row.seconds:.0f} s at {frame.since(row.start_s)} ({lanes.cause(row.cause)})" for row in long.itertuples()]
    return [f"{len(long)} {'pause' if len(long) == 1 else 'pauses'} longer than {limit_s:g} s: {', '.join(each)}"]
