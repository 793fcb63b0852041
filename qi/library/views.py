"""Saved views of the page over time: what was chosen there, under a name that people find again."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from qi.library.plans import plain
from qi.library.tables import VIEWS
from qi.model.errors import QiError

LONGEST_NAME = 120  # characters (our default, no source)
_COLUMNS = (VIEWS.c.id, VIEWS.c.name, VIEWS.c.body, VIEWS.c.who, VIEWS.c.saved_at)


@dataclass(frozen=True)
class View:
    """A saved view: its name, what was chosen, as plain values, who saved it last and when."""

    id: int
    name: str
    body: Mapping[str, Any]
    who: str
    saved_at: datetime


def views(connection: sa.Connection) -> list[View]:
    """Every saved view, in order of name."""
    return [View(*row) for row in connection.execute(sa.select(*_COLUMNS).order_by(VIEWS.c.name))]


def save(connection: sa.Connection, name: str, body: Mapping[str, Any], *, who: str, when: datetime) -> View:
    """Keep a view under a name, in place of the one that has it.

    Parameters: connection, in a transaction that writes; name; body, plain values; who and when.
    Raises: QiError for a name that cannot be used; ValueError for a body that holds other than plain values; sqlalchemy's
    IntegrityError where another writer took the name meanwhile.
    """
    called = view_name(name)
    kept = {"body": plain(body, "a view"), "who": who, "saved_at": when}
    there = connection.scalar(sa.select(VIEWS.c.id).where(VIEWS.c.name == called).with_for_update())
    if there is None:
        written = connection.execute(sa.insert(VIEWS).values(name=called, **kept).returning(*_COLUMNS))
    else:
        written = connection.execute(sa.update(VIEWS).where(VIEWS.c.id == there).values(kept).returning(*_COLUMNS))
    return View(*written.one())


def remove(connection: sa.Connection, name: str) -> None:
    """Take a view away.

    Raises: QiError where there is none of that name.
    """
    gone = connection.scalars(sa.delete(VIEWS).where(VIEWS.c.name == name.strip()).returning(VIEWS.c.id)).all()
    if not gone:
        raise QiError(f"there is no saved view “{name.strip()}”; somebody may have removed it")


def view_name(name: str) -> str:
    """A view's name without space around it.

    Raises: QiError for one that cannot be used.
    """
    called = name.strip()
    if not called or len(called) > LONGEST_NAME or not called.isprintable():
        raise QiError(f"a view needs a name of one to {LONGEST_NAME} characters on one line")
    return called
