"""Every detector that a case has a signal for: what each sensor saw, before they are joined."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from qi.detect import (
    capnogram_delay,
    charted,
    compressions,
    compressions_by_acceleration,
    compressions_by_ecg,
    compressions_by_impedance,
    compressions_by_pressure,
    shocks,
    ventilations,
    ventilations_by_flow,
    ventilations_by_impedance,
)
from qi.detect.rhythm import Chain
from qi.model.case import Case, Signal
from qi.model.seen import Seen
from qi.model.spans import Spans

Tune = Mapping[str, Mapping[str, Any]]


def pressed(case: Case, tune: Tune, *, gap_s: float) -> list[Seen]:
    """Compressions as each sensor saw them, and as charted one by one.

    Parameters: case, for its signals and events; tune, the settings of all detectors by section; gap_s, shortest distance between
    two deepest points that parts two runs [s].
    Returns: one Seen a sensor. The ECG, which only breaks ties, is not asked where depth or force could see nearly throughout.
    """
    by_depth, by_force = tune["compressions_from_depth"], tune["compressions_from_force"]
    seen = [compressions.from_depth(one, **by_depth) for one in case.of_channel("compression_depth")]
    seen += [compressions.from_force(one, **by_force) for one in case.of_channel("compression_force")]
    throughout = _nearly_throughout(seen)
    for channel, find, name in (
        ("chest_acceleration", compressions_by_acceleration.from_acceleration, "acceleration"),
        ("thoracic_impedance", compressions_by_impedance.from_impedance, "impedance"),
        ("airway_pressure", compressions_by_pressure.from_pressure, "pressure"),
        ("ecg", compressions_by_ecg.from_ecg, "ecg"),
    ):
        if channel == "ecg" and throughout:
            continue
        chain = Chain(**tune[f"rhythm_of_{name}"])
        seen += [find(one, chain, **tune[f"compressions_from_{name}"]) for one in case.of_channel(channel)]
    return [*seen, *charted.compressions(case, gap_s=gap_s)]


def _nearly_throughout(seen: Sequence[Seen]) -> bool:
    """Whether these sensors together could see all but a twentieth of the time from their first to their last sign of use."""
    known = Spans()
    for one in seen:
        known = known.union(one.known)
    return known.seconds > 0.95 * known.hull.seconds > 0


def breathed(case: Case, pauses: Spans, advanced: Spans, tune: Tune) -> tuple[list[Seen], list[Seen]]:
    """Breaths as each sensor saw them, and those of capnograms apart, the delay of their sampling line taken off.

    Parameters: case, for its signals and events; pauses, known time without compressions [s]; advanced, time with an advanced
    airway [s]; tune, the settings of all detectors by section.
    Returns: one Seen a sensor; the capnograms' once more alone.
    """
    blown = [ventilations_by_flow.from_flow(one, **tune["ventilations_from_flow"]) for one in case.of_channel("airway_flow")]
    blown += [ventilations.from_pressure(one, **tune["ventilations_from_pressure"]) for one in case.of_channel("airway_pressure")]
    chest = [
        ventilations_by_impedance.from_impedance(one, pauses, advanced, **tune["ventilations_from_impedance"])
        for one in case.of_channel("thoracic_impedance")
    ]
    washed = [ventilations.from_capnogram(one, **tune["ventilations_from_capnogram"]) for one in case.of_channel("co2")]
    prompt = [_prompt(one, [*blown, *chest], pauses, tune) for one in washed]
    return [*blown, *chest, *prompt, *charted.ventilations(case)], prompt


def _prompt(washed: Seen, others: Sequence[Seen], pauses: Spans, tune: Tune) -> Seen:
    """A capnogram's breaths without its sampling delay, as another sensor or else the pauses for breaths tell it."""
    times = washed.events["time_s"].to_numpy()
    for other in others:
        found = capnogram_delay.by_breaths(times, other.events["time_s"].to_numpy(), **tune["capnogram_delay_by_breaths"])
        if found is not None:
            return capnogram_delay.without_delay(washed, found.delay_s)
    limits = tune["pauses"]
    for_breaths = Spans(pauses.edges[_between(pauses, limits["least_breath_pause_s"], limits["longest_breath_pause_s"])])
    found = capnogram_delay.by_pauses(times, for_breaths, **tune["capnogram_delay_by_pauses"])
    return washed if found is None else capnogram_delay.without_delay(washed, found.delay_s)


def _between(spans: Spans, low: float, high: float) -> np.ndarray:
    seconds = spans.edges[:, 1] - spans.edges[:, 0]
    return (seconds >= low) & (seconds <= high)


def shocked(case: Case, tune: Tune) -> pd.DataFrame:
    """Shocks as the ECG shows them, confirmed by the impedance of the same file where there is one.

    Parameters: case, for its signals; tune, the settings of all detectors by section.
    Returns: ECG_SHOCKS of all ECG channels, in order of time.
    """
    tables = []
    for ecg in case.of_channel("ecg"):
        seen = shocks.confirmed(shocks.from_ecg(ecg, **tune["shocks_from_ecg"]), _beside(ecg, case), **tune["shocks_confirmed"])
        if len(seen.events):
            tables.append(seen.events)
    if not tables:
        return pd.DataFrame({"time_s": pd.Series(dtype=float), "sensor": pd.Series(dtype="str")})
    return pd.concat(tables, ignore_index=True).sort_values("time_s", ignore_index=True)


def _beside(ecg: Signal, case: Case) -> Signal | None:
    return next((one for one in case.of_channel("thoracic_impedance") if one.source == ecg.source), None)
