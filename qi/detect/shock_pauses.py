"""Shock stacks and the pauses around them."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd

from qi.model.case import Case
from qi.model.spans import Span, Spans
from qi.model.tables import SHOCKS, make

_UNKNOWN = "no sensor could see compressions on that side of the shock"


@dataclass(frozen=True)
class _Hands:
    """Compressions as arrays, hands-on runs, and the time in which they could be seen, inside one arrest span."""

    onsets: np.ndarray
    releases: np.ndarray
    runs: Spans
    known: Spans


def delivered(case: Case, by_ecg: pd.DataFrame, *, same_shock_s: float) -> pd.DataFrame:
    """Shocks as events on the monitor's clock tell them, and those that only the ECG shows.

    Parameters: case, for its shock events and clocks [s]; by_ecg, moments and sensors of shocks in the ECG [s]; same_shock_s, how
    near an ECG shock must lie to an event to be the same [s].
    Returns: table time_s, energy_j, sensor, apart_s (how far its clock may be off). Events of looser clocks are used only where
    nothing else tells of a shock.
    """
    events = case.events[case.events["type"] == "shock"]
    apart = np.array([case.apart_s(c, case.lead_clock) or 0.0 for c in events["clock"]])
    placed = np.array([case.clocks[c].placed for c in events["clock"]], dtype=bool)
    told = pd.DataFrame(
        {
            "time_s": events["time_s"].to_numpy(),
            "energy_j": pd.to_numeric(events["value"], errors="coerce").to_numpy(float),
            "sensor": pd.Series([f"events ({source})" for source in events["source"]], dtype="str"),
            "apart_s": apart,
        }
    )
    close = told[(apart <= same_shock_s) & placed]
    fresh = (
        by_ecg[[not (abs(close["time_s"] - time) <= same_shock_s).any() for time in by_ecg["time_s"]]] if len(by_ecg) else by_ecg
    )
    extra = pd.DataFrame({"time_s": fresh["time_s"], "energy_j": np.nan, "sensor": fresh["sensor"], "apart_s": 0.0})
    both = [part for part in (close, extra) if len(part)] or [told[placed]]
    table = pd.concat(both, ignore_index=True).sort_values("time_s", ignore_index=True)
    by_ecg_again = ~table["sensor"].str.startswith("events") & (table["time_s"].diff() <= same_shock_s)
    return table[~by_ecg_again].reset_index(drop=True)


def around(
    shocks: pd.DataFrame,
    compressions: pd.DataFrame,
    hands_on: Spans,
    known: Spans,
    arrest: Spans,
    case: Case,
    *,
    stack_compressions: int,
    rhythm_reach_s: float,
) -> pd.DataFrame:
    """The SHOCKS table: stacks, pauses before and after, hands-off time in the 30 s before, rhythm before and after.

    Parameters: shocks, as `delivered` gives them [s]; compressions, COMPRESSIONS table [s]; hands_on, runs [s]; known, time in
    which a sensor could see compressions [s]; arrest, the arrest spans [s]; case, for its rhythm events; stack_compressions, a run
    of at least so many parts two stacks; rhythm_reach_s, how far from a shock a rhythm still counts as its own [s].
    Returns: SHOCKS table; a pause that cannot be told is missing, with the reason.
    References: pre, post and peri as in Cheskes et al., Resuscitation 85 (2014) 336 (digest read); the rest is ours.
    """
    times = shocks["time_s"].to_numpy()
    stack = _stacks(times, compressions, hands_on, stack_compressions)
    hands = _Hands(compressions["onset_s"].to_numpy(), compressions["release_s"].to_numpy(), hands_on, known)
    rows = [_stack_row(times[stack == stack[i]], float(shocks["apart_s"].iloc[i]), hands, arrest) for i in range(len(times))]
    before = hands_on.seconds_in(times - 30.0, times)
    seen = np.isclose(known.seconds_in(times - 30.0, times), 30.0) if len(times) else np.zeros(0, bool)
    rhythms = case.events[(case.events["type"] == "rhythm") & (case.events["clock"] == case.lead_clock)]
    return make(
        SHOCKS,
        time_s=times,
        energy_j=shocks["energy_j"].to_numpy(),
        pre_s=[row[0] for row in rows],
        post_s=[row[1] for row in rows],
        peri_s=[row[0] + row[1] for row in rows],
        hands_off_30_s=np.where(seen, 30.0 - before, np.nan),
        stack=stack.astype(float),
        rhythm_before=[_rhythm(rhythms, time - rhythm_reach_s, time, last=True) for time in times],
        rhythm_after=[_rhythm(rhythms, time, time + rhythm_reach_s, last=False) for time in times],
        reason=[row[2] for row in rows],
        sensor=shocks["sensor"].to_numpy(),
    )


def _stacks(times: np.ndarray, compressions: pd.DataFrame, hands_on: Spans, least: int) -> np.ndarray:
    """Number of each shock's stack, from 1."""
    at = compressions["time_s"].to_numpy()

    def parted(first: float, second: float) -> bool:
        between = hands_on.clip(Span(first, second))
        return any(np.count_nonzero((at >= run.start_s) & (at < run.end_s)) >= least for run in between)

    steps = [parted(first, second) for first, second in pairwise(times)]
    return np.cumsum(np.r_[1, np.array(steps, dtype=int)])[: len(times)]


def _stack_row(stack: np.ndarray, apart_s: float, hands: _Hands, arrest: Spans) -> tuple[float, float, str | None]:
    first, last = float(stack[0]), float(stack[-1])
    if apart_s > 0:
        return np.nan, np.nan, f"the shock is timed by another clock (± {apart_s:.0f} s)"
    if not hands.known:
        return (
            np.nan,
            np.nan,
            "no sensor saw compressions: depth, force, acceleration or pads impedance would have shown the pauses",
        )
    if hands.runs.contains(first) and len(stack) == 1:
        return 0.0, 0.0, None
    span = next((span for span in arrest if span.start_s <= first <= span.end_s + 1.0), Span(first, first))
    before = hands.releases[(hands.releases <= first) & (hands.releases >= span.start_s)]
    after = hands.onsets[(hands.onsets >= last) & (hands.onsets <= span.end_s)]
    pre, why_pre = _side(float(before[-1]) if len(before) else None, first, hands.known, "no compressions before the shock")
    post, why_post = _side(last, float(after[0]) if len(after) else None, hands.known, "no compressions after the shock")
    return pre, post, "; ".join(dict.fromkeys(why for why in (why_pre, why_post) if why)) or None


def _side(start: float | None, end: float | None, known: Spans, why_none: str) -> tuple[float, str | None]:
    if start is None or end is None:
        return np.nan, why_none
    if known.clip(Span(start, end)).seconds < (end - start) - 1e-6:
        return np.nan, _UNKNOWN
    return end - start, None


def _rhythm(rhythms: pd.DataFrame, start_s: float, end_s: float, *, last: bool) -> str | None:
    rows = rhythms[(rhythms["time_s"] >= start_s) & (rhythms["time_s"] <= end_s)]
    return None if rows.empty else str(rows["value"].iloc[-1 if last else 0])
