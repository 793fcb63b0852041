"""A clock's proposal in words: what was found, how sure it is, and what would have had to be recorded where nothing was."""

from collections import Counter

import pandas as pd

from qi.detect.clock_moments import FIRST_SAMPLE
from qi.model.clock_proposal import CONFIDENCE, Alternative, ClockProposal
from qi.model.vocabulary import TIME_POINTS
from qi.model.words import amount, clock

_COPIED = frozenset(word.replace("_", " ") for word in TIME_POINTS)
_TIES = "a shock, a drug, an airway or the first CO2, told by both with its time,"


def in_words(one: ClockProposal, *, placed: bool, by_hand: bool) -> str:
    """A proposal in words.

    Parameters: one, a proposal with an offset; placed, whether the clock was placed before; by_hand, whether the reference clock's
    times were charted too.
    """
    offset, width = one.offset_s or 0.0, one.uncertainty_s or 0.0
    which = f"by {_counted(one)} that both recorded"
    left = f"{amount(one.residual_s, 's')} is left between them" if one.n > 1 else "one moment shows no scatter"
    lines = [f"{_stands(one, offset, placed=placed)}, {which}; {left}, and the offset may be off by {amount(width, 's')}."]
    if placed and one.agrees:
        lines.append("As it stands, the clock agrees with the other within what these moments can tell.")
    if one.near_hour:
        lines.append("That lies near one hour, as after a missed change of the clocks.")
    if one.near_days:
        lines.append(
            f"That lies near {abs(one.near_days)} whole day{'s' if abs(one.near_days) > 1 else ''}, as after a wrong date."
        )
    if one.confidence in ("weak", "open"):
        lines.append(f"{CONFIDENCE[one.confidence].capitalize()}.")
    if one.alternatives:
        lines.append(f"Also possible: {'; '.join(_other(other) for other in one.alternatives)}.")
    if by_hand and len(one.pairs) and set(one.pairs["what"]) <= _COPIED:
        lines.append("A record often copies these times from dispatch: that they agree says little of its other entries.")
    return " ".join(lines)


def _counted(one: ClockProposal) -> str:
    """The pairs by meaning: 3 shocks, 1 drug."""
    if one.by == "compressions":
        return f"{one.n} compressions"
    firm = one.pairs[one.pairs["sort"] != "loose"]
    names = {"shock": "shock", "drug": "drug or access", "airway": "airway", "co2": "first CO2", "time": "time point"}
    names["circulation"] = "rhythm or ROSC"
    counts = Counter(names.get(meaning, "other moment") for meaning in (firm if len(firm) else one.pairs)["meaning"])
    several = {"drug or access": "drugs or access", "rhythm or ROSC": "rhythms or ROSC", "first CO2": "first CO2"}
    words = [(count, name if count == 1 else several.get(name, f"{name}s")) for name, count in counts.most_common()]
    return ", ".join(f"{count} {name}" for count, name in words)


def _stands(one: ClockProposal, offset: float, *, placed: bool) -> str:
    if not placed:
        return f"The first time of {one.clock}, which nothing placed, stands at {clock(offset)} min after case start"
    if round(abs(offset), 1) == 0:
        return f"The clock of {one.clock} stands level with that of {one.reference}"
    return (
        f"The clock of {one.clock} is {amount(abs(offset), 's')} {'ahead of' if offset < 0 else 'behind'} that of {one.reference}"
    )


def _other(other: Alternative) -> str:
    sign = "-" if other.offset_s < 0 else "+"
    return f"{sign}{amount(abs(other.offset_s), 's')} ({other.n} {'moments meet' if other.n != 1 else 'moment meets'})"


def why_not(told: pd.DataFrame, clock_name: str, reference: str) -> str:
    """Why nothing can be proposed, and what would have had to be recorded.

    Parameters: told, MOMENTS table; clock_name and reference, the two clocks.
    """
    own, theirs = told[told["clock"] == clock_name], told[told["clock"] == reference]
    text = f"No moment was recorded by both: {_telling(clock_name, own)}; {_telling(reference, theirs)}. {_TIES.capitalize()} "
    text += "would have tied the two clocks."
    for other, rows in told.groupby("clock", sort=False):
        if other in (clock_name, reference) or own.empty:
            continue
        shared = sorted({*own["what"]} & {*rows["what"]} - {FIRST_SAMPLE})
        if shared:
            text += f" It shares {', '.join(shared)} with {other}"
            text += ", which a record often copies from dispatch: nothing is taken from them." if {*shared} <= _COPIED else "."
    return text


def _telling(name: str, rows: pd.DataFrame) -> str:
    words = list(dict.fromkeys(rows["what"]))
    return f"{name} tells of {', '.join(words[:6])}{' and more' if len(words) > 6 else ''}" if words else f"{name} tells of nothing"
