"""The contract of the cohort table: one row a case, its columns with kind, unit and meaning, and the check that makers end with.

Kinds: float; text; word (text out of few, kept as a category); whole (a whole number, 0 where there is none); flag; moment (UTC);
day (a date by the clocks of the place). A missing value means that it is not recorded, or that this case has no such answer.
"""

from collections.abc import Mapping, Sequence
from itertools import product

import numpy as np
import pandas as pd

from qi.model.errors import BadTable
from qi.model.tables import Column
from qi.model.vocabulary import DEVICE_KINDS, PAUSE_CAUSES

YES_NO = ("yes", "no", "unknown")
SOURCES = ("signed", "machine")
EFFORT_ENDS = ("rosc", "termination", "hand-over", "record end")
VERDICTS = ("met", "not met", "not measurable", "no limit set")


def _word(name: str, meaning: str, *, may_lack: bool = True) -> Column:
    return Column(name, "word", "", meaning, may_lack)


def _float(name: str, unit: str, meaning: str) -> Column:
    return Column(name, "float", unit, meaning)


ABOUT = (
    Column("key", "text", "", "the library's own key of the case", may_lack=False),
    Column("case_id", "text", "", "the agency's number", may_lack=False),
    _word("agency", "whose case it is; empty where the library does not say", may_lack=False),
    Column("call_at", "moment", "UTC", "moment of the call as the worklist shows it: case start"),
    Column("call_day", "day", "", "day of the call by the clocks of the place"),
    Column("year", "whole", "", "its year; 0 where the call's time is not known", may_lack=False),
    Column("month", "whole", "", "its month, 1 to 12; 0 where the call's time is not known", may_lack=False),
    _float("hour", "h", "its hour, 0 to 23"),
    _word("station", "station"),
    _word("shift", "shift"),
    _word("unit", "unit"),
    _float("age_years", "a", "age of the patient"),
    _word("sex", "female, male or other"),
    _word("witnessed", "bystander, ems, no or unknown"),
    *(
        _word(name, f"{words}: yes, no or unknown")
        for name, words in (
            ("bystander_cpr", "CPR by a bystander"),
            ("bystander_aed", "AED used by a bystander"),
            ("dispatcher_cpr", "CPR assisted by the dispatcher"),
        )
    ),
    _word("cause", "cause of the arrest"),
    _word("location", "kind of place"),
    _word("first_rhythm", "first rhythm, a word of the vocabulary"),
    _word("airway_kind", "most advanced airway that was placed"),
    _word("device_used", "ITD applied: yes, no; missing where nothing could have charted it or the record ends first"),
    _word("advanced_airway", "advanced airway placed: yes, no; missing where nothing could have charted it"),
    _float("effort_end_s", "s", "from the crew's first compression to the end of the effort; missing where no such was seen"),
    _word("effort_end", "what ended the effort: rosc (the first), termination, hand-over (in arrest) or record end"),
    _float("response_interval_s", "s", "from the call to the arrival on scene"),
    _word("excluded", "reason why the case is left out of comparisons; empty where it is not", may_lack=False),
    _word("source", "signed (numbers of a signed version) or machine (as the machine finds them)", may_lack=False),
    Column("version", "whole", "", "the signed version that the numbers are of; 0 for the machine's", may_lack=False),
    Column("measured_anew", "flag", "", "signed under other definitions: measured anew, as corrected then", may_lack=False),
    _word("sensors", "kinds of sensors that saw compressions, then those that saw breaths, parted by /", may_lack=False),
    Column("has_recording", "flag", "", "a monitor recorded it", may_lack=False),
    Column("measurable", "flag", "", "a compression fraction can be given", may_lack=False),
    *(
        _float(column, "", f"{words} of the case that stand in their table; missing where they were lost with a file")
        for column, words in (("pause_rows", "pauses"), ("shock_rows", "shocks"))
    ),
    *(
        _word(name, f"{words}: yes, no or unknown")
        for name, words in (
            ("any_rosc", "any ROSC"),
            ("sustained_rosc", "ROSC for 20 min"),
            ("survived_event", "alive at hand-over to the hospital"),
            ("survived_to_discharge", "alive at discharge"),
        )
    ),
    *(
        _word(name, f"after ROSC, {words}: yes or no; missing where the record does not tell")
        for name, words in (
            ("rosc_12_lead", "a 12-lead ECG"),
            ("rosc_pressure", "last systolic pressure not below the agency's limit"),
            ("rosc_oxygen", "last SpO2 inside the agency's band"),
            ("rosc_end_tidal", "last end-tidal CO2 inside the agency's band"),
            ("rosc_destination", "taken to a hospital of a kind that the agency names"),
        )
    ),
    _float("cpc", "", "Cerebral Performance Category, 1 to 5"),
    _float("mrs", "", "modified Rankin Scale, 0 to 6"),
    _word("protocol", "the protocol that it was held against", may_lack=False),
    _word("definitions_digest", "short digest of all definitions and detector settings in force", may_lack=False),
    Column("last_line", "whole", "", "number of the journal's last line when the row was made", may_lack=False),
    Column("measured_at", "moment", "UTC", "when the numbers were worked out or signed", may_lack=False),
)
CHOICES: Mapping[str, Sequence[str]] = {
    "source": SOURCES,
    **{column.name: YES_NO for column in ABOUT if column.meaning.endswith("yes, no or unknown")},
    **{column.name: YES_NO[:2] for column in ABOUT if column.name.startswith("rosc_")},
    "device_used": YES_NO[:2],
    "advanced_airway": YES_NO[:2],
    "effort_end": EFFORT_ENDS,
}

BY_MACHINE = ("manual", "mechanical")
_PHASES = ("", "advanced_airway", "bag_mask_continuous", "after_rosc")
_ZEROS = ("first_compression", "patient_contact", "call")
_INTERVALS = (
    ("dispatched", "call"),
    ("en_route", "dispatched"),
    ("on_scene", "en_route"),
    ("on_scene", "call"),
    ("at_patient", "on_scene"),
    ("at_patient", "call"),
    ("first_compression", "call"),
    ("first_compression_ems", "at_patient"),
    ("pads_on", "at_patient"),
    ("first_rhythm", "pads_on"),
    ("first_shock", "first_rhythm"),
    ("first_shock", "call"),
    ("access", "first_compression_ems"),
    ("first_epinephrine", "access"),
    ("airway_placed", "first_compression_ems"),
    ("device_on", "first_compression_ems"),
    ("rosc", "first_compression_ems"),
    ("rearrest", "rosc"),
    ("terminated", "first_compression_ems"),
    ("left_scene", "on_scene"),
    ("at_hospital", "left_scene"),
    ("care_transferred", "at_hospital"),
)
PLAIN = ("",)
# Each measure with what tells its answers apart: `of`, or `of.from`, or "" for the plain one.
ANSWERS: Mapping[str, Sequence[str]] = {
    "compression_fraction": (*PLAIN, *BY_MACHINE),
    "compression_fraction_5min": PLAIN,
    "compression_fraction_10min": PLAIN,
    "no_flow_s": (*PLAIN, *BY_MACHINE),
    "longest_pause_s": (*PLAIN, *BY_MACHINE),
    "longest_shock_pause_s": PLAIN,
    "longest_other_pause_s": PLAIN,
    "pauses_over_limit": (*PLAIN, *BY_MACHINE),
    "final_pause_s": PLAIN,
    "fraction_if_pauses_held": ("all", *PAUSE_CAUSES),
    "compression_rate": (*PLAIN, *BY_MACHINE),
    "rate_in_band": PLAIN,
    "compressions_per_minute": PLAIN,
    "compression_depth_mm": (*PLAIN, "stroke"),
    "depth_in_band": PLAIN,
    "released_fraction": PLAIN,
    "fully_guideline_fraction": PLAIN,
    "compressor_turn_s": (*PLAIN, "longest"),
    **dict.fromkeys(("pre_shock_pause_s", "post_shock_pause_s", "peri_shock_pause_s"), (*PLAIN, "largest")),
    "first_shock_s": (*PLAIN, "pads_on"),
    "shock_decisions": ("shockable_shocked", "shockable_not_shocked", "not_shockable_shocked"),
    **dict.fromkeys(("ventilation_rate", "over_ventilated_fraction", "under_ventilated_fraction"), _PHASES),
    **dict.fromkeys(("breath_duration_s", "long_breath_fraction", "breaths_per_pause", "two_breath_fraction"), PLAIN),
    "positive_pressure_fraction": PLAIN,
    "etco2_mmhg": (*PLAIN, "first", "last", "at_20_min"),
    "etco2_rise": PLAIN,
    "waveform_co2_on_airway": PLAIN,
    "time_to_device_s": tuple(f"{kind}.{zero}" for kind, zero in product(DEVICE_KINDS, _ZEROS)),
    "device_on_fraction": DEVICE_KINDS,
    "device_left_on_s": ("itd",),
    "recoil_pressure_cmh2o": ("itd_on", "itd_off"),
    "seal_loss_fraction": (*PLAIN, "mask", "advanced_airway"),
    "device_by_pressure_s": ("on", "off"),
    "interval_s": tuple(f"{end}.{start}" for end, start in _INTERVALS),
    "time_to_epinephrine_s": PLAIN,
    "epinephrine_interval_s": PLAIN,
    "epinephrine_doses": PLAIN,
    "airway_attempts": PLAIN,
    "first_pass": PLAIN,
}
# Measures with an answer a minute, and answers of single doses: as many as a case has, so that they are no columns.
NOT_IN_THE_ROW = ("compression_fraction_minute",)
PARTS: Mapping[str, tuple[str, str]] = {
    "": ("float", "value; missing where the case cannot show it"),
    "__low": ("float", "lower bound for unknown time"),
    "__high": ("float", "upper bound for unknown time; missing where it is open"),
    "__error": ("float", "half-width of what detection or clocks may be off by"),
    "__coverage": ("float", "known share of the time or moments asked about, 0 to 1"),
    "__n": ("float", "count that it rests on"),
    "__verdict": ("word", f"{', '.join(VERDICTS)}; missing where the case has no such answer"),
    "__status": ("word", "applied, never, censored or not recorded, for devices"),
}


def answer_name(id_: str, suffix: str = "") -> str:
    """The column of a measure's answer: its id, then `of` and `from` behind points."""
    return f"{id_}.{suffix}" if suffix else id_


ANSWER_NAMES = tuple(answer_name(id_, suffix) for id_, suffixes in ANSWERS.items() for suffix in suffixes)
MEASURED = tuple(Column(name + part, kind, "", words) for name in ANSWER_NAMES for part, (kind, words) in PARTS.items())
COHORT = (*ABOUT, *MEASURED)
_KEY = Column("key", "text", "", "the case", may_lack=False)
COHORT_PAUSES = (
    _KEY,
    Column("start_s", "float", "s", "start, from case start", may_lack=False),
    Column("seconds", "float", "s", "length", may_lack=False),
    _word("cause", "first cause", may_lack=False),
    _word("cause_by", "reviewer where a person gave the cause"),
)
COHORT_SHOCKS = (
    _KEY,
    Column("time_s", "float", "s", "delivery, from case start", may_lack=False),
    Column("stack", "whole", "", "number of its stack, from 1", may_lack=False),
    _float("pre_s", "s", "last release to the first shock of the stack"),
    _float("post_s", "s", "last shock of the stack to the next onset"),
    _float("peri_s", "s", "last release to next onset around the stack"),
    _float("energy_j", "J", "energy as recorded"),
)
TABLES: Mapping[str, Sequence[Column]] = {"cases": COHORT, "pauses": COHORT_PAUSES, "shocks": COHORT_SHOCKS}
DTYPES: Mapping[str, str] = {
    "float": "float64",
    "text": "str",
    "word": "category",
    "whole": "int32",
    "flag": "bool",
    "moment": "datetime64[us, UTC]",
    "day": "datetime64[us]",
}

_DTYPES = {
    kind: np.dtype(name) if kind in ("float", "whole", "flag") else None for kind, name in DTYPES.items()
}  # quick to compare


def check(table: pd.DataFrame, columns: Sequence[Column] = COHORT) -> pd.DataFrame:
    """Return the table unchanged, or raise BadTable naming the column that breaks the contract, and its first row that does.

    Parameters: table; columns, the contract it is held against.
    """
    names = [column.name for column in columns]
    if list(table.columns) != names:
        unlike = sorted(set(table.columns) ^ set(names)) or "the same names in another order"
        raise BadTable(f"a cohort table must have exactly the columns of its contract; unlike it: {unlike}")
    for column, kind in zip(columns, table.dtypes, strict=True):
        if kind != _DTYPES[column.kind] and str(kind) != DTYPES[column.kind]:
            raise BadTable(f"{column.name} has dtype {kind}, the contract has {column.kind}")
        choices = VERDICTS if column.name.endswith("__verdict") else CHOICES.get(column.name)
        if column.may_lack and not choices:
            continue
        values = table[column.name]
        if not column.may_lack and values.isna().any():
            raise BadTable(f"{column.name} is missing in row {int(values.isna().to_numpy().argmax())}")
        if choices and (other := set(values.cat.categories) - set(choices)):
            raise BadTable(f"{column.name} holds {sorted(other)}, the contract has {', '.join(choices)}")
    if columns is COHORT and (twice := table["key"].duplicated()).any():
        raise BadTable(f"key {table['key'][twice].iloc[0]} stands in more than one row")
    return table
