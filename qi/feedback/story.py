"""A case in a few sentences, each made from measures that it names, so that every word can be traced."""

from collections.abc import Callable
from dataclasses import dataclass

from qi.feedback.said import age_words
from qi.model.review import Judged, Review
from qi.model.words import amount, asked, bounds, clock


@dataclass(frozen=True)
class Sentence:
    """One sentence and the ids of the measures that it rests on."""

    text: str
    rests_on: tuple[str, ...]


def story(review: Review) -> list[Sentence]:
    """What happened, in words: how long, hands on the chest, pauses, breaths and recoil, the device, how it ended.

    Parameters: review, a measured and judged case.
    Returns: sentences in the order of reading; what could not be measured is said, what was not recorded at all is left out.
    """
    parts: tuple[Callable[[Review], Sentence | None], ...] = (
        _span,
        _hands_on,
        _pauses,
        _depth_and_release,
        _breaths,
        _seal,
        _device,
        _clocks,
        of_the_rest,
    )
    return [sentence for part in parts if (sentence := part(review)) is not None]


def of_the_rest(review: Review) -> Sentence | None:
    """That something of the case could not be read, and what that means for its numbers; None where all was read."""
    if not review.unread:
        return None
    return Sentence("Not all of this case could be read: every number is of what could.", ("compression_fraction",))


def _value(judged: Judged) -> str:
    text = amount(judged.value, judged.unit)
    around = bounds(judged.number, judged.unit)
    return (
        f"{text} (between {around.replace(' to ', ' and ')} allowing for unknown time)" if around and around != "or more" else text
    )


def _span(review: Review) -> Sentence | None:
    course = review.findings.course
    if not course.spans:
        return Sentence("No arrest could be placed in time: no sensor saw compressions, and no event tells of an arrest.", ())
    ending = {
        "rosc": "ended with ROSC",
        "terminated": "ended when the effort was stopped",
        "care_transferred": "ended with the hand-over",
        "recording": "goes on to the end of the recording",
    }[course.closed_by or "recording"]
    count = len(course.spans)
    what = "The arrest" if count == 1 else f"{count} stretches of arrest together"
    rosc = "; there was ROSC in between" if count > 1 and course.rosc else ""
    return Sentence(f"{what} lasted {clock(course.spans.seconds)} min and {ending}{rosc}.", ())


def _hands_on(review: Review) -> Sentence | None:
    words = age_words(review)
    fraction = review.of("compression_fraction")
    if fraction.value is None:
        low, high = fraction.number.low, fraction.number.high
        if low is None or high is None or (fraction.number.coverage or 0) == 0:
            return Sentence(
                f"How much of it had {words.hands} on the chest could not be measured: {fraction.number.reason}.", (fraction.id,)
            )
        between = f"between {amount(low, '1')} and {amount(high, '1')} of the arrest"
        return Sentence(f"Too little was recorded for one number: {words.on_chest} {between}.", (fraction.id,))
    rate = review.of("compression_rate")
    paced = f", at {amount(rate.value, rate.unit)} while compressing" if rate.value is not None else ""
    limit = f"; the limit is {asked(fraction.limit, fraction.unit)}: {fraction.verdict}" if fraction.limit else ""
    return Sentence(f"{words.on_chest.capitalize()} for {_value(fraction)} of it{paced}{limit}.", (fraction.id, rate.id))


def _pauses(review: Review) -> Sentence | None:
    longest, over = review.of("longest_pause_s"), review.of("pauses_over_limit")
    if not longest.value:
        return None
    cause = (longest.number.remark or "cause: unknown").removeprefix("cause: ")
    text = f"The longest pause was {longest.value:.0f} s ({cause if cause != 'unknown' else 'cause unknown'})"
    if over.value:
        limit = review.protocol.values["long_pause_s"]
        text += f"; {over.value:.0f} {'pause was' if over.value == 1 else 'pauses were'} longer than {limit:g} s"
    held = review.of("fraction_if_pauses_held", "all")
    if held.value is not None and held.number.n:
        hands = age_words(review).hands
        text += f", and holding each to its limit would have given {amount(held.value, '1')} with {hands} on the chest"
    return Sentence(text + ".", (longest.id, over.id, held.id))


def _depth_and_release(review: Review) -> Sentence | None:
    depth, release = review.of("compression_depth_mm"), review.of("released_fraction")
    parts = []
    if depth.value is not None:
        limit = f" (asked for: {asked(depth.limit, depth.unit)})" if depth.limit else ""
        parts.append(f"compressions were {depth.value:.0f} mm deep on average{limit}")
    if release.value is not None:
        parts.append(f"after {amount(release.value, '1')} of them the chest was let up fully")
    if not parts:
        return None
    text = " and ".join(parts)
    return Sentence(text[0].upper() + text[1:] + ".", (depth.id, release.id))


def _breaths(review: Review) -> Sentence | None:
    airway, whole = review.of("ventilation_rate", "advanced_airway"), review.of("ventilation_rate")
    length = review.of("breath_duration_s")
    rate = airway if airway.value is not None else whole
    if rate.value is None:
        return None
    where = " with the advanced airway" if rate is airway else ""
    limit = f" (asked for: {asked(rate.limit, rate.unit)})" if rate.limit else ""
    lasting = f", each lasting {amount(length.value, 's')} as a median" if length.value is not None else ""
    flow = review.findings.ventilations.dropna(subset="inspired_ml")
    volume = f"; {flow['inspired_ml'].median():.0f} mL went in as a median" if len(flow) else ""
    leak = f" and {amount(float(flow['leak'].median()), '1')} of it leaked" if len(flow) and flow["leak"].notna().any() else ""
    return Sentence(f"Breaths came {rate.value:.0f} times a minute{where}{limit}{lasting}{volume}{leak}.", (rate.id, length.id))


def _seal(review: Review) -> Sentence | None:
    seal = review.of("seal_loss_fraction")
    if seal.value is None:
        return None
    if seal.value == 0:
        return Sentence("With the ITD on, the vacuum of the recoil was never lost for longer than a few seconds.", (seal.id,))
    text = f"With the ITD on, the vacuum of the recoil was lost for {amount(seal.value, '1')} of the compressions"
    return Sentence(text + ": a leak, an open airway, leaning, or the device itself.", (seal.id,))


def _device(review: Review) -> Sentence | None:
    itd, left = (
        review.of("time_to_device_s", "itd", "first_compression"),
        review.of("device_left_on_s", "itd"),
    )
    status = itd.number.status
    if status == "applied" and itd.value is not None:
        text = f"The ITD went on {clock(itd.value)} min after the first compression"
        if itd.number.error:
            text += f" (± {amount(itd.number.error, 's')}: two clocks)"
        if left.value:
            text += f" and stayed on for {amount(left.value, 's')} after ROSC"
        return Sentence(text + ".", (itd.id, left.id))
    said = {"never": "No ITD was put on before the effort ended.", "censored": "No ITD had been put on when the record ends."}
    return Sentence(said[status], (itd.id,)) if status in said else None


def _clocks(review: Review) -> Sentence | None:
    """Intervals that run backwards: the clocks, or the charting, disagree."""
    timed = [judged for id_ in ("interval_s", "first_shock_s", "time_to_epinephrine_s") for judged in review.all_of(id_)]
    backwards = [judged for judged in timed if judged.value is not None and judged.value < -(judged.number.error or 0.0)]
    if not any(judged.number.error for judged in backwards):
        return None
    text = "Some times run backwards across two clocks: the care record and the monitor disagree about the time of day by minutes."
    return Sentence(text, tuple(dict.fromkeys(judged.id for judged in backwards)))
