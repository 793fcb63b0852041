"""A simulated 40-min case of five channels at 250 Hz as an EDF+ file, for the benchmark and for tests of speed in the browser."""

from collections.abc import Mapping
from datetime import datetime, timedelta, timezone
from pathlib import Path

from tests.simulator.files import write_edf
from tests.simulator.schedule import Happening, Plan, play

CHANNELS = {
    "compression_depth": "CC depth",
    "compression_force": "CC force",
    "airway_pressure": "Resp pressure",
    "co2": "Resp CO2",
    "ecg": "ECG pads",
}
SIX = CHANNELS | {"thoracic_impedance": "Resp impedance"}


def write(
    folder: Path, *, minutes: int = 40, rate_hz: float = 250.0, channels: Mapping[str, str] = CHANNELS, seed: int = 40
) -> Path:
    """Write the case (30:2, then an advanced airway and continuous compressions, three shocks) into a new folder.

    Returns: the EDF+ file.
    """
    plan = Plan(
        id="forty-minutes",
        start=datetime(2031, 5, 5, 9, 0, 0, tzinfo=timezone(timedelta(hours=-6))),
        length_s=60.0 * minutes,
        first_s=20.0,
        last_s=60.0 * minutes - 20.0,
        continuous_s=600.0,
        shocks=((0, 200.0), (2, 200.0), (4, 200.0)),
        rhythms=((0.0, "VF"), (700.0, "PEA")),
        extra=(Happening(100.0, "device_on", "itd"), Happening(600.0, "airway_placed", "tracheal_tube")),
    )
    folder.mkdir(parents=True)
    path = folder / "monitor.edf"
    truth = play(plan, seed)
    write_edf(path, truth, dict.fromkeys(channels, rate_hz), dict(channels), truth.happenings)
    return path
