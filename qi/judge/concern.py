"""Which case asks for a reviewer first, and why, in words. An order of work, not a grade of anybody."""

from collections.abc import Sequence
from dataclasses import dataclass

from qi.model.review import Judged, Review
from qi.model.words import amount, asked, name

# Measures whose limit was not held, and how much each weighs in the order of work (our order, no source).
WEIGHTS = {
    "compression_fraction": 3.0,
    "longest_pause_s": 3.0,
    "device_left_on_s": 3.0,
    "pauses_over_limit": 2.0,
    "peri_shock_pause_s": 2.0,
    "pre_shock_pause_s": 2.0,
    "released_fraction": 2.0,
    "ventilation_rate": 2.0,
    "seal_loss_fraction": 2.0,
    "compression_depth_mm": 1.0,
    "compression_rate": 1.0,
    "time_to_device_s": 1.0,
    "time_to_epinephrine_s": 1.0,
    "breath_duration_s": 1.0,
}
UNSURE = 1.0  # for each thing that keeps the case from being measured
MOST_REASONS = 3


@dataclass(frozen=True)
class Concern:
    """How early a case should be looked at (0 or more, the highest first), and the reasons in words, the weightiest first."""

    weight: float
    reasons: tuple[str, ...]

    @property
    def words(self) -> str:
        """The first reasons in one line, and how many more there are."""
        if not self.reasons:
            return "nothing stands out"
        more = len(self.reasons) - MOST_REASONS
        return "; ".join(self.reasons[:MOST_REASONS]) + (f"; and {more} more" if more > 0 else "")


def concern(review: Review) -> Concern:
    """Limits that were not held, and what could not be measured or read.

    Parameters: review, as the machine found it or as a reviewer left it.
    Returns: Concern; a measure that is not measurable weighs nothing by itself: that no compression could be seen at all does.
    """
    found: list[tuple[float, str]] = []
    for id_, weight in WEIGHTS.items():
        failed = next((judged for judged in review.all_of(id_) if judged.verdict == "not met"), None)
        if failed is not None:
            found.append((weight, _words(failed)))
    found += [(UNSURE, text) for text in _unsure(review)]
    found.sort(key=lambda one: -one[0])
    return Concern(sum(weight for weight, _ in found), tuple(text for _, text in found))


def _words(judged: Judged) -> str:
    limit = f" (asked for: {asked(judged.limit, judged.unit)})" if judged.limit else ""
    text = name(judged)
    return f"{text[0].lower() + text[1:] if not text[:2].isupper() else text} {amount(judged.value, judged.unit)}{limit}"


def _unsure(review: Review) -> Sequence[str]:
    """What keeps the case from being measured, or its files from being read together."""
    found = review.findings
    said = []
    if not found.compressions_known:
        said.append("no sensor saw compressions")
    if review.unread:
        said.append(f"could not be read whole: {', '.join(review.unread[:2])}")
    if unplaced := [clock.name for clock in review.case.clocks.values() if not clock.placed]:
        said.append(f"a clock is not lined up: {', '.join(unplaced[:2])}")
    if len(found.disagreements):
        said.append(f"sensors disagree at {len(found.disagreements)} moment{'s' if len(found.disagreements) > 1 else ''}")
    return said
