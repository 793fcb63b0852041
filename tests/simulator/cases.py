"""The sample cases: five invented resuscitations of one invented agency, each with its plan, its files and what they can answer."""

import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta, timezone
from pathlib import Path

from tests.simulator import files, paperwork
from tests.simulator.answers import Sheet, answers
from tests.simulator.schedule import Happening, Plan, Truth, play

SUMMER, WINTER = timezone(timedelta(hours=-6)), timezone(timedelta(hours=-7))
EVERY_LABEL = {
    "compression_depth": "CC depth",
    "compression_force": "CC force",
    "airway_pressure": "Resp pressure",
    "co2": "Resp CO2",
    "ecg": "ECG pads",
    "thoracic_impedance": "Resp impedance",
}


@dataclass(frozen=True)
class Sample:
    """One sample case: its truth, what its files can show, and how the files are written into its folder."""

    truth: Truth
    sheet: Sheet
    write: Callable[[Path], None]
    clocks: dict[str, float]


def drug(time_s: float, name: str, dose: float, unit: str = "mg") -> Happening:
    """One dose given."""
    return Happening(time_s, "drug", name, dose, unit)


def worn(truth: Truth, after_rosc_s: float) -> Truth:
    """The same case with the ITD taken off so long after ROSC."""
    off = Happening(round(truth.at("rosc")[0] + after_rosc_s, 2), "device_off", "itd")
    return play(replace(truth.plan, extra=(*truth.plan.extra, off)), truth.seed)


def good() -> Sample:
    """rv-2031-0107: VF, 30:2 then a supraglottic airway, ITD from the second minute, two shocks with short pauses, ROSC."""
    extra = (
        Happening(14.0, "device_on", "defib_pads"),
        Happening(48.0, "device_on", "capnography"),
        Happening(75.0, "device_on", "itd"),
        Happening(231.0, "access", "io"),
        drug(302.0, "epinephrine", 1.0),
        drug(338.0, "amiodarone", 300.0),
        Happening(424.0, "airway_placed", "supraglottic"),
        *(drug(time, "epinephrine", 1.0) for time in (541.0, 775.0, 1010.0)),
    )
    plan = Plan(
        id="rv-2031-0107",
        start=datetime(2031, 3, 18, 7, 41, 20, tzinfo=SUMMER),
        length_s=1620.0,
        first_s=24.0,
        last_s=1500.0,
        age_years=61,
        lean_share=0.02,
        lean_mm=(5.5, 8.0),
        continuous_s=425.0,
        breath_every_s=6.3,
        stops=((419.0, "airway", 5.5),),
        check_s=5.0,
        pre_shock_s=4.2,
        post_shock_s=2.6,
        shocks=((0, 200.0), (1, 300.0)),
        rhythms=((0.0, "VF"), (300.0, "PEA"), (1215.0, "organised")),
        rosc_s=1220.0,
        extra=extra,
        capnography_s=50.0,
    )
    truth = worn(play(plan, 107), 9.0)
    rates = {**dict.fromkeys(("compression_depth", "compression_force", "airway_pressure", "thoracic_impedance"), 100.0)}
    rates |= {"co2": 25.0, "ecg": 250.0}

    def write(folder: Path) -> None:
        files.write_edf(folder / "monitor.edf", truth, rates, EVERY_LABEL, truth.happenings)
        paperwork.good_record(folder / "care_record.xml", truth)
        paperwork.header(folder, truth, [paperwork.source("monitor.edf", truth, depth="absolute")], paperwork.GOOD_FACTS)

    return Sample(truth, Sheet(truth, tuple(rates)), write, {"monitor.edf": 0.0, "care_record.xml": 0.0})


def three_errors() -> Sample:
    """rv-2031-0112: breaths too often and too long, leaning, a mask that leaks under the ITD, long pauses; terminated."""
    extra = (
        Happening(12.0, "device_on", "defib_pads"),
        Happening(95.0, "device_on", "capnography"),
        Happening(190.0, "device_on", "itd"),
        Happening(331.0, "access", "iv"),
        *(drug(time, "epinephrine", 1.0) for time in (352.0, 660.0, 958.0)),
        Happening(835.0, "airway_placed", "supraglottic"),
    )
    plan = Plan(
        id="rv-2031-0112",
        start=datetime(2031, 1, 29, 22, 14, 5, tzinfo=WINTER),
        length_s=1320.0,
        first_s=31.0,
        last_s=1286.0,
        crew=("C-118", "C-241", "C-127"),
        age_years=74,
        rate_per_min=121.0,
        cycle_cv=0.045,
        depth_mm=(47.0, 50.0, 45.0),
        depth_sd_mm=2.6,
        lean_share=0.40,
        continuous_s=95.0,
        breath_chances=(0.1, 0.15, 0.45, 0.3),
        breath_every_s=2.4,
        breath_cv=0.13,
        breath_s=1.38,
        breath_sd_s=0.15,
        volume_ml=430.0,
        stops=((445.0, "airway", 34.0), (813.0, "airway", 24.0), (1062.0, "pulse_check", 16.0)),
        check_s=16.0,
        pre_shock_s=19.0,
        post_shock_s=8.5,
        shocks=((3, 200.0),),
        rhythms=((0.0, "asystole"), (488.0, "VF"), (545.0, "PEA"), (1000.0, "asystole")),
        leak_spans=((262.0, 347.0), (560.0, 652.0), (703.0, 771.0)),
        extra=extra,
        capnography_s=97.0,
        ripple_share=0.6,
    )
    truth = play(plan, 112)
    names = ("compression_depth", "compression_force", "airway_pressure")

    def write(folder: Path) -> None:
        files.write_signals_csv(folder / "chest_and_airway.csv", truth, names, 50.0)
        files.write_signals_csv(folder / "capnogram.csv", truth, ("co2",), 25.0)
        files.write_events_csv(folder / "events.csv", truth.happenings, None)
        files.write_dispatch_csv(folder / "dispatch.csv", paperwork.dispatch_row(truth))
        paperwork.three_errors_record(folder / "care_record.xml", truth)
        monitor = [paperwork.source("chest_and_airway.csv", truth, depth="absolute", clock="monitor")]
        monitor += [paperwork.source(name, truth, clock="monitor") for name in ("capnogram.csv", "events.csv")]
        paperwork.header(folder, truth, monitor, paperwork.THREE_ERRORS_FACTS)

    files_made = ("chest_and_airway.csv", "capnogram.csv", "events.csv", "dispatch.csv", "care_record.xml")
    clocks: dict[str, float] = {name: 0.0 for name in files_made}
    return Sample(truth, Sheet(truth, (*names, "co2")), write, clocks)


def left_on() -> Sample:
    """rv-2031-0118: tracheal tube, ROSC, and an ITD that stays on for three minutes after it; no case.toml."""
    extra = (
        Happening(16.0, "device_on", "defib_pads"),
        Happening(70.0, "device_on", "capnography"),
        Happening(158.0, "device_on", "itd"),
        Happening(262.0, "access", "io"),
        *(drug(time, "epinephrine", 1.0) for time in (290.0, 515.0, 742.0)),
        Happening(517.0, "airway_placed", "tracheal_tube"),
    )
    plan = Plan(
        id="rv-2031-0118",
        start=datetime(2031, 6, 2, 15, 3, 40, tzinfo=SUMMER),
        length_s=1500.0,
        first_s=38.0,
        last_s=1300.0,
        crew=("C-205", "C-131", "C-322"),
        rate_per_min=113.0,
        depth_mm=(54.0, 49.5, 52.0),
        lean_share=0.14,
        lean_mm=(6.5, 10.0),
        continuous_s=518.0,
        breath_every_s=6.0,
        stops=((500.0, "airway", 18.5),),
        check_s=8.0,
        rhythms=((0.0, "PEA"), (980.0, "organised")),
        rosc_s=985.0,
        extra=extra,
        capnography_s=72.0,
        co2_gain=1.25,
        gasps_after_rosc=True,
    )
    truth = worn(play(plan, 118), 180.0)
    rates = {"ecg": 200.0, "compression_depth": 50.0, "airway_pressure": 50.0, "co2": 25.0}

    def write(folder: Path) -> None:
        files.write_parquet(folder / "waveforms.parquet", truth, rates)
        files.write_events_csv(folder / "events.csv", truth.happenings, truth.plan.start)

    return Sample(truth, Sheet(truth, tuple(rates), on_monitor=False), write, {"waveforms.parquet": 0.0, "events.csv": 0.0})


def off_clock() -> Sample:
    """rv-2031-0125: a care record 7 min ahead, a gap and a stuck sensor, ROSC, re-arrest, hand-over under compressions."""
    extra = (
        Happening(11.0, "device_on", "defib_pads"),
        Happening(82.0, "device_on", "capnography"),
        Happening(205.0, "access", "iv"),
        *(drug(time, "epinephrine", 1.0) for time in (236.0, 470.0, 1080.0)),
        Happening(449.0, "airway_placed", "supraglottic"),
        Happening(1196.0, "patient_moved"),
    )
    plan = Plan(
        id="rv-2031-0125",
        start=datetime(2031, 9, 11, 11, 26, 48, tzinfo=SUMMER),
        length_s=1560.0,
        first_s=20.0,
        last_s=1530.0,
        crew=("C-140", "C-277", "C-160", "C-219"),
        age_years=48,
        rate_per_min=107.0,
        depth_mm=(50.0, 54.0, 48.5, 52.0),
        depth_sd_mm=2.4,
        lean_share=0.09,
        lean_mm=(5.8, 10.0),
        continuous_s=450.0,
        breath_every_s=6.3,
        stops=((434.0, "airway", 16.0), (1190.0, "moving", 22.0)),
        check_s=8.0,
        pre_shock_s=7.5,
        post_shock_s=4.0,
        shocks=((0, 200.0), (1, 300.0), (6, 360.0)),
        rhythms=((0.0, "VF"), (300.0, "PEA"), (740.0, "organised"), (1010.0, "VF"), (1152.0, "PEA")),
        rosc_s=745.0,
        rearrest_s=1012.0,
        closing="care_transferred",
        extra=extra,
        capnography_s=85.0,
        gaps=((610.0, 650.0),),
        flats=(("compression_depth", 350.0, 380.0), ("compression_force", 350.0, 380.0)),
    )
    truth = play(plan, 125)
    rates = {"compression_depth": 100.0, "compression_force": 100.0, "thoracic_impedance": 100.0, "co2": 25.0, "ecg": 250.0}

    def write(folder: Path) -> None:
        seen = [mark for mark in truth.happenings if not any(a <= mark.time_s < b for a, b in truth.plan.gaps)]
        files.write_edf(folder / "monitor.edf", truth, rates, EVERY_LABEL, seen)
        paperwork.off_clock_record(folder / "care_record.xml", truth)
        paperwork.header(folder, truth, [paperwork.source("monitor.edf", truth, depth="absolute")], paperwork.OFF_CLOCK_FACTS)

    clocks = {"monitor.edf": 0.0, "care_record.xml": -paperwork.AHEAD_S}
    return Sample(truth, Sheet(truth, tuple(rates), contact="unsure"), write, clocks)


def child() -> Sample:
    """rv-2031-0131: a six-year-old after drowning, 15:2, seen by a stroke sensor and an events list alone."""
    extra = (
        Happening(19.0, "device_on", "defib_pads"),
        Happening(251.0, "access", "io"),
        *(drug(time, "epinephrine", 0.2) for time in (274.0, 503.0, 731.0)),
    )
    plan = Plan(
        id="rv-2031-0131",
        start=datetime(2031, 7, 20, 17, 8, 30, tzinfo=SUMMER),
        length_s=1080.0,
        first_s=27.0,
        last_s=1060.0,
        crew=("C-104", "C-188"),
        age_years=6,
        ratio=15,
        rate_per_min=109.0,
        depth_mm=(46.0, 43.5),
        depth_sd_mm=1.8,
        tires_mm_per_min=1.0,
        lean_share=0.0,
        breath_s=0.8,
        volume_ml=170.0,
        exhale_s=0.7,
        check_s=7.0,
        rhythms=((0.0, "asystole"), (620.0, "PEA"), (860.0, "organised")),
        rosc_s=865.0,
        extra=extra,
    )
    truth = play(plan, 131)

    def write(folder: Path) -> None:
        files.write_signals_csv(folder / "stroke.csv", truth, ("compression_depth",), 50.0)
        files.write_events_csv(folder / "events.csv", truth.happenings, None)
        sources = [paperwork.source("stroke.csv", truth, depth="stroke", clock="monitor")]
        sources += [paperwork.source("events.csv", truth, clock="monitor")]
        paperwork.header(folder, truth, sources, paperwork.CHILD_FACTS)

    sheet = Sheet(truth, ("compression_depth",), depth_is="stroke")
    return Sample(truth, sheet, write, {"stroke.csv": 0.0, "events.csv": 0.0})


SAMPLES: Sequence[Callable[[], Sample]] = (good, three_errors, left_on, off_clock, child)


def build(home: Path, makers: Sequence[Callable[[], Sample]] = SAMPLES) -> list[Path]:
    """Write the case folders and their answers into a folder; a case that stands there is replaced. Returns the case folders."""
    made = []
    for maker in makers:
        sample = maker()
        folder = home / sample.truth.plan.id
        if folder.exists():
            shutil.rmtree(folder)
        folder.mkdir(parents=True)
        sample.write(folder)
        rows = answers(replace(sample.sheet, rows=[]))
        files.write_answers(home / f"{folder.name}.answers.json", sample.truth, rows, clocks=sample.clocks)
        made.append(folder)
    return made
