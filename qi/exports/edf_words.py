"""What is known of a case as EDF+ annotations: charted events in their own word, what was found and what a reviewer said apart.

A charted event is written as its type, value and key=value pairs, so that our own reader gives it back as it was. What a machine
found begins with “found”, what a reviewer put there with “reviewer”: no reader takes them for something that was charted.

References: EDF+ specification, section 2.2.3 (Kemp and Olivan, Clin Neurophysiol 114 (2003) 1755). We know of no standard
texts for shocks, compressions or drugs.
"""

import math
import re
from collections.abc import Iterator
from typing import Any, NamedTuple

from qi.exports.masking import last_s, placed, stretch
from qi.exports.tellers import by_rule, by_sensor
from qi.model.cautions import NOTICE, SHORT
from qi.model.journal import REVIEWER
from qi.model.review import Review
from qi.model.vocabulary import UNMAPPED

LONGEST_BYTES = 500  # of one text; readers of the format are known to cut at 512 (read in one reader's source)
_PIECE = 110  # letters of a long line in one text; each may take four bytes
_BEFORE_PAIR, _AFTER_PAIR = re.compile(r"\s+(?=\w+=)"), re.compile(r"(\b\w+=[^\s;]+)\s+")
_CONTROL = re.compile(r"[\x00-\x1f\x7f]+")


class Words(NamedTuple):
    """One annotation: when, for how long (None for a moment), and what [s from case start]."""

    onset_s: float
    seconds: float | None
    text: str


def annotations(review: Review) -> list[Words]:
    """Every annotation of a case, in order of time.

    Parameters: review, of one case.
    Returns: the caution and the protocol at 0 s, charted events, and what was found: compressions (from the start of the downstroke
    to the deepest point), breaths (from the start to the end of the insufflation), pauses with their cause, shocks, devices, arrest
    spans, circulation and modes. Events on a clock that could not be placed have no place and are not among them.
    """
    return sorted([*_head(review), *charted(review), *_found(review)], key=lambda words: words.onset_s)


def short(text: str) -> str:
    """One line without control characters, at most LONGEST_BYTES of UTF-8; what was cut ends in “…”."""
    line = _CONTROL.sub(" ", text).strip()
    raw = line.encode()
    return line if len(raw) <= LONGEST_BYTES else f"{raw[: LONGEST_BYTES - 3].decode(errors='ignore')}…"


def _head(review: Review) -> Iterator[Words]:
    yield Words(0.0, None, SHORT)
    yield Words(0.0, None, short(f"case {review.case.id}, protocol {review.protocol.name}, chosen by {review.protocol.chosen_by}"))


def notice(banner: str) -> list[Words]:
    """The agency's own line at 0 s, in pieces that readers do not cut; our own reader knows it again and takes it for no event.

    Parameters: banner, empty for none.
    """
    size = _PIECE if len(f"{NOTICE}{banner}".encode()) > LONGEST_BYTES else len(banner) or 1
    pieces = [banner[at : at + size] for at in range(0, len(banner), size)]
    return [Words(0.0, None, short(f"{NOTICE}{piece}")) for piece in pieces]


def charted(review: Review, *, of: str | None = None) -> Iterator[Words]:
    """The charted events that have a place, of one source or of all; of all, those not on the lead clock say their source."""
    case = review.case
    for row in case.told:
        if of in (None, row.source) and placed(case, row.clock):
            told = row.source if of is None and (row.clock != case.lead_clock or row.source == REVIEWER) else None
            seconds = float(row.end_s) - float(row.time_s) if row.end_s == row.end_s else None
            yield Words(float(row.time_s), seconds, event_text(row, source=told))


def event_text(event: Any, *, source: str | None = None) -> str:  # noqa: ANN401 - a row of the EVENTS table
    """One charted event as a text: its type, its value, then dose, unit, by and text as pairs without blanks.

    An event that is not understood is its own words alone.
    """
    if event.type == UNMAPPED:
        return short(str(_given(event.text) or event.value or UNMAPPED))
    parts = [str(event.type)]
    if value := _given(event.value):
        parts.append(" ".join(value.replace("=", ":").split()))
    if event.dose == event.dose and event.dose is not None:
        parts.append(f"dose={event.dose:.10g}")
    pairs = {"unit": event.unit, "by": event.by, "text": event.text, "source": source}
    parts += [f"{key}={_joined(given)}" for key, value in pairs.items() if (given := _given(value))]
    return short(" ".join(parts))


def _given(value: object) -> str | None:
    return value if isinstance(value, str) and value.strip() else None


def _joined(value: str) -> str:
    """Without blanks: pairs inside it end in “;”, all other blanks are “_”."""
    parted = _AFTER_PAIR.sub(r"\1;", _BEFORE_PAIR.sub(";", value.strip()))
    return "_".join(parted.split())


def _found(review: Review) -> Iterator[Words]:
    found, until_s = review.findings, last_s(review.case)
    for one in found.compressions.itertuples():
        yield Words(float(one.onset_s), float(one.time_s - one.onset_s), f"{_who(one.sensor)} compression")
    for one in found.ventilations.itertuples():
        seconds = float(one.insufflation_s) if one.insufflation_s == one.insufflation_s else None
        yield Words(float(one.time_s), seconds, f"{_who(one.sensor)} ventilation")
    for one in found.pauses.itertuples():
        by = f" cause_by={REVIEWER}" if one.cause_by == REVIEWER else ""
        yield Words(float(one.start_s), float(one.seconds), f"found pause {one.cause}{by}")
    for one in found.shocks.itertuples():
        numbers = {"energy_j": one.energy_j, "pre_s": one.pre_s, "post_s": one.post_s}
        pairs = [f"{name}={value:.4g}" for name, value in numbers.items() if math.isfinite(value)]
        yield Words(float(one.time_s), None, " ".join([_who(one.sensor), "shock", *pairs]))
    for one in found.devices.itertuples():
        if placed(review.case, one.clock):
            span = stretch(float(one.on_s), float(one.off_s), until_s=until_s)
            yield Words(span.start_s, span.seconds, short(f"{_who(one.source)} device {one.kind}"))
    yield from _course(review, until_s)


def _course(review: Review, until_s: float) -> Iterator[Words]:
    """Arrest spans with the rule of each edge, circulation after them, and how compressions and breaths went together."""
    course = review.findings.course
    rules = {(edge.side, edge.time_s): edge.rule for edge in course.edges}
    for start_s, end_s in course.spans.pairs():
        edges = [rules.get(key, "not told") for key in (("start", start_s), ("end", end_s))]
        who = REVIEWER if by_rule(edges) == REVIEWER else "found"
        span = stretch(start_s, end_s, until_s=until_s)
        yield Words(span.start_s, span.seconds, short(f"{who} arrest, starts: {edges[0]}, ends: {edges[1]}"))
    for start_s, end_s in course.rosc.pairs():
        span = stretch(start_s, end_s, until_s=until_s)
        yield Words(span.start_s, span.seconds, "found circulation")
    for one in review.findings.modes.itertuples():
        span = stretch(float(one.start_s), float(one.end_s), until_s=until_s)
        yield Words(span.start_s, span.seconds, f"found mode {one.mode}")


def _who(sensor: object) -> str:
    """What the text begins with: a reviewer's, or found."""
    return REVIEWER if by_sensor(sensor) == REVIEWER else "found"
