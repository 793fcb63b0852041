"""Read this first: files -> case -> events -> corrections -> measures -> verdicts, one line a step."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace
from pathlib import Path

import pandas as pd

from qi.corrections.charted import on_case
from qi.corrections.reviewed import Reviewed
from qi.detect import accuracy, clock_offsets, joining, sensors, settings
from qi.detect import left_out as without_each
from qi.intake.folder import read_case
from qi.judge import protocol as protocols
from qi.judge.verdicts import judge
from qi.measures import MEASURES, minutes
from qi.model.case import Case, Note
from qi.model.clock_proposal import ClockProposal
from qi.model.corrections import Correction
from qi.model.findings import Findings
from qi.model.fused import Looked
from qi.model.number import Number
from qi.model.review import Judged, Protocol, Review
from qi.model.seen import Seen, Sensors

MEASURE_IDS = tuple(measure.id for measure in MEASURES)
SEEING = (
    "compression_depth",
    "compression_force",
    "chest_acceleration",
    "thoracic_impedance",
    "airway_pressure",
    "airway_flow",
    "co2",
    "ecg",
)
ASKED = "the person who ran the review"


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


def review(case: Case, in_force: Protocol, corrections: Sequence[Correction] = (), looked: Looked | None = None) -> Review:
    """Find, correct, measure and judge a case that has been read.

    Parameters: case; in_force, the protocol; corrections, a reviewer's, in the order they were written [s]; looked, what the
    detectors saw on this very case, where that is known already.
    """
    charted, missed = on_case(case, corrections)
    told = [one for one in corrections if one not in missed]  # what is said to change nothing changes nothing
    found, questions, mend = find(charted, in_force, told, looked)
    notes = [*case.notes, *(Note("info", "arrest", question) for question in questions)]
    notes += [_finds_nothing(one) for one in (*missed, *mend.missed)]
    return Review(charted, found, in_force, tuple(measure(found, in_force)), tuple(notes), tuple(corrections))


def _finds_nothing(one: Correction) -> Note:
    what = f"correction {one.number} ({one.action} {one.subject.replace('_', ' ')} at {one.start_s:.1f} s)"
    return Note("warning", "corrections", f"{what} finds nothing to change any more: look at it again")


def choose_protocol(case: Case, name: str | None = None, *, near: Collection[Path] = ()) -> Protocol:
    """The protocol in force: as asked for, else as the case names it, else by age."""
    if name:
        return protocols.read(name, chosen_by=ASKED, measures=MEASURE_IDS, near=near)
    if case.protocol:
        return protocols.read(case.protocol, chosen_by="the case's own header", measures=MEASURE_IDS, near=near)
    return protocols.by_age(case.facts.age_years, measures=MEASURE_IDS)


def look(case: Case, in_force: Protocol) -> Looked:
    """What the detectors see on a case: all that takes long, and nothing that a correction changes, but for an airway's times."""
    tune = settings.load()
    seen, pressed = joining.look(case, tune, gap_s=in_force.values["gap_s"])
    return Looked(seen, pressed, sensors.shocked(case, tune))


def find(
    case: Case, in_force: Protocol, corrections: Sequence[Correction] = (), looked: Looked | None = None
) -> tuple[Findings, list[str], Reviewed]:
    """What happened, from signals, events and the reviewer's word, and what a reviewer should look at."""
    tune, gap_s = settings.load(), in_force.values["gap_s"]
    by_airway = any("airway" in f"{one.subject} {one.type}" for one in corrections)  # breaths by impedance are told apart by it
    saw = looked if looked is not None and not by_airway else look(case, in_force)
    mend = Reviewed(corrections)
    seen = mend.sensors(saw.sensors)
    pressed = joining.weighed(case, seen.pressed, tune, gap_s=gap_s) if mend.changes_sensors else saw.pressed
    found, questions = joining.join(case, seen, pressed, saw.by_ecg, tune, mend, gap_s=gap_s)
    return found, questions, mend


def measure(found: Findings, in_force: Protocol) -> Iterable[Judged]:
    """Every measure of the list, asked and judged."""
    values, errors = in_force.values, accuracy.of_case(found, accuracy.load())
    for row in MEASURES:
        answers = [_with_error(number, errors.get(row.id)) for number in row.ask(found, values)]
        yield from judge(row.id, row.label, row.unit, answers, in_force, method=row.sentence(values), source=row.source)


def _with_error(number: Number, half_width: float | None) -> Number:
    """What detection may be off by, beside a value that no clock has given an error already."""
    return number if number.value is None or number.error is not None else replace(number, error=half_width)


def sensor_names(one: Review) -> list[str]:
    """Sensors of a case that can see compressions or breaths."""
    return [signal.name for signal in one.case.signals if signal.channel in SEEING]


def left_out(one: Review) -> pd.DataFrame:
    """What every plain measure would be with each sensor left out: sensor (missing: none left out), id, value.

    The sensors are weighed anew without one; what each saw stays as it was.
    """
    tune, gap_s, old = settings.load(), one.protocol.values["gap_s"], one.findings

    def values(*lists: Sequence[Seen]) -> dict[str, float | None]:
        some = Sensors(*(tuple(each) for each in lists))
        pressed = joining.weighed(one.case, some.pressed, tune, gap_s=gap_s)
        found, _ = joining.join(one.case, some, pressed, old.by_ecg, tune, Reviewed(one.corrections), gap_s=gap_s)
        judged = Review(one.case, found, one.protocol, tuple(measure(found, one.protocol)), ())
        return {id_: judged.of(id_).value for id_ in MEASURE_IDS}

    return without_each.left_out((old.sensors.pressed, old.sensors.breathed, old.sensors.exhaled), values)


def quality(one: Review) -> pd.DataFrame:
    """Signal quality of every waveform by second (QUALITY table)."""
    return joining.quality(one.findings, settings.load())


def clock_proposals(one: Review) -> tuple[pd.DataFrame, list[ClockProposal]]:
    """What each clock of a case tells of (MOMENTS), and how it stands against the reference clock by what both recorded."""
    return clock_offsets.propose(one.findings, settings.load(), gap_s=one.protocol.values["gap_s"])


def to_look_at(one: Review) -> pd.DataFrame:
    """Moments that a reviewer should see for themselves, in order of time: start_s, end_s, what, why."""
    found = one.findings
    prompts = joining.prompts_for_rosc(found, settings.load(), gap_s=one.protocol.values["gap_s"])
    prompts = prompts.assign(what="Look here for ROSC (" + prompts["strength"] + ")", why=prompts["reasons"])
    apart = found.disagreements.assign(why=found.disagreements["sensors"])
    seams = pd.DataFrame(
        [(one.start_s, one.end_s, f"Change of monitor ({one.kind})", one.text) for one in found.changeovers],
        columns=["start_s", "end_s", "what", "why"],
    )
    rows = [table[["start_s", "end_s", "what", "why"]] for table in (prompts, apart, seams) if len(table)]
    if not rows:
        return pd.DataFrame({"start_s": [], "end_s": [], "what": [], "why": []})
    return pd.concat(rows, ignore_index=True).sort_values("start_s", kind="stable", ignore_index=True)


def by_minute(one: Review) -> pd.DataFrame:
    """The main numbers for each minute of the arrest (columns: qi.measures.minutes.MINUTES)."""
    return minutes.by_minute(one.findings, gap_s=one.protocol.values["gap_s"])
