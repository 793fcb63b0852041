"""When a sensor is able to see at all: flat, railed and missing time is unknown, and so is time before and after its use.

Definition of known time: measures, section 1. An exactly constant stretch is the hard case: on a sensor without noise (synthetic
or heavily rounded data) a still chest gives exactly constant values, on a real one only a lost sensor does.
"""

from dataclasses import dataclass

import numpy as np

from qi.model.case import Signal
from qi.model.spans import Span, Spans

RESTING_AT_ZERO = ("co2",)


@dataclass(frozen=True, eq=False)
class Held:
    """Stretches in which every sample has exactly the same value: spans as arrays [s], and that value [unit of the signal]."""

    start_s: np.ndarray
    end_s: np.ndarray
    value: np.ndarray

    @property
    def seconds(self) -> np.ndarray:
        """Length of each [s]."""
        return self.end_s - self.start_s

    def spans(self, which: np.ndarray) -> Spans:
        """The chosen ones as stretches of time."""
        return Spans.of(np.column_stack([self.start_s[which], self.end_s[which]]))


def held(signal: Signal, *, least_s: float) -> Held:
    """Stretches of exactly constant samples, at least least_s long [s]."""
    starts, ends, values = [np.zeros(0)], [np.zeros(0)], [np.zeros(0)]
    for piece in signal.pieces:
        same = np.concatenate([[False], piece.values[1:] == piece.values[:-1], [False]])
        first, last = np.flatnonzero(same[1:] != same[:-1]).reshape(-1, 2).T
        long = (last - first + 1) >= max(2.0, least_s * piece.rate_hz)
        starts.append(piece.start_s + first[long] / piece.rate_hz)
        ends.append(piece.start_s + (last[long] + 1) / piece.rate_hz)
        values.append(np.asarray(piece.values[first[long]], dtype=np.float64))
    return Held(np.concatenate(starts), np.concatenate(ends), np.concatenate(values))


def railed(signal: Signal, *, least_s: float, rail_share: float) -> Spans:
    """Stretches at the ends of the range that the file can hold.

    Parameters: least_s, shortest that counts [s]; rail_share, share of the range counted from its middle, above which a value
    stands at the rail (0 to 1). Returns: nothing where the file does not tell its range.
    Notes: a channel that honestly rests at 0, as CO2 between breaths, does not stand at a rail there.
    """
    if signal.rails is None:
        return Spans()
    low, high = signal.rails
    reach = (high - low) / 2 * rail_share
    found = Spans()
    for piece in signal.pieces:
        away = np.abs(piece.values - np.float32((low + high) / 2)) >= reach
        if signal.channel in RESTING_AT_ZERO and low <= 0:
            away &= piece.values > (low + high) / 2
        if away.any():
            found = found.union(Spans.where(away, start_s=piece.start_s, step_s=1 / piece.rate_hz).longer_than(least_s))
    return found


def outside(signal: Signal, *, lowest: float, highest: float) -> Spans:
    """Stretches with samples below the lowest or above the highest value [unit of the signal]."""
    found = Spans()
    for piece in signal.pieces:
        if len(piece.values) and not (piece.values.min() >= lowest and piece.values.max() <= highest):
            away = (piece.values < lowest) | (piece.values > highest)
            found = found.union(Spans.where(away, start_s=piece.start_s, step_s=1 / piece.rate_hz))
    return found


def samples(signal: Signal, span: Span, *, without: Spans) -> np.ndarray:
    """Values of the samples in one stretch of time, but for those in other stretches [unit of the signal]."""
    found = [np.zeros(0)]
    for piece in signal.pieces:
        first = max(0, int(np.ceil((span.start_s - piece.start_s) * piece.rate_hz)))
        values = piece.values[first : max(first, int(np.ceil((span.end_s - piece.start_s) * piece.rate_hz)))]
        times = piece.start_s + (first + np.arange(len(values))) / piece.rate_hz
        found.append(values[~without.contains(times)].astype(np.float64))
    return np.concatenate(found)


def noisy(signal: Signal, *, inside: Spans, noise_share: float) -> bool:
    """Whether a moving sensor shows noise of its own, beyond the rounding of its values.

    Parameters: inside, time in which it moved [s]; noise_share, noise that counts, as a share of the movement's range.
    Returns: True where sixth differences, which a smooth movement leaves near zero, show noise above that share and above
    half of the smallest step between two values.
    """
    for piece in signal.pieces:
        for span in inside.clip(Span(piece.start_s, piece.end_s)):
            first = max(0, int((span.start_s - piece.start_s) * piece.rate_hz))
            values = np.asarray(piece.values[first : int((span.end_s - piece.start_s) * piece.rate_hz)][:20_000], dtype=np.float64)
            if len(values) < 50 or values.max() == values.min():
                continue
            # sd of the sixth difference of white noise is sqrt(924); 0.6745 makes a median a standard deviation
            noise = float(np.median(np.abs(np.diff(values, n=6)))) / 0.6745 / np.sqrt(924)
            steps = np.abs(np.diff(values))
            return noise > max(noise_share * float(values.max() - values.min()), 0.5 * float(steps[steps > 0].min()))
    return False


def dead(signal: Signal, constant: Held, which: np.ndarray, *, still: Spans, away: np.ndarray, noise_share: float) -> np.ndarray:
    """Which of the chosen constant stretches, all at the still level, are a lost sensor and not a still chest.

    Parameters: constant, every constant stretch; which, those to judge; still, time without movement [s]; away, constant
    stretches that are lost already; noise_share, see noisy.
    Returns: a flag for each constant stretch. True where the sensor is noisy in most of its other still moments (in less than
    half of the time of one is it constant); with no other still moment, where it is noisy while it moves.
    """
    flat = constant.spans(~away)
    rest = still.minus(constant.spans(away))
    starts, ends = rest.edges.T
    lively = flat.seconds_in(starts, ends) < 0.5 * signal.recorded.seconds_in(starts, ends)
    gone = np.zeros(len(constant.value), dtype=bool)
    for place in np.flatnonzero(which):
        others = (ends <= constant.start_s[place]) | (starts >= constant.end_s[place])
        if others.any():
            gone[place] = 2 * lively[others].sum() >= others.sum()
        else:
            moving = signal.recorded.minus(still)
            gone[place] = noisy(signal, inside=moving, noise_share=noise_share)
    return gone


def few_valued(signal: Signal, *, most: int) -> bool:
    """Whether a signal only ever takes a few values (a switch rather than a gauge), so that it is constant by its nature."""
    pieces = sorted(signal.pieces, key=lambda piece: len(piece.values))
    return bool(pieces) and len(np.unique(pieces[-1].values[:20_000])) <= most


def in_use(recorded: Spans, *, first_s: float, last_s: float, use_tail_s: float) -> Spans:
    """Time in which a sensor sees: from its first to its last sign of use.

    Parameters: recorded, time with samples [s]; first_s, last_s, the first and the last sign of use [s]; use_tail_s, where the
    recording begins or ends within this of that sign, known time reaches to that end [s].
    Returns: stretches inside recorded.
    """
    hull = recorded.hull
    start = hull.start_s if first_s - hull.start_s <= use_tail_s else first_s
    end = hull.end_s if hull.end_s - last_s <= use_tail_s else last_s
    return Spans.of([(start, end)]).overlap(recorded)


def widened(unknown: Spans, *, ends_s: np.ndarray, starts_s: np.ndarray, join_s: float) -> Spans:
    """Unknown time together with the part of a movement that it cut off.

    Parameters: ends_s, ends of whole movements, sorted [s]; starts_s, their starts, sorted [s]; join_s, how near one must be [s].
    Returns: each stretch reaching back to the movement that ended within join_s before it, and on to the one that starts within
    join_s after it, so that a gap in the middle of a run makes no pause.
    """
    if not (len(unknown) and len(ends_s)):
        return unknown
    low, high = unknown.edges.T
    before = np.searchsorted(ends_s, low, side="right") - 1
    back = np.where(before >= 0, ends_s[np.maximum(before, 0)], -np.inf)
    after = np.searchsorted(starts_s, high, side="left")
    on = np.where(after < len(starts_s), starts_s[np.minimum(after, len(starts_s) - 1)], np.inf)
    return Spans.of(np.column_stack([np.where(low - back <= join_s, back, low), np.where(on - high <= join_s, on, high)]))
