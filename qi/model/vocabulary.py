"""The words that files may use: channels with their units, event types with their values. Trade or open-standard terms.

Aliases match without regard to case, spaces and punctuation. A word that is not here is kept as it stands and shown, never guessed.
Plausible ranges say what a sensor can honestly read on a patient in cardiac arrest; samples outside become unknown (our default,
no source).
"""

import re
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Channel:
    """A kind of recording: the unit we keep it in, names and units it may arrive in, and what can be believed."""

    unit: str
    show_as: str
    aliases: tuple[str, ...]
    factors: dict[str, float] = field(default_factory=dict)
    lowest: float = float("-inf")
    highest: float = float("inf")


# Exact: 1 in = 25.4 mm, 1 kgf = 9.80665 N. 1 kPa = 7.50062 mmHg = 10.1972 cmH2O; CO2 in % of (760 - 47) mmHg, water taken off.
_PRESSURE = {"cmH2O": 1.0, "cm[H2O]": 1.0, "mbar": 1.01972, "hPa": 1.01972, "kPa": 10.1972, "mmHg": 1.35951, "mm[Hg]": 1.35951}
_CO2 = {"mmHg": 1.0, "mm[Hg]": 1.0, "kPa": 7.50062, "%": 7.13, "Torr": 1.0}
_RATE = {"1/min": 1.0, "/min": 1.0, "bpm": 1.0, "min-1": 1.0}

CHANNELS: dict[str, Channel] = {
    "ecg": Channel(
        "mV", "ECG", ("ecg pads", "ecg i", "ecg ii", "ecg iii", "ekg", "pads"), {"mV": 1.0, "uV": 0.001, "µV": 0.001, "V": 1e3}
    ),
    "compression_depth": Channel(
        "mm",
        "Compression depth",
        ("cc depth", "depth", "compression displacement", "sternal displacement"),
        {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, "inch": 25.4},
        -60.0,
        120.0,
    ),
    "compression_force": Channel(
        "N",
        "Compression force",
        ("cc force", "force"),
        {"N": 1.0, "kN": 1000.0, "kgf": 9.80665, "kg": 9.80665, "lbf": 4.44822},
        -100.0,
        1500.0,
    ),
    "chest_acceleration": Channel(
        "m/s2",
        "Chest acceleration",
        ("acceleration", "accel z", "cc acceleration"),
        {"m/s2": 1.0, "m/s^2": 1.0, "m/s²": 1.0, "g": 9.80665, "mg": 0.00980665},
        -400.0,
        400.0,
    ),
    "thoracic_impedance": Channel(
        "ohm",
        "Thoracic impedance",
        ("impedance", "tti", "resp impedance", "imp pads"),
        {"ohm": 1.0, "Ω": 1.0, "kohm": 1000.0},
        0.0,
        500.0,
    ),
    "co2": Channel("mmHg", "CO2", ("capnogram", "resp co2", "co2 waveform"), _CO2, -2.0, 150.0),
    "airway_pressure": Channel("cmH2O", "Airway pressure", ("paw", "resp pressure", "airway press"), _PRESSURE, -60.0, 150.0),
    "airway_flow": Channel(
        "L/min", "Airway flow", ("flow",), {"L/min": 1.0, "l/min": 1.0, "L/s": 60.0, "mL/s": 0.06}, -300.0, 300.0
    ),
    "pleth": Channel("1", "Pleth", ("ppg", "plethysmogram"), {"1": 1.0, "": 1.0, "NU": 1.0, "%": 0.01}),
    "arterial_pressure": Channel(
        "mmHg", "Arterial pressure", ("art", "abp", "invasive pressure"), {"mmHg": 1.0, "mm[Hg]": 1.0, "kPa": 7.50062}, -50.0, 400.0
    ),
    "etco2": Channel("mmHg", "End-tidal CO2", ("end tidal co2", "n etco2"), _CO2, 0.0, 150.0),
    "spo2": Channel("%", "SpO2", ("sao2", "oxygen saturation"), {"%": 1.0, "1": 100.0}, 0.0, 100.0),
    "heart_rate": Channel("1/min", "Heart rate", ("hr", "pulse rate"), _RATE, 0.0, 400.0),
    "respiratory_rate": Channel("1/min", "Respiratory rate", ("rr", "resp rate"), _RATE, 0.0, 150.0),
}
IGNORED = "ignored"  # what a header may map a label to, so that another sensor of the kind is used
NUMERICS = ("etco2", "spo2", "heart_rate", "respiratory_rate")

TIME_POINTS = (
    "call_received",
    "call_answered",
    "dispatched",
    "en_route",
    "on_scene",
    "at_patient",
    "left_scene",
    "at_hospital",
    "care_transferred",
)
PAUSE_CAUSES = (
    "shock",
    "airway",
    "device_fitting",
    "moving",
    "rhythm_check",
    "pulse_check",
    "access",
    "compressor_change",
    "ventilation",
    "unknown",
)
AIRWAYS = ("bag_mask", "oropharyngeal", "nasopharyngeal", "supraglottic", "tracheal_tube")
ADVANCED_AIRWAYS = ("supraglottic", "tracheal_tube")
RHYTHMS = ("VF", "pVT", "PEA", "asystole", "organised", "unknown_shockable", "unknown_not_shockable")
SHOCKABLE = ("VF", "pVT", "unknown_shockable")
READINGS = ("systolic", "spo2", "etco2")  # vital signs that a list of events may tell: the number is the value, its unit beside it
BEFORE_OUR_CARE = "before this unit's care"  # what stands in the text of an entry that a record takes over from others
# What a hospital is able to do, after the national care-record standard (hospital designation); labels in our words.
HOSPITAL_KINDS = (
    "general",
    "critical access",
    "PCI capable",
    "PCI capable 24/7",
    "cardiac, no PCI",
    "stroke ready",
    "primary stroke",
    "thrombectomy capable",
    "comprehensive stroke",
    "trauma level 1",
    "trauma level 2",
    "trauma level 3",
    "trauma level 4",
    "trauma level 5",
    "burn",
    "pediatric",
    "neonatal",
    "labor and delivery",
    "behavioral health",
    "cancer",
    "rehabilitation",
)
DEVICE_KINDS = ("itd", "mechanical_cpr", "defib_pads", "capnography", "supraglottic", "tracheal_tube")

# type -> the values it may take; None = any text, () = no value.
EVENT_VALUES: dict[str, tuple[str, ...] | None] = {
    **dict.fromkeys(TIME_POINTS, ()),
    **dict.fromkeys(("collapse", "arrest_recognised", "cpr_started", "cpr_stopped", "compression", "compressor_changed"), ()),
    "pause": PAUSE_CAUSES,
    "device_on": ("itd", "mechanical_cpr", "defib_pads", "capnography"),
    "device_off": ("itd", "mechanical_cpr", "defib_pads", "capnography"),
    "ventilation": (),
    "airway_placed": AIRWAYS,
    "airway_removed": AIRWAYS,
    "rhythm_check": None,
    "pulse_check": None,
    "rhythm": RHYTHMS,
    "charge": None,
    "shock": None,
    "access": ("iv", "io"),
    "drug": None,
    **dict.fromkeys(("rosc", "rearrest", "terminated", "patient_moved"), ()),
    "ecg_12_lead": (),
    **dict.fromkeys(READINGS, None),
    "note": None,
}
UNMAPPED = "unmapped"


def plain(word: str) -> str:
    """A name without case, spaces and punctuation, for matching."""
    return re.sub(r"[\W_]+", "", word).casefold()


_BY_NAME = {plain(name): channel for channel, about in CHANNELS.items() for name in (channel, about.show_as, *about.aliases)}


def channel_named(label: str) -> str | None:
    """The channel id that a label stands for, or None where it is not in the vocabulary."""
    return _BY_NAME.get(plain(label))


def unit_factor(channel: str, unit: str) -> float | None:
    """What to multiply by to reach the channel's own unit; None where the unit is not known. An empty unit is not known.

    Case is significant where two units differ by it (mV, MV); a match without case is taken where it is the only one.
    """
    about = CHANNELS[channel]
    factors = about.factors or {about.unit: 1.0}
    if unit in factors:
        return factors[unit]
    loose = {factor for name, factor in factors.items() if name.casefold() == unit.strip().casefold() and name}
    return loose.pop() if len(loose) == 1 else None
