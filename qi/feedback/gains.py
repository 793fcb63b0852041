"""One thing to work on next time: of all that lay beyond what is asked, that which would have gained most.

The common unit is time: the seconds of this case that would have gone as asked, had the thing just met what is asked of it.
What can help is common practice, no source.

References: our own choice, no source; it is arithmetic on time and predicts no outcome.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from qi.feedback.beyond import beyond
from qi.feedback.said import Said, age_words, found, held_to, limit_of, seconds_of, sentence, value_of
from qi.model.findings import Findings
from qi.model.review import Judged, Review
from qi.model.spans import Spans
from qi.model.words import amount

LEAST_S = 1.0  # smaller gains are not spoken of (our default, no source)
METHOD = (
    "How it was chosen: for each thing beyond its limit we count the seconds of this case that would have gone as asked, had it "
    "just met the limit; the largest count is named. Every second counts the same: that is our choice, without a source, and "
    "predicts no outcome. What has no seconds in this sense (time between doses, CO2) is not among the choices."
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
    "unknown": ("pauses without a known cause", "say aloud why hands come off, and how long it should take"),
}


@dataclass(frozen=True)
class Gain:
    """One thing beyond what is asked: seconds that would have gone as asked, whether beyond a limit or only short of the aim.

    text is what to work on; gained says what it would have given; rests_on are the ids of measures.
    """

    key: str
    seconds: float
    is_limit: bool
    text: str
    gained: str
    rests_on: tuple[str, ...]


def gains(review: Review, *, device_median_s: float | None = None) -> list[Gain]:
    """All that lay beyond what is asked, what would have gained most first; what is beyond a limit before what is short of an aim.

    Parameters: review; device_median_s, the agency's median time to the ITD, where enough cases know it [s].
    Returns: Gains of at least a second; none where everything that could be measured was as asked, or nothing is judged.
    """
    if not review.protocol.judged:
        return []
    makers: tuple[Callable[[Review], Iterable[Gain]], ...] = (
        _long_pauses,
        _fraction,
        _breaths,
        _breath_length,
        _let_up,
        lambda one: _in_band(one, "rate_in_band", "compression_rate"),
        lambda one: _in_band(one, "depth_in_band", "compression_depth_mm"),
        _seal,
        _left_on,
        _turns,
        _shock_pauses,
        lambda one: _late_device(one, device_median_s),
    )
    all_ = [gain for make in makers for gain in make(review) if gain.seconds >= LEAST_S]
    return sorted(all_, key=lambda gain: (not gain.is_limit, -gain.seconds))


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


def _as_asked(seconds: float, what: str) -> str:
    return f"{what}, {seconds_of(seconds)} more of this case would have gone as asked."


def _gain(key: str, seconds: float, text: str, gained: str, rests: Iterable[Judged], *, is_limit: bool = True) -> Gain:
    said = sentence(key, text, *rests)
    return Gain(key, seconds, is_limit, said.text, gained, said.rests_on)


def _long_pauses(review: Review) -> Iterable[Gain]:
    limits: Mapping[str, float] = review.protocol.values["pause_limit_s"]
    for held in review.all_of("fraction_if_pauses_held"):
        if held.of in (None, "all") or not held.number.spans_s:
            continue
        cause, limit = str(held.of), limits[str(held.of)]
        seconds = sum(end - start - limit for start, end in held.number.spans_s)
        what, how = _PAUSES.get(cause, (f"pauses for {cause.replace('_', ' ')}", "keep them short"))
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


def _fraction(review: Review) -> Iterable[Gain]:
    """Many short pauses: a fraction below its limit, or short of the aim."""
    now = found(review, "compression_fraction")
    if now is None:
        return
    known = review.findings.arrest.minus(review.findings.unknown).seconds
    for limit, verdict, is_limit in ((now.limit, now.verdict, True), (now.goal, now.goal_verdict, False)):
        if limit is not None and verdict == "not met" and now.value is not None:
            pauses = review.of("no_flow_s")
            seconds = (limit.low - now.value) * known
            said = f"{age_words(review).on_chest} for {value_of(now)} of the arrest; {limit_of(limit, '1')} is "
            said += ("asked for" if is_limit else "the aim") + f". {pauses.number.n} pauses took {value_of(pauses)} together"
            gained = f"At {amount(limit.low, '1')} they would have been there for {seconds_of(seconds)} more."
            yield _gain("fraction", seconds, f"shorter pauses, long or not: {said}", gained, (now, pauses), is_limit=is_limit)


def _breaths(review: Review) -> Iterable[Gain]:
    for id_, way, help_ in (
        ("over_ventilated_fraction", "slower breaths", "one person keeps the time for the bag, by a count or a light"),
        ("under_ventilated_fraction", "breaths more often", "one person keeps the time for the bag, by a count or a light"),
    ):
        phases = [one for one in review.all_of(id_) if one.verdict == "not met" and one.value is not None and one.limit]
        parts = [
            (
                one,
                (one.value - one.limit.high) * review.findings.breath_phases[one.of].minus(review.findings.breaths_unknown).seconds,
            )
            for one in phases
            if one.value is not None and one.limit is not None
        ]
        if not parts:
            continue
        worst = max(parts, key=lambda part: part[1])[0]
        rate = found(review, "ventilation_rate", worst.of)
        when = {"advanced_airway": "with the advanced airway in", "bag_mask_continuous": "by mask during compressions"}.get(
            worst.of or "", ""
        )
        said = (
            f"{way}: {when} they came {rate.value:.0f} times a minute{held_to(rate).replace(' per min', '')}"
            if rate and rate.value is not None
            else way
        )
        seconds = sum(part[1] for part in parts)
        gained = _as_asked(
            seconds, f"With at most {amount(worst.limit.high if worst.limit else None, '1')} of the minutes outside that"
        )
        yield _gain(id_, seconds, f"{said}. What can help: {help_}", gained, [*phases, *([rate] if rate else [])])


def _breath_length(review: Review) -> Iterable[Gain]:
    one = found(review, "breath_duration_s")
    if one and one.value is not None and one.limit and one.verdict == "not met":
        seconds = (one.value - one.limit.high) * (one.number.n or 0)
        text = f"shorter breaths: each took {value_of(one)} as a median{held_to(one)}. "
        text += "What can help: squeeze until the chest rises, no more"
        yield _gain("breath_duration_s", seconds, text, _as_asked(seconds, f"At {seconds_of(one.limit.high)} each"), [one])


def _let_up(review: Review) -> Iterable[Gain]:
    one = found(review, "released_fraction")
    if one is None or one.value is None:
        return
    for limit, verdict, is_limit in ((one.limit, one.verdict, True), (one.goal, one.goal_verdict, False)):
        if limit is not None and verdict == "not met":
            seconds = (limit.low - one.value) * _flow_s(review.findings)
            wanted = "asked for" if is_limit else "the aim"
            text = f"let the chest come all the way up: it did after {value_of(one)} of compressions "
            text += f"({limit_of(limit, '1')} is {wanted}). "
            text += "What can help: a second person watches the hands, and changes come before arms tire"
            gained = _as_asked(seconds, f"Let up fully after {amount(limit.low, '1')}")
            yield _gain("released_fraction", seconds, text, gained, [one], is_limit=is_limit)


def _in_band(review: Review, share_id: str, mean_id: str) -> Iterable[Gain]:
    """Rate or depth: beyond a limit where the mean is, else only short of the aim."""
    share, mean = found(review, share_id), found(review, mean_id)
    if share is None or share.value is None or share.goal is None or share.goal_verdict != "not met" or mean is None:
        return
    seconds = (share.goal.low - share.value) * _flow_s(review.findings)
    what = "an even pace" if share_id == "rate_in_band" else "even depth"
    helps = (
        "a metronome or a count" if share_id == "rate_in_band" else "a firm surface, and a change of compressor before arms tire"
    )
    text = f"{what}: {value_of(share)} of compressions were inside what is asked; the mean was {value_of(mean)}{held_to(mean)}. "
    gained = _as_asked(seconds, f"With {amount(share.goal.low, '1')} inside")
    is_limit = mean.verdict == "not met"
    yield _gain(share_id, seconds, f"{text}What can help: {helps}", gained, [share, mean], is_limit=is_limit)


def _seal(review: Review) -> Iterable[Gain]:
    one = found(review, "seal_loss_fraction")
    if one is None or one.value is None or one.goal is None or one.goal_verdict != "not met":
        return
    found_ = review.findings
    itd = found_.devices[found_.devices["kind"] == "itd"]
    on = Spans.of(zip(itd["on_s"], itd["off_s"].fillna(np.inf), strict=True))
    pressed = found_.runs.overlap(found_.arrest).overlap(on).seconds
    seconds = (one.value - one.goal.high) * pressed
    text = f"a tighter seal: with the ITD on, the vacuum of the recoil was lost for {value_of(one)} of compressions{held_to(one)}. "
    text += "What can help: two hands on the mask, or an advanced airway"
    yield _gain("seal_loss_fraction", seconds, text, _as_asked(seconds, f"At {amount(one.goal.high, '1')}"), [one])


def _left_on(review: Review) -> Iterable[Gain]:
    one = found(review, "device_left_on_s", "itd")
    if one and one.value is not None and one.limit and one.verdict == "not met":
        seconds = one.value - one.limit.high
        text = f"take the ITD off at ROSC: it stayed on for {value_of(one)} after it{held_to(one)}. "
        text += "What can help: whoever calls ROSC says “ITD off” with it"
        yield _gain("device_left_on_s", seconds, text, _as_asked(seconds, f"Off within {seconds_of(one.limit.high)}"), [one])


def _turns(review: Review) -> Iterable[Gain]:
    """Turns beyond their limit: a change is a means to depth and pace, so it comes after what is beyond a limit itself."""
    one = found(review, "compressor_turn_s")
    if one and one.value and one.limit and one.verdict == "not met":
        seconds = (1.0 - one.limit.high / one.value) * _flow_s(review.findings)
        text = f"change the compressor sooner: turns lasted {value_of(one)} as a median{held_to(one)}"
        gained = _as_asked(seconds, f"With a change every {seconds_of(one.limit.high)}")
        yield _gain("compressor_turn_s", seconds, text, gained, [one], is_limit=False)


def _shock_pauses(review: Review) -> Iterable[Gain]:
    """Pauses before shocks that are within the limit and short of the aim."""
    one = found(review, "pre_shock_pause_s")
    if one is None or one.goal is None or one.goal_verdict != "not met":
        return
    stacks = review.findings.shocks.drop_duplicates("stack")["pre_s"].dropna()
    seconds = float((stacks - one.goal.high).clip(lower=0.0).sum())
    text = f"shorter pauses before shocks: {value_of(one)} as a median ({limit_of(one.goal, 's')} is the aim). "
    text += f"What can help: {_PAUSES['shock'][1]}"
    gained = _as_asked(seconds, f"At {seconds_of(one.goal.high)} each")
    yield _gain("pre_shock_pause_s", seconds, text, gained, [one], is_limit=False)


def _late_device(review: Review, median_s: float | None) -> Iterable[Gain]:
    one = found(review, "time_to_device_s", "itd", "first_compression")
    if one is None or one.value is None or median_s is None or one.value - (one.number.error or 0.0) <= median_s:
        return
    seconds = one.value - median_s
    text = (
        f"the ITD sooner: it went on {value_of(one)} after the first compression; the agency's median is {seconds_of(median_s)}. "
    )
    text += "What can help: keep it on the mask in the bag"
    gained = _as_asked(seconds, f"At {seconds_of(median_s)}")
    yield _gain("time_to_device_s", seconds, text, gained, [one], is_limit=False)
