"""Where the library lies: its folder, the places in it, and the address of its database."""

import os
from pathlib import Path

from sqlalchemy import URL

FOLDER_SETTING, DATABASE_SETTING = "QI_LIBRARY", "QI_DATABASE"  # names of environment variables
SETTINGS_FILE = "library.toml"
DATABASE_FILE = "reviews.sqlite"
CASES, ORIGINALS, STORED = "cases", "originals", "stored"
MAPS, PROTOCOLS = "maps", "protocols"


def library_folder() -> Path:
    """The library's folder as set by QI_LIBRARY; without it `library` in the current folder."""
    return Path(os.environ.get(FOLDER_SETTING) or "library")


def database_url(folder: Path) -> str:
    """The database's address as set by QI_DATABASE; without it a SQLite file in the library's folder."""
    own = URL.create("sqlite", database=(folder / DATABASE_FILE).absolute().as_posix())
    return os.environ.get(DATABASE_SETTING) or own.render_as_string(hide_password=False)


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
