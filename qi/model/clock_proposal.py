"""What moments that two clocks both recorded say of how they stand, and what a reviewer sets a clock to."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import pandas as pd

from qi.model.tables import Column, make

# Meaning of a moment -> what a person reads.
MEANINGS: Mapping[str, str] = {
    "shock": "shock",
    "co2": "CO2",
    "airway": "airway",
    "drug": "drug",
    "circulation": "rhythm, pulse, ROSC",
    "time": "time point",
    "other": "other",
}
# How well a pair of such moments tells an offset -> in words.
SORTS: Mapping[str, str] = {
    "sharp": "told to the second by a machine, charted near it by hand",
    "charted": "charted by hand on either side",
    "loose": "two moments that only lie near each other: weak evidence",
}
# How sure a proposal is -> in words.
CONFIDENCE: Mapping[str, str] = {
    "good": "three or more moments agree and no other offset fits nearly as well",
    "fair": "two moments agree and no other offset fits nearly as well",
    "open": "another offset fits nearly as well: these moments alone do not decide",
    "weak": "one moment alone, or only moments that lie near each other",
    "none": "no moment was recorded by both clocks",
}
MOMENTS = (
    Column("time_s", "float", "s", "when, as its clock stands now", may_lack=False),
    Column("clock", "text", "", "clock that tells it", may_lack=False),
    Column("key", "text", "", "moments of one key on two clocks may be the same", may_lack=False),
    Column("what", "text", "", "in words", may_lack=False),
    Column("meaning", "text", "", "one of MEANINGS", may_lack=False),
    Column("sort", "text", "", "one of SORTS", may_lack=False),
    Column("grain_s", "float", "s", "grain of the entry: 60 where it was charted to the minute", may_lack=False),
)
PAIRS = (
    Column("own_s", "float", "s", "when by the clock in question, as it stands now", may_lack=False),
    Column("reference_s", "float", "s", "when by the reference clock", may_lack=False),
    Column("apart_s", "float", "s", "what this pair alone would add to the clock", may_lack=False),
    Column("residual_s", "float", "s", "what the proposal leaves between the two", may_lack=False),
    Column("what", "text", "", "the moment, as either side calls it", may_lack=False),
    Column("meaning", "text", "", "one of MEANINGS", may_lack=False),
    Column("sort", "text", "", "one of SORTS", may_lack=False),
)


@dataclass(frozen=True)
class ClockSetting:
    """What a reviewer sets a clock to.

    offset_s is what to add to the clock's times as its files told them, in all: it takes the place of Clock.offset_s. (A clock that
    nothing placed counts from its own first time.) uncertainty_s is the half-width of what that may be off by [s].
    """

    clock: str
    offset_s: float
    uncertainty_s: float
    method: str


@dataclass(frozen=True)
class Alternative:
    """Another offset that fits nearly as well: what to add now and in all [s], pairs that meet then, and what it leaves [s]."""

    offset_s: float
    total_s: float
    n: int
    residual_s: float


@dataclass(frozen=True, eq=False)
class ClockProposal:
    """How one clock stands against the reference clock by moments that both recorded; nothing is moved by it.

    offset_s, what to add to the clock as it stands now, None where nothing tells; total_s, the same on top of what is added already
    (what a ClockSetting takes); n, moments (or compressions) that meet, loose ones left out where there are others; pairs, PAIRS
    table; residual_s, robust standard deviation of what is left; uncertainty_s, half-width of what the proposal may be off by; by,
    "moments" or "compressions"; near_hour, +1 or -1 where the offset lies near that many hours, else 0; near_days, the whole days
    it lies near, else 0; confidence, one of CONFIDENCE; text, all of it in words; alternatives, other offsets that fit nearly as
    well, best first; why_not, what would have had to be recorded, where there is no offset.
    """

    clock: str
    reference: str
    offset_s: float | None = None
    total_s: float | None = None
    n: int = 0
    pairs: pd.DataFrame = field(default_factory=lambda: make(PAIRS))
    residual_s: float | None = None
    uncertainty_s: float | None = None
    by: str = "moments"
    near_hour: int = 0
    near_days: int = 0
    confidence: str = "none"
    text: str = ""
    alternatives: tuple[Alternative, ...] = ()
    why_not: str = ""

    @property
    def agrees(self) -> bool:
        """Whether the clock, as it stands, already lies within what these moments can tell."""
        return self.offset_s is not None and self.uncertainty_s is not None and abs(self.offset_s) <= self.uncertainty_s

    @property
    def setting(self) -> ClockSetting | None:
        """What accepting the proposal sets; None where there is nothing to accept."""
        if self.total_s is None or self.uncertainty_s is None:
            return None
        what = "compressions" if self.by == "compressions" else f"moment{'s' if self.n != 1 else ''}"
        return ClockSetting(self.clock, self.total_s, self.uncertainty_s, f"matched on {self.n} {what} that both clocks recorded")
