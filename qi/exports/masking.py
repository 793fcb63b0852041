"""A reviewed case without identity: elapsed seconds and no date, ages over 89 as 90, no free text, no file, clock or crew by name.

Everything in the masked case is either a number, a word of a closed list, or a sentence of our own in which no free word of the
case stands (qi.exports.private_words). What is not is left out and counted.

References: HIPAA Safe Harbor, 45 CFR 164.514(b)(2) (read on the web; mapped to case data in our own notes).
"""

import math
import re
import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from qi.exports import private_words as words
from qi.exports.private_words import Private, listed, pairs, value_of
from qi.model.case import Case, Clock, Facts, Signal, Source
from qi.model.corrections import Correction
from qi.model.findings import Findings
from qi.model.journal import REVIEWER
from qi.model.review import Judged, Limit, Protocol, Review
from qi.model.seen import Sensors
from qi.model.spans import Span
from qi.model.tables import DEVICES, DISAGREEMENTS, EVENTS, MODES, SHOCKS, VITALS, make
from qi.model.vocabulary import CHANNELS, DEVICE_KINDS, PAUSE_CAUSES, RHYTHMS

OLDEST_YEARS = 90.0  # Safe Harbor puts every age over 89 into one group
NOT_SHOWN = "not shown"
LEFT_OUT_REASON = "the reason is not shared"
_SPLIT = re.compile(r"(; | and | against |, (?=[a-z0-9_]+ \())")
_FORMAT = re.compile(r"(EDF|BDF)(\+[CD])?|(CSV|Parquet) \w+|NEMSIS [\d.]+|dispatch CSV|WFDB")
_LIMIT = re.compile(r"[<>=\d.,\- ]+(to [\d.\- ]+)?")
_METHODS = ("as recorded", "reference", "not placed", "set in case.toml")


@dataclass(frozen=True, eq=False)
class Masked:
    """A review without identity, and what a reader must know beside it.

    year, of the case's start (None where no file says one); is_90_plus, whether the age stands for 90 or more; left_out, how many
    of each kind of thing were dropped.
    """

    review: Review
    year: int | None
    is_90_plus: bool
    left_out: Mapping[str, int]


@dataclass(frozen=True)
class _Names:
    """New names for the case's own: of sources, clocks and sensors (as tables name them), and crew members."""

    sources: Mapping[str, str]
    clocks: Mapping[str, str]
    sensors: Mapping[str, str]
    crew: Mapping[str, str]

    def sensor(self, text: object) -> str:
        """A sensor, or several put together, by their new names; “not shown” where one of them is not known."""
        parts = _SPLIT.split(str(text))
        named = [part if at % 2 else self.sensors.get(part, NOT_SHOWN) for at, part in enumerate(parts)]
        return NOT_SHOWN if NOT_SHOWN in named else "".join(named)

    def source(self, text: object) -> str:
        """A source by its new name."""
        return self.sources.get(str(text), NOT_SHOWN)


def random_id() -> str:
    """A new id that has nothing of the old one: “case-” and 64 random bits."""
    return f"case-{secrets.token_hex(8)}"


def without_identity(review: Review, *, id_: str | None = None) -> Masked:
    """The review without identity.

    Parameters: review, of one case; id_, the id of the masked case (default: a random one).
    Returns: Masked; times as before [s from case start], and no start.
    """
    private, names = Private(review), _names(review)
    left_out: dict[str, int] = {}
    case = _case(review.case, names, id_ or random_id(), left_out)
    left_out["notes on the files"] = len(review.notes)
    numbers = tuple(_judged(one, private) for one in review.numbers)
    corrections = tuple(_correction(one, names) for one in review.corrections)
    masked = Review(case, _findings(review.findings, case, names, private), _protocol(review.protocol), numbers, (), corrections)
    age, start = review.case.facts.age_years, review.case.start
    return Masked(
        masked,
        start.year if start else None,
        age is not None and math.floor(age) >= OLDEST_YEARS,
        {what: count for what, count in left_out.items() if count},
    )


def _names(review: Review) -> _Names:
    case = review.case
    sources = {REVIEWER: REVIEWER}
    for source in case.sources:
        kind = listed(source.kind, ("monitor", "record", "device", "dispatch", "events")) or "file"
        count = sum(name.startswith(f"{kind}-") for name in sources.values())
        sources.setdefault(source.file, f"{kind}-{count + 1}")
    clocks: dict[str, str] = {}
    for source in sorted(case.sources, key=lambda one: one.kind != "monitor"):
        name = sources[source.file]
        taken = sum(other.partition(" ")[0] == name for other in clocks.values())
        clocks.setdefault(source.clock, f"{name} ({taken + 1})" if taken else name)
    for clock in case.clocks:
        clocks.setdefault(clock, f"clock-{len(clocks) + 1}")
    sensors = {REVIEWER: REVIEWER, **{f"events ({file})": f"events ({name})" for file, name in sources.items()}}
    for signal in case.signals:
        sensors[signal.name] = _signal(signal, case.signals, sources, clocks).name
    crew: dict[str, str] = {}
    for who in (*case.facts.members, *case.events["by"].dropna()):
        if who not in words.ROLES:
            crew.setdefault(str(who), f"crew member {len(crew) + 1}")
    return _Names(sources, clocks, sensors, crew)


def _signal(signal: Signal, others: Sequence[Signal], sources: Mapping[str, str], clocks: Mapping[str, str]) -> Signal:
    """The signal by its source's new name; two of one kind in one file are numbered in place of their labels."""
    twins = [other for other in others if (other.channel, other.source) == (signal.channel, signal.source)]
    label = str(next(at for at, other in enumerate(twins, 1) if other is signal)) if len(twins) > 1 else ""
    reference = listed(signal.reference, ("absolute", "stroke"))
    name, clock = sources.get(signal.source, NOT_SHOWN), clocks.get(signal.clock, NOT_SHOWN)
    return Signal(signal.channel, signal.unit, signal.pieces, name, label, clock, reference, signal.rails)


def _case(case: Case, names: _Names, id_: str, left_out: dict[str, int]) -> Case:
    known = [one for one in case.signals if one.channel in CHANNELS and one.unit == CHANNELS[one.channel].unit]
    left_out["signals of no known channel or unit, or on no clock that could be placed"] = (
        len(case.signals) - len(known) + len(case.unplaced)
    )
    clocks = {names.clocks[name]: _clock(clock, names.clocks[name]) for name, clock in case.clocks.items()}
    return Case(
        id_,
        None,
        tuple(_source(one, names) for one in case.sources),
        clocks,
        names.clocks.get(case.monitor_clock, ""),
        tuple(_signal(one, case.signals, names.sources, names.clocks) for one in known),
        _events(case.events, names, left_out),
        _vitals(case.vitals, names, left_out),
        _facts(case.facts, names),
    )


def _source(source: Source, names: _Names) -> Source:
    could_chart = frozenset(one for one in source.could_chart if all(word in words.OURS for word in one.split()))
    kind = names.source(source.file).rpartition("-")[0]
    form = source.format if _FORMAT.fullmatch(source.format) else kind
    return Source(
        names.source(source.file), form, kind, names.clocks.get(source.clock, NOT_SHOWN), source.start_s, source.end_s, could_chart
    )


def _clock(clock: Clock, name: str) -> Clock:
    method = clock.method if clock.method.startswith(_METHODS) else "set by a person"
    return replace(clock, name=name, method=method.partition(";")[0])


def _facts(facts: Facts, names: _Names) -> Facts:
    """Coarse facts by closed lists; age in whole years (under 2 in whole months), over 89 as 90; no station, shift or unit."""
    age = facts.age_years
    if age is not None:
        age = min(OLDEST_YEARS, float(math.floor(age))) if age >= 2 else math.floor(age * 12) / 12
    outcome = {key: facts.outcome[key] for key in words.OUTCOMES if _is_plain(facts.outcome.get(key))}
    return Facts(
        age_years=age,
        sex=listed(facts.sex, words.SEXES),
        witnessed=listed(facts.witnessed, words.WITNESSED),
        bystander_cpr=facts.bystander_cpr if _is_plain(facts.bystander_cpr) else None,
        bystander_aed=facts.bystander_aed if _is_plain(facts.bystander_aed) else None,
        dispatcher_cpr=facts.dispatcher_cpr if _is_plain(facts.dispatcher_cpr) else None,
        cause=listed(facts.cause, words.CAUSES),
        first_rhythm=listed(facts.first_rhythm, words.FACT_RHYTHMS),
        location=listed(facts.location, words.PLACES),
        attempted=facts.attempted if isinstance(facts.attempted, bool) else None,
        members=tuple(names.crew[who] for who in facts.members if who in names.crew),
        outcome=outcome,
    )


def _is_plain(value: object) -> bool:
    return value == "unknown" or isinstance(value, bool | int | float)


def _events(events: pd.DataFrame, names: _Names, left_out: dict[str, int]) -> pd.DataFrame:
    kept = events[events["type"].isin(words.EVENT_TYPES)]
    left_out["events in words that are not understood, and notes"] = len(events) - len(kept)
    left_out["texts and values of events that are on no list"] = int(events["text"].notna().sum())
    said = kept.to_dict("records")
    columns: dict[str, Any] = {column.name: kept[column.name].to_numpy() for column in EVENTS if column.kind == "float"}
    columns |= {
        "type": [row["type"] for row in said],
        "value": [value_of(str(row["type"]), row["value"]) for row in said],
        "unit": [listed(row["unit"], words.UNITS) for row in said],
        "text": [pairs(row["text"]) for row in said],
        "by": [row["by"] if row["by"] in words.ROLES else names.crew.get(str(row["by"])) for row in said],
        "source": [names.source(row["source"]) for row in said],
        "clock": [names.clocks.get(str(row["clock"]), NOT_SHOWN) for row in said],
    }
    return make(EVENTS, **columns)


def _vitals(vitals: pd.DataFrame, names: _Names, left_out: dict[str, int]) -> pd.DataFrame:
    kept = vitals[vitals["name"].isin(words.VITALS)]
    left_out["vital signs of no known kind"] = len(vitals) - len(kept)
    return make(
        VITALS,
        time_s=kept["time_s"].to_numpy(),
        name=list(kept["name"]),
        value=kept["value"].to_numpy(),
        unit=[listed(unit, words.UNITS) for unit in kept["unit"]],
        source=[names.source(source) for source in kept["source"]],
        clock=[names.clocks.get(str(clock), NOT_SHOWN) for clock in kept["clock"]],
    )


def _findings(found: Findings, case: Case, names: _Names, private: Private) -> Findings:
    def sensed(table: pd.DataFrame) -> pd.DataFrame:
        return table.assign(sensor=pd.array([names.sensor(text) for text in table["sensor"]], dtype="str"))

    edges = tuple(replace(edge, rule=private.without(edge.rule) or NOT_SHOWN) for edge in found.course.edges)
    return replace(
        found,
        case=case,
        course=replace(found.course, edges=edges, questions=()),
        compressions=sensed(found.compressions),
        strokes=frozenset(names.sensor(name) for name in found.strokes),
        ventilations=sensed(found.ventilations),
        exhalations=sensed(found.exhalations) if "sensor" in found.exhalations else found.exhalations,
        pauses=_pauses(found.pauses),
        shocks=_shocks(sensed(found.shocks), private),
        devices=_devices(found.devices, names),
        modes=found.modes[found.modes["mode"].isin(("cycles", "continuous"))] if len(found.modes) else make(MODES),
        disagreements=_disagreements(found.disagreements, names, private),
        changeovers=(),
        by_ecg=pd.DataFrame(),
        sensors=Sensors(),
    )


def _pauses(pauses: pd.DataFrame) -> pd.DataFrame:
    known = set(PAUSE_CAUSES)
    causes = [" ".join(word for word in str(text).split() if word in known) or "unknown" for text in pauses["causes"]]
    cause = [listed(text, known) or "unknown" for text in pauses["cause"]]
    by = [listed(who, (REVIEWER,)) for who in pauses["cause_by"]]
    return pauses.assign(
        cause=pd.array(cause, dtype="str"), causes=pd.array(causes, dtype="str"), cause_by=pd.array(by, dtype="str")
    )


def _shocks(shocks: pd.DataFrame, private: Private) -> pd.DataFrame:
    texts: dict[str, Any] = {name: [listed(text, RHYTHMS) for text in shocks[name]] for name in ("rhythm_before", "rhythm_after")}
    texts["reason"] = [private.without(text) if isinstance(text, str) else None for text in shocks["reason"]]
    kept = {column.name: shocks[column.name] for column in SHOCKS if column.name not in texts}
    return make(SHOCKS, **kept, **texts)


def _devices(devices: pd.DataFrame, names: _Names) -> pd.DataFrame:
    kept = devices[devices["kind"].isin(DEVICE_KINDS)]
    return make(
        DEVICES,
        kind=list(kept["kind"]),
        on_s=kept["on_s"].to_numpy(),
        off_s=kept["off_s"].to_numpy(),
        clock=[names.clocks.get(str(clock), NOT_SHOWN) for clock in kept["clock"]],
        source=[names.source(source) for source in kept["source"]],
    )


def _disagreements(table: pd.DataFrame, names: _Names, private: Private) -> pd.DataFrame:
    return make(
        DISAGREEMENTS,
        start_s=table["start_s"].to_numpy() if len(table) else np.empty(0),
        end_s=table["end_s"].to_numpy() if len(table) else np.empty(0),
        what=[private.without(text) or NOT_SHOWN for text in table["what"]],
        sensors=[names.sensor(text) for text in table["sensors"]],
    )


def _judged(one: Judged, private: Private) -> Judged:
    """The answer with our own sentences only; who set a limit is left out, for it may name a person."""
    number = one.number
    fresh = replace(
        number,
        of=None if number.of is None else private.without(number.of) or "other",
        from_=None if number.from_ is None else private.without(number.from_) or "other",
        reason=None if number.reason is None else private.without(number.reason) or LEFT_OUT_REASON,
        remark=private.without(number.remark),
    )
    limit, goal = (_limit(each) for each in (one.limit, one.goal))
    return replace(one, number=fresh, limit=limit, goal=goal, method=private.without(one.method) or "")


def _limit(limit: Limit | None) -> Limit | None:
    return replace(limit, source="", text=limit.text if _LIMIT.fullmatch(limit.text) else "") if limit else None


def _protocol(protocol: Protocol) -> Protocol:
    """The protocol's name if it is one that comes with the app, and how it was chosen without the age."""
    name = listed(protocol.name, words.PROTOCOLS) or "an agency's own"
    how = "a person"
    if protocol.chosen_by.startswith("age"):
        how = "age" if protocol.age_known else "age not recorded"
    return Protocol(name, name, "", how, {}, {}, protocol.judged, protocol.age_known, protocol.patient)


def _correction(one: Correction, names: _Names) -> Correction:
    """What was corrected and when, without reasons, and without the words that stood there before."""
    kind = one.type if one.type in words.EVENT_TYPES else None
    value = value_of(kind or one.subject, one.value) if one.value else None
    return replace(
        one,
        value=value,
        unit=listed(one.unit, words.UNITS),
        type=kind,
        subject=one.subject if one.subject in words.OURS or one.subject in ("arrest", "artefact") else NOT_SHOWN,
        sensor=names.sensor(one.sensor) if one.sensor else "",
        before={},
        why="",
        anchor="",
        anchor_s=0.0,
    )


def last_s(case: Case) -> float:
    """The end of what monitors recorded [s]; the last event where none did."""
    events = case.events["time_s"]
    return case.recorded.hull.end_s if case.recorded else float(events.max()) if len(events) else 0.0


def placed(case: Case, clock: str) -> bool:
    """Whether events on a clock have a place on the case axis."""
    return clock not in case.clocks or case.clocks[clock].placed


def stretch(start_s: float, end_s: float | None, *, until_s: float) -> Span:
    """A stretch with its end, or the end of the recording where it has none [s]."""
    end = until_s if end_s is None or not math.isfinite(end_s) else end_s
    return Span(start_s, max(start_s, end))
