"""The lanes of the picture of a case: what each shows, how high it is, and how it is painted."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd

from qi.charts import svg
from qi.charts.picture_frame import Frame, rows_of
from qi.charts.waveforms import words
from qi.model.findings import Findings

ROW, LEAST_RIBBON, BREATHS, CO2, BAR, SHOCKS, LEGEND = 11.0, 40.0, 15.0, 30.0, 12.0, 27.0, 14.0
SMALL = 8.5
FLAT = 0.45  # share of the ribbon's height where no depth is known
DEEPEST_MM = 70.0
CO2_TOP_MMHG = 50.0
STEP = 2.0  # width of a stretch of ribbon with one depth
_CAUSES = {
    "compressor_change": "change of compressor",
    "device_fitting": "fitting a device",
    "ventilation": "breaths",
    "access": "access",
    "moving": "moving the patient",
    "unknown": "cause unknown",
}
_SHORT = {"epinephrine": "epi", "amiodarone": "amio", "sodium bicarbonate": "bicarb"}


def cause(word: str) -> str:
    """What a pause was for, as people read it."""
    return _CAUSES.get(word, words.plain(word))


def pause_rows(frame: Frame) -> list[tuple[int, float, str]]:
    """Words over the ribbon: the pauses over the limit, or the five longest where none is; the longest first to get room."""
    pauses, values = frame.review.findings.pauses, frame.review.protocol.values
    middle = (pauses["start_s"] + pauses["end_s"]) / 2
    listed = pauses[middle.between(frame.extent.start_s, frame.extent.end_s) & (pauses["seconds"] >= values["listed_pause_s"])]
    long = listed[listed["seconds"] > values["long_pause_s"]]
    chosen = (long if len(long) else listed.nlargest(5, "seconds")).sort_values("seconds", ascending=False, kind="stable")
    labels = [
        (
            frame.x((row.start_s + row.end_s) / 2),
            (f"{row.seconds:.0f} s {cause(str(row.cause))}", f"{row.seconds:.0f} s", f"{row.seconds:.0f}"),
        )
        for row in chosen.itertuples()
    ]
    return rows_of(labels, left=frame.left, right=frame.right, most=3, size=SMALL, near=9.0)


def chest(frame: Frame, top: float, head: float, height: float, labels: Sequence[tuple[int, float, str]]) -> list[str]:
    """A ribbon where hands were on the chest, hanging from its surface as deep as was measured; long pauses as dark bars."""
    found, values = frame.review.findings, frame.review.protocol.values
    at = top + head
    parts = [svg.rect(frame.left, at, frame.right - frame.left, height, fill="#f3f5f7")]
    parts += [_ribbon(frame, piece, at, height) for piece in _pieces(frame)]
    unknown = found.arrest.minus(found.compressions_known)
    parts += [svg.hatched(left, at, right - left, height) for left, right in frame.shown(unknown)]
    if has_depth_band(found):
        low, high = (at + height * min(1.0, depth / DEEPEST_MM) for depth in values["depth_band_mm"])
        said = f"{values['depth_band_mm'][0]:g} to {values['depth_band_mm'][1]:g} mm"
        parts += [svg.line(frame.left, y, frame.right, y, stroke=svg.INK, thick=0.6, dashes="2 2") for y in (low, high)]
        parts.append(svg.text(frame.left - 3, (low + high) / 2 + 3, said, size=7.5, anchor="end", fill=svg.MUTED))
    long = found.pauses[found.pauses["seconds"] > values["long_pause_s"]]
    for row in long.itertuples():
        left, right = frame.x(row.start_s), frame.x(row.end_s)
        if frame.holds(row.start_s) or frame.holds(row.end_s):
            parts.append(svg.rect(left, at, max(1.6, right - left), height, fill=svg.INK))
    parts += [
        svg.text(middle, at - 3 - row * ROW, said, size=SMALL, anchor="middle", bold=bool(len(long)))
        for row, middle, said in labels
    ]
    return parts


def has_depth_band(found: Findings) -> bool:
    """Whether depth below the uncompressed chest is known of any compression, and not the stroke alone."""
    told = found.compressions[found.compressions["depth_mm"].notna()]
    return bool((~told["sensor"].isin(found.strokes)).any())


@dataclass(frozen=True)
class _Piece:
    """A part of a run in which depth was measured throughout, or nowhere: edges of its steps [s] and their depth [mm], or NaN."""

    edges_s: np.ndarray
    depths_mm: np.ndarray

    @property
    def measured(self) -> bool:
        """Whether it hangs as deep as was measured."""
        return bool(np.isfinite(self.depths_mm[0]))


def _pieces(frame: Frame) -> list[_Piece]:
    """All runs in the picture, parted where the depth begins or ceases to be measured."""
    found = frame.review.findings
    times, depths = found.compressions["time_s"].to_numpy(), _depths_mm(found)
    pieces = []
    for start_s, end_s in found.runs.clip(frame.extent).pairs():
        edges = np.linspace(start_s, end_s, max(2, int((frame.x(end_s) - frame.x(start_s)) / STEP) + 1))
        own = slice(np.searchsorted(times, start_s), np.searchsorted(times, end_s, side="right"))
        steps = _by_step(edges, times[own], depths[own])
        turns = np.flatnonzero(np.diff(np.isnan(steps))) + 1
        for first, last in pairwise([0, *turns, len(steps)]):
            pieces.append(_Piece(edges[first : last + 1], steps[first:last]))
    return pieces


def _depths_mm(found: Findings) -> np.ndarray:
    """How far each compression is drawn [mm]: its depth; the stroke where no depth is known of any, and NaN for it where one is."""
    told = found.compressions["depth_mm"]
    return told.mask(found.compressions["sensor"].isin(found.strokes) & has_depth_band(found)).to_numpy()


def _by_step(edges: np.ndarray, times: np.ndarray, depths: np.ndarray) -> np.ndarray:
    """The median depth of each step [mm], NaN where none is known; a step without compressions is as the nearest with some."""
    count = len(edges) - 1
    if not len(times):
        return np.full(count, np.nan)
    places = np.clip(np.searchsorted(edges, times, side="right") - 1, 0, count - 1)
    return pd.Series(depths).groupby(places).median().reindex(range(count), method="nearest").to_numpy()


def _ribbon(frame: Frame, piece: _Piece, top: float, height: float) -> str:
    """One piece of a run; flat and pale where no depth is known."""
    at = [frame.x(edge) for edge in piece.edges_s]
    shares = np.minimum(1.0, piece.depths_mm / DEEPEST_MM) if piece.measured else np.full(len(piece.depths_mm), FLAT)
    foot = [((one + other) / 2, top + height * float(share)) for (one, other), share in zip(pairwise(at), shares, strict=True)]
    corners = [(at[0], top), (at[-1], top), (at[-1], foot[-1][1]), *reversed(foot), (at[0], foot[0][1])]
    return svg.polygon(corners, fill=_chest_tone(frame, measured=piece.measured))


def _chest_tone(frame: Frame, *, measured: bool) -> str:
    return svg.lighter(frame.tone("chest"), 0.35 if measured else 0.6)


def breaths(frame: Frame, top: float) -> list[str]:
    """A stroke for each breath; hatched where none could have been seen."""
    found = frame.review.findings
    times = [float(time) for time in found.ventilations["time_s"] if frame.holds(time)]
    if not found.ventilations_known:
        return [svg.text(frame.left + 4, top + 10, "not recorded", size=SMALL, fill=svg.MUTED)]
    unknown = found.arrest.minus(found.ventilations_known)
    marks = svg.lines(
        ((frame.x(time), top + 1, frame.x(time), top + BREATHS - 1) for time in times), stroke=frame.tone("breath"), thick=1.1
    )
    return [marks, *(svg.hatched(left, top, right - left, BREATHS) for left, right in frame.shown(unknown))]


def expired(found: Findings) -> pd.DataFrame:
    """End-tidal CO2 of each breath that has one: time_s, etco2_mmhg."""
    tables = [
        table[["time_s", "etco2_mmhg"]].dropna() for table in (found.exhalations, found.ventilations) if "etco2_mmhg" in table
    ]
    return max(tables, key=len) if tables else pd.DataFrame({"time_s": [], "etco2_mmhg": []})


def co2(frame: Frame, top: float, table: pd.DataFrame) -> list[str]:
    """End-tidal CO2 as a line of dots, with 0 and the top of the scale."""
    highest = max(CO2_TOP_MMHG, float(table["etco2_mmhg"].max()))
    points = [
        (frame.x(row.time_s), top + CO2 - (CO2 - 2) * row.etco2_mmhg / highest)
        for row in table.itertuples()
        if frame.holds(row.time_s)
    ]
    parts = [svg.line(frame.left, top + y, frame.right, top + y, stroke=svg.FAINT, thick=0.6) for y in (2.0, CO2)]
    parts += [
        svg.text(frame.left - 3, top + y, said, size=7.5, anchor="end", fill=svg.MUTED)
        for y, said in ((8.0, f"{highest:.0f} mmHg"), (CO2, "0"))
    ]
    return [*parts, *(svg.circle(x, y, 1.1, fill=frame.tone("breath")) for x, y in points)]


def device_rows(table: pd.DataFrame, frame: Frame) -> list[tuple[str, float, float]]:
    """Devices in the order in which they came on: name, on and off [s]; off is the end of the picture where no removal is known."""
    return [
        (words.DEVICES.get(row.kind, (words.plain(row.kind),) * 2)[1].replace("Impedance threshold device", "ITD"), row.on_s, off)
        for row in table.itertuples()
        if row.on_s < frame.extent.end_s
        and (off := frame.extent.end_s if pd.isna(row.off_s) else float(row.off_s)) > frame.extent.start_s
    ]


def devices(frame: Frame, top: float, rows: Sequence[tuple[str, float, float]]) -> list[str]:
    """A bar for each device, with its name in it or beside it."""
    parts = []
    tone = frame.tone("device")
    for number, (name, on, off) in enumerate(rows):
        y = top + number * BAR
        left, right = frame.x(on), frame.x(off)
        parts.append(svg.rect(left, y + 1, max(2.0, right - left), BAR - 2, fill=svg.lighter(tone, 0.72), stroke=tone))
        wide = svg.width_of(name, SMALL)
        inside = right - left > wide + 6
        at = left + 3 if inside else min(right + 3, frame.right - wide)
        parts.append(svg.text(at, y + BAR - 3.6, name, size=SMALL))
    return parts


def rhythms(frame: Frame) -> list[tuple[float, float, str]]:
    """Rhythms as the record with most of them tells: from, to [s], words; each until the next, at most to the arrest's end."""
    events = frame.review.case.events
    told = events[(events["type"] == "rhythm") & events["value"].notna()]
    if told.empty:
        return []
    told = told[told["source"] == told["source"].value_counts(sort=False).idxmax()]
    times = told["time_s"].to_numpy()
    stops = np.sort(np.r_[times, frame.review.findings.arrest.edges[:, 1], frame.extent.end_s])
    ends = stops[np.minimum(np.searchsorted(stops, times, side="right"), len(stops) - 1)]
    rows = zip(times, ends, told["value"], strict=True)
    return [(float(start), float(end), words.rhythm(value)) for start, end, value in rows if frame.holds(start) and end > start]


def shocks(frame: Frame, top: float) -> list[str]:
    """Shocks as bolts with their energy, the rhythm as a strip of words below."""
    tone, y = frame.tone("shock"), top + SHOCKS - 11
    parts = [svg.text(0, top + 19, "rhythm", size=9, bold=True)] if len(frame.review.findings.shocks) else []
    for number, (start, end, name) in enumerate(_joined(rhythms(frame))):
        left, right = frame.x(start), frame.x(end)
        parts.append(svg.rect(left, y, right - left, 10, fill="#ffffff" if number % 2 else "#e9edf0", stroke=svg.MUTED, thick=0.4))
        if right - left > svg.width_of(name, SMALL) + 3:
            parts.append(svg.text((left + right) / 2, y + 7.8, name, size=SMALL, anchor="middle"))
    table = frame.review.findings.shocks
    shown = [row for row in table.itertuples() if frame.holds(row.time_s)]
    labels = [(frame.x(row.time_s) + 14, ("shock" if pd.isna(row.energy_j) else f"{row.energy_j:.0f} J",)) for row in shown]
    parts += [_bolt(frame.x(row.time_s), top, tone) for row in shown]
    placed = rows_of(labels, left=frame.left, right=frame.right, most=1, size=SMALL, near=1.0)
    return [*parts, *(svg.text(middle, top + 9, said, size=SMALL, anchor="middle") for _, middle, said in placed)]


def _joined(told: Sequence[tuple[float, float, str]]) -> list[tuple[float, float, str]]:
    """Neighbouring stretches of one rhythm as one."""
    found: list[tuple[float, float, str]] = []
    for start, end, name in told:
        if found and found[-1][2] == name and start - found[-1][1] < 1.0:
            found[-1] = (found[-1][0], end, name)
        else:
            found.append((start, end, name))
    return found


def _bolt(x: float, top: float, tone: str) -> str:
    shape = ((1.5, 0), (-3, 8), (-0.2, 8), (-1.5, 15), (3.5, 5.5), (0.6, 5.5))
    return svg.polygon([(x + across, top + down) for across, down in shape], fill=tone, stroke=svg.INK, thick=0.4)


def doses(events: pd.DataFrame) -> list[tuple[float, str]]:
    """Doses as the record with most of them tells: when [s], and what."""
    given = events[events["type"] == "drug"]
    if given.empty:
        return []
    given = given[given["source"] == given["source"].value_counts(sort=False).idxmax()]
    told = []
    for row in given.itertuples():
        name = words.plain(None if pd.isna(row.value) else str(row.value)) or "drug"
        amount = "" if pd.isna(row.dose) else f" {row.dose:g} {'' if pd.isna(row.unit) else row.unit}".rstrip()
        told.append((float(row.time_s), f"{_SHORT.get(name, name)}{amount}"))
    return told


def _dose_rows(frame: Frame, given: Sequence[tuple[float, str]]) -> list[tuple[int, float, float, str, str]]:
    """For each shown dose its row, where its triangle stands, and its words with where they start or end."""
    taken: tuple[list[tuple[float, float]], ...] = ([], [])
    found = []
    for time, name in given:
        x, wide = frame.x(time), svg.width_of(name, SMALL)
        fits = x + 7 + wide <= frame.right
        left, right = (x - 5, x + 9 + wide) if fits else (x - 9 - wide, x + 5)
        free = (row for row, others in enumerate(taken) if all(right <= start or left >= end for start, end in others))
        row = next(free, -1)
        if frame.holds(time):
            taken[max(row, 0)].append((left, right))
            words_at, anchor = (x + 7, "start") if fits else (x - 7, "end")
            found.append((max(row, 0), x, words_at, anchor, name if row >= 0 else ""))
    return found


def drug_height(frame: Frame, given: Sequence[tuple[float, str]]) -> float:
    """One row or two, as the words need; none without a dose."""
    return (1 + max((row for row, *_ in _dose_rows(frame, given)), default=0)) * (ROW + 1) if given else 0.0


def drugs(frame: Frame, top: float, given: Sequence[tuple[float, str]]) -> list[str]:
    """A triangle for each dose, its words beside it; a dose for whose words there is no room has the triangle alone."""
    tone = frame.tone("drug")
    parts = []
    for row, x, words_at, anchor, name in _dose_rows(frame, given):
        y = top + row * (ROW + 1)
        parts.append(svg.polygon([(x - 4, y + 10), (x + 4, y + 10), (x, y + 2)], fill=tone, stroke=svg.INK, thick=0.4))
        parts.append(svg.text(words_at, y + 10, name, size=SMALL, anchor=anchor))
    return parts


def turning_points(frame: Frame, top: float, bottom: float) -> list[str]:
    """ROSC, a new arrest and the end of the effort as lines through all lanes, named on the ribbon."""
    found = frame.review.findings
    marks = [(span.start_s, "ROSC") for span in found.course.rosc]
    marks += [(start, "arrest again") for start, _ in found.arrest.pairs()[1:]]
    if found.course.closed_by == "terminated":
        marks.append((found.arrest.hull.end_s, "effort ended"))
    parts = []
    for time, name in marks:
        if frame.holds(time):
            x = frame.x(time)
            wide = svg.width_of(name, 9, bold=True)
            at, anchor = (x + 3, "start") if x + 3 + wide < frame.right + 4 else (x - 3, "end")
            parts += [
                svg.line(x, top, x, bottom, stroke=svg.INK, thick=1.2, dashes="5 2"),
                svg.text(at, top + 10, name, size=9, bold=True, anchor=anchor, halo=True),
            ]
    return parts


def legend(frame: Frame, top: float) -> list[str]:
    """What the shapes of the chest lane mean, those that are in the picture."""
    found, limit = frame.review.findings, float(frame.review.protocol.values["long_pause_s"])
    measured, deep = {piece.measured for piece in _pieces(frame)}, has_depth_band(found)
    drawn = "as deep as they pressed" if deep else "by the stroke: depth not measured"
    flat = "hands on the chest, depth not measured" if True not in measured else f"{'depth' if deep else 'stroke'} not measured"
    lost = len(found.arrest.minus(found.compressions_known))
    lost += len(found.arrest.minus(found.ventilations_known)) if found.ventilations_known else 0
    ribbons = {known: _chest_tone(frame, measured=known) for known in measured}
    shapes: list[tuple[bool, Callable[[float], str], str]] = [
        (True in measured, lambda x: svg.rect(x, top, 14, 8, fill=ribbons[True]), f"hands on the chest, {drawn}"),
        (False in measured, lambda x: svg.rect(x, top, 14, 8, fill=ribbons[False]), flat),
        (
            bool((found.pauses["seconds"] > limit).any()),
            lambda x: svg.rect(x + 10, top, 4, 8, fill=svg.INK),
            f"pause over {limit:g} s",
        ),
        (bool(lost), lambda x: svg.hatched(x, top, 14, 8), "not known"),
        (deep, lambda x: svg.line(x, top + 4, x + 14, top + 4, thick=0.6, dashes="2 2"), "depth asked for"),
    ]
    parts, x = [], frame.left
    for is_there, shape, said in shapes:
        if is_there:
            parts += [shape(x), svg.text(x + 18, top + 7.5, said, size=SMALL, fill=svg.MUTED)]
            x += 28 + svg.width_of(said, SMALL)
    return parts
