"""When the patient had no circulation: the arrest spans, and which rule and clock set each of their edges."""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from qi.model.case import Case
from qi.model.findings import Arrest, Edge
from qi.model.spans import Span, Spans

CLOSING = ("rosc", "terminated", "care_transferred")
_OPENING = ("arrest_recognised", "cpr_started")
_SAID = {"rosc": "ROSC", "terminated": "end of the effort", "care_transferred": "hand-over"}


def arrest(case: Case, compressions: pd.DataFrame, *, gap_s: float, reopening_compressions: int) -> Arrest:
    """Arrest spans from compressions and from events on the monitor's own clock; an event from another clock moves no edge.

    Parameters: case, for its events, clocks, facts and recordings; compressions, COMPRESSIONS table [s]; gap_s, shortest distance
    between two deepest points that parts two runs [s]; reopening_compressions, a run of at least so many after a closing event
    opens a new span that is marked as not charted.
    Returns: Arrest with its spans, edges and open questions; without spans where nothing tells of an arrest.
    References: our definition (no source).
    """
    own = case.events[case.events["clock"] == case.lead_clock]
    onsets = _onsets(compressions, gap_s, reopening_compressions)
    recording_end = case.recorded.hull.end_s if case.recorded else _last(own)
    start = _start(case, own, compressions)
    spans: list[Span] = []
    edges: list[Edge] = []
    questions: list[str] = []
    closed_by: str | None = None
    while start is not None:
        edges.append(start)
        closing = _closing(own, start.time_s)
        if closing is None:
            break
        spans.append(Span(start.time_s, closing.time_s))
        edges.append(closing)
        closed_by = closing.rule.split(" ")[0]
        start = _reopening(own, onsets, closing.time_s)
        if start is not None and start.rule.startswith("not charted"):
            questions.append(
                f"compressions went on from {start.time_s:.0f} s after “{_SAID[closed_by]}” without a charted re-arrest"
            )
    if start is None:
        return Arrest(_spans(spans), tuple(edges), closed_by, rosc=_rosc(own, spans, recording_end), questions=tuple(questions))
    end, rest, rest_error, closed_by = _open_end(case, own, compressions, start.time_s, recording_end)
    spans.append(Span(start.time_s, end.time_s))
    questions += _elsewhere(case, own)
    rosc = _rosc(own, spans[:-1], start.time_s)
    if closed_by == "rosc" and rest is not None:
        rosc = rosc.union(Spans.of([(rest.end_s, recording_end)]))
    return Arrest(_spans(spans), (*edges, end), closed_by, rest, rest_error, rosc, tuple(questions))


def _spans(spans: list[Span]) -> Spans:
    return Spans.of((span.start_s, span.end_s) for span in spans)


def _last(events: pd.DataFrame) -> float:
    return float(events["time_s"].max()) if len(events) else 0.0


def _first(events: pd.DataFrame, types: tuple[str, ...], after_s: float = -np.inf) -> tuple[float, str] | None:
    rows = events[events["type"].isin(types) & (events["time_s"] > after_s)]
    return (float(rows["time_s"].iloc[0]), str(rows["type"].iloc[0])) if len(rows) else None


def _start(case: Case, own: pd.DataFrame, compressions: pd.DataFrame) -> Edge | None:
    found: list[tuple[float, str]] = []
    if len(compressions):
        found.append((float(compressions["onset_s"].iloc[0]), "first compression a sensor saw"))
    if opening := _first(own, _OPENING):
        found.append((opening[0], f"{opening[1]} on the monitor's clock"))
    if case.facts.witnessed == "ems" and (collapse := _first(own, ("collapse",))):
        found.append((collapse[0], "collapse witnessed by the crew"))
    if not found:
        return None
    time_s, rule = min(found)
    contact = _first(own, ("at_patient",))
    if contact and contact[0] > time_s:
        return Edge(contact[0], "start", "patient contact: no arrest time is counted before it")
    return Edge(time_s, "start", rule)


def _closing(own: pd.DataFrame, after_s: float) -> Edge | None:
    found = _first(own, CLOSING, after_s)
    return None if found is None else Edge(found[0], "end", f"{found[1]} on the monitor's clock")


def _onsets(compressions: pd.DataFrame, gap_s: float, least: int) -> pd.DataFrame:
    """For each compression, its onset and how many of its run are still to come, itself included."""
    times = compressions["time_s"].to_numpy()
    run = np.cumsum(np.r_[0, np.diff(times) >= gap_s]) if len(times) else np.zeros(0, int)
    left = pd.Series(run).groupby(run).cumcount(ascending=False).to_numpy() + 1
    return pd.DataFrame({"time_s": times, "onset_s": compressions["onset_s"].to_numpy(), "enough": left >= least})


def _reopening(own: pd.DataFrame, onsets: pd.DataFrame, after_s: float) -> Edge | None:
    """The next re-arrest: as charted, or from the first compression of a run that goes on long enough."""
    again = _first(own, ("rearrest",), after_s)
    later = onsets[(onsets["time_s"] > after_s) & onsets["enough"]]
    pressed = max(float(later["onset_s"].iloc[0]), after_s) if len(later) else None
    if again and (pressed is None or again[0] <= pressed):
        return Edge(again[0], "start", "rearrest on the monitor's clock")
    if pressed is None:
        return None
    return Edge(pressed, "start", "not charted: compressions after the arrest had been closed")


def _open_end(
    case: Case, own: pd.DataFrame, compressions: pd.DataFrame, start_s: float, recording_end: float
) -> tuple[Edge, Span | None, float | None, str]:
    """End of a span that no event on the monitor's clock closes: the last release, if another clock tells of an end, else the
    end of the recording."""
    last = float(compressions["release_s"].iloc[-1]) if len(compressions) else start_s
    others = case.events[(case.events["clock"] != case.lead_clock) & case.events["type"].isin(CLOSING)]
    placed = others[[case.clocks[clock].placed for clock in others["clock"]]] if len(others) else others
    if others.empty or last <= start_s:
        return Edge(max(recording_end, start_s), "end", "end of the recording"), None, None, "recording"
    row = (placed if len(placed) else others).iloc[-1]
    kind = str(row["type"])
    rest = Span(last, max(last, float(row["time_s"]))) if len(placed) else None
    error = case.apart_s(str(row["clock"]), case.lead_clock) if len(placed) else None
    return Edge(last, "end", f"last release; {_SAID[kind]} stands on another clock"), rest, error, kind


def _rosc(own: pd.DataFrame, closed: list[Span], until_s: float) -> Spans:
    """Stretches of charted circulation: from each ROSC to the next span, or to the end of the recording."""
    starts = [span.start_s for span in closed[1:]]
    pairs = []
    for i, span in enumerate(closed):
        at_end = own[(own["type"] == "rosc") & np.isclose(own["time_s"], span.end_s)]
        if len(at_end):
            pairs.append((span.end_s, starts[i] if i < len(starts) else max(until_s, span.end_s)))
    return Spans.of(pairs)


def _elsewhere(case: Case, own: pd.DataFrame) -> list[str]:
    """ROSC or re-arrest told by other clocks only, for the reviewer to place."""
    told: Mapping[str, str] = {"rosc": "ROSC", "rearrest": "re-arrest"}
    return [
        f"{word} is charted on another clock only; place it on the monitor's clock if the arrest was interrupted"
        for type_, word in told.items()
        if (case.events["type"] == type_).any() and not (own["type"] == type_).any()
    ]
