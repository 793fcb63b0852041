"""The library as one person may use it: each of its methods asks first whether they may; what is not listed here is refused."""

from collections.abc import Callable, Collection, Mapping
from functools import wraps
from types import SimpleNamespace
from typing import Any, cast

from qi.library.library import Library
from qi.library.worklist import Entry
from qi.model.errors import NoSuchCase, NotAllowed
from qi.model.people import ACTS, Person, may, may_anything, may_see, was_on

# What a person must be allowed to do for each method of the library. CASE: see this case; SHEET: see it, or have been on it;
# OWN_NUMBERS: only by one's own crew numbers.
CASE, SHEET, OWN_NUMBERS, ANY = "case", "sheet", "own numbers", "any"
ASKED: Mapping[str, str] = {  # the rest of a library is for the command line
    "settings": ANY,
    "now": ANY,
    "folder": ANY,
    "people": "manage_people",
    "crew_of": SHEET,
    "match": "bring_in",
    "begin": "bring_in",
    "case": CASE,
    "store": CASE,
    "originals_folder": CASE,
    "files": CASE,
    "check": CASE,
    "remove": "delete",
    "lines": CASE,
    "versions": CASE,
    "write": "review",
    "write_all": "review",
    "sign": "sign",
    "reopen": "sign",
    "keys": "see_cases",
    "about": SHEET,
    "entries": "see_cases",
    "worklist": "see_cases",
    "counts": "see_cases",
    "summarise": "review",
    "why_not": CASE,
    "agree": "sign",
    "join_outcomes": "bring_in",
    "outcome_imports": "see_cases",
    "save_sheet": "send_feedback",
    "send_sheet": "send_feedback",
    "mark_read": OWN_NUMBERS,
    "answer_sheet": OWN_NUMBERS,
    "mail_to": "send_feedback",
    "mail_kept": "send_feedback",
    "keep_mailed": "send_feedback",
    "sheets": CASE,
    "sheets_for": OWN_NUMBERS,
    "views": "see_trends",
    "save_view": "see_trends",
    "remove_view": "see_trends",
    "plan": "see_trends",
    "plans": "see_trends",
    "plan_history": "see_trends",
    "set_plan": "plan",
    "known_arrests": "see_trends",
    "keep_known": "bring_in",
    "last_lines": "see_trends",
    "kinds_held": "see_trends",
    "measures_kept": "see_trends",
    "state": "see_trends",
    "log": ANY,
    "log_lines": "read_log",
    "log_count": "read_log",
    "log_names": "read_log",
    "log_head": "read_log",
    "verify_log": "read_log",
    "forget_measures": "delete",
    "forget_lists": "delete",
    "scrub": "delete",
}
LISTS = ("entries", "keys")  # for a crew member whose agency lets them: of their own cases


class Guarded:
    """A library that asks before each call. Built by guarded; used in place of the library itself."""

    def __init__(self, library: Library, person: Person) -> None:
        """Take over an opened library for one person."""
        self._library = library
        self._person = person

    def __getattr__(self, name: str) -> Any:  # noqa: ANN401 - whatever the library has under that name
        """The library's own method or value, behind the question whether this person may."""
        asked = ASKED.get(name)
        if name in LISTS and not may(self._person, asked or "") and may(self._person, "see_own_case"):
            return self._own_entries if name == "entries" else self._own_keys
        if asked is None or (asked in ACTS and not may(self._person, asked)):
            raise NotAllowed(f"this account may not {ACTS.get(asked or '', 'do that')}")
        if asked == ANY and not may_anything(self._person):
            raise NotAllowed("this account may do nothing here")
        value = getattr(self._library, name)
        if asked in (CASE, SHEET):
            return self._of_case(value, sheet=asked == SHEET)
        return self._of_numbers(value) if asked == OWN_NUMBERS else value

    @property
    def database(self) -> SimpleNamespace:
        """The database's name, to know one library from another; the database itself is the library's own."""
        return SimpleNamespace(name=self._library.database.name)

    def _of_case(self, method: Callable[..., Any], *, sheet: bool) -> Callable[..., Any]:
        """A method whose first argument is a case's key, for cases that this person may see."""

        @wraps(method)
        def asked(key: str, *arguments: Any, **named: Any) -> Any:  # noqa: ANN401 - as the method itself
            if not may(self._person, "see_cases"):
                self._crew_only(key, sheet=sheet)
            return method(key, *arguments, **named)

        return asked

    def _crew_only(self, key: str, *, sheet: bool) -> None:
        """Refuse a case that is not this person's; one that does not exist is refused in the same words."""
        try:
            crew = self._library.crew_of(key)
        except NoSuchCase:
            crew, key = frozenset(), ""
        if not may_see(self._person, crew) and not (sheet and may(self._person, "read_own_sheets") and was_on(self._person, crew)):
            if self._person.name:
                self._library.log("refused", who=self._person.name, case=key, what="case")
            raise NotAllowed("this account may not open this case")

    def _of_numbers(self, method: Callable[..., Any]) -> Callable[..., Any]:
        """A method that takes crew numbers, for this person's own."""

        @wraps(method)
        def asked(*arguments: Any, **named: Any) -> Any:  # noqa: ANN401 - as the method itself
            given = (one for one in (*arguments, *named.values()) if isinstance(one, Collection) and not isinstance(one, str))
            numbers = next(given, ())
            if not may(self._person, "read_own_sheets") or not numbers or not set(numbers) <= self._person.crew_ids:
                raise NotAllowed("this account may only read the sheets sent to itself")
            return method(*arguments, **named)

        return asked

    def _own_entries(self, *, limit: int | None = None, offset: int = 0, **named: Any) -> list[Entry]:  # noqa: ANN401
        """The entries of a crew member's own cases, where the agency lets crews open them."""
        own = [entry for entry in self._library.entries(**named) if may_see(self._person, self._library.crew_of(entry.key))]
        return own[offset:] if limit is None else own[offset : offset + limit]

    def _own_keys(self) -> list[str]:
        return [entry.key for entry in reversed(self._own_entries(order="entered"))]


def guarded(library: Library, person: Person) -> Library:
    """The library as a person may use it; the library itself for the one person of an app that nobody else can reach.

    Parameters: library; person.
    """
    return library if person.one_person else cast(Library, Guarded(library, person))
