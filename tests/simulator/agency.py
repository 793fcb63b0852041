"""A sample agency over three years: `python -m tests.simulator.agency sample_cases/agency` makes its cohort table anew.

Every case is drawn from a seed of its own, played by the simulator, and measured by the real pipeline; what is kept is its row and
its events, no waveforms. Nothing in it is real. Case mix and outcomes are of a believable order (from memory, no source), and
outcomes are drawn from rhythm, witness, bystander CPR and age alone: how well a resuscitation ran has no say in them, so that no
chart of this agency can show that it does.

Three changes are hidden in it (CHANGES, with their answers in agency.answers.json); everything else stays as it is throughout.
"""

import argparse
import hashlib
import json
import math
import shutil
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from qi import pipeline
from qi.desk import cohort as desk
from qi.desk import definitions
from qi.desk.cohort import Rows, Standing
from qi.desk.signing import record
from qi.model.case import Case, Clock, Facts, Piece, Signal, Source
from qi.model.tables import EVENTS, make
from qi.model.vocabulary import EVENT_VALUES
from qi.trends import cohort_store as store
from tests.simulator import care_after_rosc, channels, cut_short
from tests.simulator.care_after_rosc import Care
from tests.simulator.files import REACH, UNITS
from tests.simulator.schedule import Happening, Plan, Truth, play

AGENCY = "Rillstone Valley EMS (invented)"
PLACE = ZoneInfo("America/Denver")
SEED, FIRST_YEAR, MONTHS, A_MONTH = 2029, 2029, 36, 15.0
STATIONS = {"1": 7.0, "2": 8.5, "3": 10.0}  # usual minutes from the call to the scene
TRAINING, DEVICE = 15, 22  # months from the first at which they come in: April 2030 and November 2030
DRIFT_STATION, DRIFT_PER_MONTH = "2", 0.11
CHANGES: Sequence[dict[str, Any]] = (
    {
        "what": "A training shortens pauses at every station",
        "from": "2030-04",
        "kind": "step",
        "stations": list(STATIONS),
        "measures": {"compression_fraction": "up", "longest_pause_s": "down", "no_flow_s": "down"},
    },
    {
        "what": "A new device: the ITD is at hand sooner, and used more often, at every station",
        "from": "2030-11",
        "kind": "step",
        "stations": list(STATIONS),
        "measures": {"time_to_device_s.itd.first_compression": "down", "device_on_fraction.itd": "up"},
    },
    {
        "what": "At station 2 the ventilation rate with an advanced airway creeps up, month by month",
        "from": "2029-01",
        "kind": "drift",
        "stations": [DRIFT_STATION],
        "measures": {"ventilation_rate.advanced_airway": "up"},
        "per_month": DRIFT_PER_MONTH,
    },
)


@dataclass(frozen=True)
class Call:
    """One call: its number from 0, months since the first, when, where, who, what was known, and what recorded it."""

    number: int
    month: int
    at: datetime
    station: str
    facts: Facts
    excluded: str
    recorded_by: tuple[str, ...]  # channels; "charted" for compressions and breaths one by one; empty for a care record alone

    @property
    def case_id(self) -> str:
        """The agency's number; from 1001 on, so that it is none of the sample cases'."""
        return f"rv-{self.at.year}-{1001 + self.number}"


def calls() -> list[Call]:
    """Every call of the three years, in order."""
    rng = np.random.default_rng(SEED)
    found: list[Call] = []
    for month in range(MONTHS):
        start = datetime(FIRST_YEAR + month // 12, 1 + month % 12, 1, tzinfo=PLACE)
        for moment in sorted(rng.uniform(0, 28, max(6, int(rng.poisson(A_MONTH))))):
            number = len(found)
            found.append(_call(number, month, start + timedelta(days=float(moment)), np.random.default_rng([SEED, 1, number])))
    return found


def _call(number: int, month: int, at: datetime, rng: np.random.Generator) -> Call:
    at = at.replace(second=0, microsecond=0)
    station = str(rng.choice(list(STATIONS), p=(0.38, 0.34, 0.28)))
    unit = {"1": ("Medic 11", "Medic 12"), "2": ("Medic 21", "Medic 22"), "3": ("Medic 31",)}[station]
    child = bool(rng.random() < 0.02)
    trauma = bool(rng.random() < 0.02)
    age = float(rng.integers(2, 13)) if child else float(np.clip(round(rng.normal(66, 15)), 18, 98))
    shockable = not child and not trauma and bool(rng.random() < 0.24)
    witnessed = str(rng.choice(("bystander", "ems", "no", "unknown"), p=(0.42, 0.09, 0.45, 0.04)))
    helped = witnessed != "ems" and bool(rng.random() < (0.58 if witnessed == "bystander" else 0.38))
    rhythm = ("VF" if rng.random() < 0.92 else "pVT") if shockable else ("PEA" if rng.random() < 0.35 else "asystole")
    causes = ("medical", "overdose", "asphyxia", "drowning", "other")
    places = ("home", "residential institution", "public building", "street or highway", "sports area")
    facts = Facts(
        age_years=None if rng.random() < 0.03 else age,
        sex="male" if rng.random() < 0.62 else "female",
        witnessed=witnessed,
        bystander_cpr="unknown" if rng.random() < 0.03 else helped,
        bystander_aed=helped and bool(rng.random() < 0.12),
        dispatcher_cpr=helped and bool(rng.random() < 0.6),
        cause="trauma" if trauma else str(rng.choice(causes, p=(0.86, 0.06, 0.04, 0.01, 0.03))),
        first_rhythm=rhythm,
        location=str(rng.choice(places, p=(0.7, 0.1, 0.1, 0.08, 0.02))),
        attempted=True,
        station=station,
        shift="ABC"[at.toordinal() % 3],
        unit=str(rng.choice(unit)),
        outcome=_outcome(rng, age, rhythm, witnessed, helped=helped),
    )
    excluded = "trauma" if trauma else "dnr" if rng.random() < 0.02 else ""
    return Call(number, month, at, station, facts, excluded, _recorded_by(rng))


def _outcome(rng: np.random.Generator, age: float, rhythm: str, witnessed: str, *, helped: bool) -> dict[str, Any]:
    """What became of the patient, by chances that know nothing of the resuscitation; the orders of size are from memory."""
    shockable = rhythm in ("VF", "pVT")
    weight = -1.35 + 1.2 * shockable + 0.55 * (witnessed in ("bystander", "ems")) + 0.3 * helped - 0.02 * (age - 66)
    rosc = bool(rng.random() < 1 / (1 + math.exp(-weight)))
    kept = rosc and bool(rng.random() < 0.75)
    event = kept and bool(rng.random() < 0.88)
    home = event and bool(rng.random() < (0.6 if shockable else 0.22))
    outcome: dict[str, Any] = {"any_rosc": rosc, "sustained_rosc": kept, "survived_event": event}
    unknown = event and rng.random() < 0.08
    outcome["survived_to_discharge"] = "unknown" if unknown else home
    if home and not unknown:
        outcome["cpc"] = int(rng.choice((1, 2, 3, 4), p=(0.62, 0.22, 0.11, 0.05)))
    return outcome


def _recorded_by(rng: np.random.Generator) -> tuple[str, ...]:
    kind = rng.random()
    if kind < 0.09:
        return ()
    if kind < 0.3:
        return ("charted",)
    extra = ("co2",) if rng.random() < 0.8 else ()
    return ("compression_depth", *extra, *(("airway_pressure",) if rng.random() < 0.3 else ()))


def plan_of(call: Call) -> tuple[Plan, dict[str, float]]:
    """What the crew of a call meant to do, and when they came [s from the first sample]."""
    rng = np.random.default_rng([SEED, 2, call.number])
    trained, late = call.month >= TRAINING, call.month >= DEVICE
    first = float(rng.uniform(20, 60))
    outcome, shockable = call.facts.outcome, call.facts.first_rhythm in ("VF", "pVT")
    last = first + float(np.clip(rng.normal(1350, 250), 800, 1900)) * (0.4 if call.excluded == "dnr" else 1.0)
    rosc = float(rng.uniform(0.35, 0.8)) * (last - first) + first if outcome["any_rosc"] else None
    again = rosc + float(rng.uniform(260, 420)) if rosc is not None and not outcome["sustained_rosc"] else None
    last = max(last, again + 240.0) if again is not None else last
    advanced = float(rng.uniform(330, 640)) if rng.random() < 0.8 else None
    breaths = float(np.clip(rng.normal(9.6, 1.1), 7, 13)) + DRIFT_PER_MONTH * call.month * (call.station == DRIFT_STATION)
    shorter = float(np.clip(rng.lognormal(0.0, 0.3), 0.5, 2.5)) * (0.5 if trained else 1.0)  # how long this crew stops at all
    stops = sorted((float(rng.uniform(first + 60, last - 60)), "moving", float(np.clip(rng.lognormal(2.5, 0.4), 5, 40)) * shorter)
                   for _ in range(int(rng.poisson(3.0))))  # fmt: skip
    if advanced is not None:
        stops = sorted([*stops, (advanced - 20.0, "airway", float(np.clip(rng.lognormal(2.8, 0.35), 6, 45)) * shorter)])
    plan = Plan(
        id=call.case_id,
        start=call.at,
        length_s=last + 150.0,
        first_s=first,
        last_s=last,
        age_years=call.facts.age_years or 60.0,
        ratio=15 if (call.facts.age_years or 60.0) < 13 else 30,
        rate_per_min=float(np.clip(rng.normal(111, 6), 94, 128)),
        cycle_cv=0.03,
        depth_mm=tuple(float(np.clip(rng.normal(51.5, 3.5), 40, 62) + rng.normal(0, 1.5)) for _ in range(3)),
        lean_share=float(rng.beta(1.2, 10)),
        breath_chances=(0.03, 0.1, 0.82, 0.05),
        breath_s=float(np.clip(rng.normal(1.0, 0.12), 0.7, 1.5)),
        continuous_s=advanced,
        breath_every_s=60.0 / breaths,
        check_s=float(np.clip(rng.lognormal(2.4, 0.3), 5, 28)) * shorter,
        pre_shock_s=float(np.clip(rng.lognormal(2.35, 0.3), 4, 28)) * shorter,
        post_shock_s=float(np.clip(rng.lognormal(1.6, 0.3), 2.5, 14)) * shorter,
        shocks=tuple((n, (200.0, 300.0, 360.0)[min(n, 2)]) for n in range(int(rng.integers(1, 5)))) if shockable else (),
        rhythms=((0.0, "VF"), (first + 600.0, "PEA")) if shockable else ((0.0, str(call.facts.first_rhythm)),),
        stops=tuple(stops),
        extra=tuple(_extra(rng, call, first, last, advanced, late=late)),
        rosc_s=rosc,
        rearrest_s=again,
        co2_gain=float(rng.uniform(0.75, 1.3)),
        ripple_share=0.42,
    )
    drive = float(np.clip(rng.lognormal(math.log(STATIONS[call.station]), 0.25), 3, 25)) * 60
    walk = float(np.clip(rng.lognormal(math.log(80), 0.4), 25, 300))
    times = {"at_patient": first - float(rng.uniform(15, 55))}
    times["on_scene"] = times["at_patient"] - walk
    times["call_received"] = times["on_scene"] - drive
    times["dispatched"] = times["call_received"] + float(rng.uniform(35, 80))
    times["en_route"] = times["dispatched"] + float(rng.uniform(40, 95))
    return cut_short.as_it_went(plan, np.random.default_rng([SEED, 5, call.number])), times


def _extra(
    rng: np.random.Generator, call: Call, first: float, last: float, advanced: float | None, *, late: bool
) -> Iterator[Happening]:
    """Devices, access, drugs and airway."""
    applied, usual_s = (0.85, 120.0) if late else (0.55, 290.0)
    child = (call.facts.age_years or 60.0) < 13
    to_itd = float(np.clip(rng.lognormal(math.log(usual_s), 0.35), 25, 800))
    yield Happening(round(first - float(rng.uniform(2, 12)), 2), "device_on", "defib_pads")
    yield Happening(60.0, "device_on", "capnography")
    if rng.random() < applied and not child and first + to_itd < last - 60:
        yield Happening(round(first + to_itd, 2), "device_on", "itd")
    access = first + float(np.clip(rng.lognormal(math.log(230), 0.3), 80, 600))
    yield Happening(round(access, 2), "access", "io" if rng.random() < 0.45 else "iv")
    dose = access + float(rng.uniform(30, 120))
    while dose < last - 60:
        yield Happening(round(dose, 2), "drug", "epinephrine", 0.01 * 20 if child else 1.0, "mg")
        dose += float(np.clip(rng.normal(245, 35), 150, 420))
    if advanced is not None:
        yield Happening(round(advanced, 2), "airway_placed", "supraglottic" if rng.random() < 0.65 else "tracheal_tube")


def care_of(call: Call, truth: Truth) -> Care:
    """What the crew of a call charted after ROSC, from a seed of its own."""
    rng = np.random.default_rng([SEED, 4, call.number])
    kept, child = bool(call.facts.outcome["sustained_rosc"]), (call.facts.age_years or 60.0) < 13
    return care_after_rosc.drawn(rng, truth, call.recorded_by, kept=kept, child=child)


def cares() -> Iterator[tuple[Call, Care]]:
    """Every call with ROSC, and the care that was charted after it."""
    for call in calls():
        if call.facts.outcome["any_rosc"]:
            yield call, care_of(call, play(plan_of(call)[0], call.number))


def answers() -> dict[str, Any]:
    """What is hidden in the agency, and how often each fact of care after ROSC must be found yes, no and missing."""
    told = [care.told for _, care in cares()]
    facts = {
        name: {word or "missing": sum(one[name] == word for one in told) for word in ("yes", "no", None)}
        for name in care_after_rosc.FACTS
    }
    about = "Invented cases of an invented agency, Rillstone Valley EMS."
    return {"about": about, "seed": SEED, "changes": list(CHANGES), "after_rosc": {"asked": len(told), "facts": facts}}


def case_of(call: Call) -> Case:
    """The case as its files would tell it: a monitor's recording, or events one by one, and a care record on a clock of its own."""
    plan, came = plan_of(call)
    truth = play(plan, call.number)
    rng = np.random.default_rng([SEED, 3, call.number])
    record_clock = Clock("care_record.xml", 0.0, float(rng.choice((5.0, 20.0, 60.0))), "as the files tell the time of day")
    told = [(time, kind, "", None, "", "") for kind, time in came.items()]
    seen = [one for one in truth.happenings if one.type != cut_short.OPEN_END]
    marks = [(one.time_s, one.type, one.value, one.dose, one.unit, "") for one in seen]
    if advanced := truth.at("airway_placed"):
        tries = int(rng.choice((1, 2, 3), p=(0.8, 0.16, 0.04)))
        kind = next(one.value for one in truth.happenings if one.type == "airway_placed")
        told.append((advanced[0], "airway_placed", kind, None, "", f"attempts={tries} successful=yes"))
    if not call.recorded_by:
        kept = ("drug", "access", "rosc", "rearrest", "terminated", "care_transferred", "shock", "rhythm")
        told += [mark for mark in marks if mark[1] in kept]
        told.append((plan.first_s, "cpr_started", "", None, "", ""))
        marks = []
    if "charted" in call.recorded_by:
        marks += [(one.time_s, "compression", "", None, "", "") for one in truth.compressions]
        marks += [(one.time_s, "ventilation", "", None, "", "") for one in truth.breaths]
    care = care_of(call, truth)
    for time, who in care.ecgs:
        (marks if who == "monitor" else told).append((time, "ecg_12_lead", "", None, "", ""))
    clocks = {"monitor": Clock("monitor")} if call.recorded_by else {}
    return Case(
        call.case_id,
        call.at + timedelta(seconds=round(-came["call_received"])),
        tuple(_sources(call, plan, came)),
        clocks | {record_clock.name: record_clock},
        "monitor" if call.recorded_by else "",
        tuple(_signals(truth, call)),
        _events(marks, told),
        care.table(),
        replace(call.facts, hospital=care.hospital),
    )


def _sources(call: Call, plan: Plan, came: dict[str, float]) -> Iterator[Source]:
    every = frozenset(EVENT_VALUES)
    if call.recorded_by:
        yield Source("monitor", "as simulated", "monitor", "monitor", 0.0, plan.length_s, every - {"call_received"})
    able = every - {"device_on", "device_off", "compression", "ventilation"}
    yield Source("care_record.xml", "as simulated", "record", "care_record.xml", came["call_received"], plan.length_s, able)


def _signals(truth: Truth, call: Call) -> Iterator[Signal]:
    for channel in call.recorded_by:
        if channel != "charted":
            rate_hz = 25.0 if channel == "co2" else 50.0
            samples = np.clip(channels.record(truth, channel, rate_hz, call.number), *REACH[channel]).astype(np.float32)
            depth = "absolute" if channel == "compression_depth" else None
            yield Signal(channel, UNITS[channel], (Piece(0.0, rate_hz, samples),), "monitor", "", "monitor", depth, REACH[channel])


def _events(marks: Sequence[tuple[Any, ...]], told: Sequence[tuple[Any, ...]]) -> Any:
    both = [(*one, "monitor") for one in marks] + [(*one, "care_record.xml") for one in told]
    both.sort(key=lambda one: (one[0], one[6], one[1]))
    return make(
        EVENTS,
        time_s=[one[0] for one in both],
        type=[one[1] for one in both],
        value=[one[2] or None for one in both],
        dose=[np.nan if one[3] is None else one[3] for one in both],
        unit=[one[4] or None for one in both],
        text=[one[5] or None for one in both],
        source=[one[6] for one in both],
        clock=[one[6] for one in both],
        uncertainty_s=np.zeros(len(both)),
    )


def rows_of(call: Call) -> Rows:
    """One call, measured by the pipeline; two of three are signed as measured, four days later, by nobody real."""
    case = case_of(call)
    review = pipeline.review(case, pipeline.choose_protocol(case))
    signed = int(hashlib.sha256(call.case_id.encode()).hexdigest(), 16) % 3 > 0
    key = hashlib.sha256(f"agency {call.case_id}".encode()).hexdigest()[:12]
    kept = record(review) | {"definitions": definitions.digest(review.protocol)} if signed else None
    at = call.at + timedelta(days=4 if signed else 1)
    return desk.rows(review, Standing(key, call.case_id, AGENCY, call.excluded, int(signed), at, int(signed), kept))


def build(folder: Path, chosen: Sequence[Call] | None = None, *, workers: int = 2) -> int:
    """Make the table in a folder, in place of the one that stands there.

    Parameters: folder; chosen, calls, None for all; workers, processes that measure.
    Returns: how many cases it holds.
    """
    chosen = calls() if chosen is None else chosen
    if folder.exists():
        shutil.rmtree(folder)
    store.begin(folder, store.About(definitions.of_all(()), datetime(FIRST_YEAR + 3, 1, 1, tzinfo=PLACE)))
    with ProcessPoolExecutor(workers) as pool:
        store.put(folder, *desk.tables(list(pool.map(rows_of, chosen, chunksize=8))))
    return len(chosen)


README = """# A sample agency over three years

Everything here is invented: Rillstone Valley EMS, its calls, patients, crews and outcomes. It is the cohort table of {count} cases
from January {first} to December {last}, as `python -m qi cohort` makes it of a library, without waveforms. Each case was played by
the simulator and measured by the real pipeline: `python -m tests.simulator.agency sample_cases/agency` makes it anew from its seed.

Three changes are hidden in it; agency.answers.json beside this folder names them, and says what care after ROSC must be found. All
else is scatter. Outcomes were drawn from first rhythm, witness, bystander CPR and age alone, never from how the resuscitation ran:
no chart of this agency can show that one follows from the other. Of those without ROSC some are handed over in arrest, of some the
record ends first; some short efforts have no epinephrine, some shockable rhythms no shock. Two of three cases are marked as signed;
nobody real signed them.
"""


def main() -> None:
    """Parse the call, build, say what was made."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.simulator.agency", description="Rebuild the sample agency from its seed."
    )
    parser.add_argument("folder", type=Path, help="where to, for example sample_cases/agency")
    folder = parser.parse_args().folder
    count = build(folder)
    (folder / "README.md").write_text(README.format(count=count, first=FIRST_YEAR, last=FIRST_YEAR + 2), encoding="utf-8")
    sheet = folder.with_name(f"{folder.name}.answers.json")
    sheet.write_text(json.dumps(answers(), indent=1) + "\n", encoding="utf-8")
    size = sum(file.stat().st_size for file in folder.rglob("*") if file.is_file())
    print(f"{folder}: {count} cases, {size / 1e6:.2f} MB")


if __name__ == "__main__":
    main()
