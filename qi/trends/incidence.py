"""Cumulative incidence of something done, where the effort can end without it ("never" competes with it), by Aalen and Johansen."""

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from qi.model.errors import BadTable, NotMeasurable
from qi.trends.proportions import wilson

CENSORED, DONE, NEVER = 0, 1, 2
_EDGE = 1e-12


@dataclass(frozen=True)
class At:
    """Share done by one moment, with its 95 % interval; value is None where too few cases were followed so far to tell."""

    time_s: float
    value: float | None
    low: float
    high: float


@dataclass(frozen=True, eq=False)
class Incidence:
    """Cumulative incidence at each moment at which something happened.

    times_s, the moments [s]; done, never and waiting, the shares to whom it was done, whose effort ended without it, and for whom
    it is still open (they sum to 1); se, standard error of done; low and high, its interval; at_risk, cases still open just
    before. n cases in all; of them done_n, never_n and censored_n (the record ends first). done_s and censored_s, when, in
    order [s]. longest_s, the last moment known.
    """

    times_s: np.ndarray
    done: np.ndarray
    never: np.ndarray
    waiting: np.ndarray
    se: np.ndarray
    low: np.ndarray
    high: np.ndarray
    at_risk: np.ndarray
    n: int
    done_n: int
    never_n: int
    censored_n: int
    censored_s: np.ndarray
    longest_s: float
    done_s: np.ndarray

    def done_by(self, time_s: float) -> int:
        """Cases to whom it was done by a moment [s]."""
        return int(np.searchsorted(self.done_s, time_s, side="right"))

    def by(self, time_s: float) -> At:
        """Share done by a moment [s]."""
        at = int(np.searchsorted(self.times_s, time_s, side="right")) - 1
        followed = time_s <= self.longest_s or (at >= 0 and self.waiting[at] < _EDGE)
        if at < 0:
            left = self.n - int(np.searchsorted(self.censored_s, time_s))
            return At(time_s, 0.0 if followed else None, 0.0, wilson(0, left)[1] if left else 1.0)
        return At(time_s, float(self.done[at]) if followed else None, float(self.low[at]), float(self.high[at]))

    @property
    def median_s(self) -> float | None:
        """First moment by which it was done to half of all cases, the nevers among them; None: not reached."""
        return self._first(self.done)

    @property
    def median_interval_s(self) -> tuple[float | None, float | None]:
        """Moments between which the true median lies (95 %); None for an end that is not reached."""
        return self._first(self.high), self._first(self.low)

    def _first(self, curve: np.ndarray) -> float | None:
        reached = np.flatnonzero(curve >= 0.5 - _EDGE)
        return float(self.times_s[reached[0]]) if len(reached) else None


def incidence(times_s: Sequence[float] | np.ndarray, codes: Sequence[int] | np.ndarray, *, level: float = 0.95) -> Incidence:
    """Cumulative incidence with "never" as a competing event.

    Parameters: times_s, when it was done, the effort ended or the record ended [s]; codes, DONE, NEVER or CENSORED; level of the
    interval.
    Returns: Incidence. Without censoring it is the plain share. A case whose record ends at the moment of an event was still open
    at it. The interval is symmetric on the scale of log(-log), so that it stays within 0 and 1; where that scale has no value
    (none done, or all) it is the Wilson interval of the cases followed.
    Raises: NotMeasurable without cases; BadTable for another code or a missing or negative time.
    References: Aalen-Johansen estimate with the variance of Marubini and Valsecchi, Analysing Survival Data (1995) (from memory);
    checked with an independent statistics library, and with values that two R packages gave.
    """
    time, code = np.asarray(times_s, dtype=float), np.asarray(codes, dtype=int)
    if not len(time):
        raise NotMeasurable("no case has a known time to it, nor a known end without it")
    if not np.isfinite(time).all() or (time < 0).any() or not np.isin(code, (CENSORED, DONE, NEVER)).all():
        raise BadTable("every case needs a time of 0 s or more and one of the codes done, never and censored")
    moments, at = np.unique(time, return_inverse=True)
    done, never, gone = (np.bincount(at, code == which, len(moments)) for which in (DONE, NEVER, CENSORED))
    at_risk = len(time) - np.concatenate([[0.0], np.cumsum(done + never + gone)[:-1]])
    waiting = np.cumprod(1.0 - (done + never) / at_risk)
    before = np.concatenate([[1.0], waiting[:-1]])
    curve = np.cumsum(before * done / at_risk)
    se = _standard_error(curve, before, at_risk, done, done + never)
    followed = len(time) - np.concatenate([[0.0], np.cumsum(gone)[:-1]])
    low, high = _interval(curve, se, followed, level)
    some = done + never > 0
    never_curve = np.cumsum(before * never / at_risk)
    return Incidence(
        times_s=moments[some],
        done=curve[some],
        never=never_curve[some],
        waiting=waiting[some],
        se=se[some],
        low=low[some],
        high=high[some],
        at_risk=at_risk[some],
        n=len(time),
        done_n=int(done.sum()),
        never_n=int(never.sum()),
        censored_n=int(gone.sum()),
        censored_s=np.sort(time[code == CENSORED]),
        longest_s=float(moments[-1]),
        done_s=np.sort(time[code == DONE]),
    )


def _standard_error(curve: np.ndarray, before: np.ndarray, at_risk: np.ndarray, done: np.ndarray, either: np.ndarray) -> np.ndarray:
    """Standard error of a cumulative incidence at each moment, by the delta method."""
    left = at_risk - either
    hazard = np.where(left > 0, either / (at_risk * np.where(left > 0, left, 1.0)), 0.0)
    step = before * done / at_risk**2
    variance = curve**2 * np.cumsum(hazard) - 2 * curve * np.cumsum(curve * hazard) + np.cumsum(curve**2 * hazard)
    variance += np.cumsum(before**2 * (at_risk - done) * done / at_risk**3)
    variance += -2 * curve * np.cumsum(step) + 2 * np.cumsum(curve * step)
    return np.sqrt(np.maximum(variance, 0.0))


def _interval(curve: np.ndarray, se: np.ndarray, followed: np.ndarray, level: float) -> tuple[np.ndarray, np.ndarray]:
    z = NormalDist().inv_cdf(0.5 + level / 2.0)
    low, high = np.zeros(len(curve)), np.ones(len(curve))
    usual = (curve > _EDGE) & (curve < 1.0 - _EDGE) & (se > 0)
    value = curve[usual]
    half = z * se[usual] / (value * np.log(value))
    ends = value ** np.exp(-half), value ** np.exp(half)
    low[usual], high[usual] = np.minimum(*ends), np.maximum(*ends)
    for i in np.flatnonzero(~usual):
        low[i], high[i] = wilson(round(curve[i] * followed[i]), followed[i], level=level)
    return low, high
