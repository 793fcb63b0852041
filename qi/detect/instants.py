"""From the instants of compressions to what a table of them needs: their edges, their runs, and when the sensor could see."""

import numpy as np
import pandas as pd

from qi.detect import quality
from qi.detect.pauses import runs
from qi.detect.rhythm import Rhythm
from qi.model.case import Signal
from qi.model.seen import Seen
from qi.model.spans import Spans
from qi.model.tables import COMPRESSIONS, make


def half_cycles(times_s: np.ndarray, *, gap_s: float) -> np.ndarray:
    """Half the median cycle of each instant's run [s]; of all runs together for a run of one.

    Parameters: times_s, sorted deepest points [s]; gap_s, shortest distance that parts two runs [s].
    References: onset and release of sensors that know only the instant, measures section 1.
    """
    steps = np.diff(times_s)
    inside = np.where(steps < gap_s, steps, np.nan)
    overall = float(np.nanmedian(inside)) if np.isfinite(inside).any() else gap_s / 2
    run = np.cumsum(np.r_[0, steps >= gap_s])[: len(times_s)]
    cycle = pd.Series(np.r_[np.nan, inside][: len(times_s)]).groupby(run).transform("median").to_numpy()
    return np.where(np.isnan(cycle), overall, cycle) / 2


def parted(onset_s: np.ndarray, release_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Edges of neighbours without rest between: one ends where the next starts."""
    onset, release = onset_s.copy(), release_s.copy()
    meet, overlap = (release[:-1] + onset[1:]) / 2, release[:-1] > onset[1:]
    release[:-1] = np.where(overlap, meet, release[:-1])
    onset[1:] = np.where(overlap, meet, onset[1:])
    return onset, release


def compressions_at(times_s: np.ndarray, *, sensor: str, gap_s: float) -> pd.DataFrame:
    """COMPRESSIONS of a sensor that knows only the instants: onset and release half the median cycle of the run away.

    Parameters: times_s, sorted [s]; sensor, its name; gap_s, shortest distance that parts two runs [s].
    """
    half = half_cycles(times_s, gap_s=gap_s)
    onset, release = parted(times_s - half, times_s + half)
    return make(COMPRESSIONS, time_s=times_s, onset_s=onset, release_s=release, sensor=[sensor] * len(times_s))


def seen(
    signal: Signal,
    found: Rhythm,
    compressions: pd.DataFrame,
    used: Spans,
    *,
    gap_s: float,
    flat_s: float,
    still_s: float,
    noise_share: float,
    rail_share: float,
    blur_s: float,
    open_s: float,
    skipped_s: float,
    join_s: float,
) -> Seen:
    """Compressions with their known time: the sensor in use, not lost, and either in a run or clearly without compressions.

    Parameters: signal; found, its rhythm; compressions, COMPRESSIONS [s]; used, time in which the sensor was in use [s]; gap_s,
    shortest distance that parts two runs [s]; flat_s, shortest constant or railed stretch that counts [s]; still_s, shortest
    pause that shows how the sensor looks at rest [s]; noise_share, see quality.noisy; rail_share, see quality.railed; blur_s, how
    far the windows of the presence reach over the edges of a run, where the instants tell more [s]; open_s, shortest doubt that
    counts [s]; join_s, how near a compression must be to lost time for what lies between to be lost too [s].
    Returns: Seen; compressions inside lost time are left out.
    """
    hands_on = runs(compressions, gap_s=gap_s)
    lost = quality.railed(signal, least_s=flat_s, rail_share=rail_share)
    constant = quality.held(signal, least_s=flat_s)
    if len(constant.value):
        none, still = np.zeros(len(constant.value), dtype=bool), signal.recorded.minus(hands_on).longer_than(still_s)
        lost = lost.union(constant.spans(quality.dead(signal, constant, ~none, still=still, away=none, noise_share=noise_share)))
    kept = compressions[~lost.contains(compressions["time_s"].to_numpy())].reset_index(drop=True)
    gone = quality.widened(
        signal.recorded.gaps().union(lost),
        ends_s=kept["release_s"].to_numpy(),
        starts_s=kept["onset_s"].to_numpy(),
        join_s=join_s,
    )
    unclear = found.open.union(found.present).minus(hands_on.grown(blur_s)).longer_than(open_s)
    unclear = unclear.union(_skipped(kept, found.present, skipped_s=skipped_s))
    return Seen(signal.name, kept, used.minus(gone).minus(unclear))


def _skipped(compressions: pd.DataFrame, present: Spans, *, skipped_s: float) -> Spans:
    """Short gaps in a rhythm that goes on: rather an instant that a breath has hidden than a pause; left open [s]."""
    time, onset, release = (compressions[name].to_numpy() for name in ("time_s", "onset_s", "release_s"))
    start, end = release[:-1], onset[1:]
    missing = (np.diff(time) >= 1.6 * (release - onset)[:-1]) & (end - start <= skipped_s) & (end > start)
    start, end = start[missing], end[missing]
    inside = present.seconds_in(start, end) >= 0.99 * (end - start)
    return Spans.of(np.column_stack([start[inside], end[inside]]))
