"""Pauses: how long the hands were off the chest, why, and what holding them to their limits would have gained."""

from collections.abc import Mapping

import pandas as pd

from qi.model.errors import NotMeasurable
from qi.model.findings import Arrest
from qi.model.number import NO_ARREST, Number, known_share
from qi.model.spans import Spans


def no_flow_s(pauses: pd.DataFrame, arrest: Spans, unknown: Spans) -> Number:
    """Seconds of the arrest without compressions: the sum of all pauses.

    Parameters: pauses, PAUSES table [s]; arrest, the arrest spans [s]; unknown, time no sensor could see [s].
    Returns: Number [s], n the pauses; low what was seen, high with all unknown time added.
    Raises: NotMeasurable when there is no arrest or none of it is known.
    References: no-flow time, Wik et al., JAMA 293 (2005) 299 (abstract read).
    """
    coverage = known_share(arrest, unknown)
    inside = _pauses_in(pauses, arrest)
    seen = float(inside["seconds"].sum())
    lost = arrest.seconds * (1.0 - coverage)
    return Number(seen, n=len(inside), low=seen, high=seen + lost, coverage=coverage, spans_s=_stretches(inside))


def _pauses_in(pauses: pd.DataFrame, arrest: Spans) -> pd.DataFrame:
    return pauses[arrest.contains((pauses["start_s"] + pauses["end_s"]) / 2)]


def _stretches(pauses: pd.DataFrame) -> tuple[tuple[float, float], ...]:
    return tuple(zip(pauses["start_s"].tolist(), pauses["end_s"].tolist(), strict=True))


def longest_pause_s(pauses: pd.DataFrame, runs: Spans, arrest: Spans, unknown: Spans) -> Number:
    """The longest pause, with its cause as the remark.

    Parameters: pauses, PAUSES table [s]; runs, hands-on time [s]; arrest, the arrest spans [s]; unknown, time no sensor could
    see [s].
    Returns: Number [s]; high is the longest that unknown time allows. 0 when there was no pause.
    Raises: NotMeasurable when there is no arrest or none of it is known.
    References: longest pause of a case, Brouwer et al., Circulation (2015) (abstract read).
    """
    return _longest(_pauses_in(pauses, arrest), runs, arrest, unknown, or_none=True)


def longest_shock_pause_s(pauses: pd.DataFrame, runs: Spans, arrest: Spans, unknown: Spans) -> Number:
    """The longest pause around a shock.

    Parameters: pauses, runs, arrest, unknown as in longest_pause_s [s].
    Returns: Number [s] as longest_pause_s.
    Raises: NotMeasurable when no pause has a shock in it.
    References: longest peri-shock pause, Brouwer et al., Circulation (2015) (abstract read).
    """
    inside = _pauses_in(pauses, arrest)
    return _longest(inside[inside["cause"] == "shock"], runs, arrest, unknown, or_none=False)


def longest_other_pause_s(pauses: pd.DataFrame, runs: Spans, arrest: Spans, unknown: Spans) -> Number:
    """The longest pause that has no shock in it.

    Parameters: pauses, runs, arrest, unknown as in longest_pause_s [s].
    Returns: Number [s] as longest_pause_s.
    Raises: NotMeasurable when there is no arrest or none of it is known.
    References: longest non-shock pause, Brouwer et al., Circulation (2015) (abstract read).
    """
    inside = _pauses_in(pauses, arrest)
    return _longest(inside[inside["cause"] != "shock"], runs, arrest, unknown, or_none=True)


def _longest(pauses: pd.DataFrame, runs: Spans, arrest: Spans, unknown: Spans, *, or_none: bool) -> Number:
    coverage = known_share(arrest, unknown)
    possible = [span.seconds for span in arrest.minus(runs.minus(unknown)) if unknown.clip(span)]
    high = max(possible) if possible else None
    if pauses.empty and not or_none:
        raise NotMeasurable("no pause with a shock in it was seen", coverage=coverage)
    if pauses.empty:
        return Number(0.0, n=0, low=0.0, high=high if high is not None else 0.0, coverage=coverage)
    row = pauses.loc[pauses["seconds"].idxmax()]
    seen = float(row["seconds"])
    return Number(
        seen,
        n=len(pauses),
        low=seen,
        high=seen if high is None else max(high, seen),
        coverage=coverage,
        remark=f"cause: {str(row['cause']).replace('_', ' ')}",
        spans_s=((float(row["start_s"]), float(row["end_s"])),),
    )


def pauses_over_limit(pauses: pd.DataFrame, arrest: Spans, unknown: Spans, *, long_pause_s: float) -> Number:
    """How many pauses were longer than the limit.

    Parameters: pauses, PAUSES table [s]; arrest, the arrest spans [s]; unknown, time no sensor could see [s]; long_pause_s, the
    limit [s].
    Returns: Number, a count; low what was seen, high unknown (None) when time is unknown.
    Raises: NotMeasurable when there is no arrest or none of it is known.
    References: the 10-s band of prolonged pauses, Hanisch et al., JAHA 9 (2020) e015599 (abstract read).
    """
    coverage = known_share(arrest, unknown)
    long = _pauses_in(pauses, arrest).query("seconds > @long_pause_s", engine="python")
    count = len(long)
    return Number(
        float(count), n=count, low=count, high=count if coverage >= 1 else None, coverage=coverage, spans_s=_stretches(long)
    )


def final_pause_s(course: Arrest) -> Number:
    """Time from the last release to a closing event that stands on another clock, outside the fraction.

    Parameters: course, how the arrest went, with that stretch.
    Returns: Number [s], error from the two clocks; 0 when the arrest closes by an event on the monitor's own clock.
    Raises: NotMeasurable when there is no arrest.
    References: our definition (no source).
    """
    if not course.spans:
        raise NotMeasurable(NO_ARREST)
    if course.final_pause is None:
        return Number(0.0, n=0, remark="the arrest closes on the monitor's own clock")
    rest = course.final_pause
    return Number(rest.seconds, n=1, error=course.final_pause_error_s, spans_s=((rest.start_s, rest.end_s),))


def fraction_if_pauses_held(
    pauses: pd.DataFrame, runs: Spans, arrest: Spans, unknown: Spans, *, pause_limit_s: Mapping[str, float]
) -> list[Number]:
    """What the compression fraction would be had each pause over its limit been held to it, the span's length unchanged.

    Parameters: pauses, PAUSES table [s]; runs, hands-on time [s]; arrest, the arrest spans [s]; unknown, time no sensor could
    see [s]; pause_limit_s, longest pause for each cause [s].
    Returns: Numbers 0 to 1: `of: all`, then each cause alone, the one that would gain most first; spans_s are the pauses shortened.
    Raises: NotMeasurable when there is no arrest or none of it is known.
    References: our definition; it is arithmetic on time and predicts no outcome.
    """
    coverage = known_share(arrest, unknown)
    known_s = arrest.seconds * coverage
    flow_s = runs.overlap(arrest.minus(unknown)).seconds
    inside = _pauses_in(pauses, arrest)
    saved = (inside["seconds"] - inside["cause"].map(pause_limit_s).astype(float)).clip(lower=0.0)

    def held(rows: pd.Series, of: str) -> Number:
        long = inside.loc[rows[rows > 0].index]
        gain = float(rows.sum())
        return Number(
            min(1.0, (flow_s + gain) / known_s),
            n=len(long),
            coverage=coverage,
            of=of,
            remark=f"{gain:.0f} s more with hands on the chest",
            spans_s=_stretches(long),
        )

    each = saved.groupby(inside["cause"]).sum().sort_values(ascending=False, kind="stable")
    return [held(saved, "all"), *(held(saved[inside["cause"] == cause], str(cause)) for cause in each.index)]
