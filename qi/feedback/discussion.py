"""Questions for a teaching round: open, for people who were not on the call, about the work and never about who did it.

References: the wording is ours; that questions are open and about process: common practice, no source.
"""

from qi.feedback.debrief import unexplained
from qi.feedback.gains import gains
from qi.feedback.said import Said, age_words
from qi.model.review import Review

MOST = 4
_BREATHS = "How can a team keep the time for breaths, and what gets in the way of it?"
_BY_GAIN = {
    "pauses": "Which of the long pauses could compressions have gone on through, and what would it have taken?",
    "fraction": "Which of the work could wait while {hands} stay on the chest?",
    "over_ventilated_fraction": _BREATHS,
    "under_ventilated_fraction": _BREATHS,
    "breath_duration_s": "How can you tell that a breath is enough?",
    "released_fraction": "What makes people lean on the chest, and how does a team notice it?",
    "rate_in_band": "What does a team keep the pace of compressions by?",
    "depth_in_band": "How can you tell how deep you press, and what lies under the patient?",
    "seal_loss_fraction": "How is a mask best held, and by how many hands?",
    "device_left_on_s": "How does the word that there is ROSC go round?",
    "compressor_turn_s": "How are changes at the chest called?",
    "pre_shock_pause_s": "How is a shock got ready so that {hands} come back at once?",
    "post_shock_pause_s": "What lets compressions go on at once after a shock?",
    "time_to_device_s": "What has to happen before the device comes to mind?",
}


def questions(review: Review) -> tuple[Said, ...]:
    """Up to four questions: on what would have gained most, on an unexplained pause, on what went well and was not seen.

    Parameters: review, best without identity: no word of the case's files is used.
    """
    asked: list[Said] = []
    ranked = gains(review)
    if ranked and (words := _BY_GAIN.get(ranked[0].key.partition(".")[0])):
        asked.append(Said("", words.format(hands=age_words(review).hands), ranked[0].rests_on))
    asked += unexplained(review, "what might it have been?")
    asked.append(Said("", "What went well here, and what made it possible?"))
    asked.append(Said("", "What does this recording not show, and what would have shown it?"))
    asked.append(Said("", "What would make the same easier on our next call: kit, room, people, words?"))
    return tuple(Said(f"discussion.{number}", one.text, one.rests_on) for number, one in enumerate(asked[:MOST], 1))
