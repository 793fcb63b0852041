"""What lay beyond what is asked though no seconds tell it: named, so that nobody takes it for as asked.

References: the wording is ours; nothing is counted here.
"""

from collections.abc import Mapping

from qi.feedback.said import Said, limit_of, sentence, value_near
from qi.model.review import Judged, Limit, Review
from qi.model.words import name

MOST = 3
# Counted in seconds by qi.feedback.gains, by themselves or through another measure of the same.
_COUNTED = frozenset(
    {
        "compression_fraction",
        "compression_fraction_5min",
        "compression_fraction_10min",
        "longest_pause_s",
        "pre_shock_pause_s",
        "post_shock_pause_s",
        "peri_shock_pause_s",
        "compression_rate",
        "rate_in_band",
        "compression_depth_mm",
        "depth_in_band",
        "released_fraction",
        "ventilation_rate",
        "over_ventilated_fraction",
        "under_ventilated_fraction",
        "breath_duration_s",
        "seal_loss_fraction",
        "device_left_on_s",
        "compressor_turn_s",
    }
)
_WORDS: Mapping[str, str] = {
    "epinephrine_interval_s": "epinephrine was given every {}",
    "time_to_epinephrine_s": "the first epinephrine was given after {}",
    "etco2_mmhg": "end-tidal CO2 was {} as a median",
    "waveform_co2_on_airway": "a capnogram watched the advanced airway for {} of its time",
    "two_breath_fraction": "two breaths were given in {} of the pauses for breaths",
}


def beyond(review: Review) -> Said | None:
    """One sentence that names what missed its limit, or its aim, where no seconds tell what to work on; None where nothing did.

    Parameters: review.
    Returns: up to three of them, each measure once: those that have no seconds before those whose seconds are too few to speak of,
    and what missed a limit before what missed an aim.
    """
    first: dict[str, tuple[Judged, Limit]] = {}
    for one in review.numbers:
        if one.value is not None and (missed := _missed(one)) is not None:
            first.setdefault(one.id, (one, missed))
    if not first:
        return None
    without = [pair for id_, pair in first.items() if id_ not in _COUNTED]
    named = sorted(without or first.values(), key=lambda pair: pair[0].verdict != "not met")[:MOST]
    words = [*(_told(*pair) for pair in named), _why(len(named), counted=not without)]
    return sentence("work_on.1", "; ".join(words), *(one for one, _ in named))


def _missed(one: Judged) -> Limit | None:
    """The limit that it missed, else the aim that it missed."""
    if one.verdict == "not met":
        return one.limit
    return one.goal if one.goal_verdict == "not met" else None


def _told(one: Judged, missed: Limit) -> str:
    asked = f"the aim: {limit_of(missed, one.unit)}" if missed is one.goal else f"{limit_of(missed, one.unit)} asked for"
    value = value_near(one, missed)
    return f"{_WORDS[one.id].format(value)} ({asked})" if one.id in _WORDS else f"{name(one)}: {value} ({asked})"


def _why(count: int, *, counted: bool) -> str:
    if counted:
        return f"as we count, {'it' if count == 1 else 'each'} would have gained less than a second"
    return "it has no seconds to compare by" if count == 1 else "these have no seconds to compare by"
