"""Every detector that is held against the simulator: what it reads, how it is called, and what it is asked.

A detector whose module or settings are not there is left out, and the report says so.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import import_module
from typing import Any

import numpy as np

from qi.detect import pauses, settings
from qi.detect.rhythm import Chain
from qi.model.case import Piece, Signal
from qi.model.seen import Seen
from qi.model.spans import Spans
from tests.simulator import channels
from tests.simulator.files import REACH, UNITS
from tests.simulator.hard_draws import Hard

RATES_HZ = {**dict.fromkeys(channels.CHANNELS, 100.0), "ecg": 250.0, "co2": 50.0}
GAP_S = 1.0


@dataclass(frozen=True)
class Sensor:
    """One detector on one channel. asked is the time it is asked about: all, advanced, before advanced (the pauses of cycles).

    tolerance_s, how far a found event may lie from the true one after one constant lag; lag_s, where that lag is looked for [s].
    """

    name: str
    kind: str
    channel: str
    module: str
    function: str
    section: str
    tolerance_s: float
    lag_s: tuple[float, float]
    asked: str = "all"
    chain: str = ""


SENSORS = (
    Sensor(
        "compressions from depth",
        "compressions",
        "compression_depth",
        "compressions",
        "from_depth",
        "compressions_from_depth",
        0.15,
        (-0.25, 0.25),
    ),
    Sensor(
        "compressions from force",
        "compressions",
        "compression_force",
        "compressions",
        "from_force",
        "compressions_from_force",
        0.15,
        (-0.25, 0.25),
    ),
    Sensor(
        "compressions from acceleration",
        "compressions",
        "chest_acceleration",
        "compressions_by_acceleration",
        "from_acceleration",
        "compressions_from_acceleration",
        0.15,
        (-0.25, 0.25),
        chain="rhythm_of_acceleration",
    ),
    Sensor(
        "compressions from impedance",
        "compressions",
        "thoracic_impedance",
        "compressions_by_impedance",
        "from_impedance",
        "compressions_from_impedance",
        0.15,
        (-0.25, 0.25),
        chain="rhythm_of_impedance",
    ),
    Sensor(
        "compressions from airway pressure",
        "compressions",
        "airway_pressure",
        "compressions_by_pressure",
        "from_pressure",
        "compressions_from_pressure",
        0.15,
        (-0.25, 0.25),
        "advanced",
        "rhythm_of_pressure",
    ),
    Sensor(
        "compressions from ECG artefact",
        "compressions",
        "ecg",
        "compressions_by_ecg",
        "from_ecg",
        "compressions_from_ecg",
        0.15,
        (-0.25, 0.25),
        chain="rhythm_of_ecg",
    ),
    Sensor(
        "breaths from airway pressure",
        "ventilations",
        "airway_pressure",
        "ventilations",
        "from_pressure",
        "ventilations_from_pressure",
        0.5,
        (-0.5, 0.5),
    ),
    Sensor(
        "breaths from airway flow",
        "ventilations",
        "airway_flow",
        "ventilations_by_flow",
        "from_flow",
        "ventilations_from_flow",
        0.5,
        (-0.5, 0.5),
    ),
    Sensor(
        "breaths from capnogram",
        "ventilations",
        "co2",
        "ventilations",
        "from_capnogram",
        "ventilations_from_capnogram",
        1.0,
        (-0.5, 4.0),
    ),
    Sensor(
        "breaths from impedance, advanced airway",
        "ventilations",
        "thoracic_impedance",
        "ventilations_by_impedance",
        "from_impedance",
        "ventilations_from_impedance",
        1.0,
        (-1.0, 1.0),
        "advanced",
    ),
    Sensor(
        "breaths from impedance, in pauses",
        "ventilations",
        "thoracic_impedance",
        "ventilations_by_impedance",
        "from_impedance",
        "ventilations_from_impedance",
        1.0,
        (-1.0, 1.0),
        "before advanced",
    ),
    Sensor("shocks from ECG and impedance", "shocks", "ecg", "shocks", "from_ecg", "shocks_from_ecg", 1.5, (-0.1, 0.1)),
)


@cache
def tune() -> dict[str, dict[str, Any]]:
    """Settings of the detectors, read once, so that a long run does not mix two versions of them."""
    return settings.load()


def why_not(sensor: Sensor, known: Mapping[str, Any]) -> str | None:
    """Why a detector cannot be asked, or None."""
    try:
        module = import_module(f"qi.detect.{sensor.module}")
    except ModuleNotFoundError:
        return f"qi.detect.{sensor.module} is not there"
    if not hasattr(module, sensor.function):
        return f"qi.detect.{sensor.module} has no {sensor.function}"
    lacking = [section for section in (sensor.section, sensor.chain) if section and section not in known]
    return f"no settings [{lacking[0]}]" if lacking else None


class Recorded:
    """The recordings of one case, each made when it is first asked for, and what several detectors share."""

    def __init__(self, case: Hard, seed: int, shape: str) -> None:
        self.case, self.seed, self.shape = case, seed, shape
        self.tune = tune()
        self._signals: dict[str, Signal] = {}

    def signal(self, channel: str) -> Signal:
        """One channel, cut into pieces where samples are missing, inside the range of a file that holds it."""
        if channel not in self._signals:
            rate = RATES_HZ[channel]
            values = np.clip(channels.record(self.case.truth, channel, rate, self.seed, shape=self.shape), *REACH[channel])
            edges = np.flatnonzero(np.diff(np.r_[False, np.isfinite(values), False])).reshape(-1, 2)
            pieces = tuple(Piece(float(a / rate), rate, values[a:b].astype(np.float32)) for a, b in edges)
            how = "absolute" if channel == "compression_depth" else None
            self._signals[channel] = Signal(channel, UNITS[channel], pieces, "simulated", rails=REACH[channel], reference=how)
        return self._signals[channel]

    def advanced(self) -> Spans:
        """Time with an advanced airway, by the recorder's clock."""
        placed = [one.time_s for one in self.case.truth.happenings if one.type == "airway_placed"]
        scale = 1 + 1e-6 * self.case.truth.plan.clock_ppm
        return Spans.of((time * scale, self.case.truth.plan.length_s) for time in placed[:1])

    def seen(self, sensor: Sensor) -> Seen:
        """What a detector saw."""
        function = getattr(import_module(f"qi.detect.{sensor.module}"), sensor.function)
        chain = (Chain(**self.tune[sensor.chain]),) if sensor.chain else ()
        more = chain
        if sensor.module == "ventilations_by_impedance":
            pressed = self.seen(SENSORS[0])
            hands_on = pauses.runs(pressed.events, gap_s=GAP_S)
            more = (hands_on.gaps().overlap(pressed.known), self.advanced())
        found = function(self.signal(sensor.channel), *more, **self.tune[sensor.section])
        if sensor.kind == "shocks" and "shocks_confirmed" in self.tune:
            confirmed = import_module("qi.detect.shocks").confirmed
            return confirmed(found, self.signal("thoracic_impedance"), **self.tune["shocks_confirmed"])
        return found

    def asked(self, sensor: Sensor) -> Spans:
        """The time that a detector is asked about, by the recorder's clock."""
        whole = Spans.of([(0.0, self.case.truth.plan.length_s)])
        advanced = self.advanced()
        return {"all": whole, "advanced": advanced, "before advanced": whole.minus(advanced)}[sensor.asked]
