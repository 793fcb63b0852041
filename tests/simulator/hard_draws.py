"""Random cases with everything that makes a recording hard, each with the words for what was done to it.

Every case is a case of `draw` with the same seed; the troubles come from a generator of their own. Magnitudes after the notes on
signals, section 7: machines at 100 to 102 per min; losses per channel as a Poisson count of 3 with a mean of 15 s; clocks within
50 ppm; pads that move 60 times; a mattress that adds 3 to 30 %; ripple on the capnogram of 20 to 90 % of the end-tidal value.
"""

from dataclasses import dataclass, replace

import numpy as np

from tests.simulator.channels import CHANNELS
from tests.simulator.schedule import Happening, Truth, draw, play
from tests.simulator.troubles import Trouble

HANDS = ("hands", "machine", "hands, then machine")
RIPPLES = ("none", "I", "II", "III")
LOSSES = ("none", "missing", "zero", "held", "pads off")
SWINGS_OHM = (1.2, 0.6, 0.3)


@dataclass(frozen=True)
class Hard:
    """A hard case and the words for it: who compressed, which ripple, which loss, whether pads moved, whether look-alikes came."""

    truth: Truth
    hands: str
    ripple: str
    loss: str
    swing_ohm: float
    moved: bool
    mattress: bool
    look_alikes: bool


def hard(seed: int) -> Hard:
    """A random case with troubles: the kinds go round with the seed, so that each meets each of the others; sizes are drawn."""
    rng = np.random.default_rng([seed, 78])
    plain = draw(seed).plan
    who = HANDS[0] if seed % 4 else HANDS[1 + seed // 4 % 2]
    ripple, loss, swing = RIPPLES[seed % 4 - seed // 4 % 4], LOSSES[seed % 5], SWINGS_OHM[seed % 3]
    moved, mattress, alike = seed // 2 % 2 == 1, seed // 3 % 2 == 1, seed // 5 % 2 == 1
    changed = plain.first_s + float(rng.uniform(240, 480))
    fitting = ((changed - 14.0, "device_fitting", float(rng.uniform(8, 25))),) if who == HANDS[2] else ()
    charted = (Happening(round(changed, 2), "device_on", "mechanical_cpr"),) if who == HANDS[2] else ()
    length = plain.length_s
    plan = replace(
        plain,
        machine_s={HANDS[0]: None, HANDS[1]: 0.0, HANDS[2]: changed}[who],
        machine_per_min=float(rng.uniform(100, 102)),
        machine_mm=float(rng.uniform(48, 56)),
        stops=tuple(sorted((*plain.stops, *fitting))),
        extra=(*plain.extra, *charted),
        ripple_kind="" if ripple == "none" else ripple,
        ripple_share=0.0 if ripple == "none" else 1.0,
        impedance_ohm=swing * float(rng.uniform(0.9, 1.1)),
        mattress_share=float(rng.uniform(0.03, 0.3)) if mattress else 0.0,
        clock_ppm=float(rng.uniform(-50, 50)),
    )
    truth = play(plan, seed)
    troubles = (*_lost(rng, loss, length), *(_moves(rng, length) if moved else ()), *(_alike(rng, length) if alike else ()))
    kept = tuple(one for one in troubles if one.channel or not _at_a_shock(one, truth))
    return Hard(replace(truth, plan=replace(plan, troubles=kept)), who, ripple, loss, swing, moved, mattress, alike)


def _lost(rng: np.random.Generator, loss: str, length_s: float) -> tuple[Trouble, ...]:
    """Stretches that each sensor on its own, or the pads, cannot see."""
    if loss == "none":
        return ()
    if loss == "pads off":
        starts = rng.uniform(60, length_s - 90, rng.integers(1, 4))
        return tuple(Trouble("pads_off", float(at), float(at + rng.uniform(5, 40))) for at in starts)
    return tuple(
        Trouble(loss, float(at), float(at + 1.0 + rng.exponential(15)), channel)
        for channel in CHANNELS
        for at in rng.uniform(30, length_s - 30, 1 + rng.poisson(2))
    )


def _at_a_shock(one: Trouble, truth: Truth) -> bool:
    """Pads that shock are on the chest."""
    return one.kind != "pads_moved" and any(one.start_s - 10 < at < one.end_s + 10 for at in truth.at("shock"))


def _moves(rng: np.random.Generator, length_s: float) -> tuple[Trouble, ...]:
    return tuple(Trouble("pads_moved", float(at), float(at) + 1.0) for at in rng.uniform(5, length_s - 5, 60))


def _alike(rng: np.random.Generator, length_s: float) -> tuple[Trouble, ...]:
    """A pacemaker for some minutes, a pad off, and a self-test of the monitor before the first compression."""
    pace, off = rng.uniform(200, length_s - 200, 2)
    return (
        Trouble("self_test", 3.0, 8.0),
        Trouble("pacing", float(pace), float(pace + rng.uniform(40, 120))),
        Trouble("pads_off", float(off), float(off + rng.uniform(4, 12))),
    )
