"""Settings of the detectors, read from settings.toml: one section a detector, one entry an argument."""

import tomllib
from collections.abc import Callable
from functools import cache
from inspect import Parameter, signature
from pathlib import Path
from typing import Any

from qi.detect import (
    capnogram_delay,
    circulation,
    clock_moments,
    clock_offsets,
    compressions,
    compressions_by_acceleration,
    compressions_by_ecg,
    compressions_by_impedance,
    compressions_by_pressure,
    fusion,
    machine,
    modes,
    monitors,
    pauses,
    prompts,
    pulse,
    recoil,
    rhythm,
    shock_pauses,
    shocks,
    signal_quality,
    ventilations,
    ventilations_by_flow,
    ventilations_by_impedance,
)
from qi.model.errors import QiError, UnknownWord

PLACE = Path(__file__).with_name("settings.toml")
USED_BY: dict[str, Callable[..., Any]] = {
    "compressions_from_depth": compressions.from_depth,
    "compressions_from_force": compressions.from_force,
    "ventilations_from_pressure": ventilations.from_pressure,
    "ventilations_from_capnogram": ventilations.from_capnogram,
    "recoils": recoil.recoils,
    "shocks_from_ecg": shocks.from_ecg,
    "arrest": circulation.arrest,
    "known_to_edges": fusion.up_to_edges,
    "pauses": pauses.pauses,
    "delivered_shocks": shock_pauses.delivered,
    "shock_stacks": shock_pauses.around,
    "ventilations_from_flow": ventilations_by_flow.from_flow,
    "leak_share": ventilations_by_flow.leak_share,
    "capnogram_delay_by_breaths": capnogram_delay.by_breaths,
    "capnogram_delay_by_pauses": capnogram_delay.by_pauses,
    "modes": modes.modes,
    "ventilations_from_impedance": ventilations_by_impedance.from_impedance,
    "shocks_confirmed": shocks.confirmed,
    "signal_quality": signal_quality.signal_quality,
    "hands_off": prompts.hands_off,
    "end_tidal_rises": prompts.end_tidal_rises,
    "ecg_beats": pulse.ecg_beats,
    "organised_rhythm": pulse.organised,
    "pulse_waves": pulse.pulse_waves,
    "impedance_in_step": pulse.in_step,
    "rosc_prompts": prompts.rosc_prompts,
    "fuse_compressions": fusion.fuse_compressions,
    "fuse_breaths": fusion.fuse_breaths,
    "clock_check": monitors.clock_check,
    "changeovers": monitors.changeovers,
    "rhythm_of_acceleration": rhythm.Chain,
    "compressions_from_acceleration": compressions_by_acceleration.from_acceleration,
    "rhythm_of_impedance": rhythm.Chain,
    "compressions_from_impedance": compressions_by_impedance.from_impedance,
    "rhythm_of_pressure": rhythm.Chain,
    "compressions_from_pressure": compressions_by_pressure.from_pressure,
    "rhythm_of_ecg": rhythm.Chain,
    "compressions_from_ecg": compressions_by_ecg.from_ecg,
    "machine": machine.machine_spans,
    "clock_moments": clock_moments.moments,
    "clock_proposals": clock_offsets.proposals,
}
FROM_THE_PROTOCOL = ("gap_s",)  # definitions that a detector takes from the protocol in force, not from here


@cache
def load(path: Path = PLACE) -> dict[str, dict[str, Any]]:
    """Settings of every detector, ready to be handed to it as keyword arguments.

    Parameters: path, a settings file; the one beside this module unless told otherwise.
    Returns: section name -> argument name -> value; the file is read once, so change nothing in it.
    Raises: UnknownWord for a section or entry that no detector has; QiError for one that is missing or is not a number.
    """
    with path.open("rb") as file:
        found = tomllib.load(file)
    for section, entries in found.items():
        if section not in USED_BY:
            raise UnknownWord(path.name, section, USED_BY)
        for name, value in entries.items():
            if name not in _arguments(section):
                raise UnknownWord(f"{path.name}, [{section}]", name, _arguments(section))
            if isinstance(value, bool) or not isinstance(value, int | float):
                raise QiError(f"{path.name}, [{section}]: {name} is {value!r}, it should be a number")
    for section in USED_BY:
        if missing := [name for name in _arguments(section) if name not in found.get(section, {})]:
            raise QiError(f"{path.name}, [{section}]: {', '.join(missing)} missing")
    return found


def _arguments(section: str) -> list[str]:
    """Names that a section must hold: the keyword-only arguments of its detector."""
    parameters = signature(USED_BY[section]).parameters.values()
    return [one.name for one in parameters if one.kind is Parameter.KEYWORD_ONLY and one.name not in FROM_THE_PROTOCOL]
