"""What is known of patient, arrest, crew and outcome, from the header and every record of the case."""

from collections.abc import Sequence
from dataclasses import fields
from typing import Any

from qi.intake.header import NAME, Header
from qi.model.case import Facts, Note, Part

_LISTS = ("members", "crew_roles", "hospital")


def merged(parts: Sequence[Part], header: Header, said: list[Note]) -> Facts:
    """Put together what the header and the records say.

    Parameters: parts, in the order the files were read; header; said, notes, to which a disagreement is added.
    Returns: Facts; case.toml wins, then the records in order, and a known value goes before "unknown". Crew members, roles and
    kinds of hospital of several records are put together.
    """
    voices = [(NAME, header.facts), *((part.file, part.facts) for part in parts)]
    chosen: dict[str, Any] = {}
    for field in fields(Facts):
        values = [(who, getattr(facts, field.name)) for who, facts in voices]
        if field.name in _LISTS:
            own = values[0][1]
            chosen[field.name] = own or tuple(dict.fromkeys(item for _, items in values for item in items))
        elif field.name != "outcome":
            chosen[field.name] = _agreed(field.name, values, said)
    keys = dict.fromkeys(key for _, facts in voices for key in facts.outcome)
    outcome = {key: _agreed(key, [(who, facts.outcome.get(key)) for who, facts in voices], said) for key in keys}
    return Facts(**chosen, outcome={key: value for key, value in outcome.items() if value is not None})


def _agreed(name: str, values: list[tuple[str, Any]], said: list[Note]) -> object:
    """The first value that is known; the others are said where they differ."""
    given = [(who, value) for who, value in values if value is not None]
    known = [(who, value) for who, value in given if value != "unknown"]
    if not known:
        return given[0][1] if given else None
    who, value = known[0]
    for other, differs in known[1:]:
        if differs != value:
            said.append(Note("info", other, f"{name} is {differs!r} here and {value!r} in {who}; the latter is used"))
    return value
