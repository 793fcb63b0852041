"""Words, order and shapes with which the browser shows what the tables hold. Trade terms; an unknown word is shown as it stands."""

from typing import Any

LANE_ORDER = (
    "compression_depth",
    "compression_force",
    "chest_acceleration",
    "thoracic_impedance",
    "ecg",
    "co2",
    "airway_pressure",
    "airway_flow",
    "pleth",
    "arterial_pressure",
    "etco2",
    "spo2",
    "heart_rate",
    "respiratory_rate",
)
# Least range of an axis, in the channel's unit, so that a quiet stretch is not blown up (our default, no source).
USUAL_RANGES: dict[str, tuple[float, float]] = {
    "compression_depth": (0.0, 65.0),
    "compression_force": (0.0, 500.0),
    "ecg": (-1.0, 1.0),
    "co2": (0.0, 50.0),
    "airway_pressure": (-10.0, 30.0),
    "etco2": (0.0, 50.0),
    "spo2": (50.0, 100.0),
}
UNITS = {"m/s2": "m/s²", "ohm": "Ω", "cmH2O": "cmH₂O", "L/min": "L/min"}
DEVICES: dict[str, tuple[str, str]] = {
    "itd": ("ITD", "Impedance threshold device"),
    "mechanical_cpr": ("Mechanical CPR", "Mechanical CPR"),
    "supraglottic": ("Airway", "Supraglottic airway"),
    "tracheal_tube": ("Airway", "Tracheal tube"),
    "capnography": ("Capnography", "Capnography"),
    "defib_pads": ("Pads", "Defibrillator pads"),
}
_RHYTHMS = {
    "organised": "Organised rhythm",
    "asystole": "Asystole",
    "unknown_shockable": "Shockable, unspecified",
    "unknown_not_shockable": "Not shockable, unspecified",
}
_VALUES = {
    "iv": "IV",
    "io": "IO",
    "itd": "ITD",
    "mechanical_cpr": "mechanical CPR",
    "tracheal_tube": "tracheal tube",
    "supraglottic": "supraglottic airway",
}
# What a correction of a device may be called: airway devices come and go by their own events.
SUBJECTS_ON = ("device_on", "airway_placed")
SUBJECTS_OFF = ("device_off", "airway_removed")
# Types that have a lane of their own.
ELSEWHERE = frozenset({"compression", "ventilation", "shock", "rhythm", "device_on", "device_off", "pause"})
# type -> words, meaning (colour), shape, rank (0 is the first to be given room).
_EVENTS: dict[str, tuple[str, str, str, int]] = {
    "rosc": ("ROSC", "circulation", "disc", 0),
    "cpr_started": ("CPR started", "chest", "ring", 3),
    "cpr_stopped": ("CPR stopped", "chest", "square", 3),
    "rearrest": ("Re-arrest", "circulation", "ring", 0),
    "terminated": ("Effort ended", "circulation", "square", 0),
    "drug": ("", "drug", "triangle", 1),
    "airway_placed": ("Airway:", "device", "square", 2),
    "airway_removed": ("Airway out:", "device", "ring", 2),
    "access": ("Access", "drug", "square", 3),
    "rhythm_check": ("Rhythm check", "shock", "bar", 5),
    "pulse_check": ("Pulse check", "circulation", "bar", 5),
    "ecg_12_lead": ("12-lead ECG", "circulation", "bar", 3),
    "charge": ("Charge", "shock", "bar", 6),
    "patient_moved": ("Patient moved", "other", "square", 4),
    "compressor_changed": ("Compressor changed", "chest", "bar", 7),
}


def plain(word: str | None) -> str:
    """A vocabulary word as people read it."""
    return _VALUES.get(word or "", (word or "").replace("_", " "))


def amount(number: float | None, unit: str | None) -> str:
    """A number with its unit, without needless decimals; empty where missing."""
    return "" if number is None else f"{number:g} {unit or ''}".strip()


def rhythm(value: str) -> str:
    """A rhythm as people read it."""
    return _RHYTHMS.get(value, value)


def shock(row: dict[str, Any]) -> dict[str, Any]:
    """One shock for the browser, from a row of SHOCKS."""
    energy = row["energy_j"]
    return {
        "time_s": round(row["time_s"], 3),
        "energy_j": energy,
        "words": "Shock" if energy is None else f"Shock {energy:g} J",
    }


def device(row: dict[str, Any]) -> dict[str, Any]:
    """One device for the browser, from a row of DEVICES; off_s None = removal not recorded."""
    lane, name = DEVICES.get(row["kind"], (plain(row["kind"]).capitalize(),) * 2)
    off = row["off_s"]
    return {
        "row": lane,
        "words": name,
        "kind": row["kind"],
        "on_s": round(row["on_s"], 3),
        "off_s": None if off is None else round(off, 3),
    }


def event(row: dict[str, Any]) -> dict[str, Any]:
    """One event for the browser, from a row of EVENTS: words, colour by meaning, shape, and its claim to room."""
    kind = row["type"]
    head, meaning, shape, rank = _EVENTS.get(kind, (plain(kind).capitalize(), "other", "ring", 8))
    dose = amount(row["dose"], row["unit"]) if kind == "drug" else ""
    value = plain(row["value"])
    own = row["text"] if kind in ("note", "unmapped") else ""
    said = " ".join(part for part in (head, value, dose, own) if part)
    return {
        "time_s": round(row["time_s"], 3),
        "end_s": None if row["end_s"] is None else round(row["end_s"], 3),
        "words": said[:1].upper() + said[1:],
        "meaning": meaning,
        "shape": shape,
        "rank": rank,
        "subject": kind,
        "value": row["value"],
    }
