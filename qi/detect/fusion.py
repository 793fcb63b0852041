"""Several sensors, one list: in each moment those that can see vote, weighed by trust; of two clocks that differ, one leads."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from qi.detect import dissent
from qi.detect.pauses import runs
from qi.detect.voting import AGAINST, MISSED, Ballot, best_first, kind, vote
from qi.model.fused import ClockCheck, ClockOrder, Fused
from qi.model.seen import Seen
from qi.model.spans import Spans
from qi.model.tables import COMPRESSIONS, VENTILATIONS, Column, make
from qi.model.words import clock as minutes

COMPRESSION_ORDER = (
    "compression_depth",
    "compression_force",
    "chest_acceleration",
    "airway_pressure",
    "thoracic_impedance",
    "events",
    "ecg",
)
SETTLING = frozenset({"ecg"})
# by whose time a breath is told: the sampling line of a capnogram delays its own
BREATH_ORDER = ("airway_flow", "airway_pressure", "thoracic_impedance", "co2", "events")
Check = Callable[[Seen, Seen], ClockCheck | None]


@dataclass(frozen=True, eq=False)
class _Heard:
    """One group of clocks that vote together, and the time in which it is heard [s]."""

    group: frozenset[str]
    ballot: Ballot
    table: pd.DataFrame
    speaks: Spans


def fuse_compressions(
    seen: Sequence[Seen],
    clocks: Mapping[str, str],
    check: Check,
    *,
    gap_s: float,
    same_s: float,
    apart_s: float,
    away_s: float,
    lag_reach_s: float,
    lag_pairs: float,
    cycle_share: float,
    same_clock_s: float,
    differ_s: float,
    least_contested: float,
    frame_s: float,
    depth_weight: float,
    force_weight: float,
    acceleration_weight: float,
    pressure_weight: float,
    impedance_weight: float,
    events_weight: float,
    ecg_weight: float,
) -> Fused:
    """Compressions that the sensors hold together; times from the best sensor, the others lined up with it.

    Parameters: seen, one entry a sensor, in any order; clocks, the clock of each sensor by its name, a sensor without one stands
    on the same as the others without; check, compares the compressions of two clocks (see monitors.clock_check); gap_s, shortest
    distance between two compressions that parts two runs [s]; same_s, apart_s, away_s, lag_reach_s, lag_pairs, cycle_share, see
    voting.vote; same_clock_s, two clocks no further apart than this vote together [s]; differ_s, shortest disagreement on hands
    on or off that is told [s]; least_contested, how many compressions one after the other, that some sensors saw inside a run and
    others did not, are told; frame_s, length of a frame of the agreement [s]; the weights, of each kind of sensor's vote. The ECG
    makes no event and no time known: it settles what the others leave within its weight.
    Returns: Fused with COMPRESSIONS. Of each the depth is that of its best sensor that knows one, which `sensor` then names (so
    that a stroke stays a stroke), the residual force that of the force sensor.
    References: order of trust, alignment and clusters, signals research note sections 1.2 and 5; the weights are ours, no source.
    """
    weights = {
        "compression_depth": depth_weight,
        "compression_force": force_weight,
        "chest_acceleration": acceleration_weight,
        "airway_pressure": pressure_weight,
        "thoracic_impedance": impedance_weight,
        "events": events_weight,
        "ecg": ecg_weight,
    }

    def voted(some: Sequence[Seen]) -> tuple[Ballot, pd.DataFrame]:
        ballot = vote(
            best_first(some, COMPRESSION_ORDER),
            weights,
            SETTLING,
            same_s=same_s,
            apart_s=apart_s,
            away_s=away_s,
            lag_reach_s=lag_reach_s,
            lag_pairs=lag_pairs,
            cycle_share=cycle_share,
        )
        return ballot, _compressions(ballot)

    order = _clock_order(seen, clocks, check, voted, weights, same_clock_s=same_clock_s)
    heard = _heard(seen, clocks, order, voted)
    events, known = _one_table(heard, COMPRESSIONS, least_s=apart_s)
    rows, parts = _two_clocks(heard, order, least_s=differ_s), []
    for one in heard:
        pressing = runs(one.table, gap_s=gap_s).overlap(one.speaks)
        own = dissent.hands(one.ballot, gap_s=gap_s)
        rows += dissent.on_hands(own, pressing, one.speaks, differ_s=differ_s)
        rows += dissent.one_by_one(
            one.ballot, one.speaks, noun="compression", against=(MISSED,), join_s=away_s, least=least_contested, skip=1
        )
        parts.append(dissent.hands_agreement(own, pressing, one.speaks, frame_s=frame_s))
    return Fused(events, known, dissent.table(rows), dissent.agreement(parts), _lags(heard), order)


def fuse_breaths(
    seen: Sequence[Seen],
    clocks: Mapping[str, str],
    order: ClockOrder,
    *,
    same_s: float,
    apart_s: float,
    away_s: float,
    lag_reach_s: float,
    lag_pairs: float,
    cycle_share: float,
    join_s: float,
    least_contested: float,
    flow_weight: float,
    pressure_weight: float,
    co2_weight: float,
    impedance_weight: float,
    events_weight: float,
) -> Fused:
    """Breaths that the sensors hold together, with what each sensor knows of them on one row.

    Parameters: seen, clocks as in fuse_compressions; order, which clocks vote together and which leads, as the compressions told
    (of a Fused); same_s, apart_s, away_s, lag_reach_s, lag_pairs, cycle_share, see voting.vote; join_s, least_contested, see
    dissent.one_by_one; the weights, of each kind of sensor's vote: a breath that one sensor saw is held unless sensors of more
    weight could see and did not.
    Returns: Fused with VENTILATIONS: the time and the insufflation from the best sensor that knows it, end-tidal CO2 from the
    capnogram, the peak from the pressure, volumes from the flow. lags_s holds the delay of the capnogram's sampling line.
    References: that an event is held if one sensor saw it and no other valid one contradicts, signals research note section 2
    ("Fusion"); matching of 0.5 s (pressure, flow) and 1 s (impedance, capnogram), section 6; the weights are ours, no source.
    """
    weights = {
        "airway_flow": flow_weight,
        "airway_pressure": pressure_weight,
        "co2": co2_weight,
        "thoracic_impedance": impedance_weight,
        "events": events_weight,
    }

    def voted(some: Sequence[Seen]) -> tuple[Ballot, pd.DataFrame]:
        ballot = vote(
            best_first(some, BREATH_ORDER),
            weights,
            same_s=same_s,
            apart_s=apart_s,
            away_s=away_s,
            lag_reach_s=lag_reach_s,
            lag_pairs=lag_pairs,
            cycle_share=cycle_share,
        )
        return ballot, _ventilations(ballot)

    placed = frozenset(clock for group in order.groups for clock in group)
    further = sorted({clocks.get(one.sensor, "") for one in seen} - placed)
    heard = _heard(seen, clocks, ClockOrder((*order.groups, *(frozenset([clock]) for clock in further)), order.checks), voted)
    events, known = _one_table(heard, VENTILATIONS, least_s=apart_s)
    rows, parts = [], []
    for one in heard:
        rows += dissent.one_by_one(
            one.ballot, one.speaks, noun="breath", against=(AGAINST, MISSED), join_s=join_s, least=least_contested, skip=0
        )
        parts.append(dissent.breath_agreement(one.ballot, one.speaks))
    return Fused(events, known, dissent.table(rows), dissent.agreement(parts), _lags(heard), order)


def up_to_edges(seen: Seen, arrest: Spans, recorded: Spans, *, use_tail_s: float) -> Seen:
    """The same events, known also between a nearby edge of the arrest and the first or last sign of use.

    Parameters: seen, events and known time [s]; arrest, the arrest spans [s]; recorded, time with a recording [s]; use_tail_s, how
    far an edge may lie from the sign of use [s].
    Returns: Seen with known time that reaches to edges within use_tail_s, where a recording was running.
    """
    if not seen.known:
        return seen
    used = seen.known.hull
    near = [(span.start_s, used.start_s) for span in arrest if 0 < used.start_s - span.start_s <= use_tail_s]
    near += [(used.end_s, span.end_s) for span in arrest if 0 < span.end_s - used.end_s <= use_tail_s]
    return Seen(seen.sensor, seen.events, seen.known.union(Spans.of(near).overlap(recorded)))


def _compressions(ballot: Ballot) -> pd.DataFrame:
    """The held events of a vote as COMPRESSIONS."""
    depth, residual, sensor = (ballot.of_best(name) for name in ("depth_mm", "residual_mm", "sensor"))
    rows = ballot.rows[ballot.held]
    for j, voter in enumerate(ballot.voters):  # most trusted first: the first that knows a depth gives it
        knows = voter.columns["depth_mm"]
        at = np.flatnonzero((rows[:, j] >= 0) & np.isnan(depth))
        at = at[~np.isnan(knows[rows[at, j]])]
        depth[at] = knows[rows[at, j]]
        residual[at] = voter.columns["residual_mm"][rows[at, j]]
        sensor[at] = voter.columns["sensor"][rows[at, j]]
    onset, release = ballot.of_best("onset_s"), ballot.of_best("release_s")
    crossed = release[:-1] > onset[1:]  # neighbours from two sensors: one ends where the next starts
    meet = (release[:-1] + onset[1:]) / 2
    release[:-1], onset[1:] = np.where(crossed, meet, release[:-1]), np.where(crossed, meet, onset[1:])
    return make(
        COMPRESSIONS,
        time_s=ballot.time_s[ballot.held],
        onset_s=onset,
        release_s=release,
        depth_mm=depth,
        residual_mm=residual,
        residual_n=ballot.taken("residual_n"),
        sensor=sensor,
    )


def _ventilations(ballot: Ballot) -> pd.DataFrame:
    """The held events of a vote as VENTILATIONS."""
    names = ("insufflation_s", "etco2_mmhg", "peak_cmh2o", "inspired_ml", "expired_ml")
    known = {name: ballot.taken(name) for name in names}
    return make(VENTILATIONS, time_s=ballot.time_s[ballot.held], sensor=ballot.of_best("sensor"), **known)


def _heard(
    seen: Sequence[Seen],
    clocks: Mapping[str, str],
    order: ClockOrder,
    voted: Callable[[Sequence[Seen]], tuple[Ballot, pd.DataFrame]],
) -> list[_Heard]:
    """Each group's vote and the time in which it is heard: where no group before it could see or told of the same time."""
    heard: list[_Heard] = []
    for group in order.groups:
        ballot, table = voted([one for one in seen if clocks.get(one.sensor, "") in group])
        speaks = ballot.known
        for other in heard:
            speaks = speaks.minus(other.speaks)
            for offset_s in (check.offset_s for one in other.group for two in group if (check := order.check(one, two))):
                speaks = speaks.minus(Spans(other.speaks.edges - offset_s))  # told already, by a clock that stands otherwise
        heard.append(_Heard(group, ballot, table, speaks))
    return heard


def _one_table(heard: Sequence[_Heard], columns: Sequence[Column], *, least_s: float) -> tuple[pd.DataFrame, Spans]:
    """The events of all groups, each from the time in which it is heard, and the time in which any is."""
    known = Spans()
    times = np.zeros(0)
    parts = []
    for one in heard:
        known = known.union(one.speaks)
        own = one.table["time_s"].to_numpy()
        mine = own[one.speaks.contains(own)]
        at = np.searchsorted(times, mine)
        padded = np.concatenate([[-np.inf], times, [np.inf]])
        mine = mine[(mine - padded[at] >= least_s) & (padded[at + 1] - mine >= least_s)]
        times = np.sort(np.concatenate([times, mine]))
        parts.append(one.table if len(mine) == len(own) else one.table[np.isin(own, mine)])
    filled = [part for part in parts if len(part)]
    if len(filled) < 2:
        return (filled[0].reset_index(drop=True) if filled else make(columns)), known
    return pd.concat(filled).sort_values("time_s", ignore_index=True), known


def _lags(heard: Sequence[_Heard]) -> dict[str, float]:
    """The lag of each sensor, by its name."""
    return {voter.name: voter.lag_s for one in heard for voter in one.ballot.voters}


def _clock_order(
    seen: Sequence[Seen],
    clocks: Mapping[str, str],
    check: Check,
    voted: Callable[[Sequence[Seen]], tuple[Ballot, pd.DataFrame]],
    weights: Mapping[str, float],
    *,
    same_clock_s: float,
) -> ClockOrder:
    """Clocks that agree to a fraction of a cycle vote together; of the others that of more weight in the time they share leads."""
    able = sorted({clocks.get(one.sensor, "") for one in seen if one.known and kind(one.sensor) not in SETTLING})
    idle = {clocks.get(one.sensor, "") for one in seen} - set(able)
    if len(able) < 2:
        return ClockOrder(tuple(frozenset([clock]) for clock in [*able, *sorted(idle)]))
    own = {clock: [one for one in seen if clocks.get(one.sensor, "") == clock] for clock in able}
    alone = {clock: Seen(clock, table, ballot.known) for clock, (ballot, table) in ((c, voted(own[c])) for c in able)}
    # also where they do not overlap as their clocks stand: in truth they may
    checks = {(one, two): check(alone[one], alone[two]) for k, one in enumerate(able) for two in able[k + 1 :]}
    groups = [{clock} for clock in able]
    for (one, two), found in checks.items():
        if found and abs(found.offset_s) <= same_clock_s:
            first = next(group for group in groups if one in group)
            second = next(group for group in groups if two in group)
            if first is not second:
                first |= second
                groups.remove(second)

    def rank(group: set[str]) -> tuple[float, float, str]:
        shared = Spans()
        for clock in (clock for clock in able if clock not in group):
            shared = shared.union(alone[clock].known)
        return -_weighed([one for c in group for one in own[c]], weights, shared), alone[min(group)].known.hull.start_s, min(group)

    ranked = [frozenset(group) for group in sorted(groups, key=rank)]
    return ClockOrder((*ranked, *(frozenset([clock]) for clock in sorted(idle))), checks)


def _weighed(seen: Sequence[Seen], weights: Mapping[str, float], within: Spans) -> float:
    """Seconds within which sensors could see, each second times the greatest weight of those that could."""
    total, covered = 0.0, Spans()
    makes = [one for one in seen if kind(one.sensor) not in SETTLING]
    for one in sorted(makes, key=lambda one: -weights[kind(one.sensor)]):
        total += weights[kind(one.sensor)] * one.known.minus(covered).overlap(within).seconds
        covered = covered.union(one.known)
    return total


def _two_clocks(heard: Sequence[_Heard], order: ClockOrder, *, least_s: float) -> list[dict[str, object]]:
    """Where two monitors recorded at once and do not vote together: which is heard, and why not both."""
    rows: list[dict[str, object]] = []
    for k, two in enumerate(heard):
        for one in heard[:k]:
            shared = one.speaks.overlap(two.ballot.known).longer_than(least_s)
            if not shared:
                continue
            first, second = (" and ".join(sorted(each.group)) for each in (one, two))
            found = next((check for a in one.group for b in two.group if (check := order.check(a, b))), None)
            why = f"their clocks differ by {abs(found.offset_s):.2f} s" if found else "how their clocks stand cannot be told"
            what = f"two monitors record for {minutes(shared.seconds)} min and {why}: only {first} is heard, so that nothing "
            what += "counts twice"
            hull = shared.hull
            rows.append({"start_s": hull.start_s, "end_s": hull.end_s, "what": what, "sensors": f"{first} against {second}"})
    return rows
