"""Defibrillation shocks from the ECG, a sudden jump to the rail and an exponential return, and what the pads' impedance says."""

from dataclasses import dataclass

import numpy as np

from qi.detect import quality
from qi.model.case import Piece, Signal
from qi.model.seen import Seen
from qi.model.spans import Span, Spans
from qi.model.tables import Column, make

ECG_SHOCKS = (
    Column("time_s", "float", "s", "first sample at the rail", may_lack=False),
    Column("sensor", "text", "", "channel and file that saw it", may_lack=False),
)


def from_ecg(
    ecg: Signal,
    *,
    rail_share: float,
    least_rail_mv: float,
    above_usual: float,
    join_s: float,
    longest_rail_s: float,
    edge_s: float,
    edge_share: float,
    alone_s: float,
    before_s: float,
    early_s: float,
    middle_s: float,
    late_s: float,
    early_share: float,
    middle_share: float,
    late_share: float,
    pacing_s: float,
    pacing_spread: float,
    refractory_s: float,
    flat_s: float,
) -> Seen:
    """Shocks as the ECG alone shows them; a recorded shock event is the better witness where there is one.

    Parameters: ecg [mV]; rail_share, share of the rail's distance from the middle at which a sample stands at the rail;
    least_rail_mv, least distance of the rail where the file does not tell it [mV]; above_usual, how many times that rail must
    exceed the signal's own 99 % range; join_s, samples at the rail this near are one jump [s]; longest_rail_s, a jump that stays
    longer is a lost pad [s]; edge_s, edge_share, time in which the signal must come this share of the way to the rail [s];
    alone_s, jumps this near to another are compressions that hit the rail [s]; before_s, stretch before it that shows the level
    [s]; early_s, middle_s, late_s, times after it by which the return is seen to begin, is seen under way, and is over [s];
    early_share, least share of the jump that is left at first; middle_share, least share of that, on the same side, under way;
    late_share, most share of it at the end; pacing_s, longest interval of a pacemaker's spikes [s]; pacing_spread, how far two
    neighbouring intervals of it may differ, as a share; refractory_s, least time to the next shock [s]; flat_s, shortest exactly
    constant stretch that is a lost sensor [s].
    Returns: ECG_SHOCKS; known time, which is all recorded time but flat stretches.
    References: rule, signals research note section 3 (engineering choice there, measured on simulated signals only).
    Notes: the note's slew of 1 V/s is asked for as a share of the jump within edge_s, since anti-alias filters spread the jump
    over several samples at 250 per s. The return may lie on the other side of the level than the jump (a shock of two phases).
    Jumps at even intervals are pacing; a jump out of an exactly constant signal has no patient behind it.
    """
    low, high = _rails(ecg, rail_share=rail_share, least_rail_mv=least_rail_mv, above_usual=above_usual)
    course = _Return(before_s, early_s, middle_s, late_s, early_share, middle_share, late_share)
    constant = quality.held(ecg, least_s=flat_s)
    flat = constant.spans(np.ones(len(constant.value), dtype=bool))
    found = [np.zeros(0)]
    for piece in ecg.pieces:
        first, last = _jumps(piece, low=low, high=high, join_s=join_s)
        first_s, last_s = first / piece.rate_hz, last / piece.rate_hz
        near = np.r_[np.inf, first_s[1:] - last_s[:-1], np.inf]
        kept = (np.minimum(near[:-1], near[1:]) > alone_s) & (last_s - first_s <= longest_rail_s)
        kept &= ~_evenly(first_s, longest_s=pacing_s, spread=pacing_spread)
        kept &= ~flat.contains(piece.start_s + first_s - 2 / piece.rate_hz)
        for start, end in zip(first[kept], last[kept], strict=True):
            sudden = _jump_share(piece, start, before=before_s, edge=edge_s) >= edge_share
            if sudden and course.seen(piece, start, end):
                found.append(np.array([piece.start_s + start / piece.rate_hz]))
    times = np.concatenate(found)
    alone = np.ones(len(times), dtype=bool)
    for place in range(1, len(times)):
        alone[place] = times[place] - times[:place][alone[:place]][-1] >= refractory_s
    events = make(ECG_SHOCKS, time_s=times[alone], sensor=[ecg.name] * int(alone.sum()))
    return Seen(ecg.name, events, ecg.recorded.minus(flat))


def confirmed(
    by_ecg: Seen,
    impedance: Signal | None,
    *,
    least_ohm: float,
    most_ohm: float,
    rail_share: float,
    before_s: float,
    reach_s: float,
    shortest_loss_s: float,
    longest_loss_s: float,
    step_ohm: float,
    settle_s: float,
    least_rate_hz: float,
) -> Seen:
    """Shocks of the ECG that the impedance of the same pads bears out, or cannot speak on.

    Parameters: by_ecg, as from_ecg gives them; impedance, of the same pads [ohm], or None; least_ohm, most_ohm, what a patient
    between two pads can measure [ohm]; rail_share, see quality.railed; before_s, stretch before the shock that must show a patient
    [s]; reach_s, how near a loss must lie to belong to the shock [s]; shortest_loss_s, longest_loss_s, how long a shock takes the
    impedance away; a longer loss is a pad that came off [s]; step_ohm, least change of level across a shock [ohm]; settle_s,
    stretch after it that shows the level [s]; least_rate_hz, a slower impedance cannot show a loss so short and is not asked [1/s].
    Returns: Seen with the shocks that stand, the sensor naming both where both agree. Refused: no patient before (a self-test), the
    impedance gone for long (a pad came off), an impedance that shows nothing where it moves so little that a shock would show.
    References: loss of 0.1 to 1 s, pads off over 3 s, signals research note section 3 (engineering choice there); fall of 1.6 ohm
    at 0.1 s after a shock (children of 8 and above), same place; impedance of 12 to 212 ohm in single patients, section 7.
    Notes: without impedance, in its gaps, or where it is filled with zeros, the ECG alone stands.
    """
    if impedance is None or by_ecg.events.empty or not impedance.pieces or impedance.pieces[0].rate_hz < least_rate_hz:
        return by_ecg
    filled = _zero_filled(impedance, least_s=before_s)
    lost = _lost(impedance, least_ohm=least_ohm, most_ohm=most_ohm, rail_share=rail_share).minus(filled)
    kept, names = [], []
    for time_s, sensor in zip(by_ecg.events["time_s"], by_ecg.events["sensor"], strict=True):
        before = Span(time_s - before_s, time_s - reach_s / 2)
        recorded = impedance.recorded.minus(filled).clip(before).seconds
        if recorded < before.seconds / 2:
            stands, both = True, False  # no impedance there: the ECG alone
        elif lost.clip(before).seconds > before.seconds / 2:
            stands, both = False, False
        else:
            gone = [one.seconds for one in lost.clip(Span(before.end_s, np.inf)) if one.start_s <= time_s + reach_s]
            longest = max(gone, default=0.0)
            told = _step(impedance, lost, time_s, before_s=before_s, reach_s=reach_s, settle_s=settle_s, step_ohm=step_ohm)
            both = shortest_loss_s <= longest <= longest_loss_s or (longest <= longest_loss_s and told == "step")
            stands = both or (longest <= longest_loss_s and told == "unclear")
        if stands:
            kept.append(time_s)
            names.append(f"{sensor} and {impedance.name}" if both else sensor)
    return Seen(by_ecg.sensor, make(ECG_SHOCKS, time_s=kept, sensor=names), by_ecg.known)


def _zero_filled(impedance: Signal, *, least_s: float) -> Spans:
    """Stretches of exact zeros: samples that were lost; a circuit, even a shorted one, reads some noise."""
    constant = quality.held(impedance, least_s=least_s)
    return constant.spans(constant.value == 0.0)


def _lost(impedance: Signal, *, least_ohm: float, most_ohm: float, rail_share: float) -> Spans:
    """Time without samples between the first and the last, at the rail, or with an impedance that no patient has."""
    lost = impedance.recorded.gaps().union(quality.railed(impedance, least_s=0.0, rail_share=rail_share))
    return lost.union(quality.outside(impedance, lowest=least_ohm, highest=most_ohm))


def _step(
    impedance: Signal, lost: Spans, time_s: float, *, before_s: float, reach_s: float, settle_s: float, step_ohm: float
) -> str:
    """Whether the level of the impedance changes across a moment: step, none, or unclear where it moves too much to tell."""
    before = quality.samples(impedance, Span(time_s - before_s, time_s - reach_s / 2), without=lost)
    after = quality.samples(impedance, Span(time_s, time_s + settle_s), without=lost)
    if min(len(before), len(after)) < 3:
        return "unclear"
    moves = float(np.quantile(before, 0.95) - np.quantile(before, 0.05))
    change = abs(float(np.median(after) - np.median(before)))
    if change >= max(step_ohm, moves):
        return "step"
    return "none" if moves < step_ohm else "unclear"


def _evenly(times_s: np.ndarray, *, longest_s: float, spread: float) -> np.ndarray:
    """Which moments belong to three or more at even intervals no longer than longest_s."""
    even = np.zeros(len(times_s), dtype=bool)
    steps = np.diff(times_s)
    if len(steps) > 1:
        alike = (np.maximum(steps[1:], steps[:-1]) <= longest_s) & (
            np.abs(np.diff(steps)) <= spread * np.maximum(steps[1:], steps[:-1])
        )
        for shift in range(3):
            even[shift : shift + len(alike)] |= alike
    return even


def _rails(ecg: Signal, *, rail_share: float, least_rail_mv: float, above_usual: float) -> tuple[float, float]:
    """Levels beyond which a sample stands at the lower and at the upper rail; infinite where the signal never comes near one.

    The file's own range counts where samples reach it; else the furthest samples do, if they stand far out of the usual.
    """
    if not any(len(piece.values) for piece in ecg.pieces):
        return -np.inf, np.inf
    lowest = float(min(piece.values.min() for piece in ecg.pieces if len(piece.values)))
    highest = float(max(piece.values.max() for piece in ecg.pieces if len(piece.values)))
    some = np.concatenate([piece.values[::11] for piece in ecg.pieces])
    middle = float(np.median(some))
    usual = float(np.quantile(np.abs(some - middle), 0.99))
    levels = []
    for furthest, given in ((lowest, ecg.rails and ecg.rails[0]), (highest, ecg.rails and ecg.rails[1])):
        away = abs(furthest - middle)
        reached = given is not None and away >= rail_share * abs(given - middle)
        far = away >= least_rail_mv and away >= above_usual * usual
        levels.append(rail_share * away if reached or far else np.inf)
    return middle - levels[0], middle + levels[1]


def _jumps(piece: Piece, *, low: float, high: float, join_s: float) -> tuple[np.ndarray, np.ndarray]:
    """First and last sample of each visit to a rail; visits closer than join_s are one."""
    if not len(piece.values) or (piece.values.min() > low and piece.values.max() < high):
        return np.zeros(0, dtype=int), np.zeros(0, dtype=int)
    at = np.flatnonzero((piece.values <= low) | (piece.values >= high))
    new = np.diff(at) > join_s * piece.rate_hz
    return at[np.r_[True, new]], at[np.r_[new, True]]


def _jump_share(piece: Piece, start: int, *, before: float, edge: float) -> float:
    """Share of the way from the level before to the rail that was covered within the edge time."""
    earlier = piece.values[max(0, start - int(before * piece.rate_hz)) : start]
    if not len(earlier):
        return 0.0
    rail = float(piece.values[start])
    near = earlier[-max(1, int(np.ceil(edge * piece.rate_hz))) :]
    level = float(np.median(earlier))
    return float(np.max(np.abs(rail - near))) / max(abs(rail - level), 1e-9)


@dataclass(frozen=True)
class _Return:
    """How a charged electrode comes back from the rail: well off the level at first, still so under way, near it at last."""

    before_s: float
    early_s: float
    middle_s: float
    late_s: float
    early_share: float
    middle_share: float
    late_share: float

    def seen(self, piece: Piece, start: int, end: int) -> bool:
        """Whether the piece comes back so from the rail that it stood at from sample start to sample end."""
        rate, after = piece.rate_hz, piece.values[end + 1 :]
        earlier = piece.values[max(0, start - int(self.before_s * rate)) : start]
        soon = after[int(self.early_s / 3 * rate) : int(self.early_s * rate)]
        middle = after[int(self.early_s * rate) : int(self.middle_s * rate)]
        late = after[int(self.late_s * rate) : int((self.late_s + self.before_s) * rate)]
        if min(len(earlier), len(soon), len(middle), len(late)) < 3:
            return False
        level = float(np.median(earlier))
        jump, first, then = float(piece.values[end]) - level, float(np.mean(soon)) - level, float(np.mean(middle)) - level
        if abs(first) < self.early_share * abs(jump) or not self.middle_share <= then / first <= 1.0:
            return False
        return abs(float(np.median(late)) - level) <= self.late_share * abs(first)
