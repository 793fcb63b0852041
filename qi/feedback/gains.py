"""One thing to work on next time: of all that lay beyond what is asked, that which would have gained most.

The common unit is time: the seconds of this case that would have gone as asked, had the thing just met what is asked of it, its aim
where it has one. Limits and aims are ranked together: who missed the limit has missed the aim by more. Seconds of pressing and of
breaths count by how far beyond they were (qi.feedback.how_far). What can help is common practice, no source.

References: our own choice, no source; it is arithmetic on time and predicts no outcome.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from qi.feedback import how_far
from qi.feedback.beyond import beyond
from qi.feedback.how_far import Off
from qi.feedback.said import Said, age_words, found, held_to, limit_of, seconds_of, sentence, value_near, value_of
from qi.model.findings import Findings
from qi.model.review import Judged, Limit, Review
from qi.model.spans import Spans
from qi.model.words import amount

LEAST_S = 1.0  # smaller gains are not spoken of (our default, no source)
METHOD = (
    "How it was chosen: for each thing that missed its aim, or its limit where it has no aim, we count the seconds of this "
    "case that would have gone as asked, had it just met that; the largest count is named. Pace, depth, let-up and the number "
    "of breaths count in full once they are half of the limit beyond it, and in proportion when nearer. Turns at the chest "
    "and an ITD later than the agency’s median come last, and after them what has no seconds (time between doses, CO2). All "
    "this is our choice, without a source, and predicts no outcome."
)
_PAUSES = {
    "shock": ("pauses around shocks", "charge while compressing, and be back on the chest at once"),
    "rhythm_check": ("rhythm checks", "settle beforehand who looks, who presses next and when to be back"),
    "pulse_check": ("pulse checks", "settle beforehand who feels, and count the seconds aloud"),
    "airway": ("airway placement", "place the airway while compressions go on, and stop only for the passage itself"),
    "device_fitting": ("fitting a device", "lay the device ready, and fit it in short steps between compressions"),
    "moving": ("moving the patient", "plan the move aloud, and press right up to it and straight after"),
    "access": ("access", "get access while compressions go on"),
    "compressor_change": ("changes of compressor", "have the next person ready at the chest before the change"),
    "ventilation": ("pauses for breaths", "have the bag ready, give the breaths and be back on the chest"),
    "unknown": ("pauses without a known cause", "say aloud why {hands} come off, and how long it should take"),
}


@dataclass(frozen=True)
class _Band:
    """A band that presses should lie in: the share inside, the mean, the definition of its edges, and how far the others were.

    ways and helps are what to work on and what can help where the mean is below, inside and above; sides, what presses below and
    above are called.
    """

    share: str
    mean: str
    edges: str
    off: Callable[[Review, Judged], Off]
    ways: tuple[str, str, str]
    sides: tuple[str, str]
    helps: tuple[str, str, str]


_FIRM = "a firm surface, and a change of compressor before arms tire"
_PACE = _Band(
    "rate_in_band",
    "compression_rate",
    "rate_band_per_min",
    how_far.pace,
    ("a faster pace", "an even pace", "a slower pace"),
    ("slower", "faster"),
    ("a metronome or a count",) * 3,
)
_DEPTH = _Band(
    "depth_in_band",
    "compression_depth_mm",
    "depth_band_mm",
    how_far.depth,
    ("deeper compressions", "even depth", "less deep compressions"),
    ("less deep", "deeper"),
    (_FIRM, _FIRM, "a second person who watches the depth and says it aloud"),
)


@dataclass(frozen=True)
class Gain:
    """One thing beyond what is asked: what its seconds count for, and how many they are before that.

    seconds are unweighed_s, weighed by how far off it was; text is what to work on; gained says what it would have given; rests_on
    are the ids of measures; last, whether it is named only where nothing else is.
    """

    key: str
    seconds: float
    unweighed_s: float
    text: str
    gained: str
    rests_on: tuple[str, ...]
    last: bool = False


def gains(review: Review, *, device_median_s: float | None = None) -> list[Gain]:
    """All that lay beyond what is asked, what would have gained most first.

    Parameters: review; device_median_s, the agency's median time to the ITD, where enough cases know it [s].
    Returns: Gains of at least a second; none where everything that can be counted in seconds was as asked, or nothing is judged.
    """
    if not review.protocol.judged:
        return []
    makers: tuple[Callable[[Review], Iterable[Gain]], ...] = (
        _long_pauses,
        _fraction,
        _breaths,
        _breath_length,
        _let_up,
        lambda one: _in_band(one, _PACE),
        lambda one: _in_band(one, _DEPTH),
        _seal,
        _left_on,
        _turns,
        _shock_pauses,
        lambda one: _late_device(one, device_median_s),
    )
    all_ = [gain for make in makers for gain in make(review) if gain.seconds >= LEAST_S]
    return sorted(all_, key=lambda gain: (gain.last, -gain.seconds))


def work_on(review: Review, *, device_median_s: float | None = None) -> tuple[Said, ...]:
    """The one thing to work on and what it would have given; where no seconds tell it, what lay beyond what is asked, or that
    nothing did."""
    ranked = gains(review, device_median_s=device_median_s)
    if not ranked:
        if not review.protocol.judged:
            return (Said("work_on.1", "Nothing is held to a limit under this protocol, so nothing is picked out.", ()),)
        if (unmet := beyond(review)) is not None:
            return (unmet,)
        rests = tuple(dict.fromkeys(one.id for one in review.numbers if one.verdict == "met"))
        hands = found(review, "compression_fraction")
        if hands is None or hands.value is None:
            text = "Too little of this case could be measured to pick one thing out: nothing was recorded of the compressions."
            return (Said("work_on.1", text, ("compression_fraction",)),)
        return (Said("work_on.1", "Nothing that could be measured lay beyond what is asked. Next time: the same again.", rests),)
    first = ranked[0]
    return (Said("work_on.1", first.text, first.rests_on), Said("work_on.2", first.gained, first.rests_on))


def _flow_s(found_: Findings) -> float:
    return found_.runs.overlap(found_.arrest).minus(found_.unknown).seconds


def _missed(one: Judged | None) -> list[Limit]:
    """The limit and the aim, those of them that it missed."""
    both = [] if one is None or one.value is None else [(one.limit, one.verdict), (one.goal, one.goal_verdict)]
    return [limit for limit, verdict in both if limit is not None and verdict == "not met"]


def _least(one: Judged | None) -> float | None:
    """What a value that is too low would have to be; None where it is not too low."""
    edges = [limit.low for limit in _missed(one) if one and one.value is not None and one.value < limit.low]
    return max(edges, default=None)


def _most(one: Judged | None) -> float | None:
    """What a value that is too high would have to be; None where it is not too high."""
    edges = [limit.high for limit in _missed(one) if one and one.value is not None and one.value > limit.high]
    return min(edges, default=None)


def _wanted(one: Judged) -> str:
    """The limit and the aim that it missed, in words."""
    said = [f"{limit_of(each, one.unit)} is {'the aim' if each is one.goal else 'asked for'}" for each in _missed(one)]
    return " and ".join(said)


def _as_asked(seconds: float, what: str, weight: float = 1.0) -> str:
    """What would have gone as asked and, where how far off it was makes another number of it, what that counts for."""
    counted = seconds_of(seconds * weight)
    weighed = "" if counted == seconds_of(seconds) else f"; by how far off they were, these count as {counted}"
    return f"{what}, {seconds_of(seconds)} more of this case would have gone as asked{weighed}."


def _gain(
    key: str, seconds: float, text: str, gained: str, rests: Iterable[Judged], *, weight: float = 1.0, last: bool = False
) -> Gain:
    said = sentence(key, text, *rests)
    return Gain(key, seconds * weight, seconds, said.text, gained, said.rests_on, last)


def _long_pauses(review: Review) -> Iterable[Gain]:
    limits: Mapping[str, float] = review.protocol.values["pause_limit_s"]
    for held in review.all_of("fraction_if_pauses_held"):
        if held.of in (None, "all") or not held.number.spans_s:
            continue
        cause, limit = str(held.of), limits[str(held.of)]
        seconds = sum(end - start - limit for start, end in held.number.spans_s)
        what, how = _pause_words(review, cause)
        count = len(held.number.spans_s)
        longest = max(end - start for start, end in held.number.spans_s)
        many = (
            f"{count} pauses were over {limit:g} s, the longest {longest:.0f} s" if count > 1 else f"one pause took {longest:.0f} s"
        )
        gained = f"Held to {limit:g} s each, {age_words(review).hands} would have been on the chest for {seconds_of(seconds)} more"
        now = found(review, "compression_fraction")
        if held.value is not None and now and amount(held.value, "1") != value_of(now):
            gained += f": {amount(held.value, '1')} of the arrest instead of {value_of(now)}"
        rests = [held, *review.all_of("compression_fraction")[:1]]
        yield _gain(f"pauses.{cause}", seconds, f"{what}: {many}. What can help: {how}", gained + ".", rests)


def _pause_words(review: Review, cause: str) -> tuple[str, str]:
    what, how = _PAUSES.get(cause, (f"pauses for {cause.replace('_', ' ')}", "keep them short"))
    return what, how.format(hands=age_words(review).hands)


def _fraction(review: Review) -> Iterable[Gain]:
    """Hands off the chest for too long altogether, in the whole arrest or in its first minutes."""
    first = review.findings.arrest.first if review.findings.arrest else None
    for id_, minutes in (("compression_fraction", None), ("compression_fraction_5min", 5), ("compression_fraction_10min", 10)):
        now = found(review, id_)
        least = _least(now)
        if now is None or now.value is None or least is None or first is None:
            continue
        stretch = review.findings.arrest
        if minutes is not None:
            stretch = Spans.of([(first.start_s, min(first.end_s, first.start_s + 60.0 * minutes))])
        seconds = (least - now.value) * stretch.minus(review.findings.unknown).seconds
        where = "shorter pauses, long or not" if minutes is None else f"shorter pauses in the first {minutes} minutes"
        of = "the arrest" if minutes is None else "that time"
        what, how = _largest_part(review, stretch)
        text = f"{where}: {age_words(review).on_chest} for {value_of(now)} of {of}; {_wanted(now)}. "
        text += f"The largest part of the rest went into {what}. What can help: {how}"
        gained = f"At {amount(least, '1')} they would have been there for {seconds_of(seconds)} more."
        key = "fraction" if minutes is None else f"fraction.first_{minutes}"
        yield _gain(key, seconds, text, gained, [now, *(review.all_of("no_flow_s")[:1] if minutes is None else [])])


def _largest_part(review: Review, stretch: Spans) -> tuple[str, str]:
    """The cause that most time without hands on the chest went into, with how many pauses and how long, and what can help."""
    pauses = review.findings.pauses
    inside = pauses.assign(inside=stretch.seconds_in(pauses["start_s"].to_numpy(), pauses["end_s"].to_numpy()))
    took = inside[inside["inside"] > 0].groupby("cause")["inside"].agg(["sum", "count"])
    cause = took["sum"].idxmax()
    what, how = _pause_words(review, str(cause))
    count = int(took.loc[cause, "count"])
    return f"{what}: {'one pause' if count == 1 else f'{count} pauses'}, {seconds_of(float(took.loc[cause, 'sum']))}", how


def _breaths(review: Review) -> Iterable[Gain]:
    values = review.protocol.values
    for id_, way, low, high in (
        ("over_ventilated_fraction", "slower breaths", 0.0, values["over_ventilated_per_min"]),
        ("under_ventilated_fraction", "breaths more often", values["under_ventilated_per_min"], np.inf),
    ):
        parts = [
            (
                one,
                most,
                (one.value - most) * review.findings.breath_phases[one.of].minus(review.findings.breaths_unknown).seconds,
                how_far.breaths(review, one, low, high).weight,
            )
            for one in review.all_of(id_)
            if (most := _most(one)) is not None and one.value is not None
        ]
        if not parts:
            continue
        worst, most, *_ = max(parts, key=lambda part: part[2] * part[3])
        seconds = sum(part[2] for part in parts)
        weight = sum(part[2] * part[3] for part in parts) / seconds
        rate = found(review, "ventilation_rate", worst.of)
        when = {"advanced_airway": "with the advanced airway in ", "bag_mask_continuous": "by mask during compressions "}
        said = way
        if rate and rate.value is not None:
            said += f": {when.get(worst.of or '', '')}they came {rate.value:.0f} times a minute"
            said += held_to(rate).replace(" per min", "")
        text = f"{said}. What can help: one person keeps the time for the bag, by a count or a light"
        gained = _as_asked(seconds, f"With at most {amount(most, '1')} of the minutes outside that", weight)
        rests = [*(part[0] for part in parts), *([rate] if rate else [])]
        yield _gain(id_, seconds, text, gained, rests, weight=weight)


def _breath_length(review: Review) -> Iterable[Gain]:
    one = found(review, "breath_duration_s")
    most = _most(one)
    if one is None or one.value is None or most is None:
        return
    seconds = (one.value - most) * (one.number.n or 0)
    text = f"shorter breaths: each took {value_of(one)} as a median ({_wanted(one)}). "
    text += "What can help: squeeze until the chest rises, no more"
    yield _gain("breath_duration_s", seconds, text, _as_asked(seconds, f"At {amount(most, 's')} each"), [one])


def _let_up(review: Review) -> Iterable[Gain]:
    one = found(review, "released_fraction")
    least = _least(one)
    if one is None or one.value is None or least is None:
        return
    seconds, weight = (least - one.value) * _flow_s(review.findings), how_far.let_up(review, one).weight
    text = f"let the chest come all the way up: it did after {value_of(one)} of compressions ({_wanted(one)}). "
    text += f"What can help: a second person watches the {age_words(review).hands}, and changes come before arms tire"
    gained = _as_asked(seconds, f"Let up fully after {amount(least, '1')}", weight)
    yield _gain("released_fraction", seconds, text, gained, [one], weight=weight)


def _in_band(review: Review, band: _Band) -> Iterable[Gain]:
    """Too few presses inside a band: where the mean lies outside it that is the fault, else the spread."""
    share, mean = found(review, band.share), found(review, band.mean)
    least = _least(share)
    if share is None or share.value is None or least is None or mean is None or mean.value is None:
        return
    low, high = review.protocol.values[band.edges]
    at = 0 if mean.value < low else 2 if mean.value > high else 1
    off = band.off(review, share)
    seconds = (least - share.value) * _flow_s(review.findings)
    told = value_near(mean, Limit("", low, high, strict=False, source=""))
    text = f"{band.ways[at]}: {value_of(share)} of compressions were inside what is asked; the mean was {told}{held_to(mean)}"
    if at == 1:
        most = band.sides[0] if off.above < 1 / 3 else band.sides[1] if off.above > 2 / 3 else ""
        text += f"; most of the others were {most}" if most else f"; the others were {' as well as '.join(band.sides)}"
    gained = _as_asked(seconds, f"With {amount(least, '1')} inside", off.weight)
    yield _gain(share.id, seconds, f"{text}. What can help: {band.helps[at]}", gained, [share, mean], weight=off.weight)


def _seal(review: Review) -> Iterable[Gain]:
    one = found(review, "seal_loss_fraction")
    most = _most(one)
    if one is None or one.value is None or most is None:
        return
    found_ = review.findings
    itd = found_.devices[found_.devices["kind"] == "itd"]
    on = Spans.of(zip(itd["on_s"], itd["off_s"].fillna(np.inf), strict=True))
    pressed = found_.runs.overlap(found_.arrest).overlap(on).seconds
    seconds = (one.value - most) * pressed
    text = (
        f"a tighter seal: with the ITD on, the vacuum of the recoil was lost for {value_of(one)} of compressions ({_wanted(one)}). "
    )
    text += "What can help: two hands on the mask, or an advanced airway"
    yield _gain("seal_loss_fraction", seconds, text, _as_asked(seconds, f"At {amount(most, '1')}"), [one])


def _left_on(review: Review) -> Iterable[Gain]:
    one = found(review, "device_left_on_s", "itd")
    most = _most(one)
    if one is None or one.value is None or most is None:
        return
    seconds = one.value - most
    text = f"take the ITD off at ROSC: it stayed on for {value_of(one)} after it ({_wanted(one)}). "
    text += "What can help: whoever calls ROSC says “ITD off” with it"
    yield _gain("device_left_on_s", seconds, text, _as_asked(seconds, f"Off within {seconds_of(most)}"), [one])


def _turns(review: Review) -> Iterable[Gain]:
    """Turns beyond their limit: a change is a means to depth and pace, so it comes after everything that is asked for itself."""
    one = found(review, "compressor_turn_s")
    most = _most(one)
    if one is None or one.value is None or most is None:
        return
    seconds = (1.0 - most / one.value) * _flow_s(review.findings)
    text = f"change the compressor sooner: turns lasted {value_of(one)} as a median ({_wanted(one)})"
    gained = _as_asked(seconds, f"With a change every {seconds_of(most)}")
    yield _gain("compressor_turn_s", seconds, text, gained, [one], last=True)


def _shock_pauses(review: Review) -> Iterable[Gain]:
    """Pauses before and after shocks."""
    back = f"{age_words(review).hands} hover over the chest, and nobody waits to see the rhythm"
    for id_, where, helps in (("pre_shock_pause_s", "before", _PAUSES["shock"][1]), ("post_shock_pause_s", "after", back)):
        one = found(review, id_)
        most = _most(one)
        if one is None or most is None:
            continue
        seconds = sum(max(0.0, end - start - most) for start, end in one.number.spans_s)
        text = f"shorter pauses {where} shocks: {value_of(one)} as a median ({_wanted(one)}). What can help: {helps}"
        yield _gain(id_, seconds, text, _as_asked(seconds, f"At {seconds_of(most)} each"), [one])


def _late_device(review: Review, median_s: float | None) -> Iterable[Gain]:
    """The ITD later than the agency's median: nothing asks for that, so it comes after all that is asked."""
    one = found(review, "time_to_device_s", "itd", "first_compression")
    if one is None or one.value is None or median_s is None or one.value - (one.number.error or 0.0) <= median_s:
        return
    seconds = one.value - median_s
    text = (
        f"the ITD sooner: it went on {value_of(one)} after the first compression; the agency's median is {seconds_of(median_s)}. "
    )
    text += "What can help: keep it on the mask in the bag"
    gained = _as_asked(seconds, f"At {seconds_of(median_s)}")
    yield _gain("time_to_device_s", seconds, text, gained, [one], last=True)
