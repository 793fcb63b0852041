"""Questions for the debrief: open, about how the work was done, never about who. Which are asked follows from what was seen.

References: the wording is ours; that questions are open and about process: common practice, no source.
"""

from qi.feedback.gains import Gain
from qi.feedback.said import Said, age_words, sentence
from qi.model.review import Review
from qi.model.words import clock

MOST = 4
_BY_GAIN = {
    "pauses": "What was going on in the long pauses, and what would have let compressions go on?",
    "fraction": "What made {hands} leave the chest so often, and which of it could wait?",
    "over_ventilated_fraction": "How did you keep the time for the breaths, and what got in the way of it?",
    "under_ventilated_fraction": "How did you keep the time for the breaths, and what got in the way of it?",
    "breath_duration_s": "How could you tell that a breath was enough?",
    "released_fraction": "How did the place and the height you pressed from feel, and when did arms tire?",
    "rate_in_band": "What did you keep the pace of compressions by?",
    "depth_in_band": "What was under the patient, and how could you tell how deep you pressed?",
    "seal_loss_fraction": "How was the mask held, and by how many hands?",
    "device_left_on_s": "How did the word that there was ROSC go round?",
    "compressor_turn_s": "How were changes at the chest called?",
    "pre_shock_pause_s": "How was a shock got ready, and how was the moment for it called?",
    "post_shock_pause_s": "How did compressions start again after a shock?",
    "time_to_device_s": "Where was the device kept, and when did it come to mind?",
}


def questions(review: Review, first: Gain | None) -> tuple[Said, ...]:
    """Up to four questions, that of what to work on first.

    Parameters: review; first, what to work on, None where there is nothing.
    """
    asked: list[Said] = []
    if first is not None:
        words = _BY_GAIN.get(first.key.partition(".")[0], "").format(hands=age_words(review).hands)
        if words:
            asked.append(Said("questions.1", words, first.rests_on))
    asked += unexplained(review, "what do you remember of it?")
    if age_words(review).patient != "adult" and review.of("epinephrine_doses").value:
        doses = review.of("epinephrine_doses")
        asked.append(sentence("", "How did you settle on a weight for the doses, and how were they checked?", doses))
    asked.append(Said("", "What would you do the same way again?"))
    asked.append(Said("", "What would have made it easier: kit, room, people, words?"))
    return tuple(Said(f"questions.{number}", one.text, one.rests_on) for number, one in enumerate(asked[:MOST], 1))


def unexplained(review: Review, then: str) -> list[Said]:
    """The longest pause over the limit for which no cause is known.

    Parameters: review; then, what is asked of it.
    """
    found, limit = review.findings, float(review.protocol.values["long_pause_s"])
    open_ = found.pauses[(found.pauses["cause"] == "unknown") & (found.pauses["seconds"] > limit)]
    if open_.empty or not len(found.compressions):
        return []
    row = open_.loc[open_["seconds"].idxmax()]
    since = clock(float(row["start_s"]) - float(found.compressions["onset_s"].iloc[0]))
    text = f"Nothing recorded says what the pause of {row['seconds']:.0f} s at {since} min was for: {then}"
    return [sentence("", text, review.of("longest_other_pause_s"), review.of("pauses_over_limit"))]
