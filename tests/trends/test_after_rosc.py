"""Care after ROSC: from the care record, a list of events or the monitor to the five facts; what is missing stays missing."""

from dataclasses import replace
from pathlib import Path

import pytest

from qi.desk import cohort as desk
from qi.desk.cohort import Standing
from qi.model.errors import UnknownWord
from qi.pipeline import measure_case
from qi.trends import after_rosc, bundles
from qi.trends.after_rosc import FACTS, Limits, circulation, facts, limits
from qi.trends.bundles import MET, MISSING, NOT_MET, bundle, judge_bundle
from qi.trends.cohort_columns import COHORT
from tests.intake.care_records import at, needs_samples, record, sample
from tests.simulator.care_record import Procedure, Vital, write
from tests.trends.cases import case as plain_case
from tests.trends.cases import table

SAMPLES = Path(__file__).parents[2] / "sample_cases"
OURS = limits()
# Typed here, not read from bundles.toml.
LIMITS = Limits(60.0, 13.0, 90.0, (92.0, 98.0), (35.0, 45.0), ("PCI capable", "PCI capable 24/7"))
ROSC_S, HANDED_S = 1800, 3600
TWELVE, PCI, GENERAL = "3304007", "9908033", "9908007"
ALL_YES = dict.fromkeys(FACTS, "yes")
NONE = dict.fromkeys(FACTS)


def good(seconds, **more):
    """A group of vital signs with everything in its limits."""
    told = {"systolic": 112, "spo2": 96, "etco2": 38, "etco2_type": "mmHg", "rhythms": ("organised",), "ecg_type": TWELVE}
    return Vital(at(seconds), **(told | more))


def facts_of(folder, asked=LIMITS):
    review = measure_case(folder)
    return facts(review.case, review.findings, asked)


def charted(folder, *vitals, asked=LIMITS, **more):
    """The facts of a case that has one care record alone."""
    told = {
        "times": {"dispatched": at(0), "at_patient": at(303), "care_transferred": at(HANDED_S)},
        "initial_cpr": at(310),
        "discontinued": at(ROSC_S),
        "reason": "rosc",
        "rosc": ("before_ed",),
        "hospital": (PCI,),
    }
    home = folder / "case"
    home.mkdir(exist_ok=True)
    write(home / "care.xml", reports=[record(**(told | more), vitals=vitals)])
    return facts_of(home, asked)


def listed(folder, rows, header="", asked=LIMITS):
    """The facts of a case that has one list of events alone."""
    home = folder / "case"
    home.mkdir(exist_ok=True)
    (home / "events.csv").write_text("time_s,type,value,unit\n0,cpr_started,,\n" + rows, encoding="utf-8")
    if header:
        (home / "case.toml").write_text(header, encoding="utf-8")
    return facts_of(home, asked)


def test_from_the_care_record_to_every_fact(tmp_path):
    assert charted(tmp_path, good(ROSC_S + 300)) == ALL_YES


def test_the_last_reading_before_hand_over_counts(tmp_path):
    low = {"systolic": 78, "spo2": 84, "etco2": 62}
    assert charted(tmp_path, good(ROSC_S + 300, **low), good(HANDED_S)) == ALL_YES
    fell = charted(tmp_path, good(ROSC_S + 300), good(HANDED_S - 60, **low))
    assert fell == ALL_YES | dict.fromkeys(("rosc_pressure", "rosc_oxygen", "rosc_end_tidal"), "no")
    assert charted(tmp_path, good(ROSC_S + 300), good(HANDED_S + 60, **low)) == ALL_YES


@pytest.mark.parametrize(
    ("name", "fact", "edges", "outside"),
    [
        ("systolic", "rosc_pressure", (90, 240), (89,)),
        ("spo2", "rosc_oxygen", (92, 98), (91, 99)),
        ("etco2", "rosc_end_tidal", (35, 45), (34.9, 45.1)),
    ],
)
def test_edges_of_the_limits_are_inside(name, fact, edges, outside, tmp_path):
    for value in edges:
        assert charted(tmp_path, good(ROSC_S + 60, **{name: value}))[fact] == "yes"
    for value in outside:
        assert charted(tmp_path, good(ROSC_S + 60, **{name: value}))[fact] == "no"


def test_end_tidal_co2_in_its_own_unit(tmp_path):
    """5.2 kPa is 39 mmHg (1 kPa = 7.50062 mmHg, exact by definition of the units)."""
    assert charted(tmp_path, good(ROSC_S + 60, etco2=5.2, etco2_type="kPa"))["rosc_end_tidal"] == "yes"
    assert charted(tmp_path, good(ROSC_S + 60, etco2=3.9, etco2_type="kPa"))["rosc_end_tidal"] == "no"


def test_without_rosc_nothing_is_told(tmp_path):
    assert charted(tmp_path, good(900), discontinued=None, reason=None, rosc=("no",)) == NONE
    assert charted(tmp_path, good(900), discontinued=at(ROSC_S), reason="protocol", rosc=("no",)) == NONE


def test_rosc_without_vital_signs_is_missing_and_not_a_no(tmp_path):
    assert charted(tmp_path) == NONE | {"rosc_destination": "yes"}
    rhythm_alone = Vital(at(ROSC_S + 60), rhythms=("organised",))
    assert charted(tmp_path, rhythm_alone) == NONE | {"rosc_destination": "yes"}


def test_vital_signs_before_rosc_alone_are_missing(tmp_path):
    assert charted(tmp_path, good(ROSC_S - 60)) == NONE | {"rosc_destination": "yes"}
    assert charted(tmp_path, good(ROSC_S))["rosc_pressure"] == "yes"


def test_vital_signs_without_the_entry_make_it_a_no(tmp_path):
    told = charted(tmp_path, Vital(at(ROSC_S + 60), heart_rate=92))
    assert told == {**dict.fromkeys(FACTS, "no"), "rosc_destination": "yes"}


def test_before_this_units_care_does_not_count(tmp_path):
    assert charted(tmp_path, good(ROSC_S + 60, prior=True)) == NONE | {"rosc_destination": "yes"}


def test_not_values_are_missing(tmp_path):
    """eDisposition.23 and eVitals nil with an NV; an EtCO2 whose PN says that it could not be taken."""
    told = charted(tmp_path, Vital(at(ROSC_S + 60), heart_rate=90, etco2=40.0, etco2_pn="8801023"), hospital=())
    assert told == {**dict.fromkeys(FACTS, "no"), "rosc_destination": None}
    assert charted(tmp_path, Vital(at(ROSC_S + 60), etco2=40.0, etco2_pn="8801023"), hospital=()) == NONE


@pytest.mark.parametrize(("code", "answer"), [("3304001", "no"), ("3304009", "yes"), ("3304011", "yes"), ("3304013", "yes")])
def test_kinds_of_ecg(code, answer, tmp_path):
    assert charted(tmp_path, good(ROSC_S + 60, ecg_type=code))["rosc_12_lead"] == answer


def test_an_ecg_charted_as_a_procedure(tmp_path):
    """SNOMED CT 268400002, 12-lead ECG: done, failed, and taken back by a PN (refused)."""
    vital = Vital(at(ROSC_S + 60), heart_rate=90)

    def told(**more):
        done = Procedure(at(ROSC_S + 90), "268400002", **more)
        return charted(tmp_path, vital, procedures=(done,))["rosc_12_lead"]

    assert (told(), told(successful=False), told(pn="8801019"), told(prior=True)) == ("yes", "no", "no", "no")


def test_destination(tmp_path):
    def told(*codes, asked=LIMITS):
        return charted(tmp_path, good(ROSC_S + 60), hospital=codes, asked=asked)["rosc_destination"]

    assert (told(GENERAL), told(GENERAL, PCI), told()) == ("no", "yes", None)
    assert told(GENERAL, asked=replace(LIMITS, hospital=("general",))) == "yes"
    assert told("9908999") is None


def test_without_a_limit_being_measured_counts_and_the_label_says_so(tmp_path, monkeypatch):
    none = Limits(60.0, 13.0)
    far = good(ROSC_S + 60, systolic=40, spo2=60, etco2=90)
    assert charted(tmp_path, far, hospital=(GENERAL,), asked=none) == ALL_YES
    assert charted(tmp_path, Vital(at(ROSC_S + 60), heart_rate=90), asked=none)["rosc_pressure"] == "no"
    monkeypatch.setattr(bundles.after_rosc, "limits", lambda: none)
    labels = [one.label for one in bundle("after_rosc").element]
    assert labels == [
        "12-lead ECG",
        "Blood pressure, measured at all",
        "Oxygen, measured at all",
        "End-tidal CO2, measured at all",
        "Destination, recorded at all",
    ]


def test_the_pressure_of_a_child_has_no_limit(tmp_path):
    for age, answer in ((6, "yes"), (12, "yes"), (13, "no"), (None, "no")):
        assert charted(tmp_path, good(ROSC_S + 60, systolic=82), age=age)["rosc_pressure"] == answer


LIST = "600,rosc,,\n{}1800,care_transferred,,\n"


def test_a_list_of_events_can_tell_them_all(tmp_path):
    rows = "700,12-lead,,\n900,systolic,118/72,\n900,SpO2,95 %,\n900,etco2,5.1,kPa\n"
    header = '[arrest]\nhospital = ["PCI capable"]\n'
    told = listed(tmp_path, LIST.format(rows.replace("12-lead", "ecg 12 lead")), header)
    assert told == ALL_YES
    assert listed(tmp_path, LIST.format("900,systolic,88,mmHg\n"), header) == {**dict.fromkeys(FACTS, "no"), **{FACTS[4]: "yes"}}


def test_a_reading_without_a_number_or_in_an_unknown_unit_is_no_measurement(tmp_path):
    assert listed(tmp_path, LIST.format("900,systolic,palpable,\n900,spo2,95,\n"))["rosc_pressure"] == "no"
    assert listed(tmp_path, LIST.format("900,etco2,40,furlong\n900,spo2,95,\n"))["rosc_end_tidal"] == "no"


def test_a_re_arrest_is_taken_out(tmp_path):
    rows = "600,rosc,,\n700,systolic,110,\n800,rearrest,,\n900,systolic,40,\n900,ecg_12_lead,,\n{}1800,care_transferred,,\n"
    told = listed(tmp_path, rows.format(""))
    assert (told["rosc_pressure"], told["rosc_12_lead"]) == ("yes", "no")
    again = listed(tmp_path, rows.format("1000,rosc,,\n1100,systolic,70,\n1200,ecg_12_lead,,\n"))
    assert (again["rosc_pressure"], again["rosc_12_lead"]) == ("no", "yes")


def test_time_with_circulation(tmp_path):
    def pairs(rows):
        listed(tmp_path, rows)
        review = measure_case(tmp_path / "case")
        return [(start, round(end, 3)) for start, end in circulation(review.case, review.findings).pairs()]

    assert pairs("600,rosc,,\n800,rearrest,,\n1000,rosc,,\n1800,care_transferred,,\n") == [(600.0, 800.0), (1000.0, 1800.0)]
    assert pairs("600,rosc,,\n800,rearrest,,\n1300,terminated,,\n") == [(600.0, 800.0)]
    assert pairs("600,rosc,,\n900,note,,\n") == [(600.0, float("inf"))]
    assert pairs("1300,terminated,,\n") == []
    assert pairs("600,rosc,,\n1300,terminated,,\n") == [(600.0, 1300.0)]
    assert pairs("500,terminated,,\n600,rosc,,\n1800,care_transferred,,\n") == [(600.0, 1800.0)]


def test_compressions_after_rosc_are_a_re_arrest_that_nobody_charted(tmp_path):
    pressed = "".join(f"{700 + 0.5 * number},compression,,\n" for number in range(60))
    rows = "600,rosc,,\n650,systolic,110,\n" + pressed + "720,systolic,40,\n1800,care_transferred,,\n"
    assert listed(tmp_path, rows)["rosc_pressure"] == "yes"
    assert listed(tmp_path, rows.replace(pressed, ""))["rosc_pressure"] == "no"


def test_a_re_arrest_that_another_clock_tells_is_taken_out(tmp_path):
    home = tmp_path / "case"
    home.mkdir()
    lines = ["time,type,value", *(f"2031-03-18T08:0{minute}:00-06:00,note,{minute}" for minute in range(9))]
    (home / "log.csv").write_text("\n".join([*lines, "2031-03-18T08:00:30-06:00,cpr_started,", ""]), encoding="utf-8")
    told = {"08:10": "rosc,", "08:12": "systolic,110", "08:14": "rearrest,", "08:16": "systolic,40", "08:20": "rosc,"}
    rows = "".join(f"2031-03-18T{time}:00-06:00,{what}\n" for time, what in told.items())
    (home / "events.csv").write_text("time,type,value\n" + rows, encoding="utf-8")
    review = measure_case(home)
    assert len(review.case.clocks) == 2
    assert facts(review.case, review.findings, LIMITS)["rosc_pressure"] == "yes"
    assert [span.seconds for span in circulation(review.case, review.findings)] == [240.0, float("inf")]


def test_a_source_that_could_not_have_held_an_entry_makes_no_no_of_it(tmp_path):
    listed(tmp_path, LIST.format("900,systolic,110,\n"))
    review = measure_case(tmp_path / "case")
    (source,) = review.case.sources
    case = replace(review.case, sources=(replace(source, could_chart=frozenset({"rosc", "systolic"})),))
    assert facts(case, review.findings, LIMITS) == NONE | {"rosc_pressure": "yes"}
    assert facts(review.case, review.findings, LIMITS)["rosc_12_lead"] == "no"


def test_the_monitor_tells_end_tidal_co2_alone():
    """rv-2031-0118: waveforms and a list of events without vital signs; what is left is missing."""
    told = facts_of(SAMPLES / "rv-2031-0118")
    assert told == NONE | {"rosc_end_tidal": "yes"}
    higher = facts_of(SAMPLES / "rv-2031-0118", replace(LIMITS, etco2_band_mmhg=(60.0, 80.0)))
    assert higher["rosc_end_tidal"] == "no"


def test_the_monitors_spo2_at_the_end_of_its_last_minute(tmp_path):
    home = tmp_path / "case"
    home.mkdir()
    values = [99] * 60 + [95] * 60 + [0] * 60
    rows = "".join(f"{second},{value}\n" for second, value in zip(range(600, 780), values, strict=True))
    (home / "numbers.csv").write_text("time_s,spo2[%]\n" + rows, encoding="utf-8")
    (home / "events.csv").write_text("time_s,type\n0,cpr_started\n600,rosc\n", encoding="utf-8")
    header = "".join(f'[[source]]\nfile = "{name}"\nclock = "one"\n' for name in ("numbers.csv", "events.csv"))
    (home / "case.toml").write_text(header, encoding="utf-8")
    assert facts_of(home, replace(LIMITS, spo2_band=(94.0, 96.0)))["rosc_oxygen"] == "yes"
    assert facts_of(home, replace(LIMITS, spo2_band=(96.0, 100.0)))["rosc_oxygen"] == "no"
    (home / "events.csv").write_text("time_s,type\n0,cpr_started\n600,rosc\n640,care_transferred\n", encoding="utf-8")
    assert facts_of(home)["rosc_oxygen"] == "no"


def test_the_sample_case_from_its_files_to_the_cohort_and_its_bundle():
    review = measure_case(SAMPLES / "rv-2031-0107")
    assert facts(review.case, review.findings, OURS) == ALL_YES
    at_ = review.case.start
    row = desk.rows(review, Standing("0107", "rv-2031-0107", "Rillstone Valley EMS", "", 0, at_)).case
    assert {name: row[name] for name in FACTS} == ALL_YES
    found = judge_bundle(table(plain_case(any_rosc="yes", **{name: row[name] for name in FACTS})), bundle("after_rosc"))
    assert (found.all_or_none.count, found.all_or_none.n) == (1, 1)


def test_all_or_none_counts_what_is_missing_by_itself():
    rows = (ALL_YES, ALL_YES | {"rosc_12_lead": "no"}, ALL_YES | {"rosc_oxygen": None}, NONE | {"rosc_pressure": "no"})
    found = judge_bundle(table(*(plain_case(any_rosc="yes", **row) for row in rows)), bundle("after_rosc"))
    assert list(found.states["all"]) == [MET, NOT_MET, MISSING, NOT_MET]
    assert (found.all_or_none.count, found.all_or_none.n, found.all_or_none.missing) == (1, 3, 1)
    assert {one.element.key: one.share.missing for one in found.elements} == {
        "ecg": 1,
        "pressure": 0,
        "oxygen": 2,
        "end_tidal": 1,
        "destination": 1,
    }
    assert "Blood pressure (last systolic at least 90 mmHg): met in" in found.elements[1].words()


def test_the_limits_in_the_file_are_these_and_its_words_are_held():
    assert OURS == LIMITS
    assert set(FACTS) <= {column.name for column in COHORT}
    assert [element.fact for element in bundle("after_rosc").element] == list(FACTS) == list(LIMITS.words())


@pytest.mark.parametrize("line", ["systolic_atleast_mmhg = 90.0", 'hospital = ["heart center"]'])
def test_a_misspelt_limit_is_refused(line, tmp_path):
    path = tmp_path / "bundles.toml"
    path.write_text(f"[after_rosc]\nmonitor_last_s = 60.0\nadult_from_years = 13.0\n{line}\n", encoding="utf-8")
    with pytest.raises(UnknownWord, match="after_rosc"):
        after_rosc.limits(path)


@needs_samples
@pytest.mark.parametrize(
    ("year", "answers"),
    [
        (2021, ("yes", "yes", "no", "no", "no")),
        (2022, ("yes", "no", "no", "no", "no")),
        (2023, (None,) * 5),
        (2024, ("yes", "yes", "no", "no", "no")),
        (2025, (None,) * 5),
    ],
)
def test_the_standards_own_samples(year, answers, tmp_path):
    """Typed from the XML: last readings after ROSC 94 mmHg, 87 %, 32 mmHg (2021); 85, 91, 32 (2022); 94, 90, 20 (2024); all taken
    to a general hospital (9908007) with a 12-lead ECG after ROSC; no ROSC in 2023 and 2025."""
    (tmp_path / "care.xml").write_bytes(sample(year).read_bytes())
    assert tuple(facts_of(tmp_path).values()) == answers
