"""The library's settings, `library.toml` in its folder: agency name, zone and banner, and the share of cases read twice."""

import tomllib
import zoneinfo
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from qi.library.place import SETTINGS_FILE
from qi.model.errors import UnknownWord, UnreadableFile

SECOND_SHARE = 0.1  # share of cases that a second reader is asked to read (our default, no source)
_KNOWN: Mapping[str, tuple[str, ...]] = {"agency": ("name", "zone", "banner"), "second_reading": ("share",)}


@dataclass(frozen=True)
class Settings:
    """The agency's name, IANA zone and banner (each may be empty), and the share of cases that are read twice, 0 to 1."""

    agency: str = ""
    zone: str = ""
    banner: str = ""
    second_share: float = SECOND_SHARE


def read(folder: Path) -> Settings:
    """Read `library.toml` of a library's folder; the defaults without one.

    Raises: UnreadableFile for a file that is no TOML, or a value that cannot be used; UnknownWord for an entry that is not known.
    """
    path = folder / SETTINGS_FILE
    if not path.is_file():
        return Settings()
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise UnreadableFile(path, f"not settings in TOML: {error}") from error
    for name, entries in table.items():
        if name not in _KNOWN:
            raise UnknownWord(SETTINGS_FILE, name, _KNOWN)
        if not isinstance(entries, dict):
            raise UnreadableFile(path, f"{name} should be a table, [{name}]")
        for key in entries:
            if key not in _KNOWN[name]:
                raise UnknownWord(f"{SETTINGS_FILE}, [{name}]", key, _KNOWN[name])
    agency, second = table.get("agency", {}), table.get("second_reading", {})
    texts = [_text(path, agency, name) for name in _KNOWN["agency"]]
    return Settings(texts[0], _zone(path, texts[1]), texts[2], _share(path, second.get("share", SECOND_SHARE)))


def _text(path: Path, table: Mapping[str, Any], name: str) -> str:
    value = table.get(name, "")
    if not isinstance(value, str):
        raise UnreadableFile(path, f"[agency] {name} is {value!r}, should be a text in quotes")
    return value


def _zone(path: Path, name: str) -> str:
    try:
        return zoneinfo.ZoneInfo(name).key if name else ""
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        raise UnreadableFile(path, f"[agency] zone “{name}” is not an IANA zone; an example is America/Denver") from None


def _share(path: Path, value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= 1:
        raise UnreadableFile(path, f"[second_reading] share is {value!r}, should be a number from 0 to 1 such as 0.1")
    return float(value)
