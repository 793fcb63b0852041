"""Care after ROSC in the sample agency: what was charted, and what each fact must therefore be.

The answers are drawn first and then written down as readings; nothing here asks the code that the table is made with. Shares are
ours, no source, the same in every month and at every station. They know whether ROSC was kept, and nothing of what became of the
patient later. Readings before ROSC and in a re-arrest are there too: they must not count.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from qi.model.tables import VITALS, make
from tests.simulator.schedule import Truth

# Typed apart from bundles.toml: what a reading must be to be met.
LEAST_SYSTOLIC, SPO2, ETCO2, PCI = 90.0, (92.0, 98.0), (35.0, 45.0), ("PCI capable", "PCI capable 24/7")
FACTS = ("rosc_12_lead", "rosc_pressure", "rosc_oxygen", "rosc_end_tidal", "rosc_destination")
UNITS = {"systolic": "mmHg", "spo2": "%", "etco2": "mmHg", "heart_rate": "1/min"}
RECORD, MONITOR = "care_record.xml", "monitor"
NOT_TOLD = dict.fromkeys(FACTS)


@dataclass(frozen=True)
class Care:
    """What was charted: the facts as they must be found, vital signs, 12-lead ECGs with who told them, kinds of hospital."""

    told: dict[str, str | None]
    vitals: Sequence[tuple[float, str, float]] = ()
    ecgs: Sequence[tuple[float, str]] = ()
    hospital: tuple[str, ...] = ()

    def table(self) -> pd.DataFrame:
        """The vital signs as a table of a case."""
        rows = sorted(self.vitals)
        return make(
            VITALS,
            time_s=[float(time) for time, _, _ in rows],
            name=[name for _, name, _ in rows],
            value=[value for _, _, value in rows],
            unit=[UNITS[name] for _, name, _ in rows],
            source=[RECORD] * len(rows),
            clock=[RECORD] * len(rows),
        )


def drawn(rng: np.random.Generator, truth: Truth, recorded_by: Sequence[str], *, kept: bool, child: bool) -> Care:
    """What one crew charted.

    Parameters: rng; truth, what happened [s]; recorded_by, channels of the monitor; kept, ROSC was sustained; child, no limit is
    set for the pressure.
    Returns: Care; nothing where there was no ROSC.
    """
    if not truth.at("rosc"):
        return Care(NOT_TOLD)
    rosc = truth.at("rosc")[0]
    stop = _stop(truth, rosc, seen=bool(recorded_by))
    times = [float(time) for time in np.arange(rosc + rng.uniform(30, 70), stop - 15, rng.uniform(150, 240))]
    told = dict(NOT_TOLD)
    told["rosc_destination"], hospital = _hospital(rng, kept=kept)
    if rng.random() < 0.14 or not times:
        taken = bool(recorded_by) and bool(rng.random() < 0.3) and rosc + 25.0 < stop
        told["rosc_12_lead"] = "yes" if taken else None
        told["rosc_end_tidal"] = _by_capnogram(truth, rosc, stop) if "co2" in recorded_by else None
        return Care(told, tuple(_elsewhere(rng, truth)), ((rosc + 25.0, MONITOR),) if taken else (), hospital)
    ecg = bool(rng.random() < 0.72)
    told |= {
        "rosc_12_lead": "yes" if ecg else "no",
        "rosc_pressure": "yes" if rng.random() < 0.8 else "no",
        "rosc_oxygen": "yes" if rng.random() < 0.68 else "no",
        "rosc_end_tidal": "yes" if rng.random() < 0.62 else "no",
    }
    vitals = [*_elsewhere(rng, truth), *((time, "heart_rate", float(rng.integers(60, 125))) for time in times)]
    for fact, name in (("rosc_pressure", "systolic"), ("rosc_oxygen", "spo2"), ("rosc_end_tidal", "etco2")):
        unmeasured = bool(rng.random() < 0.4) and not (name == "etco2" and "co2" in recorded_by)
        if told[fact] == "yes" or not (unmeasured or (child and name == "systolic")):
            last = _value(rng, name, met=told[fact] == "yes")
            vitals += [(time, name, _value(rng, name, met=bool(rng.random() < 0.5))) for time in times[:-1]]
            vitals.append((times[-1], name, last))
    ecgs = ((float(rng.choice(times)), RECORD),) if ecg else ((rosc - 90.0, RECORD),) if rng.random() < 0.2 else ()
    return Care(told, tuple(vitals), ecgs, hospital)


def _stop(truth: Truth, rosc_s: float, *, seen: bool) -> float:
    """End of circulation: the charted re-arrest, or compressions before it where somebody saw them, or the end [s]."""
    pressed = [one.onset_s for one in truth.compressions if one.onset_s > rosc_s and seen]
    return float(min([truth.plan.length_s, *truth.at("rearrest"), *pressed[:1]]))


def _elsewhere(rng: np.random.Generator, truth: Truth) -> Iterator[tuple[float, str, float]]:
    """Vital signs that must not count: before ROSC, and in a re-arrest."""
    for time in (truth.at("rosc")[0] - 60.0, *(again + 40.0 for again in truth.at("rearrest"))):
        yield (time, "etco2", float(rng.integers(12, 30)))
        yield (time, "spo2", float(rng.integers(60, 85)))
        yield (time, "systolic", 0.0)


def _value(rng: np.random.Generator, name: str, *, met: bool) -> float:
    """A reading that meets the limit, or does not."""
    if name == "systolic":
        return float(rng.integers(92, 150) if met else rng.integers(58, 88))
    low, high = SPO2 if name == "spo2" else ETCO2
    if met:
        return float(rng.integers(int(low), int(high) + 1))
    too_low = bool(rng.random() < 0.5)
    if name == "spo2":
        return float(rng.integers(78, 91) if too_low else rng.integers(99, 101))
    return float(rng.integers(20, 34) if too_low else rng.integers(47, 62))


def _hospital(rng: np.random.Generator, *, kept: bool) -> tuple[str | None, tuple[str, ...]]:
    """Where the patient was taken; not recorded where nobody was taken anywhere, and in some others."""
    taken, kind = rng.random() < (0.94 if kept else 0.25), rng.random()
    if not taken:
        return None, ()
    return ("yes", (str(rng.choice(PCI)), "general")) if kind < 0.74 else ("no", ("general" if kind < 0.9 else "critical access",))


def _by_capnogram(truth: Truth, rosc_s: float, stop_s: float) -> str | None:
    """What the last minute of breaths before the end says, by what each breath truly held."""
    breaths = [one for one in truth.breaths if rosc_s <= one.time_s < stop_s and one.etco2_mmhg]
    if not breaths:
        return None
    end_s = breaths[-1].time_s
    middle = float(np.median([one.etco2_mmhg for one in breaths if one.time_s >= end_s - 60.0]))
    return "yes" if ETCO2[0] <= middle <= ETCO2[1] else "no"
