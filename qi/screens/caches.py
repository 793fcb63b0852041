"""The caches that hold cases, as one list: all are emptied once anything was deleted, by whichever person, page or program."""

from collections.abc import Callable
from contextlib import suppress
from typing import Any, TypeVar

from qi.library.library import Library
from qi.model.errors import QiError
from qi.serving import files

Cached = TypeVar("Cached", bound=Callable[..., Any])
_all: list[Any] = []
_seen: dict[str, tuple[int, int]] = {}


def of_cases(cached: Cached) -> Cached:
    """Put a cached function on the list; stands above Streamlit's own mark."""
    _all.append(cached)
    return cached


def forget(shelf: Library) -> None:
    """Let go of every case that is kept in memory, and of every file that was made of a case which is not in the library any more.

    Parameters: shelf, the library itself.
    """
    for cached in _all:
        cached.clear()
    files.forget(lambda case: _stands(shelf, case))


def follow(shelf: Library) -> None:
    """At the beginning of a run: let go of all of it where anything was deleted since the last one.

    Parameters: shelf, the library itself.
    Raises: QiError where it cannot be asked.
    """
    name, now = f"{shelf.folder}|{shelf.database.name}", shelf.removals()
    if _seen.setdefault(name, now) != now:
        forget(shelf)
        _seen[name] = now


def _stands(shelf: Library, case: str) -> bool:
    """Whether a case is in the library."""
    with suppress(QiError):
        shelf.about(case)
        return True
    return False
