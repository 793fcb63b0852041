"""What one sensor saw of one kind of event, and when it was able to see at all."""

from dataclasses import dataclass

import pandas as pd

from qi.model.spans import Spans


@dataclass(frozen=True, eq=False)
class Seen:
    """Events of one kind from one sensor. Outside `known` the sensor says nothing: neither an event nor the lack of one."""

    sensor: str
    events: pd.DataFrame
    known: Spans


@dataclass(frozen=True, eq=False)
class Sensors:
    """What each sensor of a case saw: compressions, breaths, and of these the breaths of capnograms once more."""

    pressed: tuple[Seen, ...] = ()
    breathed: tuple[Seen, ...] = ()
    exhaled: tuple[Seen, ...] = ()

    @property
    def all(self) -> tuple[Seen, ...]:
        """Every sensor of compressions and of breaths."""
        return (*self.pressed, *self.breathed)
