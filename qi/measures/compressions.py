"""Chest compressions: how much of the arrest, how fast, how deep, let up fully or not."""

from itertools import pairwise

import numpy as np
import pandas as pd

from qi.model.case import Case
from qi.model.errors import NotMeasurable
from qi.model.number import NO_ARREST, NO_SENSOR, Number, attempt, known_share, share, share_of_moments
from qi.model.spans import Spans

_NO_FORCE = (
    "let-up cannot be seen in this recording: a force sensor, or a depth measured from the uncompressed chest, would have shown it"
)
_NO_DEPTH = "no depth was recorded: a depth sensor would have shown it"


def _in_arrest(compressions: pd.DataFrame, arrest: Spans, unknown: Spans) -> pd.DataFrame:
    inside = compressions[arrest.minus(unknown).contains(compressions["time_s"])]
    if inside.empty:
        raise NotMeasurable("no compression was seen in the arrest", coverage=known_share(arrest, unknown))
    return inside


def _by_hand(compressions: pd.DataFrame, machine: Spans) -> pd.DataFrame:
    manual = compressions[~machine.contains(compressions["time_s"])]
    if manual.empty and len(compressions):
        raise NotMeasurable("every compression was given by a machine, which a sensor on the chest cannot judge")
    return manual


def compression_fraction(compressions: pd.DataFrame, runs: Spans, arrest: Spans, unknown: Spans) -> Number:
    """Share of the known arrest time during which hands were on the chest (chest compression fraction).

    Parameters: compressions, COMPRESSIONS table sorted by time_s [s from case start]; runs, first onset to last release of each
    run of compressions [s]; arrest, the arrest spans [s]; unknown, time in which no sensor could have seen a compression [s].
    Returns: Number 0 to 1 with hard bounds for the unknown time.
    Raises: NotMeasurable when there is no arrest, or none of it is known.
    References: share of the time without circulation, Wik et al., JAMA 293 (2005) 299 (abstract read); the gap that parts two
    runs, Resuscitation 149 (2020) 127 (abstract read: at least 1 s).
    """
    if arrest.seconds <= 0:
        raise NotMeasurable(NO_ARREST)
    seen = int(arrest.minus(unknown).contains(compressions["time_s"]).sum())
    return share(runs, of=arrest, unknown=unknown, n=seen, spans=arrest, why_empty=NO_SENSOR)


def compression_fraction_5min(compressions: pd.DataFrame, runs: Spans, arrest: Spans, unknown: Spans) -> Number:
    """Compression fraction of the first five minutes of the first arrest span.

    Parameters: compressions, runs, arrest, unknown as in compression_fraction [s].
    Returns: Number 0 to 1; a span shorter than five minutes counts whole.
    Raises: NotMeasurable as compression_fraction.
    References: the first-5-minutes window, Vaillancourt et al., Resuscitation 82 (2011) 1501 (abstract read).
    """
    return _beginning(compressions, runs, arrest, unknown, 300.0)


def compression_fraction_10min(compressions: pd.DataFrame, runs: Spans, arrest: Spans, unknown: Spans) -> Number:
    """Compression fraction of the first ten minutes of the first arrest span.

    Parameters: compressions, runs, arrest, unknown as in compression_fraction [s].
    Returns: Number 0 to 1; a span shorter than ten minutes counts whole.
    Raises: NotMeasurable as compression_fraction.
    References: our window; Cheskes et al., Resuscitation (2017) look at the first 10 min for ROSC (abstract read).
    """
    return _beginning(compressions, runs, arrest, unknown, 600.0)


def _beginning(compressions: pd.DataFrame, runs: Spans, arrest: Spans, unknown: Spans, seconds: float) -> Number:
    first = arrest.first
    window = Spans.of([(first.start_s, min(first.end_s, first.start_s + seconds))])
    return compression_fraction(compressions, runs, window, unknown)


def compression_fraction_minute(compressions: pd.DataFrame, runs: Spans, arrest: Spans, unknown: Spans) -> list[Number]:
    """Compression fraction of each minute, counted from the start of the first arrest span; `of` is the number of the minute.

    Parameters: compressions, runs, arrest, unknown as in compression_fraction [s].
    Returns: one Number 0 to 1 for each minute that holds arrest time, spans_s the arrest time in it.
    Raises: NotMeasurable when there is no arrest.
    References: one-minute epochs, Iyanaga et al., Resuscitation (2012), PMC3337677 (abstract read).
    """
    if arrest.seconds <= 0:
        raise NotMeasurable(NO_ARREST)
    starts = np.arange(arrest.hull.start_s, arrest.hull.end_s, 60.0)
    ends = np.minimum(starts + 60.0, arrest.hull.end_s)
    known = arrest.minus(unknown)
    asked, seen = arrest.seconds_in(starts, ends), known.seconds_in(starts, ends)
    flow = runs.overlap(known).seconds_in(starts, ends)
    inside = compressions.loc[known.contains(compressions["time_s"]), "time_s"].to_numpy()
    counts = np.searchsorted(inside, ends) - np.searchsorted(inside, starts)
    minutes = zip(starts, ends, asked, seen, flow, counts, strict=True)
    return [_minute(number, *minute) for number, minute in enumerate(minutes, start=1) if minute[2] > 1e-9]


def _minute(number: int, start: float, end: float, asked: float, seen: float, flow: float, count: int) -> Number:
    """The answer for one minute, from its arrest time, the known part of that, and the hands-on part of that [s]."""
    low, high = flow / asked, min(1.0, (flow + asked - seen) / asked)
    span = ((float(start), float(end)),)
    if seen <= 1e-9:
        return Number(None, low=0.0, high=1.0, coverage=0.0, of=str(number), reason=NO_SENSOR, spans_s=span)
    return Number(flow / seen, int(count), low, high, coverage=min(1.0, seen / asked), of=str(number), spans_s=span)


def _intervals(compressions: pd.DataFrame, arrest: Spans, unknown: Spans, gap_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Intervals between neighbours of one run inside the known arrest [s], and the time of the later one of each pair [s]."""
    times = compressions["time_s"].to_numpy()
    steps = np.diff(times)
    known = arrest.minus(unknown)
    whole = np.isclose(known.seconds_in(times[:-1], times[1:]), steps, atol=1e-6) if len(times) > 1 else np.zeros(0, bool)
    inside = (steps < gap_s) & whole
    if not inside.any():
        raise NotMeasurable("no two compressions of one run were seen", coverage=known_share(arrest, unknown))
    return steps[inside], times[1:][inside]


def compression_rate(compressions: pd.DataFrame, arrest: Spans, unknown: Spans, *, gap_s: float) -> Number:
    """Compression rate while compressing: 60 over the mean interval inside runs.

    Parameters: compressions, COMPRESSIONS table [s]; arrest, the arrest spans [s]; unknown, time no sensor could see [s]; gap_s,
    shortest distance between two deepest points that parts two runs [s].
    Returns: Number [1/min], n the intervals.
    Raises: NotMeasurable when no run holds two compressions.
    References: mean of intervals shorter than the gap, Resuscitation 149 (2020) 127 (abstract read).
    """
    steps, times = _intervals(compressions, arrest, unknown, gap_s)
    return Number(float(60.0 / steps.mean()), n=len(steps), coverage=known_share(arrest, unknown), spans_s=_around(times, steps))


def _around(times: np.ndarray, steps: np.ndarray) -> tuple[tuple[float, float], ...]:
    return tuple(Spans.of(zip(times - steps, times, strict=True)).pairs())


def rate_in_band(
    compressions: pd.DataFrame, arrest: Spans, unknown: Spans, *, gap_s: float, rate_band_per_min: tuple[float, float]
) -> Number:
    """Share of the intervals inside runs whose rate lies in the band, both edges included.

    Parameters: compressions, arrest, unknown, gap_s as in compression_rate; rate_band_per_min, lowest and highest rate [1/min].
    Returns: Number 0 to 1; spans_s are the moments outside the band.
    Raises: NotMeasurable when no run holds two compressions.
    References: 100 to 120 per minute, AHA 2020 and 2025, ERC 2021 (read in secondary notes).
    """
    steps, times = _intervals(compressions, arrest, unknown, gap_s)
    rates = 60.0 / steps
    slack = 1e-6
    inside = (rates >= rate_band_per_min[0] - slack) & (rates <= rate_band_per_min[1] + slack)
    return share_of_moments(inside, times, coverage=known_share(arrest, unknown))


def compressions_per_minute(compressions: pd.DataFrame, arrest: Spans, unknown: Spans) -> Number:
    """Compressions delivered per minute of known arrest time, pauses included.

    Parameters: compressions, COMPRESSIONS table [s]; arrest, the arrest spans [s]; unknown, time no sensor could see [s].
    Returns: Number [1/min], n the compressions.
    Raises: NotMeasurable when there is no arrest or none of it is known.
    References: delivered against rate while compressing, Wik et al., JAMA 293 (2005) 299 (abstract read: 64 against 121).
    """
    coverage = known_share(arrest, unknown)
    known = arrest.minus(unknown)
    count = int(known.contains(compressions["time_s"]).sum())
    return Number(count / known.seconds * 60.0, n=count, coverage=coverage, spans_s=tuple(arrest.pairs()))


def compression_depth_mm(
    compressions: pd.DataFrame, arrest: Spans, unknown: Spans, machine: Spans, strokes: frozenset[str]
) -> list[Number]:
    """Mean compression depth from the uncompressed chest, and the mean stroke where a source knows only that (`of: stroke`).

    Parameters: compressions, COMPRESSIONS table [s, mm]; arrest, the arrest spans [s]; unknown, time no sensor could see [s];
    machine, time under a mechanical compressor [s], left out; strokes, names of the sensors that know only the stroke.
    Returns: Numbers [mm], n the compressions with a depth.
    Raises: NotMeasurable when there is no arrest.
    References: 50 to 60 mm in adults, AHA 2020 and 2025, ERC 2021 (read in secondary notes).
    """

    def mean_of(rows: pd.DataFrame) -> Number:
        depths = _by_hand(rows, machine)["depth_mm"].dropna()
        if depths.empty:
            raise NotMeasurable(_NO_DEPTH, coverage=0.0)
        return Number(
            float(depths.mean()), n=len(depths), coverage=coverage * len(depths) / len(inside), spans_s=tuple(arrest.pairs())
        )

    inside = _in_arrest(compressions, arrest, unknown)
    coverage = known_share(arrest, unknown)
    stroke = inside["sensor"].isin(strokes)
    answers = [attempt(mean_of, inside[~stroke])]
    return [*answers, attempt(mean_of, inside[stroke], of="stroke")] if stroke.any() else answers


def depth_in_band(
    compressions: pd.DataFrame,
    arrest: Spans,
    unknown: Spans,
    machine: Spans,
    strokes: frozenset[str],
    *,
    depth_band_mm: tuple[float, float],
) -> Number:
    """Share of compressions whose depth lies in the band, both edges included.

    Parameters: compressions, arrest, unknown, machine, strokes as in compression_depth_mm; depth_band_mm, least and greatest
    depth [mm].
    Returns: Number 0 to 1; spans_s are the moments outside the band.
    Raises: NotMeasurable when no depth from the uncompressed chest was recorded.
    References: 50 to 60 mm in adults, AHA 2020 and 2025, ERC 2021 (read in secondary notes).
    """
    inside = _in_arrest(compressions, arrest, unknown)
    rows = _by_hand(inside[~inside["sensor"].isin(strokes)], machine).dropna(subset="depth_mm")
    if rows.empty:
        raise NotMeasurable(_NO_DEPTH + "; a sensor that knows only the stroke cannot", coverage=0.0)
    good = rows["depth_mm"].between(*depth_band_mm).to_numpy()
    return share_of_moments(good, rows["time_s"].to_numpy(), coverage=known_share(arrest, unknown) * len(rows) / len(inside))


def released(rows: pd.DataFrame, lean_force_n: float, lean_depth_mm: float) -> pd.Series:
    """For each compression, 1.0 let up, 0.0 not, NaN not known. Force decides where it was recorded.

    Parameters: rows, COMPRESSIONS table [mm, N]; lean_force_n, greatest residual force [N]; lean_depth_mm, greatest residual depth,
    used only where force was not recorded [mm].
    Returns: one value a compression.
    References: 2.5 kgf, Niles et al., Resuscitation 80 (2009) 553 (abstract read); the depth limit has no source.
    """
    by_force = (rows["residual_n"] <= lean_force_n).astype(float).where(rows["residual_n"].notna())
    by_depth = (rows["residual_mm"] <= lean_depth_mm).astype(float).where(rows["residual_mm"].notna())
    return by_force.fillna(by_depth)


def released_fraction(
    compressions: pd.DataFrame, arrest: Spans, unknown: Spans, machine: Spans, *, lean_force_n: float, lean_depth_mm: float
) -> Number:
    """Share of compressions after which the chest was let up fully (no leaning).

    Parameters: compressions, COMPRESSIONS table [s, mm, N]; arrest, the arrest spans [s]; unknown, time no sensor could see [s];
    machine, time under a mechanical compressor [s], left out; lean_force_n, greatest residual force [N]; lean_depth_mm, greatest
    residual depth [mm], used only where force was not recorded.
    Returns: Number 0 to 1; spans_s are the moments of leaning.
    Raises: NotMeasurable when neither force nor depth from the uncompressed chest was recorded.
    References: 2.5 kgf, Niles et al., Resuscitation 80 (2009) 553 (abstract read); the depth limit has no source.
    """
    inside = _in_arrest(compressions, arrest, unknown)
    rows = _by_hand(inside, machine)
    let_up = released(rows, lean_force_n, lean_depth_mm)
    seen = let_up.notna().to_numpy()
    if not seen.any():
        raise NotMeasurable(_NO_FORCE, coverage=0.0)
    coverage = known_share(arrest, unknown) * seen.sum() / len(rows)
    return share_of_moments((let_up[seen] > 0).to_numpy(), rows["time_s"].to_numpy()[seen], coverage=coverage)


def fully_guideline_fraction(
    compressions: pd.DataFrame,
    arrest: Spans,
    unknown: Spans,
    machine: Spans,
    strokes: frozenset[str],
    *,
    gap_s: float,
    rate_band_per_min: tuple[float, float],
    depth_band_mm: tuple[float, float],
    lean_force_n: float,
    lean_depth_mm: float,
) -> Number:
    """Share of compressions right in rate, depth and let-up at once; the first of each run, which has no interval, is left out.

    Parameters: compressions, COMPRESSIONS table; arrest, unknown, machine [s]; strokes, sensors that know only the stroke; gap_s
    [s]; rate_band_per_min [1/min]; depth_band_mm [mm]; lean_force_n [N]; lean_depth_mm [mm], as in the single measures.
    Returns: Number 0 to 1; spans_s are the moments at which one of the three was missed.
    Raises: NotMeasurable when depth or let-up was not recorded.
    References: the three limits as in the single measures; taking them together is our definition (no source).
    """
    inside = _in_arrest(compressions, arrest, unknown)
    _by_hand(inside, machine)
    step = inside["time_s"].diff()
    rate = 60.0 / step
    slack = 1e-6
    fit = pd.DataFrame(
        {
            "rate": rate.between(rate_band_per_min[0] - slack, rate_band_per_min[1] + slack),
            "depth": inside["depth_mm"].between(*depth_band_mm),
            "released": released(inside, lean_force_n, lean_depth_mm) > 0,
        }
    )
    told = (
        (step < gap_s)
        & inside["depth_mm"].notna()
        & ~inside["sensor"].isin(strokes)
        & released(inside, lean_force_n, lean_depth_mm).notna()
        & ~machine.contains(inside["time_s"])
    ).to_numpy()
    if not told.any():
        raise NotMeasurable(
            "rate, depth and let-up were not recorded together: a depth sensor from the uncompressed chest would", coverage=0.0
        )
    coverage = known_share(arrest, unknown) * min(1.0, told.sum() / max(1, int((step < gap_s).sum())))
    return share_of_moments(fit.all(axis=1).to_numpy()[told], inside["time_s"].to_numpy()[told], coverage=coverage)


def compressor_turn_s(case: Case, arrest: Spans) -> list[Number]:
    """Time between two changes of the person compressing: the median, and the longest (`of: longest`).

    Parameters: case, for its compressor_changed events [s]; arrest, the arrest spans [s].
    Returns: Numbers [s], n the turns between two charted changes inside one span.
    Raises: NotMeasurable when no span holds two charted changes.
    References: change every 2 min, AHA and ERC (read in secondary notes).
    """
    changes = case.events.loc[case.events["type"] == "compressor_changed", "time_s"].to_numpy()
    turns = [
        (float(first), float(second))
        for span in arrest
        for first, second in pairwise(changes[(changes >= span.start_s) & (changes <= span.end_s)])
    ]
    if not turns:
        raise NotMeasurable("compressor changes were not charted: two compressor_changed events would show a turn")
    lengths = [second - first for first, second in turns]
    longest = int(np.argmax(lengths))
    return [
        Number(float(np.median(lengths)), n=len(turns), spans_s=tuple(turns)),
        Number(lengths[longest], n=len(turns), of="longest", spans_s=(turns[longest],)),
    ]
