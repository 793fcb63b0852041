"""What an agency keeps in the library beside its cases: its import maps and its protocols."""

import re
from pathlib import Path

from qi.intake.map_form import Map
from qi.intake.maps import load_maps
from qi.library.library import Library
from qi.model.case import Note


def folder_name(agency: str) -> str:
    """An agency's name as a folder name; "shared" for none."""
    return re.sub(r"[^A-Za-z0-9._-]+", "-", agency).strip(".-") or "shared"


def maps_folder(library: Library, agency: str) -> Path:
    """Where an agency's maps lie, one file each."""
    return library.folder / "maps" / folder_name(agency)


def maps_of(library: Library, agency: str) -> list[Map]:
    """An agency's own maps, then those that all agencies of the library share."""
    return maps_and_notes(library, agency)[0]


def maps_and_notes(library: Library, agency: str) -> tuple[list[Map], list[Note]]:
    """The maps, and what is wrong with those that cannot be read."""
    found: list[Map] = []
    notes: list[Note] = []
    for folder in dict.fromkeys((maps_folder(library, agency), maps_folder(library, ""))):
        if folder.is_dir():
            maps, said = load_maps(folder)
            found += maps
            notes += said
    return found, notes


def protocols_near(library: Library) -> list[Path]:
    """Where an agency's own protocols are looked for."""
    return [library.folder / "protocols"]
