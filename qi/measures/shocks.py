"""Shocks: the pauses around them, how soon the first came, and what was decided at each rhythm check."""

import numpy as np
import pandas as pd

from qi.model.case import Case
from qi.model.errors import NotMeasurable
from qi.model.number import NO_ARREST, Number, attempt, moments
from qi.model.points import Point, between, charted, first_onset, since_contact
from qi.model.spans import Spans
from qi.model.vocabulary import SHOCKABLE

_NO_SHOCK = "no shock was recorded: shock events, or the ECG through the pads, would have shown one"
DECISION_S = 120.0  # one two-minute cycle: a shock later than this answers to another check (our default, no source)


def _pause_measure(shocks: pd.DataFrame, arrest: Spans, column: str) -> list[Number]:
    stacks = shocks[arrest.grown(1.0).contains(shocks["time_s"])].drop_duplicates("stack")
    if stacks.empty:
        raise NotMeasurable(_NO_SHOCK)
    known = stacks.dropna(subset=column)
    if known.empty:
        reasons = [reason for reason in stacks["reason"].dropna().unique() if reason]
        raise NotMeasurable("; ".join(reasons) or "no compressions around the shock were recorded")
    evidence = tuple(_stretch(row, column) for _, row in known.iterrows())
    share_known = len(known) / len(stacks)
    largest = int(np.argmax(known[column].to_numpy()))
    return [
        Number(float(known[column].median()), n=len(known), coverage=share_known, spans_s=evidence),
        Number(float(known[column].max()), n=len(known), coverage=share_known, of="largest", spans_s=(evidence[largest],)),
    ]


def _stretch(row: pd.Series, column: str) -> tuple[float, float]:
    before = float(row["time_s"]) - (float(row["pre_s"]) if column != "post_s" and pd.notna(row["pre_s"]) else 0.0)
    span = float(row["peri_s"]) if column == "peri_s" else float(row[column])
    return (before, before + span) if column != "post_s" else (float(row["time_s"]), float(row["time_s"]) + span)


def pre_shock_pause_s(shocks: pd.DataFrame, arrest: Spans) -> list[Number]:
    """Pre-shock pause: last release before a shock stack to its first shock; the median, and the largest.

    Parameters: shocks, SHOCKS table [s]; arrest, the arrest spans [s].
    Returns: Numbers [s], n the stacks with compressions before them.
    Raises: NotMeasurable when no shock, or no compressions before any shock, were recorded.
    References: Cheskes et al., Circulation 124 (2011) 58 and Resuscitation 85 (2014) 336 (digests read).
    """
    return _pause_measure(shocks, arrest, "pre_s")


def post_shock_pause_s(shocks: pd.DataFrame, arrest: Spans) -> list[Number]:
    """Post-shock pause: last shock of a stack to the next onset; the median, and the largest.

    Parameters: shocks, SHOCKS table [s]; arrest, the arrest spans [s].
    Returns: Numbers [s], n the stacks with compressions after them.
    Raises: NotMeasurable when no shock, or no compressions after any shock, were recorded.
    References: Cheskes et al., Resuscitation 85 (2014) 336 (digest read).
    """
    return _pause_measure(shocks, arrest, "post_s")


def peri_shock_pause_s(shocks: pd.DataFrame, arrest: Spans) -> list[Number]:
    """Peri-shock pause: last release to next onset around a shock stack; the median, and the largest.

    Parameters: shocks, SHOCKS table [s]; arrest, the arrest spans [s].
    Returns: Numbers [s], n the stacks with compressions on both sides.
    Raises: NotMeasurable when no shock has compressions on both sides.
    References: Cheskes et al., Resuscitation 85 (2014) 336 (digest read).
    """
    return _pause_measure(shocks, arrest, "peri_s")


def first_shock_s(shocks: pd.DataFrame, case: Case, arrest: Spans, compressions: pd.DataFrame) -> list[Number]:
    """Time to the first shock: from the later of patient contact and the start of the arrest, and from pads on.

    Parameters: shocks, SHOCKS table [s]; case, for its events and clocks; arrest, the arrest spans [s]; compressions, COMPRESSIONS
    table [s], which patient contact on another clock cannot follow.
    Returns: Numbers [s]: plain, and `from` pads_on; error where two clocks meet.
    Raises: NotMeasurable when no shock was recorded.
    References: time to defibrillation as a core time of Utstein 2015 (from memory); the two zero points are ours.
    """
    if shocks.empty:
        raise NotMeasurable(_NO_SHOCK)
    if not arrest:
        raise NotMeasurable(NO_ARREST)
    shock = Point("first_shock", float(shocks["time_s"].iloc[0]), case.lead_clock)
    pads = charted(case, "device_on", value="defib_pads")
    return [
        attempt(since_contact, case, arrest.first.start_s, first_onset(compressions), shock, no_end=_NO_SHOCK),
        attempt(between, case, pads, shock, from_="pads_on", no_start="pads on was not charted", no_end=_NO_SHOCK),
    ]


def shock_decisions(case: Case, shocks: pd.DataFrame, arrest: Spans) -> list[Number]:
    """What was decided at each known rhythm of the arrest.

    Parameters: case, for its rhythm events [s]; shocks, SHOCKS table [s]; arrest, the arrest spans [s].
    Returns: Numbers, counts: `of` shockable_shocked, shockable_not_shocked, not_shockable_shocked; n the known rhythms.
    Raises: NotMeasurable when no rhythm is known in the arrest.
    References: our definition; a shock answers to the last rhythm known in the two minutes before it.
    """
    rhythms = case.events[(case.events["type"] == "rhythm") & (case.events["clock"] == case.lead_clock)]
    rhythms = rhythms[arrest.contains(rhythms["time_s"])]
    if rhythms.empty:
        raise NotMeasurable("no rhythm was recorded on the monitor's clock: rhythm events at each check would show the decisions")
    times = rhythms["time_s"].to_numpy()
    ends = np.minimum(np.r_[times[1:], np.inf], times + DECISION_S)
    at = np.sort(shocks["time_s"].to_numpy())
    shocked = np.searchsorted(at, ends) > np.searchsorted(at, times)
    shockable = rhythms["value"].isin(SHOCKABLE).to_numpy()
    kinds = {
        "shockable_shocked": shockable & shocked,
        "shockable_not_shocked": shockable & ~shocked,
        "not_shockable_shocked": ~shockable & shocked,
    }
    return [Number(float(hit.sum()), n=len(rhythms), of=of, spans_s=moments(times[hit])) for of, hit in kinds.items()]
