"""Who may do what: roles, what each role may do as one table, and whose case a case is."""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

# What may be done, in words as a refusal says them.
ACTS: Mapping[str, str] = {
    "see_cases": "open any case",
    "see_own_case": "open a case that one was on",
    "bring_in": "bring cases in",
    "review": "correct, write findings, hand cases over",
    "sign": "sign a review",
    "export": "take cases out without identity",
    "export_identity": "take cases out with identity",
    "see_trends": "see the agency over time",
    "plan": "plan changes and freeze baselines",
    "send_feedback": "send feedback to the crew",
    "read_own_sheets": "read the sheets sent to oneself",
    "teach": "show masked cases for teaching",
    "see_protocol": "see the limits in force",
    "manage_people": "say who may use this",
    "read_log": "read the log",
    "delete": "delete cases",
}

ROLES: Mapping[str, str] = {
    "reviewer": "reviewer",
    "medical_director": "medical director",
    "crew": "crew",
    "administrator": "administrator",
}

_REVIEWER = frozenset(
    {"see_cases", "see_own_case", "bring_in", "review", "sign", "export", "see_trends", "send_feedback", "teach", "see_protocol"}
)  # as smaller agencies share the work out; ours, no source
MAY: Mapping[str, frozenset[str]] = {
    "reviewer": _REVIEWER,
    "medical_director": _REVIEWER | {"export_identity", "plan", "read_log", "delete"},
    "crew": frozenset({"read_own_sheets", "see_own_case", "see_protocol"}),
    "administrator": frozenset({"manage_people", "read_log", "see_protocol"}),
}


@dataclass(frozen=True)
class Person:
    """Whoever uses the app.

    name, as it stands under what they write; subject, by which sign-in knows them; marks, by which what they write is theirs
    whatever their name: any of them is nobody else's, none where nobody signs in; roles, words of ROLES; crew_ids, their numbers in
    care records, and agency, whose numbers they are, empty where nobody says; opens_own, whether the agency lets crews open their
    own cases, and not the sheet alone; one_person, whether the app serves the person at this machine and nobody else.
    """

    name: str
    subject: str = ""
    roles: frozenset[str] = frozenset()
    crew_ids: frozenset[str] = frozenset()
    agency: str = ""
    marks: frozenset[str] = frozenset()
    opens_own: bool = False
    one_person: bool = False


NOBODY = Person("")


def at_this_machine(name: str) -> Person:
    """The one person of an app that nobody else can reach.

    Parameters: name.
    """
    return Person(name, roles=frozenset(ROLES) - {"crew"}, one_person=True)


def may(person: Person, act: str) -> bool:
    """Whether a person may do something.

    Parameters: person; act, a key of ACTS.
    Raises: KeyError for an act that is not known, so that a misspelt one never passes.
    """
    ACTS[act]
    roles = person.roles if person.opens_own or act != "see_own_case" else person.roles - {"crew"}
    return any(act in MAY.get(role, ()) for role in roles)


def may_anything(person: Person) -> bool:
    """Whether a person may do anything at all.

    Parameters: person.
    """
    return any(may(person, act) for act in ACTS)


def is_of_agency(theirs: str, case: str, known: Iterable[str]) -> bool:
    """Whether crew numbers of one agency may be those in a case of another: two agencies may use the same numbers.

    Parameters: theirs, the agency of the numbers, empty where nobody says; case, that of the case, empty where it names none;
    known, every agency that the library knows, however often.
    Returns: whether there is no more than one agency in all of it, so that the empty ones are that one, or both name the same.
    """
    ours, other = agency_name(theirs), agency_name(case)
    return len({ours, other, *map(agency_name, known)} - {""}) <= 1 or ours == other != ""


def agency_name(text: str) -> str:
    """An agency's name as two spellings of it are alike: without regard to capitals and to blanks."""
    return " ".join(text.split()).casefold()


def was_on(person: Person, crew: Iterable[str], *, agency: str, known: Collection[str]) -> bool:
    """Whether a person is one of a case's crew.

    Parameters: person; crew, the numbers of the crew members as the case has them; agency, of the case; known, see is_of_agency.
    """
    has_number = {_number(one) for one in person.crew_ids} & {_number(one) for one in crew} - {""}
    return bool(has_number) and is_of_agency(person.agency, agency, known)


def may_see(person: Person, crew: Iterable[str], *, agency: str, known: Collection[str]) -> bool:
    """Whether a person may open a case.

    Parameters: see was_on.
    """
    return may(person, "see_cases") or (may(person, "see_own_case") and was_on(person, crew, agency=agency, known=known))


def _number(text: str) -> str:
    return text.strip().casefold()
