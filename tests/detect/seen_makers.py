"""Made Seens: what sensors would have said of events that are known."""

import numpy as np

from qi.model.seen import Seen
from qi.model.spans import Spans
from qi.model.tables import COMPRESSIONS, VENTILATIONS, make


def pressed(sensor, times_s, known, *, depth=None, residual_n=None, onset=0.2, release=0.25):
    """Compressions of one sensor at these times [s]; known as (start, end) pairs [s]."""
    times = np.sort(np.asarray(times_s, dtype=float))
    more = {} if depth is None else {"depth_mm": np.full(len(times), float(depth))}
    more |= {} if residual_n is None else {"residual_n": np.full(len(times), float(residual_n))}
    table = make(COMPRESSIONS, time_s=times, onset_s=times - onset, release_s=times + release, sensor=[sensor] * len(times), **more)
    return Seen(sensor, table, Spans.of(known))


def breathed(sensor, times_s, known, **columns):
    """Breaths of one sensor at these times [s], with one value for each further column."""
    times = np.sort(np.asarray(times_s, dtype=float))
    more = {name: np.full(len(times), float(value)) for name, value in columns.items()}
    return Seen(sensor, make(VENTILATIONS, time_s=times, sensor=[sensor] * len(times), **more), Spans.of(known))


def cycles(rng, *, seconds, rate=110.0, start_s=10.0, spread=0.035):
    """Deepest points of 30:2 with uneven cycles and pauses of 2.5 to 8 s [s]."""
    times, now = [], start_s
    while now < seconds - 25:
        steps = 60 / rate * np.clip(1 + rng.normal(0, spread, 30), 0.8, 1.25)
        times.append(now + np.cumsum(steps))
        now = times[-1][-1] + rng.uniform(2.5, 8)
    return np.concatenate(times)


def sees(rng, times_s, *, lag=0.0, spread=0.01, miss=0.0):
    """The same times as a sensor with a lag, some scatter and some misses tells them [s]."""
    kept = np.asarray(times_s)[rng.random(len(times_s)) >= miss]
    return np.sort(kept + lag + np.clip(rng.normal(0, spread, len(kept)), -3 * spread, 3 * spread))
