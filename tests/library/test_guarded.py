"""The library as each person may use it: everything that it can do is asked about, and what is not listed is refused."""

import pytest

from qi.library.guarded import ASKED, guarded
from qi.library.library import Library
from qi.model.errors import NotAllowed
from qi.model.people import ACTS, NOBODY, Person, at_this_machine, may
from tests.library.made_cases import bring_in

COMMAND_LINE = {"open", "close", "database", "seal", "rebuild_states"}
OF_AN_INSTANCE = {"now", "folder"}
REVIEWER = Person("M. Ortiz", roles=frozenset({"reviewer"}))
CREW = Person("J. Weller", roles=frozenset({"crew"}), crew_ids=frozenset({"C-17"}))


def test_everything_that_a_library_can_do_is_asked_about():
    can = {name for name in dir(Library) if not name.startswith("_")}
    assert not can - set(ASKED) - COMMAND_LINE
    assert {asked for asked in ASKED.values() if asked not in ACTS} == {"any", "case", "sheet", "own numbers"} & set(ASKED.values())


@pytest.mark.parametrize("person", [NOBODY, Person("Nobody's", roles=frozenset({"chief"}))])
@pytest.mark.parametrize("name", sorted(set(ASKED) - {"settings", "now", "folder", "log"}))
def test_nobody_gets_anything(library, person, name):
    with pytest.raises(NotAllowed):
        getattr(guarded(library, lambda: person), name)("0123456789ab")


def test_what_is_not_listed_is_refused_to_everybody_but_the_one_person(library):
    everything = Person("All", roles=frozenset({"reviewer", "medical_director", "crew", "administrator"}))
    for name in ("seal", "close", "people_", "nonsense"):
        with pytest.raises(NotAllowed):
            getattr(guarded(library, lambda: everything), name)
    assert guarded(library, lambda: at_this_machine("M. Ortiz")) is library


def test_acts_are_asked_by_role(library, tmp_path):
    key = bring_in(library, tmp_path)
    shelf = guarded(library, lambda: REVIEWER)
    assert shelf.about(key).key == key
    assert shelf.write(key, "assigned", {"to": "R. Adeyemi"}, who="M. Ortiz", after=0).number == 1
    for refused in (lambda: shelf.people, lambda: shelf.remove(key, who="M. Ortiz")):
        with pytest.raises(NotAllowed):
            refused()
    assert may(REVIEWER, "sign")


def test_a_crew_member_reaches_own_cases_only(library, tmp_path, monkeypatch):
    mine, other = bring_in(library, tmp_path, "RV-1"), bring_in(library, tmp_path, "RV-2")
    crews = {mine: frozenset({" c-17 "}), other: frozenset({"C-2", ""})}
    monkeypatch.setattr(type(library), "crew_of", lambda _, key: crews[key])
    closed = guarded(library, lambda: CREW)
    own = Person("J. Weller", roles=frozenset({"crew"}), crew_ids=frozenset({"C-17", ""}), opens_own=True)
    opens = guarded(library, lambda: own)
    assert [entry.key for entry in opens.entries()] == opens.keys() == [mine]
    assert [entry.key for entry in opens.entries(limit=1)] == [mine]
    assert opens.lines(mine) == []
    for shelf, key in ((closed, mine), (closed, other), (opens, other)):
        with pytest.raises(NotAllowed, match="may not open this case"):
            shelf.lines(key)
    with pytest.raises(NotAllowed):
        closed.entries()
    with pytest.raises(NotAllowed):
        opens.write(mine, "assigned", {"to": "me"}, who="J. Weller", after=0)


def test_sheets_are_read_by_own_numbers_only(library):
    shelf = guarded(library, lambda: CREW)
    assert shelf.sheets_for({"C-17"}) == []
    for numbers in ({"C-2"}, {"C-17", "C-2"}):
        with pytest.raises(NotAllowed):
            shelf.sheets_for(numbers)
        with pytest.raises(NotAllowed):
            shelf.answer_sheet("k", 1, numbers, "thank you")
    with pytest.raises(NotAllowed):
        guarded(library, lambda: REVIEWER).sheets_for({"C-17"})


def test_a_role_that_was_taken_away_ends_at_the_next_call(library, tmp_path):
    """The library and its methods in hand, as an open page has them."""
    key, who = bring_in(library, tmp_path), [REVIEWER]
    shelf = guarded(library, lambda: who[-1])
    write, entries, about = shelf.write, shelf.entries, shelf.about
    assert write(key, "assigned", {"to": "R. Adeyemi"}, who="M. Ortiz", after=0).number == 1
    for then in (Person("M. Ortiz"), CREW, NOBODY):
        who.append(then)
        for refused in (
            lambda: write(key, "assigned", {"to": "me"}, who="M. Ortiz", after=1),
            entries,
            lambda: about(key),
            lambda: shelf.lines(key=key),
        ):
            with pytest.raises(NotAllowed):
                refused()
    assert [line.number for line in library.lines(key)] == [1]
    who.append(REVIEWER)
    assert write(key, "assigned", {"to": "me"}, who="M. Ortiz", after=1).number == 2
