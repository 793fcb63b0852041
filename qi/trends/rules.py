"""Further signal rules on limits charts, off unless a person asks for them: each adds false signals.

A point on the centre ends a run on one side; a tie ends a trend; only strict inequality counts.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Rule:
    """What a rule looks for, in words, how many points it spans, and the flags of the points at which it is fulfilled."""

    words: str
    span: int
    ends: Callable[[np.ndarray], np.ndarray]


def _all_of(flags: np.ndarray, span: int) -> np.ndarray:
    """The last so many points all have the flag."""
    return _count(flags, span) == span


def _count(flags: np.ndarray, span: int) -> np.ndarray:
    """How many of the last so many points have the flag, fewer at the beginning."""
    total = np.cumsum(flags, axis=-1)
    total[..., span:] = total[..., span:] - total[..., :-span]
    return total


def _one_side(z: np.ndarray, span: int) -> np.ndarray:
    return _all_of(z > 0, span) | _all_of(z < 0, span)


def _most_beyond(z: np.ndarray, sigmas: float, *, of: int) -> np.ndarray:
    """All but one of the last so many points lie beyond so many sigmas on one side, and so does the last."""
    up, down = z > sigmas, z < -sigmas
    return (up & (_count(up, of) >= of - 1)) | (down & (_count(down, of) >= of - 1))


def _trend(z: np.ndarray, span: int) -> np.ndarray:
    steps = np.diff(z, axis=-1)
    found = np.zeros(z.shape, dtype=bool)
    found[..., 1:] = _all_of(steps > 0, span - 1) | _all_of(steps < 0, span - 1)
    return found


def _alternating(z: np.ndarray, span: int) -> np.ndarray:
    steps = np.diff(z, axis=-1)
    found = np.zeros(z.shape, dtype=bool)
    if z.shape[-1] > 2:
        found[..., 2:] = _all_of(steps[..., 1:] * steps[..., :-1] < 0, span - 2)
    return found


def _none_near(z: np.ndarray, span: int) -> np.ndarray:
    far = _all_of(np.abs(z) > 1, span)
    return far & (_count(z > 0, span) > 0) & (_count(z < 0, span) > 0)


_ONE = Rule("one point beyond 3 sigmas", 1, lambda z: np.abs(z) > 3)
_TWO_OF_THREE = Rule("two of three points beyond 2 sigmas on one side", 3, lambda z: _most_beyond(z, 2.0, of=3))
_FOUR_OF_FIVE = Rule("four of five points beyond 1 sigma on one side", 5, lambda z: _most_beyond(z, 1.0, of=5))

# Nelson, Journal of Quality Technology 16 (1984) 237, and the Western Electric handbook (both read in secondary copies).
RULES = {
    "nelson 1": _ONE,
    "nelson 2": Rule("nine points in a row on one side", 9, lambda z: _one_side(z, 9)),
    "nelson 3": Rule("six points in a row rising or falling", 6, lambda z: _trend(z, 6)),
    "nelson 4": Rule("fourteen points in a row going up and down by turns", 14, lambda z: _alternating(z, 14)),
    "nelson 5": _TWO_OF_THREE,
    "nelson 6": _FOUR_OF_FIVE,
    "nelson 7": Rule("fifteen points in a row within 1 sigma", 15, lambda z: _all_of(np.abs(z) < 1, 15)),
    "nelson 8": Rule("eight points in a row beyond 1 sigma, on both sides", 8, lambda z: _none_near(z, 8)),
    "western electric 1": _ONE,
    "western electric 2": _TWO_OF_THREE,
    "western electric 3": _FOUR_OF_FIVE,
    "western electric 4": Rule("eight points in a row on one side", 8, lambda z: _one_side(z, 8)),
}
NELSON = tuple(name for name in RULES if name.startswith("nelson"))
WESTERN_ELECTRIC = tuple(name for name in RULES if name.startswith("western"))
