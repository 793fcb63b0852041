"""What the protocols ask of the cases that are looked at: one limit where they agree, none where they do not, and which are broken.

Verdicts in the table are those of each case's own protocol. A line across a chart is true of every case under it only where the
protocols of all these cases ask the same.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from math import isfinite
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from qi.desk import definitions
from qi.desk.agencies import protocols_near
from qi.judge import protocol as protocols
from qi.library.library import Library
from qi.measures import MEASURES
from qi.model.errors import QiError
from qi.model.review import Limit, Protocol
from qi.model.words import asked
from qi.trends import columns_used as use
from qi.trends.series import IN_TIME_S, OWN, Subject

_IDS = tuple(measure.id for measure in MEASURES)
_JUDGED = "Each case was judged by its own."


@dataclass(frozen=True)
class Held:
    """Which protocols cases are held to: those that can be read, by their names, and the names of those that cannot."""

    protocols: Mapping[str, Protocol] = field(default_factory=dict)
    unreadable: tuple[str, ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        """All of them, in order."""
        return tuple(sorted({*self.protocols, *self.unreadable}))


def held_to(library: Library, cases: pd.DataFrame) -> Held:
    """The protocols of the cases that count.

    Parameters: library, whose own protocols are looked at first; cases, the cohort table with protocol, definitions_digest and
    excluded.
    Returns: Held; where a file of the library has the name of a protocol that comes with the app, the one of the two that the cases
    were measured under, by the digest in their rows.
    """
    found: dict[str, Protocol] = {}
    lacking: set[str] = set()
    for name, digest in _measured(cases):
        one = _measured_under(name, digest, protocols_near(library))
        if one is None or found.setdefault(name, one) != one:
            lacking.add(name)
    return Held({name: one for name, one in found.items() if name not in lacking}, tuple(sorted(lacking)))


def _measured(cases: pd.DataFrame) -> list[tuple[str, str]]:
    """The protocols of the cases that count, each with the digests that stand beside it."""
    kept = use.counting(cases)
    names, protocols_ = pd.factorize(use.need(cases, ("protocol", "definitions_digest"))["protocol"])
    digests, written = pd.factorize(cases["definitions_digest"])
    both = np.unique((names * len(written) + digests)[kept & (names >= 0) & (digests >= 0)])  # quicker than rows of words
    return [(str(protocols_[one // len(written)]), str(written[one % len(written)])) for one in both]


def of_default(library: Library) -> Held:
    """The protocol that a case has where nothing says another one."""
    one = _measured_under(protocols.DEFAULT, "", protocols_near(library))
    return Held({protocols.DEFAULT: one}) if one else Held(unreadable=(protocols.DEFAULT,))


def _measured_under(name: str, digest: str, near: Sequence[Path]) -> Protocol | None:
    """The protocol of that name, of several the one of that digest; None where it cannot be read."""
    built_in = protocols.built_in()  # one may rest on another, so that a file in place of either makes two of it
    twice = name in built_in and any((folder / f"{one}.toml").is_file() for folder in near for one in built_in)
    found = [_read(name, tuple(places), _stand(places)) for places in ((near, ()) if twice else (near,))]
    known = [one for one in found if one is not None and twice and definitions.digest(one) == digest]
    return known[0] if known else found[0]


def _stand(near: Sequence[Path]) -> tuple[tuple[str, int, int], ...]:
    """The protocol files of folders, with what changes whenever one is written: when it was [ns], and its length [bytes]."""
    files = [(path, path.stat()) for folder in near for path in sorted(folder.glob("*.toml"))]
    return tuple((str(path), one.st_mtime_ns, one.st_size) for path, one in files)


@lru_cache(maxsize=64)
def _read(name: str, near: tuple[Path, ...], _: tuple[tuple[str, int, int], ...]) -> Protocol | None:
    """A protocol, None where it cannot be read; kept in memory for as long as the files stay as they are."""
    try:
        return protocols.read(name, chosen_by="", measures=_IDS, near=near)
    except QiError:
        return None


def broken(library: Library) -> dict[str, str]:
    """The library's own protocol files that cannot be used, by the file's name, each with what is wrong with it."""
    near = protocols_near(library)
    found = {}
    for path in sorted(path for folder in near for path in folder.glob("*.toml")):
        try:
            protocols.read(path.stem, chosen_by="", measures=_IDS, near=near)
        except QiError as error:
            found[path.name] = str(error)
    return found


def asked_of(held: Held, id_: str, of: str, unit: str) -> dict[str, Any]:
    """What protocols ask of one answer of a measure, as fields of qi.trends.series.Subject.

    Parameters: held; id_ and of, of the answer; unit, of the measure.
    """
    told = {name: _asked(one, id_, of) for name, one in held.protocols.items()}
    limits = [limit for limit, _ in told.values()]
    read = [None if limit is None else (limit.low, limit.high, limit.strict) for limit in limits]
    times = {name: _within(*both) for name, both in told.items()} | dict.fromkeys(held.unreadable, float("nan"))
    found: dict[str, Any] = {"protocols": held.names}
    if len(set(read)) > 1 or (held.unreadable and any(read)):
        found["limit"] = OWN
    elif any(read) and limits[0] is not None:
        found |= {"limit": asked(limits[0], unit), "low": _edge(limits[0].low), "high": _edge(limits[0].high)}
    if len(set(times.values())) > 1 or held.unreadable:
        return found | {"own_times": tuple(times.items())}
    goals = {None if goal is None else _edge(goal.high) for _, goal in told.values()}
    return found | {"goal": goals.pop() if len(goals) == 1 else next(iter(times.values()), None)}


def _asked(protocol: Protocol, id_: str, of: str) -> tuple[Limit | None, Limit | None]:
    """The limit and the goal of one answer of a measure."""
    rule = protocol.rules.get(id_)
    return (rule.limit, rule.goal) if rule is not None and of in rule.of else (None, None)


def _within(limit: Limit | None, goal: Limit | None) -> float:
    """The time that counts as in time [s]: the limit's upper edge, else the goal's, else our own."""
    edges = (None if one is None else _edge(one.high) for one in (limit, goal))
    return next((edge for edge in edges if edge is not None), IN_TIME_S)


def _edge(edge: float) -> float | None:
    """An edge of a limit, None where open."""
    return edge if isfinite(edge) else None


def whose(subject: Subject) -> str:
    """Whose limit the line across a measure's chart is, or why there is none, as a sentence; empty where no limit is set."""
    if not subject.limit:
        return ""
    names = listed(subject.protocols)
    if subject.limit == OWN:
        return f"No limit is drawn: these cases are held to the protocols {names}, which do not all ask the same of it. {_JUDGED}"
    line = f"that the protocols {names} share" if len(subject.protocols) > 1 else f"of the protocol {names}"
    return f"The dotted line is the limit {line}. {_JUDGED}"


def without(subjects: Iterable[tuple[str, Subject]]) -> str:
    """Which charts of several have no limit drawn since the cases' protocols ask different things; empty where there is none.

    Parameters: subjects, each with the name of its chart.
    """
    found = [(name, one) for name, one in subjects if one.limit == OWN]
    if not found:
        return ""
    names = listed(found[0][1].protocols)
    charts = "; ".join(dict.fromkeys(name for name, _ in found))
    return f"No limit is drawn for {charts}: the protocols of these cases ({names}) do not all ask the same. {_JUDGED}"


def listed(names: Collection[str]) -> str:
    """Names in a sentence."""
    *first, last = names
    return f"{', '.join(first)} and {last}" if first else last
