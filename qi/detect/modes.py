"""Compressions with pauses for breaths (30:2, 15:2) or continuous compressions with breaths through them, and the switch."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd

from qi.model.spans import Spans
from qi.model.tables import MODES, make


@dataclass(frozen=True, eq=False)
class _Runs:
    """Runs of compressions: first onset and last release [s], how many, and the known pause after each [s] (NaN where unknown)."""

    start_s: np.ndarray
    end_s: np.ndarray
    count: np.ndarray
    pause_s: np.ndarray


def modes(
    compressions: pd.DataFrame,
    pauses: Spans,
    ventilations_s: np.ndarray | None,
    *,
    least_pause_s: float,
    longest_pause_s: float,
    least_count: float,
    middle_count: float,
    most_count: float,
    least_cycles: float,
    continuous_count: float,
) -> pd.DataFrame:
    """Stretches of cycles of compressions and breaths (30:2, 15:2), and of continuous compressions; when one gave way to the other.

    Parameters: compressions, COMPRESSIONS table [s]; pauses, known time without compressions [s]; ventilations_s, starts of breaths
    [s], None where no sensor could see breaths; least_pause_s, longest_pause_s, length of a pause for breaths, a shorter one parts
    no runs [s]; least_count, middle_count, most_count, compressions in a cycle: least to middle for 15:2, middle to most for 30:2;
    least_cycles, fewest cycles of one kind in a stretch; continuous_count, more compressions than this without a pause are
    continuous.
    Returns: MODES, in order of time, the same mode never twice in a row. A switch stands at the start of the first run that is
    surely of the new mode; its uncertainty is one cycle, or the time since the old mode was last sure where that is longer.
    References: signals research note section 2.
    Notes: runs that are neither (cut short by a check, or beside time in which no sensor could see) decide nothing. Continuous
    compressions need a breath inside one of their runs, but where no sensor could see breaths.
    """
    runs = _runs(compressions, pauses, least_pause_s=least_pause_s)
    cycled = (runs.pause_s >= least_pause_s) & (runs.pause_s <= longest_pause_s)
    short = cycled & (runs.count >= least_count) & (runs.count <= middle_count)
    long = cycled & (runs.count >= middle_count) & (runs.count <= most_count)
    kind = np.where(short | long, 1, np.where(runs.count > continuous_count, 2, 0))
    groups: list[np.ndarray] = []
    for some in _alike(np.flatnonzero(kind), kind):
        if kind[some[0]] == 1:
            enough = max(short[some].sum(), long[some].sum()) >= least_cycles
        else:
            enough = ventilations_s is None or _any_inside(ventilations_s, runs, some)
        if enough:
            groups.append(some)
    sure = np.concatenate([np.zeros(0, int), *groups])
    return _table(runs, kind, _alike(sure, kind))


def _runs(compressions: pd.DataFrame, pauses: Spans, *, least_pause_s: float) -> _Runs:
    onset, release = compressions["onset_s"].to_numpy(), compressions["release_s"].to_numpy()
    if not len(onset):
        return _Runs(*[np.zeros(0)] * 4)
    seconds = onset[1:] - release[:-1]
    breaks = np.flatnonzero(seconds >= least_pause_s)
    first, last = np.r_[0, breaks + 1], np.r_[breaks, len(onset) - 1]
    after = seconds[breaks]
    open_s = pauses.seconds_in(release[breaks], onset[breaks + 1])
    told = np.where(open_s >= 0.9 * after, after, np.nan)
    return _Runs(onset[first], release[last], last - first + 1, np.r_[told, np.nan])


def _alike(which: np.ndarray, kind: np.ndarray) -> list[np.ndarray]:
    """The chosen runs, parted wherever the kind changes."""
    if not len(which):
        return []
    return np.split(which, np.flatnonzero(np.diff(kind[which])) + 1)


def _any_inside(ventilations_s: np.ndarray, runs: _Runs, some: np.ndarray) -> bool:
    return bool(Spans.of(np.column_stack([runs.start_s[some], runs.end_s[some]])).contains(np.asarray(ventilations_s)).any())


def _table(runs: _Runs, kind: np.ndarray, groups: list[np.ndarray]) -> pd.DataFrame:
    """One row a stretch; it ends where the next begins, the last with its last run."""
    starts = [float(runs.start_s[some[0]]) for some in groups]
    ends = [*starts[1:], *[float(runs.end_s[some[-1]]) for some in groups[-1:]]]
    off = [np.nan, *(_switch_off(runs, kind, before, some) for before, some in pairwise(groups))]
    names = ["cycles" if kind[some[0]] == 1 else "continuous" for some in groups]
    return make(MODES, start_s=starts, end_s=ends, mode=names, uncertainty_s=off[: len(groups)])


def _switch_off(runs: _Runs, kind: np.ndarray, before: np.ndarray, after: np.ndarray) -> float:
    """One cycle of the stretch that has cycles, or the time since the old mode was last sure where that is longer [s].

    A last run that ended in a check may be the first of continuous compressions, after an airway placed in the pause before it:
    cycles are sure to the start of that pause only.
    """
    from_cycles = kind[before[0]] == 1
    cycles = before if from_cycles else after
    sure_s = runs.end_s[before[-2]] if from_cycles else runs.end_s[before[-1]]
    return float(max(np.median((runs.end_s - runs.start_s + runs.pause_s)[cycles]), runs.start_s[after[0]] - sure_s))
