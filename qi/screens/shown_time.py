"""Times as every screen shows them: minutes and seconds from the first compression."""

from qi.model.review import Review
from qi.model.words import clock


def zero_s(review: Review) -> float:
    """The moment shown as 0:00: the first compression, else the start of the arrest [s from case start]."""
    pressed = review.findings.compressions
    return float(pressed["onset_s"].iloc[0]) if len(pressed) else review.findings.arrest.first.start_s


def since(review: Review, time_s: float) -> str:
    """A moment as minutes and seconds from the first compression."""
    return clock(time_s - zero_s(review))
