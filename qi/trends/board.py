"""The report to the board as plain data: what changed and since when, is it real, outcomes, times, pauses, bundles, groups.

Two pages; small cells hidden where it is for sharing. It says what happened and never why.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from qi.model.cautions import LONG
from qi.trends import chance, sentences
from qi.trends import columns_used as use
from qi.trends.board_tables import FEW, MOST_GROUPS, Hiding, Printed, causes_table, cell, groups_table, outcomes_table, share_words
from qi.trends.board_tables import bundles_table as _bundles
from qi.trends.board_tables import times_table as _times
from qi.trends.capture import UNLISTED, Capture
from qi.trends.chart import Chart
from qi.trends.dates import CASE, MONTH, named
from qi.trends.hidden_cells import HIDDEN, Shape
from qi.trends.intervals import percent
from qi.trends.outcomes import NOT_WHY
from qi.trends.registry import CONTEXT, context
from qi.trends.series import OWN, Subject, View, averaged
from qi.trends.signals import BEYOND_LIMITS, LONG_RUN, Signal

MAIN = (
    "compression_fraction",
    "longest_pause_s",
    "peri_shock_pause_s",
    "ventilation_rate.advanced_airway",
    "time_to_device_s.itd.first_compression",
    "released_fraction",
    "compression_depth_mm",
    "compression_rate",
    "pauses_over_limit",
)
CHARTS = 6
MOST_SENTENCES = 8  # signals that page one has room for, two a measure at most
_A_MEASURE = 2
INVENTED = " Invented cases of an agency that does not exist."
GROUPED = (use.STATION, use.SHIFT)
_REGISTRY = (("all", use.SUSTAINED_ROSC), ("all", use.SURVIVED_TO_DISCHARGE), ("comparator", use.SURVIVED_TO_DISCHARGE))
_CASES = Shape(
    counts=("included", "signed", "machine", "left out", "all", "anew"),
    within={"anew": ("signed",)},
    adds={"included": ("signed", "machine"), "all": ("included", "left out")},
)
_CAPTURED = Shape(
    counts=("known", "measurable", "recorded", "undated"),
    within={"measurable": ("recorded", "known"), "recorded": ("known",)},
)
_PROTOCOLS = Shape(counts=("cases",))


@dataclass(frozen=True, eq=False)
class Told:
    """One measure of the report: what it is, how it is looked at, its chart, the signals on it, and the name of the chart.

    The name says what the points are: a chart of shares done in time is not one of the times.
    """

    subject: Subject
    view: View
    chart: Chart
    signals: Sequence[Signal]
    name: str


@dataclass(frozen=True)
class Board:
    """All that the report says.

    changes, measure and sentence of each signal; quiet, the measures without one; chance, how often charts like these signal where
    nothing changes; averaged, how the cases of a point were put together; the rest are tables and sentences in the order printed.
    """

    agency: str
    span: str
    cases: str
    capture: str
    changes: Sequence[tuple[str, str]]
    quiet: str
    chance: str
    averaged: Sequence[str]
    outcomes: Printed
    context: Sequence[str]
    times: Printed
    causes: Printed
    bundles: Printed
    groups: Printed
    definitions: Sequence[str]
    cautions: Sequence[str]
    notes: Sequence[str]


def board(
    table: pd.DataFrame,
    pauses: pd.DataFrame,
    told: Sequence[Told],
    captured: Capture | None,
    *,
    hiding: Hiding,
    filters: str = "",
    no_outcomes: str = "",
    invented: bool = False,
) -> Board:
    """The report on a table of cases.

    Parameters: table, of the cohort, with what is no measure's and board_tables.needed, excluded cases among them; pauses, of its
    cases; told, the measures with their charts; captured, of all arrests known, None where none is; hiding; filters, which cases
    they are, empty for all; no_outcomes, why no outcome is shown of these cases, empty where they are; invented, they are.
    Returns: Board; without cases it says so in words.
    """
    cases = use.included(table)
    held = pauses[pauses[use.KEY].isin(cases[use.KEY])] if len(pauses) else pd.DataFrame(columns=["key", "seconds", "cause"])
    changes, further = _changes(told, hiding)
    return Board(
        agency=", ".join(sorted(set(table["agency"].astype("str")) - {""})) or "Agency not named",
        span=_span(cases),
        cases=_cases(table, hiding, filters) + (INVENTED if invented else ""),
        capture=_capture(captured, hiding),
        changes=changes,
        quiet=_quiet(told, further),
        chance=chance.false_signals([one.chart for one in told]).words if told else "",
        averaged=_averaged(told),
        outcomes=Printed((), (), (no_outcomes,)) if no_outcomes else outcomes_table(table, hiding),
        context=_context(),
        times=_times(table, hiding),
        causes=causes_table(held, hiding),
        bundles=_bundles(table, hiding, no_outcomes),
        groups=groups(table, told, hiding),
        definitions=_definitions(cases, told, hiding),
        cautions=LONG,
        notes=_notes(hiding),
    )


def groups(table: pd.DataFrame, told: Sequence[Told], hiding: Hiding, *, most: int = MOST_GROUPS) -> Printed:
    """The report's table of stations and shifts by its first measure.

    Parameters: table, told and hiding, see board; most, how many of a sort are printed, the rest is counted under the table.
    """
    if not told:
        return Printed((), (), ("No measure has a number yet.",))
    return groups_table(table, told[0].subject, GROUPED, hiding, most=most)


def _span(cases: pd.DataFrame) -> str:
    days = cases[use.CALL_DAY].dropna()
    if days.empty:
        return "No case with a known day"
    first, last = (named(day.strftime("%Y-%m-%d"), MONTH) for day in (days.min(), days.max()))
    return first if first == last else f"{first} to {last}"


def _cases(table: pd.DataFrame, hiding: Hiding, filters: str) -> str:
    cases = use.included(table)
    signed = int((cases[use.SOURCE] == "signed").sum())
    counts = {"included": len(cases), "signed": signed, "machine": len(cases) - signed}
    counts |= {"left out": len(table) - len(cases), "all": len(table), "anew": use.signed_anew(cases)}
    row = hiding.of(pd.DataFrame([counts]), _CASES, ()).to_dict("records")[0]
    text = f"{_many(cell(row, 'included'), 'case')}: {cell(row, 'signed')} signed, {cell(row, 'machine')} as the machine finds them"
    text += f"; signed under other definitions and measured anew since: {cell(row, 'anew')}" if counts["anew"] else ""
    text += f"; left out of comparisons: {cell(row, 'left out')}." if counts["left out"] else "."
    return f"{text} Looked at: {filters}." if filters else text


def _many(count: str, noun: str) -> str:
    """A count as it is printed, hidden ones among them, with what it counts."""
    return f"{count} {noun}" if count == "1" else f"{count} {noun}s"


def _capture(captured: Capture | None, hiding: Hiding) -> str:
    if captured is None:
        return "Capture: no arrest is known."
    counts = {"known": captured.recorded.n, "recorded": captured.recorded.count, "measurable": captured.measurable.count}
    row = hiding.of(pd.DataFrame([counts | {"undated": captured.undated}]), _CAPTURED, ()).to_dict("records")[0]
    source = "dispatch and care records know" if captured.elsewhere_told else "this library knows"
    text = f"Capture: of {_many(cell(row, 'known'), 'arrest')} that {source}, recorded: {share_words(row, 'recorded', 'known')}; "
    text += f"measurable: {share_words(row, 'measurable', 'known')}. "
    text += "Other sensors see other things: a change of equipment is no improvement."
    if not captured.elsewhere_told:
        text += f" {captured.why or UNLISTED}"
    return text + (f" Without a known time: {cell(row, 'undated')}." if captured.undated else "")


def _changes(told: Sequence[Told], hiding: Hiding) -> tuple[list[tuple[str, str]], int]:
    """Signals as sentences in the order of the measures, and how many found no room: each measure's first, then second ones."""
    kept = [[signal for signal in one.signals if not _gives_away(one, signal, hiding)] for one in told]
    ordered = [sorted(some, key=lambda signal: (signal.rule != LONG_RUN, not signal.ongoing)) for some in kept]
    places = [(rank, at) for rank in range(_A_MEASURE) for at, some in enumerate(ordered) if rank < len(some)]
    found = sorted((at, rank) for rank, at in places[:MOST_SENTENCES])
    said = [(told[at].name, _sentence(told[at].chart, ordered[at][rank], hiding)) for at, rank in found]
    return said, sum(len(one.signals) for one in told) - len(said)


def _sentence(chart: Chart, signal: Signal, hiding: Hiding) -> str:
    """The signal without the counting behind it, and how often chance alone gives it.

    For sharing a point beyond the limits has no value, n or limit (which follows n): less its month, a quarter would give away what
    lies in the other two.
    """
    lead = sentences.in_words(chart, [signal])[0].partition(" Among ")[0]
    if hiding.sharing and signal.rule == BEYOND_LIMITS:
        side = "above the upper" if signal.above else "below the lower"
        return f"{lead.partition(' (')[0]} lies {side} limit: rare by chance for any one point."
    return lead if signal.chance is None else f"{lead.rstrip('.')} ({percent(signal.chance)} of series in which nothing changes)."


def _gives_away(one: Told, signal: Signal, hiding: Hiding) -> bool:
    """A sentence that tells value and n of a single point, which is not said where that point is small."""
    n = one.chart.points["n"].iloc[signal.first]
    return hiding.sharing and signal.rule == BEYOND_LIMITS and (one.view.every == CASE or not n > hiding.most)


def _quiet(told: Sequence[Told], further: int) -> str:
    if not told:
        return "No measure has a number yet, so nothing can be said of change."
    names = [one.name for one in told if not one.signals]
    parts = [f"No signal: {'; '.join(names)}. That does not show that nothing changed."] if names else []
    parts += ["Some further signals are not printed here; they stand on the page over time."] if further else []
    return " ".join(parts)


def _averaged(told: Sequence[Told]) -> list[str]:
    """How cases were put together, each way once, with the measures that it is true of."""
    ways: dict[str, list[str]] = {}
    for one in told:
        ways.setdefault(averaged(one.subject, one.view.sort), []).append(one.name)
    if len(ways) == 1:
        return list(ways)
    return [f"{', '.join(names)}: {way[0].lower()}{way[1:]}" for way, names in ways.items()]


def _context() -> list[str]:
    """The newest published figure of each group and outcome that is printed, and what it is not."""
    newest = [figures[:-2][-1] for group, outcome in _REGISTRY if (figures := context(group, outcome))]
    return [*newest, CONTEXT, NOT_WHY]


def _definitions(cases: pd.DataFrame, told: Sequence[Told], hiding: Hiding) -> list[str]:
    asked = [f"{one.subject.label} {one.subject.limit}" for one in told if one.subject.limit and one.subject.limit != OWN]
    said = [f"Asked for by the protocol{'s' * (len(told[0].subject.protocols) > 1)}: {'; '.join(asked)}."] if asked else []
    if own := [one.subject.label for one in told if one.subject.limit == OWN]:
        said.append(f"Not the same in every protocol, so that no limit is drawn: {'; '.join(own)}.")
    if len(cases):
        words = cases[["protocol", "definitions_digest"]].astype("str")
        rows = words.groupby(["protocol", "definitions_digest"], sort=True).size().rename("cases").reset_index()
        made = hiding.of(rows, _PROTOCOLS).to_dict("records")
        said_of = [(one["protocol"], _many(cell(one, "cases"), "case"), one["definitions_digest"]) for one in made]
        held = "; ".join(f"{protocol} ({n}, digest {digest})" for protocol, n, digest in said_of)
        said.append(f"Protocols and definitions in force: {held}.")
    return said


def _notes(hiding: Hiding) -> list[str]:
    few = f"{FEW} 10 to 29 cases: the interval is wide. Under 10: counts only."
    notes = [f"In brackets: 95 % intervals (Wilson for shares). {few}"]
    if hiding.sharing:
        small = f"counts of 1 to {hiding.most} patients and whatever would give them away are {HIDDEN}"
        drawn = (
            "signals are looked for by month; charts show quarters, without the points that rest on few cases (nor the centre "
            "where there are such points) and without the months that a person left out"
        )
        notes.insert(0, f"For sharing: {small}; {drawn}.")
    return notes


def plain(one: Board) -> Mapping[str, object]:
    """The report as values that JSON can hold."""
    tables = {
        name: {"columns": list(part.columns), "rows": [list(row) for row in part.rows], "notes": list(part.notes)}
        for name in ("outcomes", "times", "causes", "bundles", "groups")
        for part in (getattr(one, name),)
    }
    texts = {name: getattr(one, name) for name in ("agency", "span", "cases", "capture", "quiet", "chance")}
    lists = {name: list(getattr(one, name)) for name in ("averaged", "context", "definitions", "cautions", "notes")}
    return {**texts, **lists, **tables, "changes": [list(change) for change in one.changes]}
