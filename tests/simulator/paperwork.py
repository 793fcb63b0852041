"""What people wrote down of the sample cases: care records, the dispatch log, the header of the case folder."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

from tests.simulator.care_record import CareRecord, Confirmation, CrewMember, Medication, Procedure, Vital, write
from tests.simulator.files import INVENTED, moment
from tests.simulator.schedule import Truth

# The off clock: the crew charted by a watch that ran ahead of the monitor, and to the minute.
AHEAD_S = 420.0
# Codes: NEMSIS 3.5 defined lists, as the notes on data standards name them.
SHOCK, SUPRAGLOTTIC, INTRAOSSEOUS, INTRAVENOUS, BAG_MASK, CPR = (
    "426220008",
    "450611000124100",
    "430824005",
    "392230005",
    "425447009",
    "89666000",
)
TWELVE_LEADS, PCI_ALWAYS = "3304007", "9908033"
EPINEPHRINE_0_1, EPINEPHRINE_1, AMIODARONE = "317361", "328316", "703"

GOOD_FACTS = """\
[arrest]
witnessed = "bystander"
bystander_cpr = true
cause = "medical"
[crew]
station = "3"
shift = "B"
unit = "Medic 31"
members = ["C-104", "C-233", "C-310"]
[outcome]
sustained_rosc = true
survived_to_discharge = "unknown"
"""
THREE_ERRORS_FACTS = """\
[arrest]
witnessed = "no"
bystander_cpr = false
cause = "medical"
[crew]
station = "1"
shift = "C"
unit = "Medic 12"
members = ["C-118", "C-241", "C-127"]
[outcome]
sustained_rosc = false
survived_to_discharge = false
"""
OFF_CLOCK_FACTS = """\
[arrest]
witnessed = "bystander"
bystander_cpr = "unknown"
cause = "medical"
[crew]
station = "2"
shift = "A"
unit = "Medic 22"
members = ["C-140", "C-277", "C-160", "C-219"]
[outcome]
sustained_rosc = false
survived_to_discharge = "unknown"
"""
CHILD_FACTS = """\
[arrest]
witnessed = "no"
bystander_cpr = true
cause = "drowning"
[crew]
station = "3"
shift = "A"
unit = "Medic 31"
members = ["C-104", "C-188"]
[outcome]
sustained_rosc = true
survived_to_discharge = "unknown"
"""
SEXES = {"rv-2031-0107": "female", "rv-2031-0112": "male", "rv-2031-0125": "male", "rv-2031-0131": "female"}


def source(file: str, truth: Truth, *, depth: str | None = None, clock: str | None = None) -> str:
    """One [[source]] of the header."""
    lines = ["[[source]]", f'file = "{file}"', f'start = "{truth.plan.start.isoformat()}"']
    lines += [f'depth_reference = "{depth}"'] if depth else []
    lines += [f'clock = "{clock}"'] if clock else []
    return "\n".join(lines) + "\n"


def header(folder: Path, truth: Truth, sources: Sequence[str], facts: str) -> None:
    """The case.toml of a case folder."""
    plan = truth.plan
    top = f'# {INVENTED}\nid = "{plan.id}"\nzone = "America/Denver"\n'
    top += f'[patient]\nage_years = {plan.age_years:g}\nsex = "{SEXES[plan.id]}"\n'
    (folder / "case.toml").write_text(top + facts + "".join(sources), encoding="utf-8")


def dispatch_row(truth: Truth) -> dict[str, datetime | str]:
    """The dispatch log of the case with three errors, in UTC as the standard asks."""

    def at(seconds: float) -> datetime:
        return moment(truth.plan.start, seconds).astimezone(UTC)

    return {
        "dispatch_internal_id": truth.plan.id,
        "unit_id_reported": "Medic 12",
        "dispatch_time_call_arrival": at(-548),
        "dispatch_time_call_answering": at(-543),
        "dispatch_time_call_create": at(-501),
        "time_dispatch": at(-488),
        "time_enroute_to_scene": at(-421),
        "time_on_scene": at(-92),
        "time_at_patient": at(-19),
        "time_unit_clear": at(3340),
    }


def good_record(path: Path, truth: Truth) -> None:
    """One unit, charted from the monitor's own times to the second."""

    def at(seconds: float) -> datetime:
        return moment(truth.plan.start, round(seconds))

    rosc = truth.at("rosc")[0]
    shocks = [Procedure(at(time), SHOCK, crew="C-104") for time in truth.at("shock")]
    doses = [Medication(at(time), EPINEPHRINE_0_1, 1.0, "mg", "IO", crew="C-233") for time in truth.at("drug", "epinephrine")]
    report = CareRecord(
        incident=truth.plan.id,
        report=f"{truth.plan.id}-31",
        call_sign="Medic 31",
        age=61,
        sex="female",
        times={
            "call_received": at(-462),
            "dispatched": at(-411),
            "en_route": at(-356),
            "on_scene": at(-74),
            "at_patient": at(-33),
            "left_scene": at(rosc + 540),
            "at_hospital": at(rosc + 1270),
            "care_transferred": at(rosc + 1490),
        },
        back_in_service=at(rosc + 3300),
        emd="with_instructions",
        attempted=("defibrillation", "ventilation", "compressions"),
        witnessed=("family",),
        cpr_types=("3009001", "3009013", "3009015", "3009025"),
        first_rhythm="VF",
        rosc=("before_ed", "sustained"),
        arrest_time=at(-500),
        discontinued=at(rosc),
        reason="rosc",
        rhythms_at_destination=("organised",),
        end="rosc_field",
        initial_cpr=at(-400),
        first_cpr_by="family",
        first_shock_by="ems",
        vitals=(
            Vital(at(40), rhythms=("VF",)),
            Vital(at(620), rhythms=("PEA",), etco2=20, etco2_type="mmHg"),
            Vital(
                at(rosc + 60),
                rhythms=("organised",),
                heart_rate=98,
                spo2=94,
                etco2=41,
                etco2_type="mmHg",
                systolic=104,
                diastolic=61,
            ),
            Vital(at(rosc + 420), rhythms=("organised",), ecg_type=TWELVE_LEADS),
            Vital(
                at(rosc + 1200),
                rhythms=("organised",),
                heart_rate=92,
                spo2=96,
                etco2=38,
                etco2_type="mmHg",
                systolic=112,
                diastolic=68,
            ),
        ),
        hospital=(PCI_ALWAYS,),
        procedures=(
            Procedure(at(24), CPR, crew="C-104"),
            *shocks,
            Procedure(at(231), INTRAOSSEOUS, crew="C-233", site="3913047"),
            Procedure(at(424), SUPRAGLOTTIC, crew="C-310", correlation="airway"),
        ),
        medications=(*doses, Medication(at(338), AMIODARONE, 300.0, "mg", "IO", crew="C-233")),
        confirmations=(Confirmation(at(436), device="supraglottic", methods=("4004019",), procedure="airway"),),
        crew=(
            CrewMember("C-104"),
            CrewMember("C-233", roles=("other_scene", "primary_transport")),
            CrewMember("C-310", level="emt", roles=("driver_transport",)),
        ),
    )
    write(path, reports=[report])


def three_errors_record(path: Path, truth: Truth) -> None:
    """One unit, charted afterwards: drugs and airway to the minute, shocks from the monitor's list."""

    def at(seconds: float) -> datetime:
        return moment(truth.plan.start, round(seconds))

    def minute(seconds: float) -> datetime:
        return at(seconds).replace(second=0)

    end = truth.at("terminated")[0]
    doses = [Medication(minute(time), EPINEPHRINE_0_1, 1.0, "mg", "IV", crew="C-118") for time in truth.at("drug", "epinephrine")]
    report = CareRecord(
        incident=truth.plan.id,
        report=f"{truth.plan.id}-12",
        call_sign="Medic 12",
        age=74,
        sex="male",
        times={
            "call_received": at(-548),
            "dispatched": at(-488),
            "en_route": at(-421),
            "on_scene": at(-92),
            "at_patient": minute(-19),
        },
        back_in_service=at(3340),
        emd="without_instructions",
        attempted=("defibrillation", "ventilation", "compressions"),
        witnessed=("no",),
        cpr_types=("3009001", "3009013", "3009015"),
        first_rhythm="asystole",
        rosc=("no",),
        discontinued=at(end),
        reason="protocol",
        end="expired_field",
        first_cpr_by="ems",
        first_shock_by="ems",
        vitals=(
            Vital(minute(60), rhythms=("asystole",)),
            Vital(minute(700), rhythms=("PEA",), etco2=10, etco2_type="mmHg"),
            Vital(minute(1230), rhythms=("asystole",), etco2=9, etco2_type="mmHg"),
        ),
        procedures=(
            Procedure(minute(31), CPR, crew="C-118"),
            Procedure(minute(90), BAG_MASK, crew="C-241"),
            *(Procedure(at(time), SHOCK, crew="C-118") for time in truth.at("shock")),
            Procedure(minute(331), INTRAVENOUS, crew="C-118", site="3913001"),
            Procedure(minute(460), SUPRAGLOTTIC, successful=False, crew="C-241"),
            Procedure(minute(835), SUPRAGLOTTIC, crew="C-241"),
        ),
        medications=tuple(doses),
        crew=(
            CrewMember("C-118"),
            CrewMember("C-241", roles=("other_scene",)),
            CrewMember("C-127", level="emt", roles=("other_scene",)),
        ),
    )
    write(path, reports=[report])


def off_clock_record(path: Path, truth: Truth) -> None:
    """Two units on one incident, both charted by hand, to the minute, by a watch that runs seven minutes ahead."""

    def at(seconds: float) -> datetime:
        return moment(truth.plan.start + timedelta(seconds=AHEAD_S), seconds).replace(second=0, microsecond=0)

    rosc, end = truth.at("rosc")[0], truth.at(truth.plan.closing)[0]
    shared = {
        "incident": truth.plan.id,
        "age": 48,
        "sex": "male",
        "emd": "with_instructions",
        "witnessed": ("bystander",),
        "first_rhythm": "VF",
        "rosc": ("before_ed",),
        "attempted": ("defibrillation", "ventilation", "compressions"),
        "cpr_types": ("3009001", "3009013", "3009025"),
        "first_cpr_by": "bystander",
        "first_shock_by": "first_responder",
    }
    engine = CareRecord(
        **shared,
        report=f"{truth.plan.id}-E7",
        response="R-1",
        call_sign="Engine 7",
        times={"call_received": at(-390), "dispatched": at(-340), "en_route": at(-290), "on_scene": at(-60), "at_patient": at(-20)},
        back_in_service=at(end + 600),
        vitals=(Vital(at(30), rhythms=("VF",)),),
        procedures=(
            Procedure(at(20), CPR, role="emt", crew="C-160"),
            Procedure(at(truth.at("shock")[0]), SHOCK, role="emt", crew="C-160"),
        ),
        crew=(CrewMember("C-160", level="emt"), CrewMember("C-219", level="emt", roles=("other_scene",))),
    )
    medic = CareRecord(
        **shared,
        report=f"{truth.plan.id}-M22",
        response="R-2",
        call_sign="Medic 22",
        times={
            "call_received": at(-390),
            "dispatched": at(-340),
            "en_route": at(-270),
            "on_scene": at(45),
            "at_patient": at(75),
            "left_scene": at(1213),
            "at_hospital": at(end - 70),
            "care_transferred": at(end),
        },
        back_in_service=at(end + 2400),
        rhythms_at_destination=("PEA",),
        end="ongoing",
        vitals=(
            Vital(at(260), rhythms=("VF",), etco2=21, etco2_type="mmHg"),
            Vital(
                at(rosc + 90),
                rhythms=("organised",),
                heart_rate=96,
                spo2=91,
                systolic=88,
                diastolic=50,
                etco2=40,
                etco2_type="mmHg",
            ),
            Vital(at(1300), rhythms=("PEA",), etco2=17, etco2_type="mmHg"),
        ),
        procedures=(
            *(Procedure(at(time), SHOCK, crew="C-140") for time in truth.at("shock")[1:]),
            Procedure(at(205), INTRAVENOUS, crew="C-140", site="3913001"),
            Procedure(at(449), SUPRAGLOTTIC, crew="C-277"),
        ),
        medications=tuple(
            Medication(at(time), EPINEPHRINE_1, 1.0, "mg", "IV", crew="C-140") for time in truth.at("drug", "epinephrine")
        ),
        crew=(CrewMember("C-140"), CrewMember("C-277", roles=("other_scene", "primary_transport"))),
    )
    write(path, reports=[engine, medic])
