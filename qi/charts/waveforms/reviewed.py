"""What a person said, told apart from what the machine found: which marks are a reviewer's, and by which correction."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from qi.model.journal import REVIEWER
from qi.model.spans import Spans

NEAR_S = 0.05  # a mark this near to where a correction put something is the mark of that correction [s] (our default)
_PERSON = (REVIEWER, f"events ({REVIEWER})")  # the latter names a charted event as the sensor of a shock
_TIMES = ("start_s", "end_s", "to_start_s", "to_end_s")


@dataclass(frozen=True)
class Said:
    """The corrections that are in force on a case, in the order they were written; see pack.overlay for their keys."""

    corrections: Sequence[Mapping[str, Any]]

    def for_browser(self) -> list[dict[str, Any]]:
        """Each correction as plain values, times to the millisecond."""
        return [
            {
                "number": int(one["number"]),
                **{name: str(one.get(name) or "") for name in ("action", "subject", "words", "who", "why", "sensor")},
                **{name: _ms(one.get(name)) for name in _TIMES},
            }
            for one in self.corrections
        ]

    def number(self, subjects: Iterable[str], start_s: float, end_s: float | None = None) -> int | None:
        """Number of the last correction that put something of these subjects here, or said something of it.

        Parameters: subjects, words of qi.model.corrections.SUBJECTS; start_s, end_s, where the mark is [s]; for a stretch it is
        enough that the two share some time.
        Returns: the number, or None where no correction speaks of this place.
        """
        wanted = set(subjects)
        for one in reversed(self.corrections):
            if one["action"] != "remove" and one["subject"] in wanted and _touches(_place(one), start_s, end_s):
                return int(one["number"])
        return None

    def mark(
        self, subjects: Iterable[str], by: object, start_s: float, end_s: float | None = None, *, told: bool = False
    ) -> dict[str, Any]:
        """Whether one mark is a person's, and by which correction.

        Parameters: subjects, start_s, end_s as in number; by, the sensor or source that the table gives; told, whether a correction
        of the mark is enough, for things whose table does not say who put them there.
        Returns: {"person": bool, "number": int or None}.
        """
        person = by in _PERSON
        number = self.number(subjects, start_s, end_s) if person or told else None
        return {"person": person or number is not None, "number": number}

    def rows(self, table: pd.DataFrame, subject: str) -> list[list[int | None]]:
        """[row, number of the correction or None] of each row of a table of moments that is a person's."""
        mine = (table["sensor"] == REVIEWER).to_numpy().nonzero()[0]
        times = table["time_s"].to_numpy()
        return [[int(row), self.number((subject,), float(times[row]))] for row in mine]

    def edges(self, arrest: Spans) -> list[list[int | None]]:
        """[number of the correction that set its start, that set its end] of each arrest span; None for what no person set."""
        return [[self._edge("start_s", start), self._edge("end_s", end)] for start, end in arrest.pairs()]

    def _edge(self, name: str, seconds: float) -> int | None:
        for one in reversed(self.corrections):
            if one["subject"] != "arrest" or one["action"] not in ("add", "move"):
                continue
            moved = one.get(f"to_{name}")
            if one["action"] == "move" and (moved is None or moved == one.get(name)):
                continue
            place = one.get(name) if one["action"] == "add" else moved
            if place is not None and abs(place - seconds) <= NEAR_S:
                return int(one["number"])
        return None


def _place(one: Mapping[str, Any]) -> tuple[float, float]:
    """Where a correction leaves its subject; a moment as a stretch without length."""
    start = one["start_s"] if one.get("to_start_s") is None else one["to_start_s"]
    end = one.get("to_end_s") if one.get("to_start_s") is not None else one.get("end_s")
    return float(start), float(start if end is None else end)


def _touches(place: tuple[float, float], start_s: float, end_s: float | None) -> bool:
    if end_s is None:
        return place[0] - NEAR_S <= start_s <= place[1] + NEAR_S
    return min(place[1], end_s) - max(place[0], start_s) > 0


def _ms(seconds: float | None) -> float | None:
    return None if seconds is None else round(float(seconds), 3)
