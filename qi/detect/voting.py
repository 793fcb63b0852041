"""How sensors on one clock come to one list of events: lined up, their events brought together, and each event put to the vote."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.lib.stride_tricks import sliding_window_view

from qi.detect import filters
from qi.model.seen import Seen
from qi.model.spans import Spans

FOR, AGAINST, MISSED, SILENT = 1, -1, -2, 0
_BINS = 35  # of the histogram of lags, on each side of zero


@dataclass(frozen=True, eq=False)
class Voter:
    """One sensor: its events inside its recorded time, and both (times_s, known) as they stand once its lag is taken off [s].

    settles: it makes no event and no time known, and only settles what the others leave open.
    """

    name: str
    weight: float
    events: pd.DataFrame
    recorded: Spans
    times_s: np.ndarray
    known: Spans
    lag_s: float
    settles: bool = False

    @property
    def shift_s(self) -> float:
        """What was taken off its times [s]."""
        return self.lag_s if np.isfinite(self.lag_s) else 0.0

    @cached_property
    def columns(self) -> dict[str, np.ndarray]:
        """Its events by column."""
        return {str(name): values.to_numpy() for name, values in self.events.items()}


@dataclass(frozen=True, eq=False)
class Ballot:
    """Events put to the vote: time_s of each by its best sensor, best that sensor's number, rows the row of each sensor's own
    table or -1, stance how each sensor stands (FOR, AGAINST: it sees nothing of the kind; MISSED: it sees others beside it but not
    this one; SILENT), held whether it is taken as real. One row an event, one column a sensor."""

    voters: tuple[Voter, ...]
    time_s: np.ndarray
    best: np.ndarray
    rows: np.ndarray
    stance: np.ndarray
    held: np.ndarray

    @property
    def known(self) -> Spans:
        """Time in which any sensor that can make an event could see, as it says itself: lining up makes no time known."""
        found = Spans()
        for voter in self.voters:
            found = found if voter.settles else found.union(voter.recorded)
        return found

    def taken(self, column: str, *, only: Sequence[int] | None = None) -> np.ndarray:
        """A column of the held events: of each the value from its most trusted sensor that has one."""
        rows = self.rows[self.held]
        found = np.full(len(rows), np.nan)
        for j in range(len(self.voters)) if only is None else only:
            values = self.voters[j].columns[column]
            fill = np.flatnonzero((rows[:, j] >= 0) & np.isnan(found))
            found[fill] = values[rows[fill, j]]
        return found

    def of_best(self, column: str) -> np.ndarray:
        """A column of the held events, each from the sensor that tells its time; times with the sensor's lag taken off."""
        rows, best = self.rows[self.held], self.best[self.held]
        text = column == "sensor"
        found = np.full(len(rows), "", dtype=object) if text else np.full(len(rows), np.nan)
        for j, voter in enumerate(self.voters):
            mine = np.flatnonzero(best == j)
            off = voter.shift_s if column.endswith("_s") and column != "insufflation_s" else 0.0
            values = voter.columns[column][rows[mine, j]]
            found[mine] = values if text else values - off
        return found


def kind(sensor: str) -> str:
    """The kind of a sensor by its name: a channel id, or events."""
    return sensor.split(" ")[0]


def best_first(seen: Sequence[Seen], order: Sequence[str]) -> list[Seen]:
    """Sensors by kind in the given order of trust, those of one kind by how long they could see, then by name.

    Parameters: seen, one entry a sensor; order, channel ids, the most trusted first.
    Returns: the same entries, best first, whatever order they came in.
    """

    def rank(one: Seen) -> tuple[int, float, str]:
        which = kind(one.sensor)
        return (order.index(which) if which in order else len(order), -one.known.seconds, one.sensor)

    return sorted(seen, key=rank)


def vote(
    seen: Sequence[Seen],
    weights: Mapping[str, float],
    settling: Collection[str] = (),
    *,
    same_s: float,
    apart_s: float,
    away_s: float,
    lag_reach_s: float,
    lag_pairs: float,
    cycle_share: float,
) -> Ballot:
    """Events of sensors on one clock, each sensor lined up by one constant lag and each event put to the vote.

    Parameters: seen, best first, those that only settle last; weights, kind of sensor -> weight of its vote; settling, kinds that
    only settle what is left open; same_s, how far one event may lie apart in two sensors after alignment [s]; apart_s, least
    distance of two events: a sensor with an event nearer than this saw the same one, ill timed [s]; away_s, a sensor that could
    see and has no event within this speaks against it [s]; lag_reach_s, greatest lag looked for [s]; lag_pairs, least number of
    events that tell a lag; cycle_share, least distance of an event that the best sensor missed to that sensor's own, as a share of
    its cycle there.
    Returns: Ballot, events in order of time.
    References: alignment by one lag, clusters, order of trust, and that a sensor in its invalid time has no vote: signals research
    note sections 1.2, 2 and 5.
    Notes: the note sums log-likelihoods by frame; here whole events are voted on with fixed weights, so that a reviewer can follow
    each. A sensor that misses one event among others counts against it only where its weight is above that of the best that saw.
    """
    valid = [one for one in map(_inside_known, seen) if one.known]
    voters, time, rows = _gathered(valid, weights, settling, same_s=same_s, lag_reach_s=lag_reach_s, lag_pairs=lag_pairs)
    best = np.argmax(rows >= 0, axis=1) if len(time) else np.zeros(0, dtype=np.int64)
    stance = _stances(voters, time, rows, same_s=same_s, apart_s=apart_s, away_s=away_s)
    held = _decided(stance, best, voters)
    held &= _room(voters, time, stance, share=cycle_share)
    held = _thinned(time, best, held, least_s=apart_s)
    return Ballot(voters, time, best, rows, stance, held)


def _inside_known(one: Seen) -> Seen:
    """The same sensor without events outside its known time: there it has no vote."""
    inside = one.known.contains(one.events["time_s"].to_numpy())
    return one if inside.all() else Seen(one.sensor, one.events[inside].reset_index(drop=True), one.known)


def _gathered(
    seen: Sequence[Seen],
    weights: Mapping[str, float],
    settling: Collection[str],
    *,
    same_s: float,
    lag_reach_s: float,
    lag_pairs: float,
) -> tuple[tuple[Voter, ...], np.ndarray, np.ndarray]:
    """Sensors lined up one after the other with the better ones before them, and their events brought together."""
    voters: list[Voter] = []
    time, rows = np.zeros(0), np.zeros((0, len(seen)), dtype=np.int64)
    for j, one in enumerate(seen):
        own = one.events["time_s"].to_numpy()
        lag = lag_s(time, own, reach_s=lag_reach_s, least_pairs=lag_pairs) if voters else 0.0
        shift = lag if np.isfinite(lag) else 0.0
        which = kind(one.sensor)
        known = Spans(one.known.edges - shift)
        voter = Voter(one.sensor, weights[which], one.events, one.known, own - shift, known, lag, which in settling)
        voters.append(voter)
        if voter.settles:
            continue
        partner = partners(time, voter.times_s, within_s=same_s)
        met, new = np.flatnonzero(partner >= 0), np.flatnonzero(partner < 0)
        rows[partner[met], j] = met
        fresh = np.full((len(new), len(seen)), -1, dtype=np.int64)
        fresh[:, j] = new
        time, rows = np.concatenate([time, voter.times_s[new]]), np.concatenate([rows, fresh])
        order = np.argsort(time, kind="stable")
        time, rows = time[order], rows[order]
    return tuple(voters), time, rows


def lag_s(reference_s: np.ndarray, times_s: np.ndarray, *, reach_s: float, least_pairs: float) -> float:
    """How much later than the reference one sensor tells its events: the most frequent distance, refined by a median.

    Parameters: reference_s, times_s, sorted [s]; reach_s, greatest lag looked for [s]; least_pairs, least number of pairs at it.
    Returns: the lag [s]; NaN where too few events meet, or none stands out.
    """
    if not len(reference_s) or not len(times_s):
        return float("nan")
    near = np.searchsorted(reference_s, times_s)[:, None] + np.arange(-4, 4)[None, :]
    real = (near >= 0) & (near < len(reference_s))
    lags = (times_s[:, None] - reference_s[np.clip(near, 0, len(reference_s) - 1)])[real]
    lags = lags[np.abs(lags) <= reach_s]
    width = reach_s / _BINS
    counts = np.bincount(np.clip((lags / width + _BINS).astype(np.int64), 0, 2 * _BINS - 1), minlength=2 * _BINS)
    blurred = np.convolve(counts, [1.0, 2.0, 3.0, 2.0, 1.0], mode="same")
    middles = (np.arange(2 * _BINS) + 0.5) * width - reach_s
    lag = float(middles[np.argmax(blurred * (1 - 0.2 * np.abs(middles) / reach_s))])
    for _ in range(2):
        close = lags[np.abs(lags - lag) <= 4 * width]
        lag = float(np.median(close)) if len(close) else lag
    stands_out = blurred.max(initial=0.0) > 2 * blurred.mean()
    return lag if stands_out and len(close) >= least_pairs else float("nan")


def nearest(reference_s: np.ndarray, times_s: np.ndarray) -> np.ndarray:
    """For each time the number of the nearest reference time; the reference sorted and not empty."""
    after = np.clip(np.searchsorted(reference_s, times_s), 1, max(1, len(reference_s) - 1))
    before = after - 1
    after = np.minimum(after, len(reference_s) - 1)
    return np.where(times_s - reference_s[before] <= reference_s[after] - times_s, before, after)


def partners(reference_s: np.ndarray, times_s: np.ndarray, *, within_s: float) -> np.ndarray:
    """For each time the reference time that is its nearest and whose nearest it is, within a distance; -1 where there is none."""
    if not len(reference_s) or not len(times_s):
        return np.full(len(times_s), -1, dtype=np.int64)
    there, back = nearest(reference_s, times_s), nearest(times_s, reference_s)
    mutual = back[there] == np.arange(len(times_s))
    return np.where(mutual & (np.abs(reference_s[there] - times_s) <= within_s), there, -1)


def _stances(
    voters: Sequence[Voter], time_s: np.ndarray, rows: np.ndarray, *, same_s: float, apart_s: float, away_s: float
) -> np.ndarray:
    """How each sensor stands to each event."""
    stance = np.full((len(time_s), len(voters)), SILENT, dtype=np.int8)
    for j, voter in enumerate(voters):
        off = np.abs(voter.times_s[nearest(voter.times_s, time_s)] - time_s) if len(voter.times_s) else np.full(len(time_s), np.inf)
        sees, through = voter.known.contains(time_s), voter.known.grown(-away_s).contains(time_s)
        stance[through & (off > away_s), j] = AGAINST
        if voter.settles:
            stance[sees & (off <= same_s), j] = FOR
        else:
            stance[sees & (off > apart_s) & (off <= away_s), j] = MISSED
            stance[rows[:, j] >= 0, j] = FOR
    return stance


def _decided(stance: np.ndarray, best: np.ndarray, voters: Sequence[Voter]) -> np.ndarray:
    """Which events are held: those with more weight for than against; at equal weight the best sensor that votes decides."""
    weights = np.array([voter.weight for voter in voters])
    makes = np.array([not voter.settles for voter in voters], dtype=bool)
    better = weights[None, :] > weights[best][:, None]
    counted = np.where((stance == MISSED) & ~better, SILENT, np.clip(stance, -1, 1))
    balance = counted @ weights
    voting = np.where(makes[None, :], counted, SILENT)
    first = np.argmax(voting != SILENT, axis=1) if len(voters) else best
    by_best = voting[np.arange(len(best)), first] > 0
    return np.where(np.abs(balance) < 1e-9, by_best, balance > 0)


def _room(voters: Sequence[Voter], time_s: np.ndarray, stance: np.ndarray, *, share: float) -> np.ndarray:
    """Whether each event that the best sensor of its moment missed has room for it between that sensor's own."""
    room = np.ones(len(time_s), dtype=bool)
    led = np.zeros(len(time_s), dtype=bool)
    for j, voter in enumerate(voters):
        mine = ~led & (stance[:, j] != SILENT) & (not voter.settles)
        led |= mine
        at = np.flatnonzero(mine & (stance[:, j] == MISSED))
        if len(at) and len(voter.times_s) > 1:
            where = nearest(voter.times_s, time_s[at])
            cycle = _cycles(voter.times_s)[where]
            room[at] = np.abs(voter.times_s[where] - time_s[at]) >= share * cycle
    return room


def _cycles(times_s: np.ndarray) -> np.ndarray:
    """Median distance to the neighbours about each event [s]."""
    steps = np.diff(times_s)
    about = sliding_window_view(np.pad(steps, 3, mode="edge"), 6)
    return np.sort(about, axis=1)[:, 2]


def _thinned(time_s: np.ndarray, best: np.ndarray, held: np.ndarray, *, least_s: float) -> np.ndarray:
    """Held events of which no two are closer than least_s: of two that are, the one with the better sensor."""
    held = held.copy()
    while True:
        at = np.flatnonzero(held)
        keep = filters.apart(time_s[at], -best[at].astype(np.float64), least=least_s)
        if keep.all():
            return held
        held[at[~keep]] = False
