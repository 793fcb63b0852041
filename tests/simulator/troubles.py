"""What spoils a recording: pads that move or come off, sensors that drop out, look-alikes of a shock, CO2 that ripples.

Kinds of ripple and their size, motion steps of the pads (1.2 ohm, 60 a case) and kinds of loss: notes on signals, section 7.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from tests.simulator.schedule import Compression

MOTION_OHM = 1.2
OFF_OHM = 250.0
OFF_ECG_MV = 5.0
KINDS = ("missing", "zero", "held", "pads_moved", "pads_off", "pacing", "self_test")


@dataclass(frozen=True)
class Trouble:
    """Something that spoils a recording from start to end [s]: kind is one of KINDS, channel "" where it is all of them."""

    kind: str
    start_s: float
    end_s: float
    channel: str = ""


def spoil(samples: np.ndarray, times: np.ndarray, channel: str, troubles: Iterable[Trouble], rng: np.random.Generator) -> None:
    """Let each trouble happen to the samples of one channel, in place.

    Parameters: samples, in the channel's unit; times [s]; channel; troubles, in any order; rng, asked only where one needs it.
    Raises: ValueError for a kind that is not known.
    """
    for one in troubles:
        if one.kind not in KINDS:
            raise ValueError(f"trouble {one.kind} is not known; choose from {', '.join(KINDS)}")
        if one.channel and one.channel != channel:
            continue
        a, b = np.searchsorted(times, [one.start_s, one.end_s])
        if a >= len(samples):
            continue
        if one.kind in ("missing", "zero", "held"):
            samples[a:b] = {"missing": np.nan, "zero": 0.0, "held": samples[a]}[one.kind]
        elif one.kind == "pads_moved" and channel == "thoracic_impedance":
            size = MOTION_OHM * float(rng.normal(0, 1))
            samples[a:] += size * np.minimum(1.0, (times[a:] - one.start_s) / 0.3) * np.exp(-(times[a:] - one.start_s) / 20.0)
        elif channel in ("ecg", "thoracic_impedance"):
            _at_the_pads(samples, times, channel, one, slice(a, b), rng)


def _at_the_pads(
    samples: np.ndarray, times: np.ndarray, channel: str, one: Trouble, where: slice, rng: np.random.Generator
) -> None:
    """Pads off, a pacemaker, or the monitor's own test: what each does to the ECG and to the impedance."""
    since = times[where] - one.start_s
    if one.kind == "pads_off":
        samples[where] = OFF_OHM if channel == "thoracic_impedance" else OFF_ECG_MV
    elif one.kind == "pacing" and channel == "ecg":
        beat = since % (60 / 72)
        size = float(rng.uniform(1.0, 2.5))
        samples[where] += size * (beat < 0.006) - 0.15 * size * np.exp(-beat / 0.05) * (beat >= 0.006)
    elif one.kind == "self_test":
        if channel == "thoracic_impedance":
            samples[where] = OFF_OHM
        else:
            samples[where] = np.where((since > 1.0) & (since < 1.02), OFF_ECG_MV, rng.normal(0, 0.005, len(since)))


def rippled(co2: np.ndarray, chest_mm: np.ndarray, size: np.ndarray, kind: str) -> np.ndarray:
    """A capnogram with the oscillation that compressions give it.

    Parameters: co2, without ripple [mmHg]; chest_mm, depth of the chest [mm]; size, top to bottom of the ripple [mmHg]; kind, I (on
    the plateau), II (on the baseline) or III (from plateau to baseline).
    Raises: ValueError for another kind.
    """
    usual = max(float(np.quantile(chest_mm, 0.95)), 1.0)
    beat = np.clip(chest_mm / usual, 0, 1.3)
    top = np.maximum(co2.max(), 1.0)
    high = 1 / (1 + np.exp(-(co2 - 0.25 * top) / (0.04 * top)))
    if kind not in ("I", "II", "III"):
        raise ValueError(f"ripple {kind} is not known; choose from I, II, III")
    down = size * beat * high if kind in ("I", "III") else 0.0
    up = 0.35 * size * beat * (1 - high) if kind in ("II", "III") else 0.0
    return np.maximum(0.0, co2 - down + up)


def usual_swing(hands: np.ndarray, times: np.ndarray, compressions: "Sequence[Compression]") -> float:
    """Median over compressions of the highest minus the lowest value while the chest moves."""
    edges = np.searchsorted(times, [(one.onset_s, one.release_s) for one in compressions])
    swings = [float(np.ptp(hands[a:b])) for a, b in edges if b - a > 1]
    return float(np.median(swings)) if swings else 1.0
