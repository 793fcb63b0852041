"""What app.py serves the screens by: refuses to start where sign-in is missing, and puts the gate before everything."""

import sys
from collections.abc import AsyncIterator, Mapping, Sequence
from contextlib import asynccontextmanager
from functools import cache
from typing import Any

from starlette.middleware import Middleware

from qi.library import at_rest, database_place, place
from qi.library.guarded import guarded
from qi.library.library import Library
from qi.model.errors import QiError
from qi.model.people import NOBODY, Person, may
from qi.serving import errors, files, signed_in, standing
from qi.serving.gate import Gate
from qi.serving.given import Asked

REFUSED = 2  # what the program exits with


def middleware(early: Mapping[str, Sequence[str]] | None = None) -> list[Middleware]:
    """The gate, for st.App.

    Parameters: early, the scripts that a page will ask for, by its address, see policy.Early.
    Raises: SystemExit, with a sentence that says why, where the app may not be served as it is set up.
    """
    whom = standing.now()
    if whom.how == "refused":
        _refuse(whom.why)
    errors.watch()
    for sentence in _let_in(whom):
        print(f"Warning: {sentence}", file=sys.stderr, flush=True)
    try:
        hours = _library().settings.sign_in.hours if whom.how == "sign_in" else 0.0
    except QiError as error:
        _refuse(f"The app does not start: {error}")
    return [Middleware(Gate, standing=whom, hours=hours, person=_person, may_have=may_have, base=standing.base(), early=early)]


def _let_in(whom: standing.Standing) -> list[str]:
    """What lets others read the library, or make a sign-in, on this machine or on the way to the database."""
    folder = place.library_folder()
    found = at_rest.warnings(folder, database_place.database_url(folder))
    for place_of in standing.secret_files() if whom.how == "sign_in" else ():
        found += at_rest.of_secret(place_of)
    return found


@asynccontextmanager
async def lifespan(_app: object) -> AsyncIterator[None]:
    """While the app runs: say where it is opened, in place of Streamlit's greeting, and keep whose click made which file."""
    print(f"Arrest review is open at {standing.opened_at(standing.now())}", flush=True)
    files.watch()
    yield


def _refuse(why: str) -> None:
    print(why, file=sys.stderr, flush=True)
    raise SystemExit(REFUSED)


@cache
def _library() -> Library:
    folder = place.library_folder()
    return Library.open(folder, database=database_place.database_url(folder))


def _person(claims: Mapping[str, Any]) -> Person:
    try:
        return signed_in.person(_library(), claims)
    except QiError:
        return NOBODY


def may_have(person: Person, asked: Asked) -> bool:
    """Whether a person may have a file: by their roles as they stand now, and only while its case is there and theirs to see."""
    if not may(person, asked.act):
        return False
    try:
        if asked.case:
            guarded(_library(), lambda: person).about(asked.case)
    except QiError:
        return False
    return True
