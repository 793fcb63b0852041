"""Defibrillation shocks from the ECG alone: a sudden jump to the rail and an exponential return from it."""

import numpy as np

from qi.detect import quality
from qi.model.case import Piece, Signal
from qi.model.seen import Seen
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
    late_s: float,
    early_share: float,
    late_share: float,
    refractory_s: float,
    flat_s: float,
) -> Seen:
    """Shocks as the ECG alone shows them; a recorded shock event is the better witness where there is one.

    Parameters: ecg [mV]; rail_share, share of the rail's distance from the middle at which a sample stands at the rail;
    least_rail_mv, least distance of the rail where the file does not tell it [mV]; above_usual, how many times that rail must
    exceed the signal's own 99 % range; join_s, samples at the rail this near are one jump [s]; longest_rail_s, a jump that stays
    longer is a lost pad [s]; edge_s, edge_share, time in which the signal must come this share of the way to the rail [s];
    alone_s, jumps this near to another are compressions that hit the rail [s]; before_s, stretch before it that shows the level
    [s]; early_s, late_s, stretch after it in which the return is seen to begin, and time by which it is over [s]; early_share,
    late_share, least share of the jump in the first, most share of the first that is left in the second; refractory_s, least time
    to the next shock [s]; flat_s, shortest exactly constant stretch that is a lost sensor [s].
    Returns: ECG_SHOCKS; known time, which is all recorded time but flat stretches.
    References: rule, signals research note section 3 (engineering choice there, measured on simulated signals only).
    Notes: the note's slew of 1 V/s is asked for as a share of the jump within edge_s, since anti-alias filters spread the jump
    over several samples at 250 per s. Impedance, which would tell a lost pad better, is not asked.
    """
    low, high = _rails(ecg, rail_share=rail_share, least_rail_mv=least_rail_mv, above_usual=above_usual)
    found = [np.zeros(0)]
    for piece in ecg.pieces:
        first, last = _jumps(piece, low=low, high=high, join_s=join_s)
        rate = piece.rate_hz
        first_s, last_s = first / rate, last / rate
        near = np.r_[np.inf, first_s[1:] - last_s[:-1], np.inf]
        kept = (np.minimum(near[:-1], near[1:]) > alone_s) & (last_s - first_s <= longest_rail_s)
        for start, end in zip(first[kept], last[kept], strict=True):
            jump = _jump_share(piece, start, before=before_s, edge=edge_s)
            if jump >= edge_share and _returns(
                piece, start, end, before_s=before_s, early_s=early_s, late_s=late_s, early_share=early_share, late_share=late_share
            ):
                found.append(np.array([piece.start_s + start / rate]))
    times = np.concatenate(found)
    alone = np.ones(len(times), dtype=bool)
    for place in range(1, len(times)):
        alone[place] = times[place] - times[:place][alone[:place]][-1] >= refractory_s
    flat = quality.held(ecg, least_s=flat_s)
    events = make(ECG_SHOCKS, time_s=times[alone], sensor=[ecg.name] * int(alone.sum()))
    return Seen(ecg.name, events, ecg.recorded.minus(flat.spans(np.ones(len(flat.value), dtype=bool))))


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


def _returns(
    piece: Piece, start: int, end: int, *, before_s: float, early_s: float, late_s: float, early_share: float, late_share: float
) -> bool:
    """Whether the signal comes back from the rail as a charged electrode does: still well off soon after, near its level later."""
    rate = piece.rate_hz
    earlier = piece.values[max(0, start - int(before_s * rate)) : start]
    soon = piece.values[end + 1 + int(early_s / 3 * rate) : end + 1 + int(early_s * rate)]
    late = piece.values[end + 1 + int(late_s * rate) : end + 1 + int((late_s + before_s) * rate)]
    if min(len(earlier), len(soon), len(late)) < 3:
        return False
    level = float(np.median(earlier))
    jump, first, then = float(piece.values[end]) - level, float(np.mean(soon)) - level, float(np.median(late)) - level
    return first * jump > 0 and abs(first) >= early_share * abs(jump) and abs(then) <= late_share * abs(first)
