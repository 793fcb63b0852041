"""What a person typed of a case without a header of its own, kept beside its originals, so that it is read alike every time."""

import json
from pathlib import Path

from qi.intake.header import Given, zone_named
from qi.library import place
from qi.library.library import Library

FILE = "typed.json"


def _file(library: Library, key: str) -> Path:
    return place.case_folder(library.folder, key) / FILE


def kept(library: Library, key: str) -> Given:
    """What was typed when a case came in; nothing where nothing was. The case's number stands in the library itself."""
    try:
        told = json.loads(_file(library, key).read_text(encoding="utf-8"))
        return Given(None, str(told["zone"]) or None)
    except (OSError, ValueError, KeyError, TypeError):
        return Given()


def keep(library: Library, key: str, given: Given | None) -> None:
    """Keep the time zone that was typed; the first one that was counts, and one that does not exist says nothing.

    Parameters: library; key, of a case that is in it; given.
    """
    if given and given.zone and not kept(library, key).zone:
        try:
            _file(library, key).write_text(json.dumps({"zone": zone_named(given.zone)}), encoding="utf-8")
        except ValueError:
            return
