"""Published registry figures as dated context beside an agency's own; never a target."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from qi.trends.outcomes import OUTCOMES
from qi.trends.utstein import GROUPS

_FILE = Path(__file__).with_name("registry_figures.toml")
CONTEXT = "Other patients, other places, other years: context for the eye, not a target and no comparison."


@dataclass(frozen=True)
class Figure:
    """One published share: of which registry and year, of which group and outcome, what it counts, where it stands."""

    registry: str
    year: int
    group: str
    outcome: str
    what: str
    value: float
    place: str
    checked: str

    def words(self) -> str:
        """The figure with its year and where it stands."""
        return f"{self.registry} {self.year}: {self.value * 100:.1f} % ({self.what}; {self.place}, {self.checked})."


def published() -> tuple[Figure, ...]:
    """All figures, in order of their years."""
    told: Mapping[str, Any] = tomllib.loads(_FILE.read_text(encoding="utf-8"))
    return tuple(sorted((Figure(told["name"], **one) for one in told["figure"]), key=lambda one: one.year))


def context(group: str, outcome: str) -> tuple[str, ...]:
    """What a registry published of a group and an outcome, as sentences that end with what it is not; empty where nothing was read.

    Parameters: group, a key of utstein.GROUPS; outcome, a key of outcomes.OUTCOMES.
    Raises: KeyError for another word.
    """
    if group not in {one.key for one in GROUPS} or outcome not in OUTCOMES:
        raise KeyError(f"{group}, {outcome}")
    found = [one.words() for one in published() if (one.group, one.outcome) == (group, outcome)]
    note = str(tomllib.loads(_FILE.read_text(encoding="utf-8"))["note"])
    return (*found, CONTEXT, note) if found else ()
