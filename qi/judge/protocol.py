"""Protocols: limits and definitions as data, each with its source. An agency file may override any of them."""

import re
import tomllib
from collections.abc import Collection, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from qi.model.errors import QiError, UnknownWord, UnreadableFile
from qi.model.review import PATIENTS, Definition, Limit, Protocol, Rule

FOLDER = Path(__file__).parent / "protocols"
DEFAULT = "adult-2020"
_TOP = ("name", "title", "edition", "extends", "patient", "age_from_years", "age_below_years", "judged", "definitions", "limits")
_DEFINITION = ("value", "unit", "edition", "checked", "source", "meaning")
_RULE = ("limit", "limit_source", "goal", "goal_source", "of")


def limit(text: str, source: str, *, where: str) -> Limit:
    """Read a limit such as ">= 0.6", "< 10" or "100 to 120".

    Raises: UnreadableFile-like QiError naming the place, what was found and what would be right.
    """
    if match := re.fullmatch(r"\s*(<=|>=|<|>)\s*(-?[\d.]+)\s*", text):
        sign, number = match[1], float(match[2])
        low, high = (number, float("inf")) if sign[0] == ">" else (float("-inf"), number)
        return Limit(text.strip(), low, high, "=" not in sign, source)
    if match := re.fullmatch(r"\s*(-?[\d.]+)\s+to\s+(-?[\d.]+)\s*", text):
        return Limit(text.strip(), float(match[1]), float(match[2]), strict=False, source=source)
    raise QiError(f"{where}: “{text}” is not a limit; write for example “>= 0.6”, “< 10” or “100 to 120”")


def built_in() -> list[str]:
    """Names of the protocols that come with the app."""
    return sorted(path.stem for path in FOLDER.glob("*.toml"))


def read(name: str, *, chosen_by: str, measures: Collection[str], near: Collection[Path] = ()) -> Protocol:
    """Read a protocol by its name, or a file by its path.

    Parameters: name, a built-in protocol, a file of that name in one of the folders `near`, or a path; chosen_by, who chose it, in
    words; measures, the ids a limit may be set for.
    Raises: UnknownWord for a name or an entry that is not known, listing the choices; UnreadableFile for a file that is no TOML;
    QiError for one that extends itself, or in which something stands that belongs elsewhere.
    """
    try:
        return _read(name, chosen_by, measures, near)
    except (TypeError, AttributeError, KeyError, ValueError) as error:
        raise QiError(f"protocol {name}: a part of it is not written as a protocol's parts are ({error})") from error


def _read(name: str, chosen_by: str, measures: Collection[str], near: Collection[Path]) -> Protocol:
    table = _layered(name, near)
    where = f"protocol {table['name']}"
    definitions = {key: _definition(key, entry, where) for key, entry in table["definitions"].items()}
    rules = {key: _rule(key, entry, where, measures) for key, entry in table["limits"].items()}
    _only({table["patient"]: None}, PATIENTS, f"{where}, patient")
    return Protocol(
        table["name"],
        table.get("title", name),
        table.get("edition", ""),
        chosen_by,
        definitions,
        rules,
        table.get("judged", True),
        patient=table["patient"],
    )


def by_age(age_years: float | None, *, measures: Collection[str]) -> Protocol:
    """The built-in protocol for an age in years; adult, marked as such, where the age is not recorded."""
    if age_years is None:
        return replace(read(DEFAULT, chosen_by="age not recorded: adult limits shown", measures=measures), age_known=False)
    for name in built_in():
        table = _load(FOLDER / f"{name}.toml")
        if table.get("age_from_years", 0.0) <= age_years < table.get("age_below_years", float("inf")):
            return read(name, chosen_by=f"age ({age_years:g} years)", measures=measures)
    raise QiError(f"no protocol is for the age of {age_years:g} years")


def _load(path: Path) -> dict[str, Any]:
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise UnreadableFile(path, f"not a protocol in TOML: {error}") from error
    _only(table, _TOP, f"protocol file {path.name}")
    return {"name": path.stem, **table}


def _find(name: str, near: Collection[Path]) -> Path:
    places = [folder / f"{name}.toml" for folder in near] + [FOLDER / f"{name}.toml"]
    if name.endswith(".toml"):
        places.insert(0, Path(name))
    for place in places:
        if place.is_file():
            return place
    found = {path.stem for folder in near for path in folder.glob("*.toml")}
    raise UnknownWord("protocol", name, {*built_in(), *found})


def _layered(name: str, near: Collection[Path], seen: tuple[str, ...] = ()) -> dict[str, Any]:
    """The file's table laid over the one it extends; a new entry must be known to the one below."""
    path = _find(name, near)
    if str(path) in seen:
        raise QiError(f"protocol {name}: extends itself through {' → '.join(Path(one).name for one in seen)}")
    table = _load(path)
    table.setdefault("definitions", {})
    table.setdefault("limits", {})
    if path.parent != FOLDER and "extends" not in table:
        raise UnreadableFile(path, f"an agency's protocol says what it extends: extends = one of {', '.join(built_in())}")
    if "extends" not in table:
        return table
    below = _layered(table["extends"], near, (*seen, str(path)))
    _only(table["definitions"], below["definitions"], f"protocol file {path.name}, [definitions]")
    pieces = {key: {**below["definitions"][key], **_as_definition(entry)} for key, entry in table["definitions"].items()}
    return {
        **below,
        **table,
        "definitions": {**below["definitions"], **pieces},
        "limits": {**below["limits"], **table["limits"]},
    }


def _as_definition(entry: Any) -> dict[str, Any]:  # noqa: ANN401 - what a TOML file may hold
    """An agency may write the bare value; its source is then the agency."""
    if isinstance(entry, dict) and set(entry) & set(_DEFINITION):
        return entry
    return {"value": entry, "source": "set by the agency", "checked": "the agency's own", "edition": ""}


def _only(table: Mapping[str, Any], known: Collection[str], where: str) -> None:
    for key in table:
        if key not in known:
            raise UnknownWord(where, key, known)


def _definition(key: str, entry: dict[str, Any], where: str) -> Definition:
    _only(entry, _DEFINITION, f"{where}, definitions.{key}")
    value = tuple(entry["value"]) if isinstance(entry["value"], list) else entry["value"]
    return Definition(value, *(str(entry.get(part, "")) for part in _DEFINITION[1:]))


def _rule(key: str, entry: dict[str, Any], where: str, measures: Collection[str]) -> Rule:
    _only({key: entry}, measures, f"{where}, limits")
    _only(entry, _RULE, f"{where}, limits.{key}")
    place = f"{where}, limits.{key}"
    limits = [
        limit(entry[part], entry.get(f"{part}_source", "no source given"), where=place) if entry.get(part) else None
        for part in ("limit", "goal")
    ]
    return Rule(limits[0], limits[1], tuple(entry.get("of", ("", "manual", "mechanical"))))
