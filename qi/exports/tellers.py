"""Who told a thing: a machine that found it in the signals, a file that charts it, or a reviewer who put it there."""

from qi.model.journal import REVIEWER

MACHINE, FILE = "machine", "file"


def by_sensor(sensor: object) -> str:
    """Of what was found: by the name of its sensor, which names a file where events told it."""
    if sensor in (REVIEWER, f"events ({REVIEWER})"):
        return REVIEWER
    return FILE if str(sensor).startswith("events (") else MACHINE


def by_source(source: object) -> str:
    """Of what is charted: by its source."""
    return REVIEWER if source == REVIEWER else FILE


def by_rule(rule: object) -> str:
    """Of an arrest span: by the rules that set its edges."""
    return REVIEWER if REVIEWER in str(rule) else MACHINE
