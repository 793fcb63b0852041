"""One number on one case, with all that a reader needs to trust or doubt it."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from qi.model.errors import NotMeasurable
from qi.model.spans import Spans

NO_ARREST = "no arrest span is known: a compression sensor, or arrest and ROSC events on the monitor's clock, would show it"
NO_SENSOR = (
    "no sensor saw compressions: a depth, force or acceleration sensor on the chest, or impedance through the pads, "
    "would have shown them"
)


@dataclass(frozen=True)
class Number:
    """A measure's answer for one case, before it is judged.

    value is None where the case cannot show it, and then `reason` says why. low and high are bounds for missing time and for
    nothing else; error is the half-width of what detection or clocks may be off by. coverage is the known share, 0 to 1, of
    the time (or of the moments) that the measure asks about. of and from_ tell several answers of one measure apart.
    spans_s are the stretches, or the moments as stretches without length, that the number came from [s from case start].
    """

    value: float | None
    n: int | None = None
    low: float | None = None
    high: float | None = None
    error: float | None = None
    coverage: float | None = None
    of: str | None = None
    from_: str | None = None
    status: str | None = None
    reason: str | None = None
    remark: str | None = None
    spans_s: tuple[tuple[float, float], ...] = ()


def missing(answer: NotMeasurable, *, of: str | None = None, from_: str | None = None) -> Number:
    """Turn "this case cannot show it" into a Number without a value."""
    return Number(
        None,
        low=answer.low,
        high=answer.high,
        coverage=answer.coverage,
        of=of,
        from_=from_,
        status=answer.status,
        reason=answer.reason,
    )


def moments(times_s: Iterable[float]) -> tuple[tuple[float, float], ...]:
    """Moments as stretches without length."""
    return tuple((float(time), float(time)) for time in times_s)


def share(inside: Spans, *, of: Spans, unknown: Spans, n: int | None = None, spans: Spans | None = None, why_empty: str) -> Number:
    """Share of the known time of `of` that lies in `inside`, with hard bounds for the unknown part.

    Parameters: inside, time that counts [s]; of, the time asked about [s]; unknown, time that nothing recorded [s]; n, count
    to report; spans, what to show as evidence (default: inside); why_empty, the reason given when nothing is known.
    Returns: Number 0 to 1; with flow C, the rest N, unknown U and total T = C + N + U: value C/(C+N), low C/T, high (C+U)/T,
    coverage (C+N)/T.
    Raises: NotMeasurable when `of` has no length or none of it is known.
    """
    total = of.seconds
    known = of.minus(unknown)
    if total <= 0 or known.seconds <= 0:
        raise NotMeasurable(why_empty, low=0.0 if total > 0 else None, high=1.0 if total > 0 else None, coverage=0.0)
    counted = inside.overlap(known).seconds
    lost = total - known.seconds
    return Number(
        counted / known.seconds,
        n=n,
        low=counted / total,
        high=min(1.0, (counted + lost) / total),
        coverage=known.seconds / total,
        spans_s=tuple((inside if spans is None else spans).overlap(of).pairs()),
    )


def attempt(
    measure: Callable[..., Number], *arguments: object, of: str | None = None, from_: str | None = None, **definitions: object
) -> Number:
    """Ask for one of several answers; "this case cannot show it" becomes a Number without a value, and the others still come."""
    try:
        return replace(measure(*arguments, **definitions), of=of, from_=from_)
    except NotMeasurable as answer:
        return missing(answer, of=of, from_=from_)


def share_of_moments(counts: Sequence[bool] | np.ndarray, times_s: np.ndarray, *, coverage: float) -> Number:
    """Share of moments (compressions, breaths) that count, where moments can only be seen in known time.

    Parameters: counts, for each moment whether it counts; times_s, when it was [s]; coverage, known share of the time asked about.
    Returns: Number 0 to 1 over n moments. The bounds suppose that unknown time holds as many moments a second as known time, all
    of which count or none: low value·coverage, high value·coverage + 1 - coverage.
    Raises: NotMeasurable when there is no moment.
    """
    if not len(counts):
        raise NotMeasurable("none was seen", coverage=coverage)
    flags = np.asarray(counts, dtype=bool)
    value = float(flags.mean())
    return Number(
        value,
        n=len(flags),
        low=value * coverage,
        high=min(1.0, value * coverage + 1.0 - coverage),
        coverage=coverage,
        spans_s=moments(np.asarray(times_s)[~flags]),
    )


def known_share(arrest: Spans, unknown: Spans, *, why_unknown: str = NO_SENSOR) -> float:
    """Known share of the arrest time, above 0 to 1.

    Raises: NotMeasurable when there is no arrest, or (with why_unknown as the reason) none of it is known.
    """
    if arrest.seconds <= 0:
        raise NotMeasurable(NO_ARREST)
    coverage = arrest.minus(unknown).seconds / arrest.seconds
    if coverage <= 0:
        raise NotMeasurable(why_unknown, coverage=0.0)
    return coverage
