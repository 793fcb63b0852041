"""The second reading: drawn by lot, by somebody else, independent of the first, with the agreement kept."""

import pytest
import sqlalchemy as sa
from alembic import command

from qi.library import place as places
from qi.library.database import Database, configuration
from qi.library.draft import new_key
from qi.library.guarded import guarded
from qi.library.second_reading import drawn
from qi.model.errors import Locked, QiError, StaleWrite
from qi.model.journal import SECOND, Line, counting
from qi.model.people import Person
from tests.library.made_cases import CORRECTION, FINDING, NOON, Clock, bring_in

FIRST_READER, SECOND_READER = "M. Ortiz", "R. Adeyemi"
CLOCK = {"clock": "monitor", "offset_s": 3.0, "why": "checked against dispatch"}


@pytest.fixture
def key(library, tmp_path):
    library.now = Clock()
    (library.folder / "library.toml").write_text("[second_reading]\nshare = 0\n", encoding="utf-8")
    return bring_in(library, tmp_path)


def test_the_lot_falls_on_the_share_that_was_set():
    """Of 4,000 random keys a tenth: 400, give or take four times the binomial's standard deviation of 19."""
    keys = [new_key() for _ in range(4000)]
    tenth = {key for key in keys if drawn(key, share=0.1)}
    assert abs(len(tenth) - 400) < 76
    assert not any(drawn(key, share=0.0) for key in keys)
    assert all(drawn(key, share=1.0) for key in keys)
    assert tenth <= {key for key in keys if drawn(key, share=0.3)}, "a larger share keeps the cases of a smaller one"


def test_the_lot_is_drawn_when_a_case_comes_in_and_stays(library, tmp_path):
    settings = library.folder / "library.toml"
    settings.write_text("[second_reading]\nshare = 1.0\n", encoding="utf-8")
    asked = bring_in(library, tmp_path, "RV-1")
    settings.write_text("[second_reading]\nshare = 0.0\n", encoding="utf-8")
    not_asked = bring_in(library, tmp_path, "RV-2")
    library.rebuild_states()
    assert (library.about(asked).second_status, library.about(asked).drawn) == ("asked", True)
    assert (library.about(not_asked).second_status, library.about(not_asked).drawn) == ("", False)
    assert [entry.key for entry in library.entries(second_status="asked")] == [asked]
    library.write(not_asked, "second_asked", {"why": "for teaching"}, who=FIRST_READER, after=0)
    assert library.about(not_asked).second_status == "asked"
    assert library.counts()["by_second_status"]["asked"] == 2


def test_the_readings_are_independent(library, key):
    """Neither makes the other's writing stale, neither sees nor undoes the other's lines, neither locks the other."""
    library.write(key, "correction", CORRECTION, who=FIRST_READER, after=0)
    assert library.write(key, "finding", FINDING, who=SECOND_READER, after=0, reading=SECOND).number == 2
    assert library.write(key, "finding", FINDING, who=FIRST_READER, after=1).number == 3
    with pytest.raises(QiError, match="line 1 is of the other reading"):
        library.write(key, "undo", {"undoes": 1}, who=SECOND_READER, after=3, reading=SECOND)
    assert [line.number for line in counting(library.lines(key))] == [1, 3]
    assert [line.number for line in counting(library.lines(key), reading=SECOND)] == [2]
    library.sign(key, {"n": 1}, who=FIRST_READER, after=3)
    assert library.write(key, "correction", CORRECTION, who=SECOND_READER, after=2, reading=SECOND).number == 5
    library.sign(key, {"n": 2}, who=SECOND_READER, after=5, reading=SECOND)
    with pytest.raises(Locked, match=r"second reading is signed by R\. Adeyemi"):
        library.write(key, "correction", CORRECTION, who=SECOND_READER, after=6, reading=SECOND)
    with pytest.raises(Locked, match="signed already"):
        library.sign(key, {}, who=SECOND_READER, after=6, reading=SECOND)
    library.reopen(key, "a shock was missed", who=FIRST_READER, after=6)
    library.write(key, "correction", CORRECTION, who=FIRST_READER, after=7)
    kept = [(one.reading, one.version, one.signed_by, one.record) for one in library.versions(key)]
    assert kept == [(1, 1, FIRST_READER, {"n": 1}), (2, 1, SECOND_READER, {"n": 2})]
    assert (library.about(key).status, library.about(key).second_status) == ("in_review", "signed")


def test_within_a_reading_a_stale_write_is_refused(library, key):
    library.write(key, "finding", FINDING, who=SECOND_READER, after=0, reading=SECOND)
    with pytest.raises(StaleWrite, match=r"R\. Adeyemi wrote a finding \(line 1"):
        library.write(key, "finding", FINDING, who="S. Kim", after=0, reading=SECOND)


def test_what_belongs_to_the_case_is_seen_by_both(library, key):
    """A clock that one reader sets moves what the other sees: it makes stale, may be undone by both, and waits for a reopening."""
    library.write(key, "clock", CLOCK, who=SECOND_READER, after=0, reading=SECOND)
    with pytest.raises(StaleWrite, match=r"R\. Adeyemi wrote a clock set anew"):
        library.write(key, "correction", CORRECTION, who=FIRST_READER, after=0)
    library.write(key, "undo", {"undoes": 1}, who=FIRST_READER, after=1)
    assert counting(library.lines(key)) == counting(library.lines(key), reading=SECOND) == []
    with pytest.raises(StaleWrite, match=r"M\. Ortiz wrote an undo"):
        library.write(key, "finding", FINDING, who=SECOND_READER, after=1, reading=SECOND)
    library.sign(key, {}, who=FIRST_READER, after=2)
    for kind, body in (("clock", CLOCK), ("undo", {"undoes": 2})):
        with pytest.raises(Locked, match=r"version 1 is signed by M\. Ortiz"):
            library.write(key, kind, body, who=SECOND_READER, after=3, reading=SECOND)


@pytest.mark.parametrize("name", [FIRST_READER, " m. ORTIZ", "M.  Ortiz"])
def test_the_first_reader_is_never_the_second(library, key, name):
    library.write(key, "finding", FINDING, who=FIRST_READER, after=0)
    for kind, body in (("finding", FINDING), ("second_signed", {})):
        with pytest.raises(QiError, match="has read this case first"):
            library.write(key, kind, body, who=name, after=1, reading=SECOND)
    assert "has read this case first" in library.why_not(key, name, reading=SECOND)
    assert library.why_not(key, name, reading=1) == ""
    assert library.why_not(key, SECOND_READER, reading=SECOND) == ""


ONE, TWO, BOTH, THREE = frozenset({"a"}), frozenset({"b"}), frozenset({"a", "b"}), frozenset({"c"})


@pytest.mark.parametrize(
    ("first", "second", "is_same"),
    [
        (("M. Ortiz", ONE), ("M. Ortiz", TWO), False),  # two people of one name
        (("M. Ortiz", ONE), ("M. Ortiz-Lane", ONE), True),  # one person, renamed
        (("M. Ortiz", BOTH), ("M. Ortiz-Lane", TWO), True),  # one person, who comes in another way
        (("M. Ortiz", BOTH), ("M. Ortiz", THREE), False),
        (("M. Ortiz", frozenset()), ("m.  ortiz", ONE), True),  # a line from before, or from the command line: by name
        (("M. Ortiz", frozenset()), ("R. Adeyemi", ONE), False),
        (("M. Ortiz", ONE), ("M. Ortiz", frozenset()), True),
        (("M. Ortiz", ONE), ("R. Adeyemi", frozenset()), False),
    ],
)
def test_readers_are_told_apart_as_persons_where_both_are_known(library, key, tmp_path, first, second, is_same):
    (one, marks), (other, theirs) = first, second
    line = library.write(key, "finding", FINDING, who=one, after=0, marks=marks)
    assert library.lines(key) == [line]
    assert line.marks == marks
    turned = bring_in(library, tmp_path, "RV-2")
    library.write(turned, "finding", FINDING, who=one, after=0, reading=SECOND, marks=marks)
    if not is_same:
        library.sign(key, {}, who=other, after=1, reading=SECOND, marks=theirs)
        library.sign(turned, {}, who=other, after=1, marks=theirs)
        assert [one.signed_by for one in (*library.versions(key), *library.versions(turned))] == [other] * 2
        return
    assert f"{other} has read this case first" in library.why_not(key, other, reading=SECOND, marks=theirs)
    with pytest.raises(QiError, match="has read this case first"):
        library.sign(key, {}, who=other, after=1, reading=SECOND, marks=theirs)
    with pytest.raises(QiError, match="is the second reader of this case"):
        library.sign(turned, {}, who=other, after=1, marks=theirs)
    assert [len(library.lines(one)) for one in (key, turned)] == [1, 1]


def test_the_library_itself_says_who_writes_to_it(library, key):
    """Whatever the page that calls it says."""
    person = Person("M. Ortiz", marks=ONE, roles=frozenset({"reviewer"}))
    shelf = guarded(library, lambda: person)
    shelf.write(key, "finding", FINDING, who="M. Ortiz", after=0)
    shelf.write_all(key, [("finding", FINDING)], who="M. Ortiz", after=1, marks=TWO)
    shelf.sign(key, {}, who="M. Ortiz", after=2)
    shelf.reopen(key, "a shock was missed", who="M. Ortiz", after=3, marks=frozenset())
    assert [line.marks for line in library.lines(key)] == [ONE] * 4
    assert shelf.why_not(key, "S. Kim", reading=SECOND, marks=TWO)


def test_lines_of_before_stay_as_they_were(place):
    places.prepare(place.folder)
    old = Database(place.url)
    with old.writing() as connection:
        command.upgrade(configuration(connection), "0010")
        tables = sa.MetaData()
        tables.reflect(connection, only=["cases", "lines"])
        row = {"key": "abcdefghijkl", "case_id": "RV-1", "agency": "", "entered_at": NOON, "entered_by": "x", "last_line": 1}
        connection.execute(sa.insert(tables.tables["cases"]), [row])
        assert "marks" not in tables.tables["lines"].c
        body = {
            "case_key": "abcdefghijkl",
            "number": 1,
            "who": FIRST_READER,
            "written_at": NOON,
            "kind": "finding",
            "body": FINDING,
        }
        connection.execute(sa.insert(tables.tables["lines"]), [body])
    old.close()
    library = place.open()
    assert library.lines("abcdefghijkl") == [Line(1, FIRST_READER, NOON, "finding", FINDING)]
    assert library.why_not("abcdefghijkl", FIRST_READER, reading=SECOND, marks=ONE)
    assert not library.why_not("abcdefghijkl", SECOND_READER, reading=SECOND, marks=ONE)
    assert library.write("abcdefghijkl", "finding", FINDING, who=FIRST_READER, after=1, marks=ONE).number == 2


def test_the_second_reader_is_never_the_first(library, key):
    library.write(key, "finding", FINDING, who=SECOND_READER, after=0, reading=SECOND)
    with pytest.raises(QiError, match="is the second reader of this case"):
        library.write(key, "correction", CORRECTION, who=SECOND_READER, after=1)
    with pytest.raises(QiError, match="is the second reader of this case"):
        library.sign(key, {}, who=SECOND_READER, after=1)
    assert library.write(key, "assigned", {"to": "S. Kim"}, who=SECOND_READER, after=1).number == 2, (
        "running the list is no reading"
    )


def test_what_is_not_a_second_reader_s_to_write(library, key):
    for kind, body in (
        ("excluded", {"reason": "dnr"}),
        ("assigned", {"to": "x"}),
        ("signed", {"record": {}}),
        ("reopened", {"why": "x"}),
    ):
        with pytest.raises(QiError, match="not a second reader's to write"):
            library.write(key, kind, body, who=SECOND_READER, after=0, reading=SECOND)
    assert library.lines(key) == []


def test_agreement_is_kept_beside_the_case(library, key):
    record = {"causes": [["shock", "shock"], ["airway", "unknown"]], "pauses_of_one": 1}
    assert library.about(key).agreement is None
    library.write(key, "second_signed", {"agreement": record}, who=SECOND_READER, after=0, reading=SECOND)
    assert library.about(key).agreement == record
    assert library.worklist()["agreement"][0] == record
    library.agree(key, record | {"pauses_of_one": 0})
    assert library.about(key).agreement == record | {"pauses_of_one": 0}
