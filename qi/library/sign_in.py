"""The part of the library's settings that says how sign-in is read: `[sign_in]` and `[crew]` of library.toml."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from qi.model.errors import UnknownWord, UnreadableFile
from qi.model.people import ROLES

HOURS = 10.0  # hours until somebody must sign in again: a shift of eight with its edges (our default, no source)
LONGEST_HOURS = 24.0  # no agency leaves it open for longer (ours, no source)
WORDS = ("hours", "roles_claim", "crew_claim", "agency_claim", "end_with_token", "trusts_email", "roles")


@dataclass(frozen=True)
class SignIn:
    """How sign-in is read.

    hours, after which somebody must sign in again; roles_claim, the claim that tells roles, empty where the list of people does;
    roles, the role that each of its values means; crew_claim, the claim that tells crew numbers, empty where the list does;
    agency_claim, the claim that tells of which agency the crew numbers are, empty where the list does;
    end_with_token, whether sign-in ends with the provider's token where that is earlier; crew_opens_own, whether crews may open
    their own cases and not the sheet alone; trusts_email, whether an e-mail names a person though the provider does not say that it
    has verified it (some do not say so, and give addresses of their own only).
    """

    hours: float = HOURS
    roles_claim: str = ""
    roles: Mapping[str, str] = field(default_factory=dict)
    crew_claim: str = ""
    end_with_token: bool = False
    crew_opens_own: bool = False
    trusts_email: bool = False
    agency_claim: str = ""


def read(path: Path, sign_in: Mapping[str, Any], crew: Mapping[str, Any]) -> SignIn:
    """Read the two tables.

    Parameters: path, of the file, for messages; sign_in and crew, the tables, empty where the file has none.
    Raises: UnreadableFile for a value that cannot be used; UnknownWord for a role that is not known.
    """
    roles = sign_in.get("roles", {})
    if not isinstance(roles, dict):
        raise UnreadableFile(path, '[sign_in] roles should be a table: [sign_in.roles], with lines as "qi-group" = "reviewer"')
    for role in roles.values():
        if role not in ROLES:
            raise UnknownWord(f"{path.name}, [sign_in.roles]", str(role), ROLES)
    claims = [_text(path, sign_in, name) for name in ("roles_claim", "crew_claim", "agency_claim")]
    if bool(claims[0]) != bool(roles):
        raise UnreadableFile(path, "[sign_in] roles_claim and the table [sign_in.roles] go together: one is missing")
    return SignIn(
        _hours(path, sign_in.get("hours", HOURS)),
        claims[0],
        roles,
        claims[1],
        _yes_no(path, "[sign_in]", sign_in, "end_with_token"),
        _yes_no(path, "[crew]", crew, "opens_own_cases"),
        _yes_no(path, "[sign_in]", sign_in, "trusts_email"),
        claims[2],
    )


def _hours(path: Path, value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value <= LONGEST_HOURS:
        raise UnreadableFile(path, f"[sign_in] hours is {value!r}, should be a number above 0, {LONGEST_HOURS:g} at most")
    return float(value)


def _text(path: Path, table: Mapping[str, Any], name: str) -> str:
    value = table.get(name, "")
    if not isinstance(value, str):
        raise UnreadableFile(path, f"[sign_in] {name} is {value!r}, should be the name of a claim in quotes")
    return value


def _yes_no(path: Path, where: str, table: Mapping[str, Any], name: str) -> bool:
    value = table.get(name, False)
    if not isinstance(value, bool):
        raise UnreadableFile(path, f"{where} {name} is {value!r}, should be true or false")
    return value
