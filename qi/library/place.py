"""Where the library lies: its folder and the places in it. The address of its database is in qi.library.database_place."""

import os
from pathlib import Path

FOLDER_SETTING = "QI_LIBRARY"  # name of an environment variable
SETTINGS_FILE = "library.toml"
DATABASE_FILE = "reviews.sqlite"
CASES, ORIGINALS, STORED = "cases", "originals", "stored"
MAPS, PROTOCOLS = "maps", "protocols"


def library_folder() -> Path:
    """The library's folder as set by QI_LIBRARY; without it `library` in the current folder."""
    return Path(os.environ.get(FOLDER_SETTING) or "library")


def case_folder(folder: Path, key: str) -> Path:
    """Where everything of one case lies."""
    return folder / CASES / key


def originals_folder(folder: Path, key: str) -> Path:
    """Where the files of one case lie as they came."""
    return case_folder(folder, key) / ORIGINALS


def stored_folder(folder: Path, key: str) -> Path:
    """Where the case as read lies, ready to be opened at once; made anew from the originals at any time."""
    return case_folder(folder, key) / STORED


def prepare(folder: Path) -> None:
    """Make the library's folder and what belongs in it, open to its owner only.

    A folder that is there already is closed to others where this person may do so.
    Raises: OSError where it cannot be made.
    """
    for place in (folder, folder / CASES, folder / MAPS, folder / PROTOCOLS):
        place.mkdir(mode=0o700, parents=True, exist_ok=True)
    try:
        folder.chmod(0o700)
    except PermissionError:
        pass  # somebody else's folder, opened to us on purpose
