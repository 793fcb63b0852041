"""What went well: what met its limit, what also met the tighter aim first, spread over the parts of the work."""

from collections.abc import Callable, Sequence

from qi.feedback.said import Said, age_words, held_to, sentence, value_of
from qi.feedback.three_errors import NEVER_LOST
from qi.model.review import Judged, Review

MOST = 4
_Words = Callable[[Review, Judged], str]


def _fraction(review: Review, one: Judged) -> str:
    return f"{age_words(review).on_chest} for {value_of(one)} of the arrest{held_to(one)}"


def _longest(review: Review, one: Judged) -> str:
    if not one.value:
        return f"{age_words(review).hands} never left the chest for long enough to count as a pause"
    return f"no pause was too long: the longest took {value_of(one)}{held_to(one)}"


def _rate(_: Review, one: Judged) -> str:
    return f"compressions kept a pace of {value_of(one)}{held_to(one)}"


def _depth(_: Review, one: Judged) -> str:
    return f"compressions were {value_of(one)} deep on average{held_to(one)}"


def _let_up(_: Review, one: Judged) -> str:
    return f"the chest was let up fully after {value_of(one)} of compressions{held_to(one)}"


def _breaths(_: Review, one: Judged) -> str:
    when = {"advanced_airway": "with the advanced airway in, ", "bag_mask_continuous": "by mask during compressions, "}
    return f"{when.get(one.of or '', '')}breaths came {one.value:.0f} times a minute{held_to(one).replace(' per min', '')}"


def _seal(_: Review, one: Judged) -> str:
    lost = f"with the ITD on, the vacuum of the recoil was lost for {value_of(one)} of compressions{held_to(one)}"
    return lost if one.value else NEVER_LOST


# Part of the work -> its measures, each with which of several answers (None: the plain one) and its words.
PARTS: Sequence[tuple[tuple[str, str | None, _Words], ...]] = (
    (("compression_fraction", None, _fraction), ("longest_pause_s", None, _longest)),
    (("ventilation_rate", "advanced_airway", _breaths), ("ventilation_rate", "bag_mask_continuous", _breaths)),
    (("compression_rate", None, _rate), ("compression_depth_mm", None, _depth)),
    (("released_fraction", None, _let_up),),
    (
        ("pre_shock_pause_s", None, lambda _, one: f"the pause before a shock was {value_of(one)} as a median{held_to(one)}"),
        ("peri_shock_pause_s", None, lambda _, one: f"the pause around a shock was {value_of(one)} as a median{held_to(one)}"),
        ("post_shock_pause_s", None, lambda _, one: f"the pause after a shock was {value_of(one)} as a median{held_to(one)}"),
    ),
    (
        ("seal_loss_fraction", None, _seal),
        ("device_left_on_s", "itd", lambda _, one: f"the ITD came off {value_of(one)} after ROSC{held_to(one)}"),
    ),
    (
        ("compressor_turn_s", None, lambda _, one: f"the compressor changed every {value_of(one)}{held_to(one)}"),
        ("breath_duration_s", None, lambda _, one: f"a breath took {value_of(one)} as a median{held_to(one)}"),
        ("epinephrine_interval_s", None, lambda _, one: f"epinephrine was given every {value_of(one)}{held_to(one)}"),
        (
            "waveform_co2_on_airway",
            None,
            lambda _, one: f"a capnogram watched the advanced airway for {value_of(one)} of its time{held_to(one)}",
        ),
    ),
)


def went_well(review: Review) -> tuple[Said, ...]:
    """Up to four sentences; one that says so where nothing could be held to a limit, or nothing met one.

    Parameters: review.
    Returns: sentences, the surest first: from each part of the work the first that met the aim as well, else the first that met its
    limit, before a second one of any part.
    """
    picked: list[tuple[int, int, str, Judged, _Words]] = []
    for part in PARTS:
        met = [(_rank(one), one, words) for id_, of, words in part for one in review.all_of(id_) if one.of == of and _rank(one)]
        met.sort(key=lambda each: -each[0])
        picked += [(round_, -rank, one.id, one, words) for round_, (rank, one, words) in enumerate(met)]
    picked.sort(key=lambda each: each[:2])
    if not picked:
        return (_none(review),)
    return tuple(
        sentence(f"went_well.{number}", words(review, one), one) for number, (_, _, _, one, words) in enumerate(picked[:MOST], 1)
    )


def _rank(one: Judged) -> int:
    """2 where the tighter aim is met, 1 where only the limit is, 0 where neither is (or it is not known)."""
    if one.value is None or one.verdict == "not met":
        return 0
    if one.goal is not None and one.goal_verdict == "met":
        return 2
    return int(one.verdict == "met")


def _none(review: Review) -> Said:
    judged = [one for one in review.numbers if one.verdict in ("met", "not met")]
    if not judged:
        return Said(
            "went_well.1", "Nothing could be held to a limit, so the numbers do not say what went well: ask those who were there."
        )
    rests = tuple(dict.fromkeys(one.id for one in judged))
    return Said("went_well.1", "The numbers name nothing here; those who were there will know what went well.", rests)
