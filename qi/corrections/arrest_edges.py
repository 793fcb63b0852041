"""Corrections of when the patient had no circulation: arrest spans put in, taken out, or their edges moved."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from qi.model.corrections import Correction
from qi.model.findings import Arrest, Edge
from qi.model.spans import Span, Spans

RULE = "set by a reviewer"
EXACT_S = 1e-3  # how exactly the times of a correction are written [s]
NEAR_S = 1.0  # a moment that speaks of a span may lie this far out of it [s] (our default, no source)


@dataclass(frozen=True)
class _Stretch:
    """One arrest span on its way, and what ended it."""

    span: Span
    closed_by: str | None


def corrected(course: Arrest, corrections: Sequence[Correction], missed: list[Correction]) -> Arrest:
    """The arrest with the edges that a reviewer set; an edge that a person sets goes before every rule.

    Parameters: course, as found; corrections of the subject arrest, in the order they were written, as
    qi.model.corrections.checked gives them [s]; missed, to which those are added that speak of a span that is not there, would
    leave it no length, or change nothing.
    Returns: Arrest. A span whose end moves is still closed by what closed it; one put in apart from the others, by the end of the
    recording. Charted circulation begins where the span that it follows ends, and goes on through time that is taken out of the
    arrest beside it; a pause after the last span is told only as long as that span ends where it did.
    """
    found = stretches = _as_found(course)
    rosc = course.rosc
    for one in corrections:
        after = _after(stretches, one)
        if after is None:
            missed.append(one)
            continue
        freed = _whole(stretches).minus(_whole(after))
        beside = rosc.grown(EXACT_S)
        rosc = rosc.union(Spans.of(pair for pair in freed.pairs() if beside.contains(np.array(pair)).any()))
        stretches = after
    return course if stretches is found else _rebuilt(course, stretches, rosc)


def _as_found(course: Arrest) -> list[_Stretch]:
    """The spans as found; all but the last are closed by an event on the monitor's clock, which their rule names."""
    ended = {edge.time_s: edge.rule.split(" ")[0] for edge in course.edges if edge.side == "end"}
    spans = list(course.spans)
    return [_Stretch(span, ended.get(span.end_s) if span is not spans[-1] else course.closed_by) for span in spans]


def _whole(stretches: Sequence[_Stretch]) -> Spans:
    return Spans.of((one.span.start_s, one.span.end_s) for one in stretches)


def _after(stretches: list[_Stretch], one: Correction) -> list[_Stretch] | None:
    """The spans after one correction, or None where it changes nothing."""
    asked = Span(*one.span)
    if one.action == "add":
        if not Spans.of([one.span]).minus(_whole(stretches)):
            return None
        longer = [other for other in stretches if other.span.start_s <= asked.end_s and asked.start_s <= other.span.end_s]
        return _joined([*stretches, _Stretch(asked, longer[-1].closed_by if longer else "recording")])
    at = _spoken_of(stretches, asked)
    if at is None or one.action not in ("remove", "move"):
        return None
    others = [other for other in stretches if other is not stretches[at]]
    if one.action == "remove":
        return others
    old = stretches[at]
    new = Span(_set(old.span.start_s, one.start_s, one.to_start_s), _set(old.span.end_s, one.end_s, one.to_end_s))
    return None if new == old.span or not new.seconds else _joined([*others, replace(old, span=new)])


def _set(found_s: float, was_s: float | None, to_s: float | None) -> float:
    """Where an edge stands: as found, unless the correction moves this very edge."""
    return found_s if to_s is None or (was_s is not None and abs(to_s - was_s) < EXACT_S) else to_s


def _spoken_of(stretches: Sequence[_Stretch], asked: Span) -> int | None:
    """Number of the span that shares most time with a stretch; for a moment, of the one that it lies in or beside."""
    if not stretches:
        return None
    shared = [min(one.span.end_s, asked.end_s) - max(one.span.start_s, asked.start_s) for one in stretches]
    at = int(np.argmax(shared))
    return at if shared[at] > 0 or (not asked.seconds and shared[at] >= -NEAR_S) else None


def _joined(stretches: Sequence[_Stretch]) -> list[_Stretch]:
    """Spans in order of time, those that touch or overlap as one, closed by what closed the last of them."""
    whole: list[_Stretch] = []
    for one in sorted(stretches, key=lambda one: one.span.start_s):
        if not whole or one.span.start_s > whole[-1].span.end_s:
            whole.append(one)
        else:
            last = max(whole[-1], one, key=lambda other: other.span.end_s)
            whole[-1] = replace(last, span=Span(whole[-1].span.start_s, last.span.end_s))
    return whole


def _rebuilt(course: Arrest, stretches: Sequence[_Stretch], rosc: Spans) -> Arrest:
    """The course with these spans."""
    whole = _whole(stretches)
    if not whole:
        return Arrest(questions=course.questions)
    end_s, closed_by, rest = whole.hull.end_s, stretches[-1].closed_by, course.final_pause
    stands = rest is not None and abs(rest.start_s - end_s) < EXACT_S
    follows = rosc.minus(Spans.of([(-np.inf, whole.first.end_s)])).minus(whole)
    later = follows.edges[follows.edges[:, 0] > end_s]
    if rest is not None and not stands and closed_by == "rosc" and len(later):
        follows = follows.union(Spans.of([(end_s, float(later[0, 0]))]))  # it began where the reviewer ends the arrest
    return replace(
        course,
        spans=whole,
        edges=_edges(whole, course.edges),
        closed_by=closed_by,
        final_pause=rest if stands else None,
        final_pause_error_s=course.final_pause_error_s if stands else None,
        rosc=follows,
    )


def _edges(spans: Spans, before: Sequence[Edge]) -> tuple[Edge, ...]:
    """Each edge with the rule that set it; one that no rule set was set by the reviewer."""
    found = []
    for span in spans:
        for time_s, side in ((span.start_s, "start"), (span.end_s, "end")):
            old = next((edge for edge in before if edge.side == side and abs(edge.time_s - time_s) < EXACT_S), None)
            found.append(old or Edge(time_s, side, RULE))
    return tuple(found)
