"""Corrections of when the patient had no circulation: arrest spans put in, taken out, or their edges moved."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from qi.model.corrections import Correction
from qi.model.findings import Arrest, Edge
from qi.model.spans import Span, Spans

RULE = "set by a reviewer"


def corrected(course: Arrest, corrections: Sequence[Correction], missed: list[Correction]) -> Arrest:
    """The arrest with the edges that a reviewer set; an edge that a person sets goes before every rule.

    Parameters: course, as found; corrections of the subject arrest, in the order they were written [s]; missed, to which those are
    added that speak of a span that is not there.
    Returns: Arrest. A span whose end moves is still closed by what closed it; charted circulation begins where the last span that
    it follows ends; a pause after an end that was set by hand is no longer told.
    """
    spans, rosc = list(course.spans), course.rosc
    for one in corrections:
        if one.action == "add":
            spans.append(Span(*one.span))
            continue
        at = _nearest(spans, Span(*one.span))
        if at is None:
            missed.append(one)
            continue
        old = spans.pop(at)
        if one.action == "move":
            new = Span(
                old.start_s if one.to_start_s is None else one.to_start_s, old.end_s if one.to_end_s is None else one.to_end_s
            )
            spans.append(new)
            if new.end_s < old.end_s and rosc.contains(old.end_s):
                rosc = rosc.union(Spans.of([(new.end_s, old.end_s)]))
    if not corrections:
        return course
    whole = Spans.of((span.start_s, span.end_s) for span in spans)
    edges = _edges(whole, course.edges)
    by_hand = bool(edges) and edges[-1].rule == RULE
    return replace(
        course,
        spans=whole,
        edges=edges,
        rosc=rosc.minus(whole),
        final_pause=None if by_hand else course.final_pause,
        final_pause_error_s=None if by_hand else course.final_pause_error_s,
    )


def _nearest(spans: Sequence[Span], asked: Span) -> int | None:
    """The span that shares most time with a stretch; for a moment, or where none does, the one that lies nearest."""
    if not spans:
        return None
    shared = [min(span.end_s, asked.end_s) - max(span.start_s, asked.start_s) for span in spans]
    return int(np.argmax(shared))


def _edges(spans: Spans, before: Sequence[Edge]) -> tuple[Edge, ...]:
    """Each edge with the rule that set it; one that no rule set was set by the reviewer."""
    found = []
    for span in spans:
        for time_s, side in ((span.start_s, "start"), (span.end_s, "end")):
            old = next((edge for edge in before if edge.side == side and np.isclose(edge.time_s, time_s, atol=1e-6)), None)
            found.append(old or Edge(time_s, side, RULE))
    return tuple(found)
