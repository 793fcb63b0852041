"""An offset proposed for each clock from moments that it and the reference clock both recorded. Nothing is moved by it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from qi.detect import clock_words, joining, sensors
from qi.detect.clock_moments import CONTACT, FIRST_CO2, SHOCK, by_machine, moments
from qi.detect.clock_pairing import Fit, Series, Windows, fits, of_pairs, robust_sd, telling
from qi.detect.sensors import Tune
from qi.model.case import Case
from qi.model.clock_proposal import PAIRS, Alternative, ClockProposal
from qi.model.findings import Findings
from qi.model.fused import ClockCheck
from qi.model.seen import Seen
from qi.model.spans import Spans
from qi.model.tables import make

HOUR_S, DAY_S = 3600.0, 86400.0
_MOST_ALTERNATIVES = 3


@dataclass(frozen=True)
class _Rules:
    """The settings of `proposals` that its steps share; see there."""

    shock_s: float
    machine_s: float
    charted_s: float
    loose_s: float
    reach: float
    span_s: float
    kept: float
    own_shock_cost: float
    reference_shock_cost: float
    other_cost: float
    clearly: float
    prior_pairs: float
    late_s: float
    near_s: float
    sensors_s: float
    coarsest_s: float


def propose(found: Findings, tune: Tune, *, gap_s: float) -> tuple[pd.DataFrame, list[ClockProposal]]:
    """What every clock of a case tells of, and how each stands against the reference clock.

    Parameters: found, the findings, as the clocks stand now; tune, the settings of all detectors by section; gap_s, shortest
    distance between two deepest points that parts two runs [s].
    Returns: the MOMENTS table, and one ClockProposal for each clock but the lead clock, in the order of the case's clocks.
    Notes: recordings that could not be placed are searched too. Where two monitors recorded, compressions that both saw tell more
    than any other moment: they are looked for about the offset that stands, those that moments propose, and an hour to either side.
    """
    case, seen, by_ecg = found.case, found.sensors, found.by_ecg
    if case.unplaced:
        alone = replace(case, signals=case.unplaced, unplaced=())
        pressed = sensors.pressed(alone, tune, gap_s=gap_s)
        _, exhaled = sensors.breathed(alone, Spans(), Spans(), tune)
        seen = replace(seen, pressed=(*seen.pressed, *pressed), exhaled=(*seen.exhaled, *exhaled))
        tables = [table for table in (by_ecg, sensors.shocked(alone, tune)) if len(table)]
        by_ecg = pd.concat(tables).sort_values("time_s", ignore_index=True) if tables else by_ecg
    told = moments(case, by_ecg, seen.exhaled, **tune["clock_moments"])
    by_moments = proposals(case, told, {}, **tune["clock_proposals"])
    checks = {one.clock: check for one in by_moments if (check := _by_compressions(case, seen.pressed, one, tune, gap_s=gap_s))}
    return told, proposals(case, told, checks, **tune["clock_proposals"]) if checks else by_moments


def proposals(
    case: Case,
    told: pd.DataFrame,
    checks: Mapping[str, ClockCheck],
    *,
    shock_s: float,
    machine_s: float,
    charted_s: float,
    loose_s: float,
    reach: float,
    span_s: float,
    kept: float,
    own_shock_cost: float,
    reference_shock_cost: float,
    other_cost: float,
    clearly: float,
    prior_pairs: float,
    late_s: float,
    near_s: float,
    sensors_s: float,
    coarsest_s: float,
) -> list[ClockProposal]:
    """How each clock of a case stands against the lead clock, by the moments that both tell of.

    Parameters: case, for its clocks; told, MOMENTS table [s]; checks, clock -> what compressions that it and the lead clock saw
    say; shock_s, machine_s, charted_s, loose_s, expected scatter of a pair: a shock that one side charted by hand, one that
    machines told on both sides, what was charted by hand, two moments that only lie near each other [s]; reach, how many times
    that a pair may lie apart; span_s, time over which clocks may differ, against which a chance meeting is weighed [s]; kept,
    offsets tried to the end; own_shock_cost, reference_shock_cost, other_cost, what a shock of this clock, a shock of the
    reference clock, or another moment without a partner counts against an offset (natural logarithm); clearly, an offset that fits
    less than this worse is an alternative; prior_pairs, weight of the expected scatter beside that of the pairs seen, in pairs;
    late_s, what charting may be late by throughout, which no number of pairs shows [s]; near_s, how near an hour or a day counts
    as one [s]; sensors_s, what two kinds of sensor may tell one compression apart [s]; coarsest_s, entries of a coarser grain tell
    nothing [s].
    Returns: one ClockProposal for each clock but the lead clock, in the order of the case's clocks.
    References: the constant part of the lag between charted and recorded shocks is the clocks' offset, the scatter is charting
    error: data standards note, section 4. Robust estimates: median, and MAD / 0.6745. The weights are ours, no source.
    Notes: the half-width of what remains is half the grain of the entries (a chart kept to the minute may cut off or round: 30 s,
    however many they are) + late_s where a person charted + 2 standard errors of the median, 1.2533 s / sqrt(n) (s / sqrt(n) for
    one or two pairs). s is pooled: the scatter of the n pairs, 1.2533 mean absolute deviations, with the weight of n - 1 pairs,
    and the expected one with that of prior_pairs. By compressions it is sensors_s + 2 standard errors.
    """
    rules = _Rules(
        shock_s,
        machine_s,
        charted_s,
        loose_s,
        reach,
        span_s,
        kept,
        own_shock_cost,
        reference_shock_cost,
        other_cost,
        clearly,
        prior_pairs,
        late_s,
        near_s,
        sensors_s,
        coarsest_s,
    )
    told = told[told["grain_s"] <= coarsest_s]
    return [_proposal(case, told, clock, checks.get(clock), rules) for clock in case.clocks if clock != case.lead_clock]


def _proposal(case: Case, told: pd.DataFrame, clock: str, check: ClockCheck | None, rules: _Rules) -> ClockProposal:
    """The proposal for one clock: by compressions where they tell, else by moments, with the reason where neither does."""
    own, reference = told[told["clock"] == clock], told[told["clock"] == case.lead_clock]
    if clock in {signal.clock for signal in (*case.signals, *case.unplaced)}:
        own = own[~own["key"].isin((CONTACT, FIRST_CO2))]  # a further recording begins when it begins, the patient on CO2 or not
    tables = [
        (own[own["key"] == key], reference[reference["key"] == key]) for key in sorted(set(own["key"]) & set(reference["key"]))
    ]
    series = [_series(case, clock, *pair, rules) for pair in tables]
    windows = Windows(_window(case, told, clock), _window(case, told, case.lead_clock))
    found = fits(series, windows, reach=rules.reach, span_s=rules.span_s, kept=rules.kept)
    empty = ClockProposal(clock, case.lead_clock)
    if check is not None:
        one = _by_check(empty, check, tables, series, found, rules)
    elif found:
        one = _by_fit(empty, found, tables, series, rules)
    else:
        return replace(empty, why_not=clock_words.why_not(told, clock, case.lead_clock))
    assert one.offset_s is not None
    told_already, placed = case.clocks[clock].offset_s, case.clocks[clock].placed
    one = replace(
        one,
        total_s=one.offset_s + told_already,
        near_hour=_near(one.offset_s, HOUR_S, rules.near_s, most=1) if placed else 0,
        near_days=_near(one.offset_s, DAY_S, rules.near_s) if placed else 0,
        alternatives=tuple(replace(other, total_s=other.offset_s + told_already) for other in one.alternatives),
    )
    return replace(one, text=clock_words.in_words(one, placed=placed, by_hand=not by_machine(case, case.lead_clock)))


def _series(case: Case, clock: str, own: pd.DataFrame, reference: pd.DataFrame, rules: _Rules) -> Series:
    """Moments of one key on both clocks, with the scatter to expect of each pair."""
    machines = by_machine(case, clock) and by_machine(case, case.lead_clock)
    expected = {"sharp": rules.machine_s if machines else rules.shock_s, "charted": rules.charted_s, "loose": rules.loose_s}
    scale = [np.array([expected[sort] for sort in side["sort"]]) for side in (own, reference)]
    grain = [side["grain_s"].to_numpy() / np.sqrt(12) for side in (own, reference)]
    both = np.hypot(np.maximum.outer(*scale), np.hypot.outer(*grain))
    loose = "loose" in {*own["sort"], *reference["sort"]}
    shock = own["key"].iloc[0] == SHOCK
    costs = (rules.own_shock_cost, rules.reference_shock_cost) if shock else (0.0 if loose else rules.other_cost,) * 2
    return Series(own["time_s"].to_numpy(), reference["time_s"].to_numpy(), both, *costs, loose)


def _window(case: Case, told: pd.DataFrame, clock: str) -> tuple[float, float]:
    """Time that a clock tells of: its recordings where it has any, else from its first to its last moment [s]."""
    recorded = Spans()
    for signal in (*case.signals, *case.unplaced):
        recorded = recorded.union(signal.recorded) if signal.clock == clock else recorded
    if recorded:
        return recorded.hull.start_s, recorded.hull.end_s
    times = told.loc[told["clock"] == clock, "time_s"]
    return (float(times.min()), float(times.max())) if len(times) else (0.0, 0.0)


_Tables = Sequence[tuple[pd.DataFrame, pd.DataFrame]]


def _by_fit(empty: ClockProposal, found: Sequence[Fit], tables: _Tables, series: Sequence[Series], rules: _Rules) -> ClockProposal:
    """The best fit as a proposal, with its rivals."""
    best = found[0]
    pairs = _pairs(best, best.offset_s, tables, series)
    width = _half_width(best, tables, series, rules)
    rivals = _rivals(found, best.offset_s, best.score, width, series, rules)
    apart, _ = of_pairs(series, telling(series, best.pairs))
    firm = int((pairs["sort"] != "loose").sum())
    sure = "open" if rivals else "good" if firm >= 3 else "fair" if firm == 2 else "weak"
    return replace(
        empty,
        offset_s=best.offset_s,
        n=len(apart),
        pairs=pairs,
        residual_s=robust_sd(apart),
        uncertainty_s=width,
        confidence=sure,
        alternatives=rivals,
    )


def _by_check(
    empty: ClockProposal, check: ClockCheck, tables: _Tables, series: Sequence[Series], found: Sequence[Fit], rules: _Rules
) -> ClockProposal:
    """What compressions tell, with the moments that meet then; what moments say otherwise is an alternative."""
    width = rules.sensors_s + 2 * 1.2533 * check.residual_s / np.sqrt(check.n)
    agree = [fit for fit in found if abs(fit.offset_s - check.offset_s) <= width + _half_width(fit, tables, series, rules)]
    pairs = _pairs(agree[0], check.offset_s, tables, series) if agree else make(PAIRS)
    other = () if agree or not found or len(telling(series, found[0].pairs)) < 2 else (_alternative(found[0], series),)
    return replace(
        empty,
        offset_s=check.offset_s,
        n=check.n,
        pairs=pairs,
        residual_s=check.residual_s,
        uncertainty_s=float(width),
        by="compressions",
        confidence="open" if other else "good",
        alternatives=other,
    )


def _half_width(fit: Fit, tables: _Tables, series: Sequence[Series], rules: _Rules) -> float:
    """What an offset may be off by [s]; the rule stands in the docstring of `proposals`."""
    used = telling(series, fit.pairs)
    apart, scale = of_pairs(series, used)
    sides = [(tables[k][0].iloc[i], tables[k][1].iloc[j]) for k, i, j in used]
    grain = float(np.median([max(own.grain_s, reference.grain_s) for own, reference in sides]))
    late = rules.late_s if (scale > rules.machine_s).any() else 0.0
    count = len(apart)
    expected = 1 / np.sqrt(np.mean(1 / scale**2))
    prior = rules.prior_pairs
    seen = 1.2533 * float(np.mean(np.abs(apart - np.median(apart))))
    pooled = np.sqrt((prior * expected**2 + (count - 1) * seen**2) / (prior + count - 1))
    error = pooled * (1.2533 if count > 2 else 1.0) / np.sqrt(count)
    return float(grain / 2 + late + 2 * error)


def _rivals(
    found: Sequence[Fit], offset_s: float, score: float, width: float, series: Sequence[Series], rules: _Rules
) -> tuple[Alternative, ...]:
    """Offsets outside the half-width that fit nearly as well, each once."""
    kept: list[Fit] = []
    for fit in found:
        apart = [abs(fit.offset_s - other) for other in (offset_s, *(one.offset_s for one in kept))]
        if score - fit.score < rules.clearly and min(apart) > width:
            kept.append(fit)
    return tuple(_alternative(fit, series) for fit in kept[:_MOST_ALTERNATIVES])


def _alternative(fit: Fit, series: Sequence[Series]) -> Alternative:
    apart, _ = of_pairs(series, telling(series, fit.pairs))
    return Alternative(fit.offset_s, fit.offset_s, len(apart), robust_sd(apart))


def _pairs(fit: Fit, offset_s: float, tables: _Tables, series: Sequence[Series]) -> pd.DataFrame:
    """PAIRS of a fit, in order of this clock's time."""
    apart, _ = of_pairs(series, fit.pairs)
    sides = [(tables[k][0].iloc[i], tables[k][1].iloc[j]) for k, i, j in fit.pairs]
    rank = {"sharp": 0, "charted": 1, "loose": 2}
    rows = pd.DataFrame(
        {
            "own_s": [own.time_s for own, _ in sides],
            "reference_s": [reference.time_s for _, reference in sides],
            "apart_s": apart,
            "residual_s": apart - offset_s,
            "what": [own.what if own.what == reference.what else f"{own.what} / {reference.what}" for own, reference in sides],
            "meaning": [own.meaning for own, _ in sides],
            "sort": [max(own.sort, reference.sort, key=rank.__getitem__) for own, reference in sides],
        }
    ).sort_values("own_s", kind="stable")
    return make(PAIRS, **{str(name): rows[name].to_numpy() for name in rows})


def _near(offset_s: float, unit_s: float, within_s: float, *, most: int | None = None) -> int:
    """Whole units, other than none, that an offset lies near; 0 where it lies near none or near more than `most`."""
    units = round(offset_s / unit_s)
    near = abs(offset_s - units * unit_s) <= within_s and (most is None or abs(units) <= most)
    return units if near else 0


def _by_compressions(case: Case, pressed: Sequence[Seen], one: ClockProposal, tune: Tune, *, gap_s: float) -> ClockCheck | None:
    """How the clock stands by compressions that it and the reference clock saw; offset_s is what to add to it [s]."""
    whole = replace(case, signals=(*case.signals, *case.unplaced))
    clocks = {signal.name: signal.clock for signal in whole.signals}
    both = [seen for seen in pressed if clocks.get(seen.sensor) in (one.clock, one.reference)]
    if len({clocks[seen.sensor] for seen in both}) < 2:
        return None
    reach_s = 2 * float(tune["clock_check"]["search_s"])
    said = (one.offset_s or 0.0, *(other.offset_s for other in one.alternatives))
    for by_s in dict.fromkeys((0.0, *said, reach_s, -reach_s, HOUR_S, -HOUR_S)):
        moved = [_moved(seen, by_s) if clocks[seen.sensor] == one.clock else seen for seen in both]
        check = joining.weighed(whole, moved, tune, gap_s=gap_s).clocks.check(one.reference, one.clock)
        if check is not None:
            return check._replace(offset_s=check.offset_s + by_s)
    return None


def _moved(seen: Seen, by_s: float) -> Seen:
    """The same compressions later by by_s."""
    later = {name: seen.events[name] + by_s for name in ("time_s", "onset_s", "release_s")}
    return Seen(seen.sensor, seen.events.assign(**later), Spans(seen.known.edges + by_s))
