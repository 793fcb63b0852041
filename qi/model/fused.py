"""What several sensors say together of one kind of event, who said what, and which monitor led where two recorded."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

import pandas as pd

from qi.model.seen import Seen, Sensors
from qi.model.spans import Spans
from qi.model.tables import Column

AGREEMENT = (
    Column("start_s", "float", "s", "from", may_lack=False),
    Column("end_s", "float", "s", "to; the same moment for a single event", may_lack=False),
    Column("taken", "text", "", "compressions or pause; breath or no breath", may_lack=False),
    Column("agree", "text", "", "sensors that say so, most trusted first, separated by semicolons", may_lack=False),
    Column("differ", "text", "", "sensors that could see and say otherwise", may_lack=False),
)
LEFT_OUT = (
    Column("sensor", "text", "", "sensor that was left out; missing for the answer of all sensors together"),
    Column("id", "text", "", "measure", may_lack=False),
    Column("value", "float", "", "what the measure would be, in its own unit; missing where it could not be measured"),
)


class ClockCheck(NamedTuple):
    """How two clocks stand by compressions that both monitors recorded.

    offset_s, what to add to the second clock to reach the first [s]; residual_s, standard deviation of what is left between the two
    sensors then [s]; n, compressions seen by both.
    """

    offset_s: float
    residual_s: float
    n: int


@dataclass(frozen=True)
class ClockOrder:
    """Which clocks count as one and which leads.

    groups, clocks whose sensors vote together, the leading group first; checks, for each pair of clocks that recorded at one time,
    what their compressions say of them, None where they say nothing.
    """

    groups: tuple[frozenset[str], ...] = ()
    checks: Mapping[tuple[str, str], ClockCheck | None] = field(default_factory=dict)

    def check(self, first: str, second: str) -> ClockCheck | None:
        """The check of two clocks, in either order: offset_s is what to add to the second [s]."""
        if (first, second) in self.checks:
            return self.checks[first, second]
        found = self.checks.get((second, first))
        return None if found is None else found._replace(offset_s=-found.offset_s)

    def together(self, first: str, second: str) -> bool:
        """Whether the sensors of both clocks vote together."""
        return any(first in group and second in group for group in self.groups)

    def leads(self, first: str, second: str) -> bool:
        """Whether the first leads where both could see."""
        order = [clock for group in self.groups for clock in sorted(group)]
        place = {clock: at for at, clock in enumerate(order)}
        return place.get(first, len(order)) <= place.get(second, len(order))


@dataclass(frozen=True, eq=False)
class Fused:
    """Events that the sensors hold together, and how they came to it.

    events and known as in Seen; disagreements, DISAGREEMENTS for the reviewer; agreement, AGREEMENT: who voted how; lags_s, the
    constant lag that was taken off each sensor that could see, NaN where nothing told it (none was taken off then) [s];
    clocks, which monitors voted together and which led.
    """

    events: pd.DataFrame
    known: Spans
    disagreements: pd.DataFrame
    agreement: pd.DataFrame
    lags_s: Mapping[str, float] = field(default_factory=dict)
    clocks: ClockOrder = field(default_factory=ClockOrder)

    @property
    def seen(self) -> Seen:
        """The same as from one sensor."""
        return Seen(", ".join(self.events["sensor"].unique()), self.events, self.known)


@dataclass(frozen=True, eq=False)
class Looked:
    """What the detectors saw on a case, before anything is joined to the rest: what each sensor saw, its compressions joined, and
    shocks as the ECG shows them."""

    sensors: Sensors
    pressed: Fused
    by_ecg: pd.DataFrame


@dataclass(frozen=True)
class Changeover:
    """From one monitor to the next: when, between which clocks, kind overlap, gap or at once, and what that means, in words."""

    start_s: float
    end_s: float
    from_: str
    to: str
    kind: str
    text: str
