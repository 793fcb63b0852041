"""Read this first: files -> case -> events -> measures -> verdicts, one line a step."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from qi.detect import (
    charted,
    choice,
    circulation,
    compressions,
    devices,
    pauses,
    recoil,
    settings,
    shock_pauses,
    shocks,
    ventilations,
)
from qi.intake.folder import read_case
from qi.judge import protocol as protocols
from qi.judge.verdicts import judge
from qi.measures import MEASURES, minutes
from qi.model.case import Case, Note, Signal
from qi.model.findings import Findings
from qi.model.review import Judged, Protocol, Review
from qi.model.seen import Seen
from qi.model.tables import COMPRESSIONS, RECOILS, VENTILATIONS, make

MEASURE_IDS = tuple(measure.id for measure in MEASURES)
ASKED = "the person who ran the review"
COMPRESSION_TRUST = ("compression_depth", "compression_force", "events")
BREATH_TRUST = ("airway_pressure", "co2", "events")


def measure_case(path: Path | str, *, protocol: str | None = None) -> Review:
    """Read, find, measure and judge one case folder.

    Parameters: path, the folder (or one file); protocol, a protocol's name or file, over the one that the case names.
    Raises: UnreadableFile when nothing of the case can be read; UnknownWord for a protocol that is not known.
    """
    case = read_case(Path(path))
    in_force = choose_protocol(case, protocol, near=_near(Path(path)))
    return review(case, in_force)


def named_protocol(name: str, cases: Iterable[Path]) -> Protocol:
    """The protocol of that name, looked for beside the cases too.

    Raises: UnknownWord for a name that is not known, listing the choices.
    """
    return protocols.read(name, chosen_by=ASKED, measures=MEASURE_IDS, near=[folder for case in cases for folder in _near(case)])


def protocol_names() -> list[str]:
    """Names of the protocols that come with the app."""
    return protocols.built_in()


def labels() -> dict[str, str]:
    """What a person reads for each measure id."""
    return {measure.id: measure.label for measure in MEASURES}


def units() -> dict[str, str]:
    """The unit of each measure id."""
    return {measure.id: measure.unit for measure in MEASURES}


def with_own_ids(reviews: Sequence[Review]) -> list[Review]:
    """Give each of several cases an id of its own: an equal one gets a number behind it, and a note says so."""
    seen: dict[str, int] = {}
    result = []
    for one in reviews:
        seen[one.case.id] = seen.get(one.case.id, 0) + 1
        if seen[one.case.id] > 1:
            fresh = f"{one.case.id}-{seen[one.case.id]}"
            note = Note("warning", "case.toml", f"another case here has the id {one.case.id}; this one is shown as {fresh}")
            one = replace(one, case=replace(one.case, id=fresh), notes=(*one.notes, note))
        result.append(one)
    return result


def _near(case: Path) -> list[Path]:
    return [case.parent / "protocols", case]


def review(case: Case, in_force: Protocol) -> Review:
    """Find, measure and judge a case that has been read."""
    found, questions = find(case, in_force)
    notes = (*case.notes, *(Note("info", "arrest", question) for question in questions))
    return Review(case, found, in_force, tuple(measure(found, in_force)), notes)


def choose_protocol(case: Case, name: str | None = None, *, near: Collection[Path] = ()) -> Protocol:
    """The protocol in force: as asked for, else as the case names it, else by age."""
    if name:
        return protocols.read(name, chosen_by=ASKED, measures=MEASURE_IDS, near=near)
    if case.protocol:
        return protocols.read(case.protocol, chosen_by="the case's own header", measures=MEASURE_IDS, near=near)
    return protocols.by_age(case.facts.age_years, measures=MEASURE_IDS)


def find(case: Case, in_force: Protocol) -> tuple[Findings, list[str]]:
    """What happened, from signals and events, and what a reviewer should look at."""
    tune = settings.load()
    gap_s = in_force.values["gap_s"]
    pressed = find_compressions(case, tune, gap_s)
    course = circulation.arrest(case, pressed.events, gap_s=gap_s, **tune["arrest"])
    pressed = choice.up_to_edges(pressed, course.spans, case.recorded, **tune["known_to_edges"])
    hands_on = pauses.runs(pressed.events, gap_s=gap_s)
    breaths, exhalations = (
        choice.up_to_edges(seen, course.spans, case.recorded, **tune["known_to_edges"]) for seen in find_breaths(case, tune)
    )
    by_ecg = _ecg_shocks(case, tune["shocks_from_ecg"])
    given = shock_pauses.delivered(case, by_ecg, **tune["delivered_shocks"])
    shocked = shock_pauses.around(given, pressed.events, hands_on, pressed.known, course.spans, case, **tune["shock_stacks"])
    stopped, loose = pauses.pauses(
        hands_on, course.spans, pressed.known, case, _times(given), _times(breaths.events), **tune["pauses"]
    )
    fitted = devices.devices(case)
    found = Findings(
        case=case,
        course=course,
        compressions=pressed.events,
        compressions_known=pressed.known,
        strokes=frozenset(signal.name for signal in case.signals if signal.reference == "stroke"),
        runs=hands_on,
        pauses=stopped,
        ventilations=breaths.events,
        ventilations_known=breaths.known,
        exhalations=exhalations.events,
        exhalations_known=exhalations.known,
        recoils=_recoils(case, pressed.events, breaths.events, tune["recoils"]),
        shocks=shocked,
        devices=fitted,
        airway=devices.airways(fitted),
    )
    return found, [*course.questions, *loose, *_sensors(pressed, "compressions"), *_sensors(breaths, "breaths")]


def find_compressions(case: Case, tune: dict[str, dict[str, Any]], gap_s: float) -> Seen:
    """Compressions from the most trusted sensor of each moment: depth, then force, then events charted one by one."""
    pushed = [compressions.from_force(force, **tune["compressions_from_force"]) for force in case.of_channel("compression_force")]
    seen = [compressions.from_depth(depth, **tune["compressions_from_depth"]) for depth in case.of_channel("compression_depth")]
    seen += [*pushed, *charted.compressions(case, gap_s=gap_s)]
    best = choice.together(choice.best_first(seen, COMPRESSION_TRUST), make(COMPRESSIONS))
    table = best.events
    for force in pushed:
        table = compressions.residual_force(table, force, **tune["residual_force"])
    return Seen(best.sensor, table, best.known)


def find_breaths(case: Case, tune: dict[str, dict[str, Any]]) -> tuple[Seen, Seen]:
    """Breaths from the most trusted sensor of each moment, and the breaths that a capnogram saw."""
    empty = make(VENTILATIONS)
    blown = [ventilations.from_pressure(one, **tune["ventilations_from_pressure"]) for one in case.of_channel("airway_pressure")]
    washed = [ventilations.from_capnogram(one, **tune["ventilations_from_capnogram"]) for one in case.of_channel("co2")]
    exhalations = choice.together(choice.best_first(washed, BREATH_TRUST), empty)
    everything = choice.best_first([*blown, *washed, *charted.ventilations(case)], BREATH_TRUST)
    return choice.together(everything, empty), exhalations


def measure(found: Findings, in_force: Protocol) -> Iterable[Judged]:
    """Every measure of the list, asked and judged."""
    values = in_force.values
    for row in MEASURES:
        yield from judge(
            row.id, row.label, row.unit, row.ask(found, values), in_force, method=row.sentence(values), source=row.source
        )


def to_look_at(one: Review) -> pd.DataFrame:
    """Moments that a reviewer should see for themselves, in order of time: start_s, end_s, what, why."""
    found = one.findings
    prompts = found.prompts.assign(what="Look here for ROSC (" + found.prompts["strength"] + ")", why=found.prompts["reasons"])
    apart = found.disagreements.assign(why=found.disagreements["sensors"])
    rows = [table[["start_s", "end_s", "what", "why"]] for table in (prompts, apart) if len(table)]
    if not rows:
        return pd.DataFrame({"start_s": [], "end_s": [], "what": [], "why": []})
    return pd.concat(rows, ignore_index=True).sort_values("start_s", kind="stable", ignore_index=True)


def by_minute(one: Review) -> pd.DataFrame:
    """The main numbers for each minute of the arrest (columns: qi.measures.minutes.MINUTES)."""
    return minutes.by_minute(one.findings, gap_s=one.protocol.values["gap_s"])


def _sensors(seen: Seen, what: str) -> list[str]:
    """Which of several sensors spoke, and for how many events, in the order of trust."""
    counts = seen.events["sensor"].value_counts()
    if len(counts) < 2:
        return []
    parts = ", ".join(f"{count} from {sensor}" for sensor, count in counts.items())
    return [f"{what}: {parts}; in each moment the most trusted sensor that could see"]


def _times(table: pd.DataFrame) -> np.ndarray:
    return table["time_s"].to_numpy()


def _ecg_shocks(case: Case, tune: dict[str, Any]) -> pd.DataFrame:
    seen = [shocks.from_ecg(ecg, **tune).events for ecg in case.of_channel("ecg")]
    filled = [table for table in seen if len(table)]
    return pd.concat(filled, ignore_index=True) if filled else pd.DataFrame({"time_s": [], "sensor": []})


def _recoils(case: Case, pressed: pd.DataFrame, breaths: pd.DataFrame, tune: dict[str, Any]) -> pd.DataFrame:
    tables = [recoil.recoils(pressure, pressed, breaths, **tune) for pressure in _by_length(case.of_channel("airway_pressure"))]
    filled = [table for table in tables if len(table)]
    if not filled:
        return make(RECOILS)
    return pd.concat(filled, ignore_index=True).drop_duplicates("time_s").sort_values("time_s", ignore_index=True)


def _by_length(signals: Sequence[Signal]) -> list[Signal]:
    return sorted(signals, key=lambda signal: -signal.recorded.seconds)
