"""Who has signed in: from the claims of OpenID Connect, the library's settings and its list of people, to a person with roles."""

import hashlib
import json
import time
from collections.abc import Callable, Collection, Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

from qi.library.library import Library
from qi.library.people import Listed
from qi.library.sign_in import SignIn
from qi.model.people import NOBODY, Person, agency_name
from qi.serving import standing

MARK = 32  # hexadecimal digits of a mark: 128 bits, so that no two people share one by chance
AHEAD_S = 300.0  # how far a provider's clock may be ahead of ours [s] (common practice, no source)


def person(library: Library, claims: Mapping[str, Any]) -> Person:
    """Who has signed in.

    Parameters: library; claims, of the ID token as Streamlit keeps them.
    Returns: the person; without roles where none is known for them; NOBODY where nobody has signed in, or too long ago.
    Raises: UnreadableFile, UnknownWord where the library's settings cannot be read.
    """
    if not claims.get("is_logged_in"):
        return NOBODY  # before the settings are read: what is wrong with them is not for nobody in particular
    read = library.settings.sign_in
    if is_over(claims, read, time.time()):
        return NOBODY
    if library.people.is_signed_out(name_of_sign_in(claims)):
        return NOBODY
    return made(claims, read, library.people.known_by, several=len(standing.now().providers) > 1)


def sign_out(library: Library, claims: Mapping[str, Any]) -> None:
    """End a sign-in in every tab, and wherever its cookie was copied to.

    Parameters: library; claims, of the ID token as Streamlit keeps them.
    """
    began = _moment(claims.get("iat", claims.get("auth_time"))) or time.time()
    until = datetime.fromtimestamp(began, UTC) + timedelta(hours=library.settings.sign_in.hours)
    library.people.sign_out(name_of_sign_in(claims), until=until)


def name_of_sign_in(claims: Mapping[str, Any]) -> str:
    """What tells one sign-in from another without saying whose it is: SHA-256 of issuer, subject and when it began."""
    told = json.dumps([str(claims.get(name, "")) for name in ("iss", "sub", "iat", "auth_time")])
    return hashlib.sha256(told.encode()).hexdigest()


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


def made(
    claims: Mapping[str, Any], read: SignIn, listed: Callable[[Collection[str]], Listed | None], *, several: bool = False
) -> Person:
    """A person from claims.

    Parameters: claims; read, how sign-in is read; listed, which gives the entry in force of the first subject that has one;
    several, whether more than one provider signs people in: a subject then names a person only with its issuer before it and a
    blank between. Where a claim tells of which agency crew numbers are, a sign-in that does not name exactly one has none.
    References: OpenID Connect Core 1.0, sections 2 (a subject is unique within its issuer), 5.1 (email_verified) and 5.7 (only
    issuer and subject together name somebody for good); from memory.
    """
    subject, email = str(claims.get("sub") or ""), str(claims.get("email") or "")
    verified = claims.get("email_verified", read.trusts_email)
    if verified is not True and str(verified).lower() != "true":
        email = ""  # anybody may write an address into their account; only a proven one names a person
    if several and subject:
        subject = f"{claims.get('iss') or ''} {subject}".strip()
    entry = listed([subject, email]) if subject or email else None
    roles = {read.roles[value] for value in _values(claims.get(read.roles_claim)) if value in read.roles}
    if not read.roles_claim:
        roles = set(entry.roles if entry else ())
    numbers = _values(claims.get(read.crew_claim)) if read.crew_claim else (entry.crew_ids if entry else ())
    agency = entry.agency if entry else ""
    if read.agency_claim:
        told = {agency_name(one): one for one in _values(claims.get(read.agency_claim)) if agency_name(one)}
        agency, numbers = (next(iter(told.values())), numbers) if len(told) == 1 else ("", ())
    name = (entry.name if entry else "") or str(claims.get("name") or email or subject)
    return Person(
        "".join(letter for letter in name if letter.isprintable()).strip()[:80],
        subject=subject or email,
        roles=frozenset(roles),
        crew_ids=frozenset(numbers),
        agency=agency,
        marks=_marks(claims, entry),
        opens_own=read.crew_opens_own,
    )


def _marks(claims: Mapping[str, Any], entry: Listed | None) -> frozenset[str]:
    """What tells a person from others, whatever they are called: one by issuer and subject, one by the subject of their entry.

    So somebody stays the same who comes in by another of the accounts that their entry names, or whose entry is another.
    """
    told = [["listed", entry.subject]] if entry else []
    if claims.get("sub"):
        told.append(["account", str(claims.get("iss") or ""), str(claims["sub"])])
    return frozenset(hashlib.sha256(json.dumps(one).encode()).hexdigest()[:MARK] for one in told)


def _values(claim: object) -> tuple[str, ...]:
    """The values of a claim that may be one word or a list of them."""
    if isinstance(claim, str | int) and not isinstance(claim, bool):
        return (str(claim),)
    return tuple(str(one) for one in claim) if isinstance(claim, list | tuple) else ()


def _moment(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None
