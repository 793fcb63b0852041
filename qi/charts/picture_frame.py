"""The axis that all lanes of the picture of a case share, and room for words beside one another."""

from collections.abc import Sequence
from dataclasses import dataclass

from qi.charts import svg
from qi.model.review import Review
from qi.model.spans import Span, Spans
from qi.model.words import clock

GUTTER = 62.0  # where names of lanes stand
AXIS = 26.0


@dataclass(frozen=True)
class Frame:
    """The review, the stretch shown and the moment shown as 0 [s from case start], the edges of the lanes, and whether in grey."""

    review: Review
    extent: Span
    zero_s: float
    left: float
    right: float
    grey: bool

    def x(self, time_s: float) -> float:
        """Where a moment stands, inside the edges."""
        share = (time_s - self.extent.start_s) / self.extent.seconds
        return self.left + min(1.0, max(0.0, share)) * (self.right - self.left)

    def holds(self, time_s: float) -> bool:
        """Whether a moment is shown."""
        return self.extent.start_s <= time_s <= self.extent.end_s

    def shown(self, spans: Spans) -> list[tuple[float, float]]:
        """From where to where the shown parts of stretches stand."""
        return [(self.x(start), self.x(end)) for start, end in spans.clip(self.extent).pairs()]

    def tone(self, meaning: str) -> str:
        """The colour of a meaning."""
        return svg.colour(meaning, grey=self.grey)

    def since(self, time_s: float) -> str:
        """A moment as minutes and seconds from the first compression."""
        return clock(time_s - self.zero_s)


def rows_of(
    labels: Sequence[tuple[float, Sequence[str]]], *, left: float, right: float, most: int, size: float, near: float = 4.0
) -> list[tuple[int, float, str]]:
    """Give words room in rows, the weightiest first; a word that finds none in its long form is tried in its shorter ones.

    Parameters: labels, of each its middle and its forms, long to short; left and right edge; most, how many rows there may be;
    size of the font; near, least room between two.
    Returns: row (0 is the lowest), middle and words of those that found room.
    """
    taken: list[list[tuple[float, float]]] = [[] for _ in range(most)]
    found = []
    for middle, forms in labels:
        place = _place(middle, forms, taken, left, right, size, near)
        if place is not None:
            row, at, words = place
            half = svg.width_of(words, size) / 2
            taken[row].append((at - half, at + half))
            found.append(place)
    return found


def _place(
    middle: float, forms: Sequence[str], taken: list[list[tuple[float, float]]], left: float, right: float, size: float, near: float
) -> tuple[int, float, str] | None:
    for words in forms:
        half = svg.width_of(words, size) / 2
        at = min(max(middle, left + half), right - half)
        for row, others in enumerate(taken):
            if all(at + half + near <= start or at - half - near >= end for start, end in others):
                return row, at, words
    return None
