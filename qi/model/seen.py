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
