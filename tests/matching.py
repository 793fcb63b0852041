"""One-to-one matching of events found against events known, and the scores that follow."""

from dataclasses import dataclass

import numpy as np


def pairs(known_s, found_s, *, tolerance_s):
    """As many pairs as can be made of one known and one found event no further apart than the tolerance, each used once.

    Both lists sorted [s]. Two pointers: whichever stands too early for the other's present event can never be matched later.
    Returns: indices into known and into found, one row a pair.
    """
    made, one, other = [], 0, 0
    while one < len(known_s) and other < len(found_s):
        apart = found_s[other] - known_s[one]
        if abs(apart) <= tolerance_s:
            made.append((one, other))
            one, other = one + 1, other + 1
        elif apart < 0:
            other += 1
        else:
            one += 1
    return np.array(made, dtype=int).reshape(-1, 2)


@dataclass(frozen=True)
class Score:
    """Hits, misses and false alarms of a detector, and how far each hit is off [s]."""

    hits: int
    misses: int
    false: int
    off_s: np.ndarray

    @property
    def f1(self):
        """Harmonic mean of sensitivity and positive predictive value, 0 to 1; 1 where there was nothing and nothing was found."""
        return 2 * self.hits / (2 * self.hits + self.misses + self.false) if self.hits + self.misses + self.false else 1.0


def score(known_s, found_s, *, tolerance_s):
    """Score of found against known events."""
    known, found = np.asarray(known_s, dtype=float), np.asarray(found_s, dtype=float)
    at = pairs(known, found, tolerance_s=tolerance_s)
    return Score(len(at), len(known) - len(at), len(found) - len(at), found[at[:, 1]] - known[at[:, 0]])
