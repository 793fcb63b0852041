"""What app.py serves the screens by: refuses to start where sign-in is missing, and puts the gate before everything."""

import sys
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from functools import cache
from typing import Any

from starlette.middleware import Middleware

from qi.library import place
from qi.library.library import Library
from qi.model.errors import QiError
from qi.model.people import NOBODY, Person
from qi.serving import errors, files, signed_in, standing
from qi.serving.gate import Gate

REFUSED = 2  # what the program exits with


def middleware() -> list[Middleware]:
    """The gate, for st.App.

    Raises: SystemExit, with a sentence that says why, where the app may not be served as it is set up.
    """
    whom = standing.now()
    if whom.how == "refused":
        _refuse(whom.why)
    errors.watch()
    try:
        hours = _library().settings.sign_in.hours if whom.how == "sign_in" else 0.0
    except QiError as error:
        _refuse(f"The app does not start: {error}")
    return [Middleware(Gate, standing=whom, hours=hours, person=_person, base=standing.base())]


@asynccontextmanager
async def lifespan(_app: object) -> AsyncIterator[None]:
    """While the app runs: whose click made which file."""
    files.watch()
    yield


def _refuse(why: str) -> None:
    print(why, file=sys.stderr, flush=True)
    raise SystemExit(REFUSED)


@cache
def _library() -> Library:
    folder = place.library_folder()
    return Library.open(folder, database=place.database_url(folder))


def _person(claims: Mapping[str, Any]) -> Person:
    try:
        return signed_in.person(_library(), claims)
    except QiError:
        return NOBODY
