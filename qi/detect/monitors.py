"""Two monitors on one patient: how one follows the other, and what compressions that both recorded say of their clocks."""

from collections.abc import Sequence

import numpy as np

from qi.detect.voting import partners
from qi.model.case import Case
from qi.model.fused import Changeover, ClockCheck, ClockOrder
from qi.model.seen import Seen
from qi.model.spans import Span, Spans
from qi.model.words import clock as minutes

_CANDIDATES = 30


def clocks_of(case: Case) -> dict[str, str]:
    """The clock that each sensor of a case stands on, by the sensor's name; charted events by the file that tells them."""
    charted = {f"events ({source.file})": source.clock for source in case.sources}
    return charted | {signal.name: signal.clock for signal in case.signals}


def clock_check(
    first: Seen,
    second: Seen,
    *,
    search_s: float,
    step_s: float,
    near_s: float,
    least_pairs: float,
    least_share: float,
    clearly: float,
) -> ClockCheck | None:
    """How two monitors' clocks stand, from the pattern of intervals and pauses of compressions that both recorded.

    Parameters: first, second, compressions by each monitor's own clock on the case's axis; search_s, greatest difference looked
    for [s]; step_s, grain of the search [s]; near_s, how near two records of one compression lie once the clocks are lined up [s];
    least_pairs, least number of compressions in both; least_share, least share of compressions that meet where both could see;
    clearly, how many times worse every other difference must fit.
    Returns: ClockCheck; None where too few meet, or where another difference fits nearly as well (an even rhythm without a pause).
    References: none; our own way, no source. Pauses of 30:2 and the unevenness of hands give the pattern.
    Notes: nothing is moved by it. What is left between two kinds of sensor (some 0.1 s) is part of the difference found.
    """
    one, two = (seen.events["time_s"].to_numpy()[seen.known.contains(seen.events["time_s"].to_numpy())] for seen in (first, second))
    if min(len(one), len(two)) < least_pairs:
        return None
    tried = [
        _fit(one, two, first.known, second.known, offset, near_s=near_s, least_pairs=least_pairs)
        for offset in _candidates(
            one, two, first.known, second.known, search_s=search_s, step_s=step_s, near_s=near_s, least_pairs=least_pairs
        )
    ]
    fits = sorted((fit for fit in tried if fit is not None), key=lambda fit: fit[0])
    if not fits or fits[0][1] < least_share:
        return None
    best = fits[0]
    others = [fit[0] for fit in fits[1:] if abs(fit[2].offset_s - best[2].offset_s) > 2 * near_s]
    grain = near_s / 10  # below this, one fit is no better than another
    return best[2] if not others or min(others) + grain >= clearly * (best[0] + grain) else None


def _candidates(
    one: np.ndarray,
    two: np.ndarray,
    known_one: Spans,
    known_two: Spans,
    *,
    search_s: float,
    step_s: float,
    near_s: float,
    least_pairs: float,
) -> np.ndarray:
    """Differences at which the greatest share of events meets where both could see [s], by correlation of the trains of events."""
    if max(one[0] - two[-1], two[0] - one[-1]) > search_s:
        return np.zeros(0)  # too far apart to meet at any difference that is searched
    start = min(one[0], two[0]) - search_s
    length = int((max(one[-1], two[-1]) - start + 3 * search_s) / step_s) + 1
    size = 1 << int(np.ceil(np.log2(length)))
    trains = [np.fft.rfft(np.bincount(((times - start) / step_s).astype(np.int64), minlength=size)) for times in (one, two)]
    seen = [np.fft.rfft(_mask(known, start, step_s, size)) for known in (known_one, known_two)]
    reach = int(search_s / step_s)
    shifts = np.arange(-reach, reach + 1)
    meet, able_one, able_two = (
        np.fft.irfft(left * np.conj(right), size)[shifts]
        for left, right in ((trains[0], trains[1]), (trains[0], seen[1]), (seen[0], trains[1]))
    )
    width = max(1, int(near_s / 2 / step_s))
    counts = np.convolve(meet, np.bartlett(2 * width + 3)[1:-1], mode="same")
    share = counts / ((able_one + able_two) / 2 + least_pairs)  # a few events may meet by chance
    peaks = np.flatnonzero((share[1:-1] >= share[:-2]) & (share[1:-1] > share[2:])) + 1
    best = peaks[np.argsort(-share[peaks], kind="stable")[:_CANDIDATES]]
    return shifts[best] * step_s


def _mask(known: Spans, start_s: float, step_s: float, size: int) -> np.ndarray:
    """One for each step that is known, else zero."""
    edges = np.clip(np.rint((known.edges - start_s) / step_s), 0, size - 1).astype(np.int64)
    return np.cumsum(np.bincount(edges[:, 0], minlength=size) - np.bincount(edges[:, 1], minlength=size))


def _fit(
    one: np.ndarray, two: np.ndarray, known_one: Spans, known_two: Spans, offset_s: float, *, near_s: float, least_pairs: float
) -> tuple[float, float, ClockCheck] | None:
    """How badly the events meet at one difference [s], the share that meets, and the difference refined."""
    for _ in range(2):
        moved = two + offset_s
        a = one[Spans(known_two.edges + offset_s).contains(one)]
        b = moved[known_one.contains(moved)]
        partner = partners(a, b, within_s=near_s)
        hits = np.flatnonzero(partner >= 0)
        if len(hits) < least_pairs:
            return None
        off = a[partner[hits]] - b[hits]
        offset_s += float(np.median(off))
    left = off - np.median(off)
    missed = len(a) + len(b) - 2 * len(hits)
    cost = float((2 * np.minimum(np.abs(left), near_s).sum() + missed * near_s) / (len(a) + len(b)))
    spread = float(1.4826 * np.median(np.abs(left)))
    return cost, 2 * len(hits) / (len(a) + len(b)), ClockCheck(float(offset_s), spread, len(hits))


def changeovers(case: Case, clocks: ClockOrder, *, at_once_s: float) -> tuple[Changeover, ...]:
    """From one monitor to the next: overlap, gap or at once, with what it means for the time between.

    Parameters: case, for its signals and clocks [s]; clocks, which clocks voted together and what the compressions in both say of
    them (of a Fused); at_once_s, longest time between two recordings that is no gap [s].
    Returns: one Changeover for each monitor after the first, in order of time; sources that share a clock are one monitor.
    """
    recorded: dict[str, Spans] = {}
    files: dict[str, dict[str, None]] = {}
    for signal in case.signals:
        recorded[signal.clock] = recorded.get(signal.clock, Spans()).union(signal.recorded)
        files.setdefault(signal.clock, {})[signal.source] = None
    order = sorted((clock for clock in recorded if recorded[clock]), key=lambda clock: (recorded[clock].hull.start_s, clock))
    found: list[Changeover] = []
    before = order[0] if order else ""
    for after in order[1:]:
        names = (", ".join(files[before]), ", ".join(files[after]))
        found.append(_changeover(case, clocks, before, after, names, recorded, at_once_s=at_once_s))
        before = max(before, after, key=lambda clock: recorded[clock].hull.end_s)
    return tuple(found)


def _changeover(
    case: Case, clocks: ClockOrder, before: str, after: str, names: Sequence[str], recorded: dict[str, Spans], *, at_once_s: float
) -> Changeover:
    """One change-over, in words."""
    earlier, later = recorded[before].hull, recorded[after].hull
    apart_s = case.apart_s(before, after) or 0.0
    doubt = f" Each clock as it stands: the two may be off by {minutes(apart_s)} min." if apart_s > 0 else ""
    if later.start_s < earlier.end_s:
        both = Span(later.start_s, min(earlier.end_s, later.end_s))
        text = f"{names[0]} and {names[1]} both record for {minutes(both.seconds)} min. "
        text += _in_words(case, clocks, before, after, names, doubt)
        return Changeover(both.start_s, both.end_s, before, after, "overlap", text)
    gap = Span(earlier.end_s, later.start_s)
    if clocks.check(before, after) is not None:
        doubt = f" Yet some compressions are in both. {_in_words(case, clocks, before, after, names, doubt)}"
    if gap.seconds <= at_once_s:
        text = f"{names[1]} starts as {names[0]} ends.{doubt}"
        return Changeover(gap.start_s, gap.end_s, before, after, "at once", text)
    text = f"No monitor recorded for {minutes(gap.seconds)} min between {names[0]} and {names[1]}: this time is unknown, not a "
    text += f"pause.{doubt}"
    return Changeover(gap.start_s, gap.end_s, before, after, "gap", text)


def _in_words(case: Case, clocks: ClockOrder, before: str, after: str, names: Sequence[str], doubt: str) -> str:
    """What an overlap says of two clocks, and what a reviewer could do; nothing is moved."""
    check = clocks.check(before, after)
    leader = names[0] if clocks.leads(before, after) else names[1]
    if check is None:
        text = "Compressions that both saw do not tell how their clocks stand: there are too few, or their rhythm is too even."
        return f"{text} In each moment one of them speaks, {leader} first.{doubt}"
    seen = f"({check.n} compressions in both, {check.residual_s:.2f} s left over)"
    if clocks.together(before, after):
        return f"Their clocks agree within {abs(check.offset_s):.2f} s {seen}; their sensors are weighed together."
    at_s = case.clocks[after].offset_s + check.offset_s
    which = "ahead of" if check.offset_s < 0 else "behind"
    text = f"The clock of {names[1]} is {abs(check.offset_s):.2f} s {which} that of {names[0]} {seen}. Nothing was moved: in each "
    text += f"moment one of them speaks, {leader} first. offset_s = {at_s:.2f} for {names[1]} would line them up."
    return text
