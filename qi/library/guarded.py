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
    "removals": ANY,
    "log": ANY,
    "log_lines": "read_log",
    "log_count": "read_log",
    "log_names": "read_log",
    "log_head": "read_log",
    "verify_log": "read_log",
    "log_accepted": "read_log",
    "accept_log_end": "manage_people",
    "forget_measures": "delete",
    "forget_lists": "delete",
    "scrub": "delete",
}
# What a method is told of the person who calls it, by the name that both have for it, whatever the caller says.
TOLD: Mapping[str, str] = dict.fromkeys(("mark_read", "answer_sheet", "sheets_for"), "agency") | dict.fromkeys(
    ("write", "write_all", "sign", "reopen", "why_not"), "marks"
)
LISTS = ("entries", "keys")  # for a crew member whose agency lets them: of their own cases


class Guarded:
    """A library that asks before each call. Built by guarded; used in place of the library itself."""

    def __init__(self, library: Library, asking: Callable[[], Person]) -> None:
        """Take over an opened library; asking tells who the person is and what they may do at that moment."""
        self._library = library
        self._asking = asking

    def __getattr__(self, name: str) -> Any:  # noqa: ANN401 - whatever the library has under that name
        """The library's own method or value, behind the question whether this person may, at each call anew."""
        if name not in ASKED:
            raise NotAllowed("this account may not do that")
        if not callable(getattr(type(self._library), name, None)):
            self._must(ASKED[name], self._asking())
            return getattr(self._library, name)
        method = getattr(self._library, name)

        @wraps(method)
        def asked(*arguments: Any, **named: Any) -> Any:  # noqa: ANN401 - as the method itself
            return self._called(name, method, arguments, named)

        return asked

    def _called(self, name: str, method: Callable[..., Any], arguments: tuple[Any, ...], named: Mapping[str, Any]) -> Any:  # noqa: ANN401
        """What a method gives, once it has been asked whether the person may call it as they stand now."""
        person, asked = self._asking(), ASKED[name]
        if name in LISTS and not may(person, asked) and may(person, "see_own_case"):
            return self._own_entries(person, **named) if name == "entries" else self._own_keys(person)
        self._must(asked, person)
        if asked in (CASE, SHEET) and not may(person, "see_cases"):
            self._crew_only(person, arguments[0] if arguments else named.get("key", ""), sheet=asked == SHEET)
        elif asked == OWN_NUMBERS:
            _own_numbers_only(person, arguments, named)
        told = {TOLD[name]: getattr(person, TOLD[name])} if name in TOLD else {}
        return method(*arguments, **{**named, **told})

    @staticmethod
    def _must(asked: str, person: Person) -> None:
        """Refuse what is not for a person's roles."""
        if asked in ACTS and not may(person, asked):
            raise NotAllowed(f"this account may not {ACTS[asked]}")
        if asked == ANY and not may_anything(person):
            raise NotAllowed("this account may do nothing here")

    @property
    def database(self) -> SimpleNamespace:
        """The database's name, to know one library from another; the database itself is the library's own."""
        return SimpleNamespace(name=self._library.database.name)

    def _crew_only(self, person: Person, key: str, *, sheet: bool) -> None:
        """Refuse a case that is not this person's; one that does not exist is refused in the same words."""
        try:
            crew, agency = self._library.crew_of(key), self._library.about(key).agency
        except NoSuchCase:
            crew, agency, key = frozenset(), "", ""
        known = self._library.people.agencies()
        on_it = was_on(person, crew, agency=agency, known=known)
        if not may_see(person, crew, agency=agency, known=known) and not (sheet and may(person, "read_own_sheets") and on_it):
            if person.name:
                self._library.log("refused", who=person.name, case=key, what="case")
            raise NotAllowed("this account may not open this case")

    def _own_entries(self, person: Person, *, limit: int | None = None, offset: int = 0, **named: Any) -> list[Entry]:  # noqa: ANN401
        """The entries of a crew member's own cases, where the agency lets crews open them."""
        known, found = self._library.people.agencies(), self._library.entries(**named)
        own = [one for one in found if may_see(person, self._library.crew_of(one.key), agency=one.agency, known=known)]
        return own[offset:] if limit is None else own[offset : offset + limit]

    def _own_keys(self, person: Person) -> list[str]:
        return [entry.key for entry in reversed(self._own_entries(person, order="entered"))]


def _own_numbers_only(person: Person, arguments: tuple[Any, ...], named: Mapping[str, Any]) -> None:
    """Refuse crew numbers that are not this person's."""
    given = (one for one in (*arguments, *named.values()) if isinstance(one, Collection) and not isinstance(one, str))
    numbers = next(given, ())
    if not may(person, "read_own_sheets") or not numbers or not set(numbers) <= person.crew_ids:
        raise NotAllowed("this account may only read the sheets sent to itself")


def guarded(library: Library, asking: Callable[[], Person]) -> Library:
    """The library as a person may use it; the library itself for the one person of an app that nobody else can reach.

    Parameters: library; asking, tells who the person is and what they may do: it is called before each call of the library.
    """
    return library if asking().one_person else cast(Library, Guarded(library, asking))
