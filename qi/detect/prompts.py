"""Where to look for ROSC: end-tidal rises, no compressions, an organised rhythm, a pulse. Prompts with reasons, never a verdict.

Each kind of evidence is found on its own; those of one stretch with hands off the chest are put together.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from qi.detect import pulse, quality
from qi.model.case import Case
from qi.model.spans import Span, Spans
from qi.model.tables import PROMPTS, Column, make
from qi.model.words import clock

RISES = (
    Column("time_s", "float", "s", "fourth of the six breaths with the higher end-tidal CO2", may_lack=False),
    Column("start_s", "float", "s", "first of the six breaths before", may_lack=False),
    Column("end_s", "float", "s", "last of the six breaths after it", may_lack=False),
    Column("before_mmhg", "float", "mmHg", "median end-tidal CO2 of the six breaths before", may_lack=False),
    Column("after_mmhg", "float", "mmHg", "median of the six after", may_lack=False),
    Column("expected_mmhg", "float", "mmHg", "change that ventilation rate and depth alone would explain", may_lack=False),
)
_PRESS = ("compression_depth", "compression_force", "chest_acceleration")


@dataclass(frozen=True)
class Sign:
    """One thing that speaks for circulation: its kind, from when and by when it was seen [s], in words, and if it is blood flow."""

    kind: str
    start_s: float
    seen_s: float
    text: str
    flow: bool


def hands_off(
    case: Case,
    compressions: pd.DataFrame,
    known: Spans,
    *,
    gap_s: float,
    least_run: int,
    flat_s: float,
    noise_share: float,
    rail_share: float,
) -> tuple[Spans, Spans]:
    """Stretches without CPR after the first compressions, and the time in them without any compression.

    Parameters: case, for the recordings of the sensors that saw compressions; compressions, COMPRESSIONS table [s]; known, time in
    which a sensor could see compressions [s]; gap_s, shortest distance between two deepest points that parts two runs [s];
    least_run, fewest compressions that are CPR again; flat_s, shortest exactly constant stretch that is a lost
    sensor, if it is noisy while it moves [s]; noise_share, rail_share, see quality.noisy and quality.railed.
    Returns: stretches between runs and after the last one [s], and the time in them in which a sensor would have shown a
    compression and none was there. After the last compression a sensor that goes on recording counts, though no detector calls it
    in use.
    """
    if compressions.empty:
        return Spans(), Spans()
    times = compressions["time_s"].to_numpy()
    onset, release = compressions["onset_s"].to_numpy(), compressions["release_s"].to_numpy()
    first = np.flatnonzero(np.diff(times, prepend=-np.inf) >= gap_s)
    last = np.r_[first[1:], len(times)] - 1
    long = last - first + 1 >= least_run
    if not long.any():
        return Spans(), Spans()
    cpr = Spans.of(np.column_stack([onset[first[long]], release[last[long]]]))
    names = set(compressions["sensor"])
    watching = known
    for signal in case.signals:
        if signal.channel in _PRESS and any(signal.name in name for name in names):
            lost = quality.railed(signal, least_s=flat_s, rail_share=rail_share)
            if quality.noisy(signal, inside=cpr, noise_share=noise_share):
                constant = quality.held(signal, least_s=flat_s)
                lost = lost.union(constant.spans(np.ones(len(constant.value), dtype=bool)))
            watching = watching.union(signal.recorded.minus(lost).clip(Span(float(release[-1]), np.inf)))
    off = Spans.of([(cpr.hull.start_s, max(watching.hull.end_s, cpr.hull.end_s))]).minus(cpr)
    return off, watching.overlap(off).minus(Spans.of(np.column_stack([onset, release])))


def end_tidal_rises(
    exhalations: pd.DataFrame,
    ventilations: pd.DataFrame,
    compressions: pd.DataFrame,
    *,
    breaths: int,
    longest_s: float,
    least_rise_mmhg: float,
    least_level_mmhg: float,
    per_5_breaths_mmhg: float,
    per_10_mm_mmhg: float,
) -> pd.DataFrame:
    """Rises of end-tidal CO2 that ventilation rate and compression depth do not explain.

    Parameters: exhalations, VENTILATIONS of the capnogram with etco2_mmhg; ventilations, VENTILATIONS of any sensor, for the rate;
    compressions, COMPRESSIONS, for the depth; breaths, how many before and after are compared; longest_s, longest time that either
    side may take [s]; least_rise_mmhg, least_level_mmhg, least rise and least level after it, both corrected [mmHg];
    per_5_breaths_mmhg, per_10_mm_mmhg, what 5 breaths per min more and 10 mm more change [mmHg].
    Returns: RISES table, one row a rise, where the two sides differ most.
    References: rule of 10 and 25 mmHg over six breaths, signals research note section 3; coefficients, De Roos 2022, as quoted
    there. Published sensitivity of a rise of 10 mmHg for ROSC is 33 % (Lui 2016, quoted there): its lack says nothing.
    Notes: depth is corrected only where compressions were seen on both sides.
    """
    seen = exhalations[exhalations["etco2_mmhg"].notna()]
    times, values = seen["time_s"].to_numpy(), seen["etco2_mmhg"].to_numpy()
    count = len(times) - 2 * breaths + 1
    if count < 1:
        return make(RISES)
    medians = np.median(np.lib.stride_tricks.sliding_window_view(values, breaths), axis=1)
    before, after = medians[:count], medians[breaths : breaths + count]
    edges = [times[k : k + count] for k in (0, breaths - 1, breaths, 2 * breaths - 1)]
    rate = np.nan_to_num(_per_minute(ventilations, edges[2], edges[3]) - _per_minute(ventilations, edges[0], edges[1]))
    depth = np.nan_to_num(_depth(compressions, edges[2], edges[3]) - _depth(compressions, edges[0], edges[1]))
    expected = per_5_breaths_mmhg * rate / 5 + per_10_mm_mmhg * depth / 10
    near = np.maximum(edges[1] - edges[0], edges[3] - edges[1]) <= longest_s
    raw, corrected = after - before, after - before - expected
    rising = near & (np.maximum(raw, corrected) >= least_rise_mmhg)
    middle = np.array([_middle_of_highest(raw, one) for one in _stretches(rising)], dtype=np.int64)
    first = middle[(corrected[middle] >= least_rise_mmhg) & (after[middle] - expected[middle] >= least_level_mmhg)]
    return make(
        RISES,
        time_s=times[first + breaths + breaths // 2],
        start_s=edges[0][first],
        end_s=edges[3][first],
        before_mmhg=before[first],
        after_mmhg=after[first],
        expected_mmhg=expected[first],
    )


def _stretches(state: np.ndarray) -> list[slice]:
    """Each run of True."""
    return [slice(*pair) for pair in np.flatnonzero(np.diff(np.r_[False, state, False])).reshape(-1, 2)]


def _middle_of_highest(values: np.ndarray, inside: slice) -> int:
    """Position of the highest value in a stretch; of several, the middle one."""
    highest = np.flatnonzero(values[inside] == values[inside].max())
    return inside.start + int(highest[len(highest) // 2])


def rosc_prompts(
    case: Case,
    compressions: pd.DataFrame,
    known: Spans,
    exhalations: pd.DataFrame,
    ventilations: pd.DataFrame,
    tune: Mapping[str, Mapping[str, Any]],
    *,
    gap_s: float,
    least_stretch_s: float,
    settle_s: float,
    least_absence_s: float,
    before_stretch_s: float,
    same_rate_share: float,
    least_arterial_mmhg: float,
) -> pd.DataFrame:
    """Moments at which a reviewer should look for ROSC, each with its reasons. Never a verdict.

    Parameters: case, for its signals and events; compressions, COMPRESSIONS, and known, when a sensor could see them [s];
    exhalations and ventilations, VENTILATIONS of the capnogram and of any sensor; tune, the settings of all detectors, by section;
    gap_s, see hands_off; least_stretch_s, shortest stretch without CPR that is looked at [s]; settle_s, how much at its edges is
    left out [s]; least_absence_s, time without compressions that counts [s]; before_stretch_s, how long before a stretch an
    end-tidal rise may lie to belong to it [s]; same_rate_share, how near the rate of a pleth must be to that of the ECG;
    least_arterial_mmhg, pulse pressure that counts [mmHg].
    Returns: PROMPTS table, each from the last compression to the first sign of flow, or to where two other signs are complete:
    an interval, never a moment.
    References: the signs, and the rule that none of them decides alone, signals research note section 3.
    Notes: ours is that "likely" asks for two signs of which one is blood flow (end-tidal rise, pulse in the impedance, arterial
    pressure, pleth), since no compressions and an organised rhythm are also found where resuscitation ended without ROSC; where
    CPR went on within least_absence_s it asks for three. "Possible" is one sign of flow alone, or those two. Time after a charted
    end of the effort is no absence; a rise across the placement of an airway is none.
    """
    off, free = hands_off(case, compressions, known, gap_s=gap_s, **tune["hands_off"])
    off = off.longer_than(least_stretch_s)
    signs = [
        *_absences(case, free, least_s=least_absence_s),
        *_heart(case, free.grown(-settle_s), tune, same_rate_share=same_rate_share, least_arterial_mmhg=least_arterial_mmhg),
    ]
    rises = end_tidal_rises(exhalations, ventilations, compressions, **tune["end_tidal_rises"])
    placed = [float(row.time_s) for row in case.told if row.type == "airway_placed" and row.clock == case.lead_clock]
    alone = [_rise(row) for row in rises.itertuples() if not any(row.start_s <= time_s <= row.end_s for time_s in placed)]
    rows = []
    for span in off:
        own = [rise for rise in alone if span.start_s - before_stretch_s <= rise.seen_s < span.end_s]
        alone = [rise for rise in alone if rise not in own]
        inside = [sign for sign in signs if span.start_s <= sign.start_s < span.end_s]
        resumed = span.end_s < off.hull.end_s and span.seconds < least_absence_s
        rows.append(_prompt(_first_of_each([*own, *inside]), compressions, likely_from=3 if resumed else 2))
    rows += [_prompt([rise], compressions, likely_from=2) for rise in alone]
    made = sorted(row for row in rows if row is not None)
    start, end, strength, reasons = zip(*made, strict=True) if made else ((), (), (), ())
    return make(PROMPTS, start_s=start, end_s=end, strength=strength, reasons=reasons)


def _first_of_each(signs: Sequence[Sign]) -> list[Sign]:
    """The first sign of each kind, in order of time."""
    first: dict[str, Sign] = {}
    for sign in sorted(signs, key=lambda sign: sign.seen_s):
        first.setdefault(sign.kind, sign)
    return list(first.values())


def _prompt(signs: Sequence[Sign], compressions: pd.DataFrame, *, likely_from: int) -> tuple[float, float, str, str] | None:
    """One row of PROMPTS, or None where the signs do not suffice; likely_from, how many signs make it likely."""
    flow = [one.seen_s for one in signs if one.flow]
    if not flow and len(signs) < 2:
        return None
    others = [one.seen_s for one in signs if not one.flow]
    end = min([*flow, max(others)] if len(others) > 1 else flow)
    releases = compressions["release_s"].to_numpy()
    last = int(np.searchsorted(releases, end, side="right")) - 1
    start = float(releases[last]) if last >= 0 else min(one.start_s for one in signs)
    strength = "likely" if flow and len(signs) >= likely_from else "possible"
    return start, max(start, end), strength, "; ".join(one.text for one in signs)


def _absences(case: Case, free: Spans, *, least_s: float) -> list[Sign]:
    """Long stretches without compressions that no charted end of the effort explains."""
    ends = [
        float(row.time_s) for row in case.told if row.type in ("terminated", "care_transferred") and row.clock == case.lead_clock
    ]
    found = []
    for span in free:
        until = min([end for end in ends if end >= span.start_s], default=np.inf)
        if min(span.end_s, until) - span.start_s >= least_s:
            text = f"no compressions for {least_s:.0f} s and more from {clock(span.start_s)} on"
            found.append(Sign("absence", span.start_s, span.start_s + least_s, text, flow=False))
    return found


def _rise(row: Any) -> Sign:  # noqa: ANN401 - a row of RISES
    """An end-tidal rise in words."""
    text = f"end-tidal CO2 rose from {row.before_mmhg:.0f} to {row.after_mmhg:.0f} mmHg about {clock(row.time_s)}"
    if abs(row.expected_mmhg) >= 0.5:
        text += f" (ventilation rate and depth explain {row.expected_mmhg:+.1f})"
    return Sign("end-tidal", float(row.time_s), float(row.time_s), text, flow=True)


def _heart(
    case: Case, free: Spans, tune: Mapping[str, Mapping[str, Any]], *, same_rate_share: float, least_arterial_mmhg: float
) -> list[Sign]:
    """Windows with an organised rhythm, and those with a pulse in the impedance, the arterial pressure or the pleth."""
    found = []
    for ecg in case.of_channel("ecg"):
        beats = pulse.ecg_beats(ecg, free, **tune["ecg_beats"])
        rhythm = pulse.organised(beats, free, **tune["organised_rhythm"])
        rhythm = rhythm[rhythm["regular"]]
        found += _signs("rhythm", rhythm, "organised rhythm at {rate:.0f} per min in the ECG", flow=False)
        sound = Spans.of(rhythm[["start_s", "end_s"]].to_numpy())
        times = beats[0][sound.contains(beats[0])]
        for impedance in case.of_channel("thoracic_impedance"):
            swings = pulse.in_step(impedance, times, sound, **tune["impedance_in_step"])
            found += _signs("impedance", swings[swings["regular"]], "{size:.2g} ohm of impedance in step with the ECG", flow=True)
        for pleth in case.of_channel("pleth"):
            waves = pulse.pulse_waves(pleth, sound, **tune["pulse_waves"])
            near = _nearest(waves["start_s"].to_numpy(), rhythm)
            same = waves["regular"] & (np.abs(waves["rate_per_min"] - near) <= same_rate_share * near)
            found += _signs("pleth", waves[same], "pleth pulsates at {rate:.0f} per min, the rate of the ECG", flow=True)
    for pressure in case.of_channel("arterial_pressure"):
        waves = pulse.pulse_waves(pressure, free, **tune["pulse_waves"])
        strong = waves[waves["regular"] & (waves["size"] >= least_arterial_mmhg)]
        found += _signs("arterial", strong, "arterial pulse of {size:.0f} mmHg at {rate:.0f} per min", flow=True)
    return found


def _signs(kind: str, windows: pd.DataFrame, text: str, *, flow: bool) -> list[Sign]:
    """One sign for each window, in words that name its rate and size."""
    columns = (windows[name].tolist() for name in ("start_s", "end_s", "rate_per_min", "size"))
    return [
        Sign(kind, start, end, f"{text.format(rate=rate, size=size)} from {clock(start)} on", flow=flow)
        for start, end, rate, size in zip(*columns, strict=True)
    ]


def _nearest(times: np.ndarray, rhythm: pd.DataFrame) -> np.ndarray:
    """Rate of the window of the ECG that starts last before each time [1/min]; NaN where there is none."""
    if rhythm.empty:
        return np.full(len(times), np.nan)
    at = np.maximum(np.searchsorted(rhythm["start_s"].to_numpy(), times, side="right") - 1, 0)
    return rhythm["rate_per_min"].to_numpy()[at]


def _per_minute(ventilations: pd.DataFrame, starts: np.ndarray, ends: np.ndarray) -> np.ndarray:
    """Breaths per minute in each stretch, counted by their intervals; NaN with fewer than two."""
    times = ventilations["time_s"].to_numpy()
    first, last = np.searchsorted(times, starts - 0.5), np.searchsorted(times, ends + 0.5, side="right") - 1
    some = last > first
    rate = np.full(len(starts), np.nan)
    rate[some] = 60 * (last - first)[some] / np.maximum(times[last[some]] - times[first[some]], 1e-9)
    return rate


def _depth(compressions: pd.DataFrame, starts: np.ndarray, ends: np.ndarray) -> np.ndarray:
    """Mean depth of the compressions in each stretch [mm]; NaN where none has a depth."""
    seen = compressions[compressions["depth_mm"].notna()]
    times, total = seen["time_s"].to_numpy(), np.r_[0.0, np.cumsum(seen["depth_mm"].to_numpy())]
    first, last = np.searchsorted(times, starts), np.searchsorted(times, ends)
    some = last > first
    depth = np.full(len(starts), np.nan)
    depth[some] = (total[last] - total[first])[some] / (last - first)[some]
    return depth
