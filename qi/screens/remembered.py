"""What was worked out for a review to show it, kept for exactly as long as the review itself is kept."""

from collections.abc import Callable
from typing import Any, TypeVar
from weakref import WeakKeyDictionary

from qi.model.review import Review

T = TypeVar("T")
_kept: WeakKeyDictionary[Review, dict[str, Any]] = WeakKeyDictionary()


def of(review: Review, name: str, make: Callable[[], T]) -> T:
    """What `make` gives for this review, made once under that name; to be read only."""
    known = _kept.setdefault(review, {})
    if name not in known:
        known[name] = make()
    made: T = known[name]
    return made
