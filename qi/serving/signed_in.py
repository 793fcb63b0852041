"""Who has signed in: from the claims of OpenID Connect, the library's settings and its list of people, to a person with roles."""

import time
from collections.abc import Callable, Collection, Mapping
from typing import Any

from qi.library.library import Library
from qi.library.people import Listed
from qi.library.sign_in import SignIn
from qi.model.people import NOBODY, Person

AHEAD_S = 300.0  # how far a provider's clock may be ahead of ours [s] (common practice, no source)


def person(library: Library, claims: Mapping[str, Any]) -> Person:
    """Who has signed in.

    Parameters: library; claims, of the ID token as Streamlit keeps them.
    Returns: the person; without roles where none is known for them; NOBODY where nobody has signed in, or too long ago.
    Raises: UnreadableFile, UnknownWord where the library's settings cannot be read.
    """
    read = library.settings.sign_in
    if not claims.get("is_logged_in") or is_over(claims, read, time.time()):
        return NOBODY
    return made(claims, read, library.people.known_by)


def is_over(claims: Mapping[str, Any], read: SignIn, now_s: float) -> bool:
    """Whether a sign-in has ended by time.

    Parameters: claims; read, how sign-in is read; now_s, the time [s since 1970].
    Returns: True as well where the claims do not say when it began, or say that it lies ahead. It began when our token was issued
    (iat): the moment of the provider's own sign-in (auth_time) may lie hours before it, and counts only where there is no iat.
    References: OpenID Connect Core 1.0, section 2.
    """
    began = _moment(claims.get("iat", claims.get("auth_time")))
    if began is None or began > now_s + AHEAD_S or now_s - began >= read.hours * 3600:
        return True
    end = _moment(claims.get("exp"))
    return read.end_with_token and (end is None or now_s >= end)


def made(claims: Mapping[str, Any], read: SignIn, listed: Callable[[Collection[str]], Listed | None]) -> Person:
    """A person from claims.

    Parameters: claims; read, how sign-in is read; listed, which gives the entry in force of the first subject that has one.
    """
    subject, email = str(claims.get("sub") or ""), str(claims.get("email") or "")
    if email and claims.get("email_verified") is False:
        email = ""  # anybody may write an address into their account; only a proven one names a person
    entry = listed([subject, email]) if subject or email else None
    roles = {read.roles[value] for value in _values(claims.get(read.roles_claim)) if value in read.roles}
    if not read.roles_claim:
        roles = set(entry.roles if entry else ())
    numbers = _values(claims.get(read.crew_claim)) if read.crew_claim else (entry.crew_ids if entry else ())
    name = (entry.name if entry else "") or str(claims.get("name") or email or subject)
    return Person(
        "".join(letter for letter in name if letter.isprintable()).strip()[:80],
        subject=subject or email,
        roles=frozenset(roles),
        crew_ids=frozenset(numbers),
        opens_own=read.crew_opens_own,
    )


def _values(claim: object) -> tuple[str, ...]:
    """The values of a claim that may be one word or a list of them."""
    if isinstance(claim, str | int) and not isinstance(claim, bool):
        return (str(claim),)
    return tuple(str(one) for one in claim) if isinstance(claim, list | tuple) else ()


def _moment(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None
