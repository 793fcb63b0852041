"""The address of the library's database. Apart from qi.library.place, so that who needs the folder alone imports no SQLAlchemy."""

import os
from pathlib import Path

from sqlalchemy import URL

from qi.library.place import DATABASE_FILE

DATABASE_SETTING = "QI_DATABASE"  # name of an environment variable


def database_url(folder: Path) -> str:
    """The database's address as set by QI_DATABASE; without it a SQLite file in the library's folder."""
    own = URL.create("sqlite", database=(folder / DATABASE_FILE).absolute().as_posix())
    return os.environ.get(DATABASE_SETTING) or own.render_as_string(hide_password=False)
