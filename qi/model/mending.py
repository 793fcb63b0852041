"""Where a person's word enters between finding and measuring. Whoever joins findings asks a Mending at each step."""

from typing import Protocol

import pandas as pd

from qi.model.findings import Arrest
from qi.model.seen import Seen, Sensors
from qi.model.spans import Spans


class Mending(Protocol):
    """What a reviewer's corrections do to each thing that was found; each method returns a new one."""

    def sensors(self, seen: Sensors) -> Sensors:
        """What each sensor saw, without stretches that a reviewer calls artefact."""

    def artefact(self, sensor: str) -> Spans:
        """Stretches that a reviewer calls artefact on one sensor, by its name [s]."""

    def compressions(self, seen: Seen) -> Seen:
        """Compressions of all sensors together."""

    def ventilations(self, seen: Seen) -> Seen:
        """Breaths of all sensors together."""

    def exhalations(self, seen: Seen) -> Seen:
        """Breaths that capnograms saw."""

    def by_ecg(self, shocks: pd.DataFrame) -> pd.DataFrame:
        """Shocks as the ECG shows them."""

    def course(self, course: Arrest) -> Arrest:
        """When the patient had no circulation."""

    def pauses(self, pauses: pd.DataFrame) -> pd.DataFrame:
        """Pauses, and what they were for."""


class AsFound:
    """Nobody has corrected anything: everything as the machine found it."""

    def sensors(self, seen: Sensors) -> Sensors:
        """As they are."""
        return seen

    def artefact(self, sensor: str) -> Spans:
        """None."""
        return Spans()

    def compressions(self, seen: Seen) -> Seen:
        """As they are."""
        return seen

    def ventilations(self, seen: Seen) -> Seen:
        """As they are."""
        return seen

    def exhalations(self, seen: Seen) -> Seen:
        """As they are."""
        return seen

    def by_ecg(self, shocks: pd.DataFrame) -> pd.DataFrame:
        """As they are."""
        return shocks

    def course(self, course: Arrest) -> Arrest:
        """As it is."""
        return course

    def pauses(self, pauses: pd.DataFrame) -> pd.DataFrame:
        """As they are."""
        return pauses
