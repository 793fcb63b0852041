"""From what the sensors saw and the events tell to the findings of a case. Read this to see the order of things."""

from collections.abc import Mapping, Sequence
from functools import partial, reduce

import pandas as pd

from qi.detect import circulation, devices, fusion, machine, modes, monitors, pauses, prompts, recoil, shock_pauses, signal_quality
from qi.detect import sensors as looking
from qi.detect.sensors import Tune
from qi.detect.ventilations_by_flow import leak_share
from qi.detect.voting import kind
from qi.model.case import Case
from qi.model.findings import Findings
from qi.model.fused import Fused
from qi.model.mending import Mending
from qi.model.seen import Seen, Sensors
from qi.model.spans import Spans
from qi.model.tables import DISAGREEMENTS, RECOILS, check, make
from qi.model.words import clock


def look(case: Case, tune: Tune, *, gap_s: float) -> tuple[Sensors, Fused]:
    """Run every detector that the case has a signal for.

    Parameters: case; tune, the settings of all detectors by section; gap_s, shortest distance between two deepest points that
    parts two runs [s].
    Returns: what each sensor saw, and the compressions joined. Breaths by impedance are looked for in the pauses, so compressions
    come first.
    """
    pressed = looking.pressed(case, tune, gap_s=gap_s)
    fused = weighed(case, pressed, tune, gap_s=gap_s)
    seen = fused.seen
    still = seen.known.minus(pauses.runs(seen.events, gap_s=gap_s))
    advanced = _advanced(devices.airways(devices.devices(case)))
    breathed, exhaled = looking.breathed(case, still, advanced, tune)
    return Sensors(tuple(pressed), tuple(breathed), tuple(exhaled)), fused


def weighed(case: Case, seen: Sequence[Seen], tune: Tune, *, gap_s: float) -> Fused:
    """Compressions of several sensors as one list.

    Parameters: case, for its clocks; seen, one entry a sensor; tune, the settings of all detectors by section; gap_s, shortest
    distance between two deepest points that parts two runs [s].
    Returns: Fused.
    """
    compare = partial(monitors.clock_check, **tune["clock_check"])
    return fusion.fuse_compressions(seen, monitors.clocks_of(case), compare, gap_s=gap_s, **tune["fuse_compressions"])


def join(
    case: Case, seen: Sensors, pressed: Fused, shocks: pd.DataFrame, tune: Tune, mend: Mending, *, gap_s: float
) -> tuple[Findings, list[str]]:
    """Place the arrest, and find pauses, shocks, devices and what a reviewer should look at.

    Parameters: case; seen, what each sensor saw; pressed, its compressions joined; shocks, as the ECG shows them [s]; tune, the
    settings of all detectors by section; mend, where a reviewer's word enters; gap_s, shortest distance between two deepest points
    that parts two runs [s].
    Returns: the findings, and questions to the reviewer in words.
    """

    def to_edges(joined: Seen, of: Sequence[Seen]) -> Seen:
        recorded = case.recorded.minus(_blind(of, mend))
        return fusion.up_to_edges(joined, course.spans, recorded, **tune["known_to_edges"])

    shocks, mended = mend.by_ecg(shocks), mend.compressions(pressed.seen)
    course = mend.course(circulation.arrest(case, mended.events, gap_s=gap_s, **tune["arrest"]))
    hands, breathed = to_edges(mended, seen.pressed), _breaths(case, seen.breathed, pressed, tune)
    breaths = to_edges(mend.ventilations(breathed.seen), seen.breathed)
    exhaled = to_edges(mend.exhalations(_alone(seen.exhaled) or _breaths(case, seen.exhaled, pressed, tune).seen), seen.exhaled)
    breaths = Seen(breaths.sensor, breaths.events.assign(leak=leak_share(breaths.events, **tune["leak_share"])), breaths.known)
    hands_on = pauses.runs(hands.events, gap_s=gap_s)
    given = shock_pauses.delivered(case, shocks, **tune["delivered_shocks"])
    times, breath_times = given["time_s"].to_numpy(), breaths.events["time_s"].to_numpy()
    stopped, loose = pauses.pauses(hands_on, course.spans, hands.known, case, times, breath_times, **tune["pauses"])
    stopped = mend.pauses(stopped)
    fitted = devices.devices(case)
    changeovers = monitors.changeovers(case, pressed.clocks, **tune["changeovers"])
    shocked = shock_pauses.around(given, hands.events, hands_on, hands.known, course.spans, case, **tune["shock_stacks"])
    still = hands.known.minus(hands_on)
    found = Findings(
        case=case,
        course=course,
        compressions=hands.events,
        compressions_known=hands.known,
        strokes=_strokes(case),
        runs=hands_on,
        pauses=stopped,
        ventilations=breaths.events,
        ventilations_known=breaths.known,
        exhalations=exhaled.events,
        exhalations_known=exhaled.known,
        recoils=_recoils(case, hands.events, breaths.events, tune, mend),
        shocks=shocked,
        devices=fitted,
        airway=devices.airways(fitted),
        by_rhythm=machine.machine_spans(hands.events, gap_s=gap_s, **tune["machine"]),
        modes=modes.modes(hands.events, still, breath_times if breaths.known else None, **tune["modes"]),
        disagreements=_together(pressed.disagreements, breathed.disagreements),
        changeovers=changeovers,
        by_ecg=shocks,
        sensors=seen,
    )
    told = [*course.questions, *loose, *(one.text for one in changeovers), *_too_regular(found)]
    return found, [*told, *_spoke(hands, "compressions"), *_spoke(breaths, "breaths")]


def prompts_for_rosc(found: Findings, tune: Tune, *, gap_s: float) -> pd.DataFrame:
    """Moments at which a reviewer should look for ROSC (PROMPTS table); never a verdict, and no measure rests on them.

    Parameters: found, the findings; tune, the settings of all detectors by section; gap_s, as in join [s].
    """
    pressed, known = found.compressions, found.compressions_known
    breaths = (found.exhalations, found.ventilations)
    return prompts.rosc_prompts(found.case, pressed, known, *breaths, tune, gap_s=gap_s, **tune["rosc_prompts"])


def quality(found: Findings, tune: Tune) -> pd.DataFrame:
    """Signal quality of every waveform by second (QUALITY table).

    Parameters: found, the findings; tune, the settings of all detectors by section.
    """
    return signal_quality.quality(found.case, found.sensors.all, tune["signal_quality"])


def _breaths(case: Case, seen: tuple[Seen, ...], pressed: Fused, tune: Tune) -> Fused:
    return fusion.fuse_breaths(seen, monitors.clocks_of(case), pressed.clocks, **tune["fuse_breaths"])


def _alone(seen: tuple[Seen, ...]) -> Seen | None:
    """The only sensor, which has nobody to be weighed against."""
    return seen[0] if len(seen) == 1 else None


def _advanced(airway: Mapping[str, Spans]) -> Spans:
    return airway["supraglottic"].union(airway["tracheal_tube"])


def _strokes(case: Case) -> frozenset[str]:
    """Sensors that know only the stroke of a compression."""
    return frozenset(one.name for one in case.signals if one.reference == "stroke" or one.channel == "chest_acceleration")


def _blind(sensors: Sequence[Seen], mend: Mending) -> Spans:
    """Time in which a reviewer believes none of these sensors; those that only settle what others saw do not count."""
    marks = [mend.artefact(one.sensor) for one in sensors if kind(one.sensor) not in fusion.SETTLING]
    return reduce(Spans.overlap, marks) if marks else Spans()


def _recoils(case: Case, pressed: pd.DataFrame, breaths: pd.DataFrame, tune: Tune, mend: Mending) -> pd.DataFrame:
    """Recoil pressures of every airway pressure channel; of two at one moment the longer recording's."""
    signals = sorted(case.of_channel("airway_pressure"), key=lambda one: -one.recorded.seconds)
    found = [(recoil.recoils(one, pressed, breaths, **tune["recoils"]), mend.artefact(one.name)) for one in signals]
    tables = [table[~artefact.contains(table["time_s"].to_numpy())] for table, artefact in found]
    filled = [table for table in tables if len(table)]
    if not filled:
        return make(RECOILS)
    return pd.concat(filled, ignore_index=True).drop_duplicates("time_s").sort_values("time_s", ignore_index=True)


def _too_regular(found: Findings) -> list[str]:
    """Stretches as regular as a machine's where none is charted."""
    uncharted = found.by_rhythm.minus(found.machine).longer_than(30.0)
    if not uncharted:
        return []
    where = ", ".join(f"{clock(one.start_s)} to {clock(one.end_s)}" for one in uncharted)
    return [
        f"compressions are as regular as a machine's at {where} after case start, where none is charted: chart it if there was one"
    ]


def _together(*tables: pd.DataFrame) -> pd.DataFrame:
    filled = [table for table in tables if len(table)]
    if not filled:
        return make(DISAGREEMENTS)
    return check(pd.concat(filled, ignore_index=True).sort_values("start_s", ignore_index=True), DISAGREEMENTS)


def _spoke(seen: Seen, what: str) -> list[str]:
    """Which of several sensors timed how many events."""
    counts = seen.events["sensor"].value_counts()
    if len(counts) < 2:
        return []
    parts = ", ".join(f"{count} from {sensor}" for sensor, count in counts.items())
    return [f"{what} are timed by the most trusted sensor that saw each: {parts}"]
