"""How far two readers of one case agree: on what pauses were for, on marks, and on verdicts. Neither is the right one."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from qi.model.review import Review

MARKS = ("rosc", "rearrest", "airway_placed", "airway_removed", "device_on", "device_off", "drug")
MARK_WITHIN_S = 3.0  # two readers' marks of one thing lie this near (our default, no source)


@dataclass(frozen=True)
class Agreement:
    """What two readings hold in common.

    causes, for each listed pause that both have, the cause by the first and by the second; verdicts, likewise for each judged
    measure; marks, for each kind how many both have, only the first, only the second.
    """

    causes: tuple[tuple[str, str], ...] = ()
    verdicts: tuple[tuple[str, str], ...] = ()
    marks: Mapping[str, tuple[int, int, int]] | None = None
    pauses_of_one: int = 0

    def record(self) -> dict[str, Any]:
        """As plain values, for the journal."""
        return {
            "causes": [list(pair) for pair in self.causes],
            "verdicts": [list(pair) for pair in self.verdicts],
            "marks": {kind: list(counts) for kind, counts in (self.marks or {}).items()},
            "pauses_of_one": self.pauses_of_one,
        }


def agreement(first: Review, second: Review) -> Agreement:
    """Compare two readings of one case.

    Parameters: first and second, the reviews with each reader's own corrections.
    Returns: Agreement. Pauses are matched one to one by the time they share.
    """
    listed_s = first.protocol.values["listed_pause_s"]
    ours, theirs = (
        review.findings.pauses[review.findings.pauses["seconds"] >= listed_s].reset_index(drop=True) for review in (first, second)
    )
    pairs = _matched(ours, theirs)
    causes = tuple((str(ours["cause"][i]), str(theirs["cause"][j])) for i, j in pairs)
    verdicts = tuple(
        (one.verdict, two.verdict)
        for one, two in zip(first.numbers, second.numbers, strict=False)
        if (one.id, one.of, one.from_) == (two.id, two.of, two.from_) and "no limit set" not in (one.verdict, two.verdict)
    )
    return Agreement(causes, verdicts, _marks(first, second), len(ours) + len(theirs) - 2 * len(pairs))


def kappa(pairs: Sequence[tuple[str, str]]) -> float | None:
    """Agreement beyond chance between two readers.

    Parameters: pairs, what the first and what the second said of each thing.
    Returns: (p_o - p_e) / (1 - p_e), 1 for full agreement, 0 for what chance alone gives; None without pairs, or where both said
    one and the same word of everything, so that chance explains all.
    References: Cohen, Educational and Psychological Measurement 20 (1960) 37 (from memory); checked against an independent package.
    """
    if not pairs:
        return None
    count = len(pairs)
    same = sum(one == two for one, two in pairs) / count
    ours, theirs = Counter(one for one, _ in pairs), Counter(two for _, two in pairs)
    by_chance = sum(ours[word] * theirs[word] for word in ours) / count**2
    return None if by_chance == 1.0 else (same - by_chance) / (1.0 - by_chance)


def _matched(ours: pd.DataFrame, theirs: pd.DataFrame) -> list[tuple[int, int]]:
    """Pairs of pauses that share most time, each used once."""
    shared = np.minimum.outer(ours["end_s"].to_numpy(), theirs["end_s"].to_numpy())
    shared = shared - np.maximum.outer(ours["start_s"].to_numpy(), theirs["start_s"].to_numpy())
    pairs = []
    while shared.size and shared.max() > 0:
        i, j = np.unravel_index(int(shared.argmax()), shared.shape)
        pairs.append((int(i), int(j)))
        shared[i, :], shared[:, j] = -1.0, -1.0
    return sorted(pairs)


def _marks(first: Review, second: Review) -> dict[str, tuple[int, int, int]]:
    """For each kind of mark: how many both have, only the first, only the second."""
    tables = {
        "shock": (first.findings.shocks["time_s"].to_numpy(), second.findings.shocks["time_s"].to_numpy()),
        **{kind: (_times(first, kind), _times(second, kind)) for kind in MARKS},
    }
    counted = {kind: _shared(*times) for kind, times in tables.items()}
    return {kind: counts for kind, counts in counted.items() if any(counts)}


def _times(review: Review, kind: str) -> np.ndarray:
    events = review.case.events
    return events.loc[events["type"] == kind, "time_s"].to_numpy()


def _shared(ours: np.ndarray, theirs: np.ndarray) -> tuple[int, int, int]:
    left = list(theirs)
    both = 0
    for time in ours:
        near = min(left, key=lambda other: abs(other - time), default=None)
        if near is not None and abs(near - time) <= MARK_WITHIN_S:
            left.remove(near)
            both += 1
    return both, len(ours) - both, len(left)
