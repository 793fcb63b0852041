"""Where sensors do not agree, in words for a reviewer, and who voted how throughout."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from qi.detect.pauses import runs
from qi.detect.voting import AGAINST, FOR, MISSED, Ballot, Voter, kind
from qi.model.fused import AGREEMENT
from qi.model.spans import Spans
from qi.model.tables import DISAGREEMENTS, make
from qi.model.vocabulary import CHANNELS

PRESSING = {True: "compressions", False: "a pause"}


def shown(sensor: str, others: Sequence[str] = ()) -> str:
    """A sensor as a person reads it; with its file where another of its kind stands beside it."""
    which = kind(sensor)
    words = "charted events" if which == "events" else CHANNELS[which].show_as if which in CHANNELS else which
    twin = any(other != sensor and kind(other) == which for other in others)
    return f"{words} {sensor[len(which) + 1 :]}" if twin else words


def named(voters: Sequence[Voter], which: Sequence[int]) -> str:
    """Several sensors as a list in words."""
    everyone = [voter.name for voter in voters]
    words = [shown(voters[j].name, everyone) for j in which]
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}" if words else ""


def _row(start_s: float, end_s: float, what: str, sensors: str) -> dict[str, object]:
    return {"start_s": start_s, "end_s": end_s, "what": what, "sensors": sensors}


def table(rows: Sequence[dict[str, object]]) -> pd.DataFrame:
    """DISAGREEMENTS in order of time."""
    rows = sorted(rows, key=lambda row: (row["start_s"], row["end_s"], row["what"]))
    return make(DISAGREEMENTS, **{name: [row[name] for row in rows] for name in ("start_s", "end_s", "what", "sensors")})


def agreement(parts: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """AGREEMENT of several parts in order of time."""
    filled = [part for part in parts if len(part)]
    if not filled:
        return make(AGREEMENT)
    return filled[0] if len(filled) == 1 else pd.concat(filled).sort_values("start_s", kind="stable", ignore_index=True)


def hands(ballot: Ballot, *, gap_s: float) -> list[tuple[Voter, Spans]]:
    """Each sensor that makes events, with its hands-on time, its lag taken off [s]; gap_s as in pauses.runs [s]."""
    makers = [voter for voter in ballot.voters if not voter.settles]
    return [(voter, Spans(runs(voter.events, gap_s=gap_s).edges - voter.shift_s)) for voter in makers]


def on_hands(own: Sequence[tuple[Voter, Spans]], taken: Spans, speaks: Spans, *, differ_s: float) -> list[dict[str, object]]:
    """Stretches in which a sensor that could see tells compressions from a pause otherwise than was taken.

    Parameters: own, see hands; taken, hands-on time as it was taken [s]; speaks, time in which these sensors are heard [s];
    differ_s, shortest difference that is told [s].
    Returns: rows of DISAGREEMENTS; sensors that differ at one time in one way share a row.
    """
    voters = [voter for voter, _ in own]
    known = [voter.known.overlap(speaks) for voter in voters]
    rows: list[dict[str, object]] = []
    for pressing in (True, False):
        alike = [on if pressing else seen.minus(on) for (_, on), seen in zip(own, known, strict=True)]
        as_taken = taken if pressing else speaks.minus(taken)
        other = [seen.overlap(as_taken).minus(same).longer_than(differ_s) for seen, same in zip(known, alike, strict=True)]
        for stretch in Spans.of([pair for spans in other for pair in spans.pairs()]):
            low, high = np.array([stretch.start_s]), np.array([stretch.end_s])
            differ = [j for j, spans in enumerate(other) if spans.seconds_in(low, high)[0] > 0]
            agree = [
                j
                for j, spans in enumerate(alike)
                if j not in differ and known[j].overlap(spans).seconds_in(low, high)[0] > stretch.seconds / 2
            ]
            what = f"{named(voters, differ)} {'see' if len(differ) > 1 else 'sees'} {PRESSING[not pressing]}"
            what += f", {named(voters, agree)} {PRESSING[pressing]}" if agree else ""
            what += f"; taken as {PRESSING[pressing]}"
            against = f"{named(voters, differ)} against {named(voters, agree) or 'the other sensors'}"
            rows.append(_row(stretch.start_s, stretch.end_s, what, against))
    return rows


def hands_agreement(own: Sequence[tuple[Voter, Spans]], taken: Spans, speaks: Spans, *, frame_s: float) -> pd.DataFrame:
    """Who voted how on hands on or off the chest, frame by frame; frames in which all vote alike are one row.

    Parameters: own, taken, speaks as in on_hands; frame_s, length of a frame [s].
    Returns: AGREEMENT; only frames that are known for more than half of their length.
    """
    if not speaks:
        return make(AGREEMENT)
    first = np.floor(speaks.hull.start_s / frame_s)
    starts = (first + np.arange(np.ceil(speaks.hull.end_s / frame_s) - first)) * frame_s
    ends = starts + frame_s

    def mostly(spans: Spans) -> np.ndarray:
        return spans.seconds_in(starts, ends) > frame_s / 2

    voters, on = [voter for voter, _ in own], mostly(taken)
    votes = [np.where(mostly(voter.known), np.where(mostly(hands_on) == on, 1, 2), 0) for voter, hands_on in own]
    code = on.astype(np.int64) + 2 * sum(vote * 3**j for j, vote in enumerate(votes))
    code[~mostly(speaks)] = -1
    breaks = np.flatnonzero(np.diff(code, prepend=-2))
    low, high, which = starts[breaks], np.append(starts[breaks[1:]], ends[-1]), code[breaks]
    kept = which >= 0
    words = {int(one): _votes(int(one), voters) for one in np.unique(which[kept])}
    told = [words[int(one)] for one in which[kept]]
    return make(
        AGREEMENT,
        start_s=low[kept],
        end_s=high[kept],
        taken=[one[0] for one in told],
        agree=[one[1] for one in told],
        differ=[one[2] for one in told],
    )


def _votes(code: int, voters: Sequence[Voter]) -> tuple[str, str, str]:
    """What was taken, who agrees, who differs, from the number of a frame."""
    names = [voter.name for voter in voters]
    votes = [code // 2 // 3**j % 3 for j in range(len(voters))]
    return (
        "compressions" if code % 2 else "pause",
        "; ".join(name for name, vote in zip(names, votes, strict=True) if vote == 1),
        "; ".join(name for name, vote in zip(names, votes, strict=True) if vote == 2),
    )


def one_by_one(
    ballot: Ballot, speaks: Spans, *, noun: str, against: Sequence[int], join_s: float, least: float, skip: int
) -> list[dict[str, object]]:
    """Events that one sensor saw and another, which could see, did not.

    Parameters: ballot, the vote; speaks, time in which these sensors are heard [s]; noun, what one event is called; against, the
    stances that count as not seen; join_s, contested events no further apart than this are told together [s], if no more than skip
    events on which all agree lie between two; least, how many make a row.
    Returns: rows of DISAGREEMENTS.
    """
    inside = speaks.contains(ballot.time_s)
    stance, time, held = ballot.stance[inside], ballot.time_s[inside], ballot.held[inside]
    unseen = np.isin(stance, against)
    at = np.flatnonzero((stance == FOR).any(axis=1) & unseen.any(axis=1))
    if not len(at):
        return []
    cut = (np.diff(time[at]) > join_s) | (np.diff(at) > 1 + skip) | (held[at[1:]] != held[at[:-1]])
    rows = []
    for group in np.split(at, np.flatnonzero(cut) + 1):
        if len(group) < least:
            continue
        votes, number = ballot.voters, len(group)
        saw = [j for j in range(len(votes)) if 2 * (stance[group, j] == FOR).sum() >= number]
        not_ = [j for j in range(len(votes)) if j not in saw and unseen[group, j].any()]
        yes, no = named(votes, saw) or "one sensor or another", named(votes, not_) or "another sensor"
        what = f"{yes} {'see' if len(saw) > 1 else 'sees'} {f'{number} {noun}s' if number > 1 else f'a {noun}'} that {no} "
        what += f"{'do' if len(not_) > 1 else 'does'} not; {'counted' if held[group[0]] else 'not counted'}"
        rows.append(_row(float(time[group[0]]), float(time[group[-1]]), what, f"{yes} against {no}"))
    return rows


def breath_agreement(ballot: Ballot, speaks: Spans) -> pd.DataFrame:
    """Who voted how on each breath.

    Parameters: ballot, the vote; speaks, time in which these sensors are heard [s].
    Returns: AGREEMENT, one row a breath that any sensor saw; start and end are its moment.
    """
    inside = speaks.contains(ballot.time_s)
    stance, held = ballot.stance[inside], ballot.held[inside]
    names = np.array([f"{voter.name}; " for voter in ballot.voters], dtype=object)

    def listed(which: np.ndarray) -> list[str]:
        return [str(text).removesuffix("; ") for text in (which.astype(object) @ names if len(names) else [""] * len(which))]

    yes, no = stance == FOR, (stance == AGAINST) | (stance == MISSED)
    return make(
        AGREEMENT,
        start_s=ballot.time_s[inside],
        end_s=ballot.time_s[inside],
        taken=np.where(held, "breath", "no breath"),
        agree=listed(np.where(held[:, None], yes, no)),
        differ=listed(np.where(held[:, None], no, yes)),
    )
