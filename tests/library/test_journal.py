"""The journal: it only grows, two writers lose nothing, and what makes no sense is refused in words."""

import random
import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pytest
import sqlalchemy as sa
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy.exc import IntegrityError

from qi.library import rules
from qi.library.states import state_of
from qi.library.tables import CASES, LINES
from qi.model.errors import Locked, NoSuchCase, QiError, StaleWrite
from qi.model.journal import KINDS, SECOND, Line, counting
from tests.library.made_cases import CORRECTION, FINDING, NOON, Clock, bring_in

FIRST_READER, SECOND_READER = "M. Ortiz", "R. Adeyemi"


@pytest.fixture
def key(library, tmp_path):
    library.now = Clock()
    return bring_in(library, tmp_path)


def numbers(library, key):
    return [line.number for line in library.lines(key)]


def test_lines_come_back_as_they_were_written(library, key):
    body = CORRECTION | {"before": {"energy_j": 200.0, "sensor": "ECG (monitor.csv)"}, "why": "“Störung” – 3 Ω, \u0000"}
    written = library.write(key, "correction", body, who="  M. Ortiz ", after=0)
    assert written == Line(1, FIRST_READER, written.when, "correction", body)
    assert library.lines(key) == [written]
    assert written.when.utcoffset() == timedelta(0)
    more = library.write_all(key, [("finding", FINDING), ("assigned", {"to": SECOND_READER})], who=FIRST_READER, after=1)
    assert library.lines(key) == [written, *more]
    assert library.about(key).last_line == 3
    assert library.write_all(key, [], who=FIRST_READER, after=3) == []


def test_several_lines_are_written_all_or_none(library, key):
    with pytest.raises(QiError, match="no line 9 to undo"):
        library.write_all(key, [("correction", CORRECTION), ("undo", {"undoes": 9})], who=FIRST_READER, after=0)
    assert library.lines(key) == []
    assert library.about(key).last_line == 0


def test_a_stale_write_is_refused_and_says_who_when_and_what(place, library, key):
    other = place.open()
    library.write(key, "finding", FINDING, who=FIRST_READER, after=0)
    with pytest.raises(StaleWrite) as refusal:
        other.write(key, "correction", CORRECTION, who=SECOND_READER, after=0)
    when = library.lines(key)[0].when
    assert str(refusal.value) == (
        f"M. Ortiz wrote a finding (line 1, {when:%d %b %Y %H:%M} UTC). "
        "That was after you last looked at this case: nothing of yours was written, look again."
    )
    assert numbers(library, key) == [1]
    assert other.write(key, "correction", CORRECTION, who=SECOND_READER, after=1).number == 2


def test_the_number_of_a_line_is_taken_once(library, key):
    row = {"number": 1, "reading": 1, "who": "S. Kim", "written_at": NOON, "kind": "finding", "body": FINDING}
    with library.database.writing() as connection:
        connection.execute(sa.insert(LINES).values(case_key=key, **row))
    with pytest.raises(IntegrityError), library.database.writing() as connection:
        connection.execute(sa.insert(LINES).values(case_key=key, **row))
    with pytest.raises(StaleWrite, match=r"S\. Kim wrote a finding"):
        library.write(key, "correction", CORRECTION, who=FIRST_READER, after=0)
    assert numbers(library, key) == [1]


@pytest.mark.parametrize("place", ["postgresql"], indirect=True)
@pytest.mark.parametrize(("reading", "refused"), [(1, True), (SECOND, False)])
def test_a_writer_overtaken_between_looking_and_writing(place, library, key, monkeypatch, reading, refused):
    """The other one writes in that very moment. PostgreSQL only: on SQLite nobody can, as a writer begins by locking the file."""
    other, overtaken = place.open(), []
    check = rules.check

    def overtake(line, before):
        check(line, before)
        if not overtaken:
            overtaken.append(line)
            other.write(key, "finding", FINDING, who=SECOND_READER, after=0, reading=reading)

    monkeypatch.setattr(rules, "check", overtake)
    if refused:
        with pytest.raises(StaleWrite, match=r"R\. Adeyemi wrote a finding \(line 1"):
            library.write(key, "correction", CORRECTION, who=FIRST_READER, after=0)
    else:
        assert library.write(key, "correction", CORRECTION, who=FIRST_READER, after=0).number == 2
    assert overtaken
    assert [(line.number, line.kind, line.reading) for line in library.lines(key)] == [
        (1, "finding", reading),
        *([] if refused else [(2, "correction", 1)]),
    ]
    assert library.about(key).last_line == len(library.lines(key))


def test_of_two_writers_at_once_one_is_refused_and_nothing_is_lost(place, library, key):
    """Two programs, each with a connection of its own, that set out at the same moment, many times."""
    writers = [library, place.open()]
    for round_ in range(12):
        start, after = threading.Barrier(2), len(library.lines(key))

        def write(writer, name, start=start, after=after):
            start.wait()
            try:
                return writer.write(key, "finding", FINDING, who=name, after=after)
            except StaleWrite as error:
                return error

        with ThreadPoolExecutor(2) as pool:
            done = list(pool.map(write, writers, ("A", "B")))
        written = [one for one in done if isinstance(one, Line)]
        assert len(written) == 1, done
        assert library.lines(key)[-1] == written[0]
        assert f"{written[0].who} wrote a finding" in str(next(one for one in done if isinstance(one, StaleWrite)))
        assert numbers(library, key) == list(range(1, round_ + 2))


def test_writers_that_look_again_all_get_their_lines_in(place, library, key):
    """Four writers of ten lines each: 1..40 without a gap, each writer's own in the order in which they were written."""
    writers = {name: place.open() for name in "ABCD"}

    def write_ten(name):
        rng = random.Random(name)
        for item in range(10):
            after = len(writers[name].lines(key))
            while True:
                try:
                    writers[name].write(key, "finding", FINDING | {"text": f"{name}{item}"}, who=name, after=after)
                    break
                except StaleWrite:
                    after = len(writers[name].lines(key)) if rng.random() < 0.9 else after  # some do not look the first time

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(write_ten, writers))
    lines = library.lines(key)
    assert [line.number for line in lines] == list(range(1, 41))
    for name in writers:
        assert [line.body["text"] for line in lines if line.who == name] == [f"{name}{item}" for item in range(10)]
    assert library.about(key).last_line == 40


def test_one_library_is_used_by_many_threads(library, tmp_path):
    """As Streamlit does: one opened library, each session in a thread."""
    keys = [bring_in(library, tmp_path, f"RV-{number}") for number in range(4)]

    def work(key):
        for after in range(5):
            library.write(key, "finding", FINDING, who=FIRST_READER, after=after)
            library.worklist()
        return len(library.lines(key))

    with ThreadPoolExecutor(4) as pool:
        assert list(pool.map(work, keys)) == [5] * 4


ACTS = st.lists(
    st.tuples(st.sampled_from("AB"), st.sampled_from(["look", "write", "undo", "assign"]), st.integers(1, 12)), max_size=25
)


@settings(max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(acts=ACTS)
def test_no_interleaving_loses_a_line(library, tmp_path_factory, acts):
    """Two people look and write in any order: what was accepted is there, in order, numbered 1..n, and the row agrees with it."""
    key = bring_in(library, tmp_path_factory.mktemp("case"))
    seen, accepted = {"A": 0, "B": 0}, []
    for who, act, number in acts:
        if act == "look":
            seen[who] = len(library.lines(key))
            continue
        kind, body = {
            "write": ("finding", FINDING),
            "undo": ("undo", {"undoes": number}),
            "assign": ("assigned", {"to": who}),
        }[act]
        try:
            accepted.append(library.write(key, kind, body, who=who, after=seen[who]))
            seen[who] = accepted[-1].number
        except StaleWrite:
            assert seen[who] < len(accepted)
        except QiError:
            assert act == "undo"
    lines, entry = library.lines(key), library.about(key)
    assert lines == accepted
    assert [line.number for line in lines] == list(range(1, len(lines) + 1))
    assert entry.last_line == len(lines)
    state = state_of(lines, entered_at=entry.entered_at, drawn=entry.drawn)
    assert (entry.status, entry.assigned_to, entry.waiting_since) == (state.status, state.assigned_to, state.waiting_since)
    library.remove(key, who="A")


def test_undo_is_a_line_and_can_be_undone_itself(library, key):
    library.write(key, "correction", CORRECTION, who=FIRST_READER, after=0)
    library.write(key, "undo", {"undoes": 1}, who=FIRST_READER, after=1)
    assert counting(library.lines(key)) == []
    with pytest.raises(QiError, match="line 1 is undone already"):
        library.write(key, "undo", {"undoes": 1}, who=FIRST_READER, after=2)
    library.write(key, "undo", {"undoes": 2}, who=FIRST_READER, after=2)
    assert [line.number for line in counting(library.lines(key))] == [1]
    with pytest.raises(QiError, match="line 2 is undone already"):
        library.write(key, "undo", {"undoes": 2}, who=FIRST_READER, after=3)
    library.write(key, "undo", {"undoes": 1}, who=FIRST_READER, after=3)
    assert counting(library.lines(key)) == []
    assert numbers(library, key) == [1, 2, 3, 4]


def test_what_cannot_be_undone(library, key):
    with pytest.raises(QiError, match="there is no line 1 to undo"):
        library.write(key, "undo", {"undoes": 1}, who=FIRST_READER, after=0)
    library.sign(key, {}, who=FIRST_READER, after=0)
    library.reopen(key, "a shock was missed", who=FIRST_READER, after=1)
    for number, what in ((1, "a signature"), (2, "a reopening")):
        with pytest.raises(QiError, match=f"line {number} is {what}, which cannot be undone"):
            library.write(key, "undo", {"undoes": number}, who=FIRST_READER, after=2)


def test_signing_locks_a_version_and_reopening_makes_a_new_one(library, key):
    library.write(key, "correction", CORRECTION, who=FIRST_READER, after=0)
    signed = library.sign(key, {"measures": [{"id": "compression_fraction", "value": 0.81}]}, who=FIRST_READER, after=1)
    assert signed.body == {"version": 1, "record": {"measures": [{"id": "compression_fraction", "value": 0.81}]}}
    for kind, body in (
        ("correction", CORRECTION),
        ("undo", {"undoes": 1}),
        ("clock", {"clock": "monitor", "offset_s": 3.0}),
        ("finding", FINDING),
        ("excluded", {"reason": "dnr"}),
    ):
        with pytest.raises(Locked, match=r"version 1 is signed by M\. Ortiz, .*: reopen it"):
            library.write(key, kind, body, who=SECOND_READER, after=2)
    with pytest.raises(Locked, match="signed already"):
        library.sign(key, {}, who=SECOND_READER, after=2)
    library.write(key, "feedback", {"how": "at the station"}, who=FIRST_READER, after=2)
    library.write(key, "outcome", {"field": "cpc", "value": 1, "before": None, "file": "x.csv", "row": 2}, who="J. Weller", after=3)
    with pytest.raises(QiError, match="needs a reason"):
        library.reopen(key, " ", who=FIRST_READER, after=4)
    library.reopen(key, "a shock was missed", who=SECOND_READER, after=4)
    with pytest.raises(QiError, match="not signed"):
        library.reopen(key, "again", who=SECOND_READER, after=5)
    library.write(key, "correction", CORRECTION, who=FIRST_READER, after=5)
    assert (library.about(key).version, library.about(key).signed_by) == (2, "")
    again = library.sign(key, {"measures": []}, who=SECOND_READER, after=6)
    one, two = library.versions(key)
    assert (one.version, one.signed_by, one.signed_at, one.through) == (1, FIRST_READER, signed.when, 2)
    assert one.record == signed.body["record"]
    assert (two.version, two.signed_by, two.through, two.record) == (2, SECOND_READER, again.number, {"measures": []})


@pytest.mark.parametrize(
    ("kind", "body", "words"),
    [
        ("erased", {}, "“erased” is not known; choose from .*correction.*undo"),
        ("excluded", {"reason": "too_long"}, "“too_long” is not known; choose from dnr, duplicate"),
        ("excluded", {"reason": "other"}, "needs the reason in words"),
        ("included", {}, "not excluded"),
        ("finding", {"kind": "blame", "text": "x"}, "“blame” is not known; choose from equipment"),
        ("finding", {"kind": "other", "text": " "}, "needs words"),
        ("finding_withdrawn", {"of": 1}, "line 1 is no finding that stands"),
        ("correction", CORRECTION | {"action": "guess"}, "“guess” is not known"),
        ("correction", CORRECTION | {"action": "move"}, "where to is missing"),
        ("second_signed", {}, "in the second reading"),
    ],
)
def test_what_makes_no_sense_is_refused_in_words(library, key, kind, body, words):
    with pytest.raises(QiError, match=words):
        library.write(key, kind, body, who=FIRST_READER, after=0)
    assert library.lines(key) == []


def test_a_finding_is_changed_and_withdrawn_while_it_stands(library, key):
    library.write(key, "finding", FINDING, who=FIRST_READER, after=0)
    library.write(key, "finding_changed", FINDING | {"of": 1, "text": "Better said."}, who=FIRST_READER, after=1)
    library.write(key, "finding_withdrawn", {"of": 1, "why": "twice"}, who=FIRST_READER, after=2)
    with pytest.raises(QiError, match="withdrawn already"):
        library.write(key, "finding_changed", FINDING | {"of": 1}, who=FIRST_READER, after=3)
    library.write(key, "undo", {"undoes": 3}, who=FIRST_READER, after=3)
    assert library.write(key, "finding_changed", FINDING | {"of": 1}, who=FIRST_READER, after=4).number == 5


def test_mistakes_of_a_caller_are_errors(library, key):
    with pytest.raises(ValueError, match="nobody can have seen line 7"):
        library.write(key, "finding", FINDING, who=FIRST_READER, after=7)
    with pytest.raises(ValueError, match="must hold subject, start_s"):
        library.write(key, "correction", {"action": "remove"}, who=FIRST_READER, after=0)
    with pytest.raises(ValueError, match="plain values only"):
        library.write(key, "correction", CORRECTION | {"start_s": float("nan")}, who=FIRST_READER, after=0)
    with pytest.raises(ValueError, match="no reading 3"):
        library.write(key, "finding", FINDING, who=FIRST_READER, after=0, reading=3)
    for nobody in ("", "  ", "a\nb", "x" * 300):
        with pytest.raises(QiError, match="carries a name"):
            library.write(key, "finding", FINDING, who=nobody, after=0)
    with pytest.raises(NoSuchCase):
        library.write("nosuchcase00", "finding", FINDING, who=FIRST_READER, after=0)
    with pytest.raises(NoSuchCase):
        library.lines("nosuchcase00")
    assert library.lines(key) == []


def test_states_are_told_from_the_journal_anew(library, key, tmp_path):
    """A row whose derived part was spoilt comes back as it was, from lines alone."""
    other = bring_in(library, tmp_path, "RV-2")
    library.write_all(key, [("correction", CORRECTION), ("assigned", {"to": "S. Kim"})], who=FIRST_READER, after=0)
    library.sign(key, {}, who=FIRST_READER, after=2)
    library.write(key, "second_asked", {"why": "teaching"}, who=FIRST_READER, after=3)
    library.write(
        key, "second_signed", {"agreement": {"causes": [["shock", "airway"]]}}, who=SECOND_READER, after=4, reading=SECOND
    )
    library.write(other, "excluded", {"reason": "trauma"}, who=FIRST_READER, after=0)
    before = {one: library.about(one) for one in (key, other)}
    assert (before[key].status, before[key].second_status, before[other].excluded) == ("signed", "signed", "trauma")
    assert before[key].agreement == {"causes": [["shock", "airway"]]}
    spoilt = {"status": "waiting", "assigned_to": "x", "version": 7, "excluded": "", "signed_by": "", "last_line": 0}
    with library.database.writing() as connection:
        connection.execute(sa.update(CASES).values(**spoilt, waiting_since=None, second_status="", agreement=None, signed_at=None))
    assert library.about(key) != before[key]
    library.rebuild_states()
    assert {one: library.about(one) for one in (key, other)} == before


def test_every_kind_has_words():
    assert set(rules.IN_WORDS) == set(KINDS)
    assert set(rules.REQUIRED) <= set(KINDS)
