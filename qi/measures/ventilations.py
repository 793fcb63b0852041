"""Breaths: how often, how long, how many in a pause, how much of the arrest under positive pressure, and the CO2 they bring out."""

from collections.abc import Callable, Mapping

import numpy as np
import pandas as pd

from qi.model.errors import NotMeasurable
from qi.model.number import NO_ARREST, Number, attempt, known_share, moments, share, share_of_moments
from qi.model.spans import Spans

EPOCH_S = 60.0  # the agreement of counted and interval rates is best at 60 s: Wang 2023 (abstract read)
LEAST_KNOWN_S = 30.0  # an epoch with less known time than this is left out (measures.md: the last is kept from 30 s)
_NO_BREATHS = "no sensor saw breaths: airway pressure or flow, a capnogram, or impedance through the pads would have shown them"
_NO_PRESSURE = "the length of a breath was not recorded: airway pressure or flow would have shown it"
_NO_CO2 = "no capnogram was recorded: a CO2 channel would have shown it"
_NO_PHASE = {
    None: NO_ARREST,
    "advanced_airway": "no supraglottic airway or tracheal tube was charted in the arrest",
    "bag_mask_continuous": "no run of more than 60 compressions before an advanced airway",
    "after_rosc": "no ROSC was charted",
}
Phases = Mapping[str | None, Spans]


def _epochs(stretches: Spans) -> np.ndarray:
    """60-s epochs counted from the start of each stretch, shape (n, 2) [s]; none reaches over from one stretch into the next."""
    edges = [
        (start, min(start + EPOCH_S, span.end_s)) for span in stretches for start in np.arange(span.start_s, span.end_s, EPOCH_S)
    ]
    return np.array(edges).reshape(-1, 2)


def _epoch_rates(
    ventilations: pd.DataFrame, stretches: Spans, breaths_unknown: Spans, nothing: str
) -> tuple[np.ndarray, np.ndarray, float]:
    """Breaths per known minute of each epoch, the epochs, and the known share of the stretches."""
    if stretches.seconds <= 0:
        raise NotMeasurable(nothing)
    coverage = known_share(stretches, breaths_unknown, why_unknown=_NO_BREATHS)
    epochs, known = _epochs(stretches), stretches.minus(breaths_unknown)
    seen = known.seconds_in(epochs[:, 0], epochs[:, 1])
    kept = seen >= LEAST_KNOWN_S
    if not kept.any():
        raise NotMeasurable("no epoch has 30 s in which breaths could be seen", coverage=coverage)
    times = ventilations["time_s"].to_numpy()
    times = times[known.contains(times)]
    counts = np.searchsorted(times, epochs[:, 1]) - np.searchsorted(times, epochs[:, 0])
    return counts[kept] / seen[kept] * 60.0, epochs[kept], coverage


def ventilation_rate(ventilations: pd.DataFrame, breath_phases: Phases, breaths_unknown: Spans) -> list[Number]:
    """Mean over 60-s epochs of the breaths counted per known minute.

    Parameters: ventilations, VENTILATIONS table [s]; breath_phases, where breaths are judged apart, by `of` [s]; breaths_unknown,
    time in which no sensor could have seen a breath [s].
    Returns: Numbers [1/min], n the breaths: the whole arrest, `of` advanced_airway, bag_mask_continuous and after_rosc.
    Raises: nothing; an answer that cannot be given says why.
    References: counted rate in 60-s epochs, Wang et al. (2023) (abstract read).
    """

    def rate(stretches: Spans, nothing: str) -> Number:
        rates, epochs, coverage = _epoch_rates(ventilations, stretches, breaths_unknown, nothing)
        inside = int(stretches.minus(breaths_unknown).contains(ventilations["time_s"]).sum())
        return Number(float(rates.mean()), n=inside, coverage=coverage, spans_s=_pairs(epochs))

    return _for_each(rate, breath_phases)


def _for_each(measure: Callable[..., Number], phases: Phases) -> list[Number]:
    return [attempt(measure, stretches, _NO_PHASE[of], of=of) for of, stretches in phases.items()]


def over_ventilated_fraction(
    ventilations: pd.DataFrame, breath_phases: Phases, breaths_unknown: Spans, *, over_ventilated_per_min: float
) -> list[Number]:
    """Share of the 60-s epochs with more breaths than the limit.

    Parameters: ventilations, breath_phases, breaths_unknown as in ventilation_rate; over_ventilated_per_min, the limit [1/min].
    Returns: Numbers 0 to 1, n the epochs, spans_s the epochs over the limit; by the same `of`.
    Raises: nothing; an answer that cannot be given says why.
    References: above 12 per minute in adults, Wang et al. (2022, 2023) (abstracts read).
    """

    def fraction(stretches: Spans, nothing: str) -> Number:
        rates, epochs, coverage = _epoch_rates(ventilations, stretches, breaths_unknown, nothing)
        return _epoch_share(rates > over_ventilated_per_min, epochs, coverage)

    return _for_each(fraction, breath_phases)


def under_ventilated_fraction(
    ventilations: pd.DataFrame, breath_phases: Phases, breaths_unknown: Spans, *, under_ventilated_per_min: float
) -> list[Number]:
    """Share of the 60-s epochs with fewer breaths than the limit.

    Parameters: ventilations, breath_phases, breaths_unknown as in ventilation_rate; under_ventilated_per_min, the limit [1/min].
    Returns: Numbers 0 to 1, n the epochs, spans_s the epochs under the limit; by the same `of`.
    Raises: nothing; an answer that cannot be given says why.
    References: below 6 per minute in adults, Wang et al. (2022, 2023) (abstracts read).
    """

    def fraction(stretches: Spans, nothing: str) -> Number:
        rates, epochs, coverage = _epoch_rates(ventilations, stretches, breaths_unknown, nothing)
        return _epoch_share(rates < under_ventilated_per_min, epochs, coverage)

    return _for_each(fraction, breath_phases)


def _pairs(edges: np.ndarray) -> tuple[tuple[float, float], ...]:
    return tuple((float(start), float(end)) for start, end in edges)


def _epoch_share(hit: np.ndarray, epochs: np.ndarray, coverage: float) -> Number:
    value = float(hit.mean())
    return Number(
        value,
        n=len(hit),
        low=value * coverage,
        high=min(1.0, value * coverage + 1.0 - coverage),
        coverage=coverage,
        spans_s=_pairs(epochs[hit]),
    )


def _timed(ventilations: pd.DataFrame, arrest: Spans, breaths_unknown: Spans) -> tuple[pd.DataFrame, float]:
    """Breaths of the arrest whose length was recorded, and the known share."""
    coverage = known_share(arrest, breaths_unknown, why_unknown=_NO_BREATHS)
    inside = ventilations[arrest.contains(ventilations["time_s"])]
    timed = inside.dropna(subset="insufflation_s")
    if timed.empty:
        raise NotMeasurable(_NO_PRESSURE, coverage=0.0 if len(inside) else coverage)
    return timed, coverage * len(timed) / len(inside)


def breath_duration_s(ventilations: pd.DataFrame, arrest: Spans, breaths_unknown: Spans) -> Number:
    """Median insufflation time: start of the pressure or flow rise to the end of inward flow.

    Parameters: ventilations, VENTILATIONS table [s]; arrest, the arrest spans [s]; breaths_unknown, time in which no sensor could
    have seen a breath [s].
    Returns: Number [s], n the breaths with a known length.
    Raises: NotMeasurable when no breath has a known length.
    References: about one second a breath, ILCOR 2005 and later (text of the 2005 consensus read).
    """
    timed, coverage = _timed(ventilations, arrest, breaths_unknown)
    ends = timed["time_s"] + timed["insufflation_s"]
    return Number(
        float(timed["insufflation_s"].median()),
        n=len(timed),
        coverage=coverage,
        spans_s=tuple(zip(timed["time_s"].tolist(), ends.tolist(), strict=True)),
    )


def long_breath_fraction(ventilations: pd.DataFrame, arrest: Spans, breaths_unknown: Spans, *, long_breath_s: float) -> Number:
    """Share of breaths blown in for longer than the limit.

    Parameters: ventilations, arrest, breaths_unknown as in breath_duration_s; long_breath_s, the limit [s].
    Returns: Number 0 to 1; spans_s are the moments of the long breaths.
    Raises: NotMeasurable when no breath has a known length.
    References: our limit around the one-second rule (our default, no source).
    """
    timed, coverage = _timed(ventilations, arrest, breaths_unknown)
    long = (timed["insufflation_s"] > long_breath_s).to_numpy()
    answer = share_of_moments(~long, timed["time_s"].to_numpy(), coverage=coverage)
    value = float(long.mean())
    return Number(
        value, n=answer.n, low=value * coverage, high=value * coverage + 1 - coverage, coverage=coverage, spans_s=answer.spans_s
    )


def _breaths_in_pauses(
    ventilations: pd.DataFrame, pauses: pd.DataFrame, arrest: Spans, breaths_unknown: Spans
) -> tuple[np.ndarray, pd.DataFrame, float]:
    """Breaths in each ventilation pause in which breaths could be seen, those pauses, and their share of all such pauses."""
    known_share(arrest, breaths_unknown, why_unknown=_NO_BREATHS)
    for_breaths = pauses[pauses["cause"] == "ventilation"]
    if for_breaths.empty:
        raise NotMeasurable("no pause for breaths was seen")
    starts, ends = for_breaths["start_s"].to_numpy(), for_breaths["end_s"].to_numpy()
    seen = breaths_unknown.seconds_in(starts, ends) < 1e-6 if breaths_unknown else np.ones(len(starts), bool)
    if not seen.any():
        raise NotMeasurable(_NO_BREATHS, coverage=0.0)
    times = np.sort(ventilations["time_s"].to_numpy())
    counts = np.searchsorted(times, ends[seen]) - np.searchsorted(times, starts[seen])
    return counts, for_breaths[seen], float(seen.mean())


def breaths_per_pause(ventilations: pd.DataFrame, pauses: pd.DataFrame, arrest: Spans, breaths_unknown: Spans) -> Number:
    """Mean number of breaths in a ventilation pause; a rhythm check, pulse check or shock pause is none.

    Parameters: ventilations, VENTILATIONS table [s]; pauses, PAUSES table [s]; arrest, the arrest spans [s]; breaths_unknown,
    time in which no sensor could have seen a breath [s].
    Returns: Number, n the pauses.
    Raises: NotMeasurable when there is no ventilation pause in which breaths could be seen.
    References: two breaths after 30 compressions, ILCOR, AHA, ERC (read in secondary notes).
    """
    counts, rows, coverage = _breaths_in_pauses(ventilations, pauses, arrest, breaths_unknown)
    return Number(float(counts.mean()), n=len(counts), coverage=coverage, spans_s=_stretches(rows))


def two_breath_fraction(ventilations: pd.DataFrame, pauses: pd.DataFrame, arrest: Spans, breaths_unknown: Spans) -> Number:
    """Share of the ventilation pauses with exactly two breaths.

    Parameters: ventilations, pauses, arrest, breaths_unknown as in breaths_per_pause.
    Returns: Number 0 to 1, n the pauses; spans_s the pauses with another number.
    Raises: NotMeasurable as breaths_per_pause.
    References: two breaths after 30 compressions, ILCOR, AHA, ERC (read in secondary notes).
    """
    counts, rows, coverage = _breaths_in_pauses(ventilations, pauses, arrest, breaths_unknown)
    value = float((counts == 2).mean())
    low = value * coverage
    return Number(value, len(counts), low, low + 1 - coverage, coverage=coverage, spans_s=_stretches(rows[counts != 2]))


def _stretches(pauses: pd.DataFrame) -> tuple[tuple[float, float], ...]:
    return tuple(zip(pauses["start_s"].tolist(), pauses["end_s"].tolist(), strict=True))


def positive_pressure_fraction(ventilations: pd.DataFrame, arrest: Spans, breaths_unknown: Spans) -> Number:
    """Share of the known arrest time during which a breath was being blown in, cancelling the refilling vacuum.

    Parameters: ventilations, VENTILATIONS table [s]; arrest, the arrest spans [s]; breaths_unknown, time in which no sensor
    could have seen a breath [s].
    Returns: Number 0 to 1 with hard bounds for the unknown time.
    Raises: NotMeasurable when no breath has a known length.
    References: our definition; mean intrathoracic pressure rises with ventilation rate, Aufderheide et al., Circulation 109
    (2004) 1960 (abstract read).
    """
    timed, _ = _timed(ventilations, arrest, breaths_unknown)
    blown = Spans.of(zip(timed["time_s"], timed["time_s"] + timed["insufflation_s"], strict=True))
    return share(blown, of=arrest, unknown=breaths_unknown, n=len(timed), why_empty=_NO_BREATHS)


def etco2_mmhg(exhalations: pd.DataFrame, exhalations_known: Spans, arrest: Spans, compressions: pd.DataFrame) -> list[Number]:
    """End-tidal CO2 in the arrest: the median of the breaths, the first, the last, and that 20 min after the first compression.

    Parameters: exhalations, VENTILATIONS table of the capnogram [s, mmHg]; exhalations_known, when it could tell [s]; arrest, the
    arrest spans [s]; compressions, COMPRESSIONS table, for the first one [s].
    Returns: Numbers [mmHg]: plain, `of` first, last, at_20_min (median of the breaths within a minute of it).
    Raises: NotMeasurable when no end-tidal value was seen in the arrest.
    References: level at 20 min, Kolar et al., Crit Care 12 (2008) R115 (abstract read); the one-minute window is ours.
    """
    rows = exhalations[arrest.contains(exhalations["time_s"])].dropna(subset="etco2_mmhg")
    if rows.empty:
        raise NotMeasurable(_NO_CO2 if exhalations.empty else "no end-tidal value was seen in the arrest", coverage=0.0)
    coverage = arrest.overlap(exhalations_known).seconds / arrest.seconds

    def median_of(some: pd.DataFrame, share_known: float | None, why: str) -> Number:
        if some.empty:
            raise NotMeasurable(why)
        return Number(float(some["etco2_mmhg"].median()), n=len(some), coverage=share_known, spans_s=moments(some["time_s"]))

    start = float(compressions["time_s"].iloc[0]) if len(compressions) else arrest.first.start_s
    around = rows[(rows["time_s"] - start - 1200.0).abs() <= 60.0]
    late = "the arrest has no breath with CO2 at 20 min after the first compression"
    return [
        attempt(median_of, rows, coverage, ""),
        attempt(median_of, rows.head(1), None, "", of="first"),
        attempt(median_of, rows.tail(1), None, "", of="last"),
        attempt(median_of, around, None, late, of="at_20_min"),
    ]


def etco2_rise(
    exhalations: pd.DataFrame, exhalations_known: Spans, arrest: Spans, *, etco2_rise_mmhg: float, etco2_rise_breaths: int
) -> Number:
    """How often end-tidal CO2 rose and stayed up: a prompt to look for ROSC, never ROSC itself.

    Parameters: exhalations, exhalations_known, arrest as in etco2_mmhg; etco2_rise_mmhg, least rise [mmHg]; etco2_rise_breaths,
    how many breaths it must hold, against the median of as many before.
    Returns: Number, a count; low what was seen, high None when time is unknown.
    Raises: NotMeasurable when too few end-tidal values were seen.
    References: a rise of 10 mmHg has sensitivity 33 %, specificity 97 %, Lui et al., Resuscitation (2016) (abstract read).
    """
    rows = exhalations[arrest.contains(exhalations["time_s"])].dropna(subset="etco2_mmhg")
    if len(rows) < 2 * etco2_rise_breaths:
        raise NotMeasurable(_NO_CO2 if exhalations.empty else f"fewer than {2 * etco2_rise_breaths} end-tidal values", coverage=0.0)
    values, times = rows["etco2_mmhg"].to_numpy(), rows["time_s"].to_numpy()
    windows = np.lib.stride_tricks.sliding_window_view(values, etco2_rise_breaths)
    before, held = np.median(windows[:-etco2_rise_breaths], axis=1), windows[etco2_rise_breaths:].min(axis=1)
    risen = np.flatnonzero(held >= before + etco2_rise_mmhg)
    starts = [int(at) for i, at in enumerate(risen) if i == 0 or at - risen[i - 1] > etco2_rise_breaths]
    coverage = arrest.overlap(exhalations_known).seconds / arrest.seconds
    return Number(
        float(len(starts)),
        n=len(rows),
        low=len(starts),
        high=len(starts) if coverage >= 1 else None,
        coverage=coverage,
        spans_s=moments(times[np.array(starts, dtype=int) + etco2_rise_breaths]),
    )


def waveform_co2_on_airway(advanced: Spans, arrest: Spans, exhalations: pd.DataFrame, exhalations_known: Spans) -> Number:
    """Share of the advanced-airway time in the arrest with a capnogram.

    Parameters: advanced, time with a supraglottic airway or tracheal tube in [s]; arrest, the arrest spans [s]; exhalations and
    exhalations_known, what the capnogram saw and when [s].
    Returns: Number 0 to 1; spans_s the time with a capnogram.
    Raises: NotMeasurable without an advanced airway, or when the files hold no capnogram at all.
    References: waveform capnography on every advanced airway, AHA and ERC (from memory, not checked).
    """
    in_place = advanced.overlap(arrest)
    if in_place.seconds <= 0:
        raise NotMeasurable("no supraglottic airway or tracheal tube was charted in the arrest")
    if exhalations.empty and not exhalations_known:
        raise NotMeasurable(_NO_CO2, coverage=0.0)
    return share(exhalations_known, of=in_place, unknown=Spans(), n=len(exhalations), why_empty=_NO_CO2)
