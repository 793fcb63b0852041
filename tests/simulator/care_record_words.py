"""Our words and the NEMSIS codes they are written as: data-standards.md, sections 1.2 to 1.8, typed apart from the reader's."""

SPACE = "http://www.nemsis.org"
SCHEMA_INSTANCE = "http://www.w3.org/2001/XMLSchema-instance"
BUILDS = {"3.5.1": "3.5.1.250403CP1", "3.5.0": "3.5.0.250403CP5"}
NOT_APPLICABLE, NOT_RECORDED = "7701001", "7701003"
NO, YES = "9923001", "9923003"

SEXES = {"female": "9906001", "male": "9906003"}
SEXES_351 = {"female": "9919001", "male": "9919003"}
AGE_UNITS = {"days": "2516001", "hours": "2516003", "minutes": "2516005", "months": "2516007", "years": "2516009"}
ARRESTS = {"no": "3001001", "prior": "3001003", "after": "3001005"}
CAUSES = {"cardiac": "3002001", "drowning": "3002003", "overdose": "3002005", "asphyxia": "3002013", "trauma": "3002015"}
ATTEMPTS = {"defibrillation": "3003001", "ventilation": "3003003", "compressions": "3003005", "futile": "3003007", "dnr": "3003009"}
WITNESSES = {"no": "3004001", "family": "3004003", "healthcare": "3004005", "bystander": "3004007"}
AED_USES = {"no": "3007001", "applied": "3007003", "shocked": "3007005"}
FIRST_RHYTHMS = {
    "asystole": "3011001",
    "PEA": "3011005",
    "unknown_not_shockable": "3011007",
    "unknown_shockable": "3011009",
    "VF": "3011011",
    "pVT": "3011013",
}
ROSC = {"no": "3012001", "at_ed": "3012003", "before_ed": "3012005", "sustained": "3012007"}
REASONS = {"dnr": "3016001", "order": "3016003", "death": "3016005", "unable": "3016007", "protocol": "3016009", "rosc": "3016011"}
ENDS = {"expired_ed": "3018001", "expired_field": "3018003", "ongoing": "3018005", "rosc_field": "3018007", "rosc_ed": "3018009"}
FIRST_BY = {"bystander": "01", "family": "03", "healthcare": "05", "first_responder": "07", "law": "09", "fire": "11", "ems": "13"}
RHYTHMS = {
    "asystole": "9901003",
    "PEA": "9901035",
    "organised": "9901047",
    "unknown_not_shockable": "9901063",
    "unknown_shockable": "9901065",
    "VF": "9901067",
    "pVT": "9901071",
}
ETCO2_TYPES = {"mmHg": "3340001", "%": "3340003", "kPa": "3340005"}
DOSE_UNITS = {
    "g": "3706001",
    "mcg": "3706015",
    "mEq": "3706019",
    "mg": "3706021",
    "mL": "3706025",
    "L/min": "3706035",
    "mg/kg": "3706039",
}
ROUTES = {"ET": "9927005", "IM": "9927015", "IN": "9927017", "IO": "9927021", "IV": "9927023", "BVM": "9927065"}
ROLES = {"aemt": "01", "emr": "03", "emt": "05", "paramedic": "07"}
CREW_ROLES = {
    "driver_response": "2403001",
    "driver_transport": "2403003",
    "other_scene": "2403007",
    "other_transport": "2403009",
    "primary_scene": "2403011",
    "primary_transport": "2403013",
}
AIRWAY_DEVICES = {"tracheal_tube": "4003003", "supraglottic": "4003013", "cricothyrotomy": "4003001"}
TIMES = {
    "call_received": "01",
    "notified": "02",
    "dispatched": "03",
    "acknowledged": "04",
    "en_route": "05",
    "on_scene": "06",
    "at_patient": "07",
    "left_scene": "09",
    "at_hospital": "11",
    "care_transferred": "12",
}
REQUIRED_TIMES = ("01", "05", "06", "07", "09", "11", "12")
NO_VITALS = (
    ("CardiacRhythmGroup", "03 04 05"),
    ("BloodPressureGroup", "06"),
    ("HeartRateGroup", "10"),
    ("", "12 14 16 18"),
    ("GlasgowScoreGroup", "19 20 21 22"),
    ("", "26"),
    ("PainScaleGroup", "27"),
    ("StrokeScaleGroup", "29 30"),
    ("", "31"),
)
