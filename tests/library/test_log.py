"""The log of who did what: chained, sealed, guarded, alike on SQLite and PostgreSQL, and without patient data."""

import hashlib
import hmac
import json
import stat
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import sqlalchemy as sa
from sqlalchemy.exc import DatabaseError

from qi.library import guards, log, log_end
from qi.library.tables import LOG
from qi.model.errors import NoSuchCase, QiError, UnknownWord
from tests.library.made_cases import CORRECTION, FINDING, Clock, bring_in

WHO = "M. Ortiz"
ACTS = ("opened", "exported", "sent", "read", "answered", "refused", "signed in")


def told(library):
    return [(line.did, line.case, line.what) for line in reversed(library.log_lines())]


def unguarded(library, *statements):
    """Do to the log what its guard refuses, and put the guard back."""
    with library.database.writing() as connection:
        if connection.dialect.name == "sqlite":
            for name in ("unchanged", "kept"):
                connection.exec_driver_sql(f"DROP TRIGGER log_{name}")
        else:
            connection.exec_driver_sql("ALTER TABLE log DISABLE TRIGGER USER")
        for statement in statements:
            connection.execute(statement)
        assert guards.put_back(connection) == ["log"]


@pytest.fixture
def filled(library):
    """A library with seven lines in its log."""
    library.now = Clock()
    for did in ACTS:
        library.log(did, who=WHO)
    return library


def test_what_the_library_does_is_logged_with_the_act(library, tmp_path):
    library.now = Clock()
    key = bring_in(library, tmp_path, invented=True)
    library.write_all(key, [("correction", CORRECTION), ("finding", FINDING), ("finding", FINDING)], who=WHO, after=0)
    library.sign(key, {}, who=WHO, after=3)
    library.reopen(key, "the film was found", who=WHO, after=4)
    library.join_outcomes("case,any_rosc\nRV-1,yes\n", who="R. Adeyemi")
    library.log("opened", who=WHO, case=key, what="second reading")
    library.remove(key, who="J. Weller")
    assert told(library) == [
        ("brought in", key, "new case, invented"),
        ("changed", key, "correction, finding"),
        ("signed", key, "signed"),
        ("changed", key, "reopened"),
        ("brought in", "", "outcomes"),
        ("changed", key, "outcome"),
        ("opened", key, "second reading"),
        ("deleted", key, "all"),
    ]
    assert {line.who for line in library.log_lines()} == {WHO, "R. Adeyemi", "J. Weller"}
    assert library.verify_log() == []


def test_no_act_without_its_line_and_no_line_without_its_act(library, tmp_path, monkeypatch):
    key = bring_in(library, tmp_path)
    with pytest.raises(QiError):
        library.reopen(key, "", who=WHO, after=0)
    assert len(library.log_lines()) == 1

    def refuse(*arguments, **named):
        raise QiError("the log is full")

    monkeypatch.setattr(log, "append_all", refuse)
    for act in (
        lambda: library.write(key, "correction", CORRECTION, who=WHO, after=0),
        lambda: library.sign(key, {}, who=WHO, after=0),
        lambda: library.remove(key, who=WHO),
        lambda: library.join_outcomes("case,any_rosc\nRV-1,yes\n", who=WHO),
        lambda: bring_in(library, tmp_path, "RV-2"),
    ):
        with pytest.raises(QiError, match="the log is full"):
            act()
    assert library.keys() == [key]
    assert library.lines(key) == []
    assert library.outcome_imports() == []
    assert library.check(key) == []


def test_a_line_is_the_hash_of_what_it_says_and_of_the_line_before(filled):
    """Worked out anew here with hashlib and hmac alone, as an agency could from a printed log."""
    first, second = list(reversed(filled.log_lines()))[:2]
    assert (first.number, first.before, second.before) == (1, "0" * 64, first.hash)
    says = f'[2,"{second.at:%Y-%m-%dT%H:%M:%S.%f}+00:00","M. Ortiz","exported","","","{first.hash}"]'
    assert json.loads(says)[1] == second.at.isoformat(timespec="microseconds")
    assert second.hash == hashlib.sha256(says.encode()).hexdigest()
    key = (filled.folder / "log.key").read_bytes()
    assert len(key) == 32
    assert second.seal == hmac.digest(key, second.hash.encode(), "sha256").hex()


def test_the_head_is_the_last_line(library):
    assert library.log_head() == (0, "0" * 64)
    library.log("opened", who=WHO)
    assert library.log_head() == (1, library.log_lines()[0].hash)


def test_the_database_refuses_to_change_the_log(filled):
    for statement in (sa.update(LOG).values(who="nobody"), sa.delete(LOG).where(LOG.c.number == 7)):
        with pytest.raises(DatabaseError, match="the log only grows"), filled.database.writing() as connection:
            connection.execute(statement)
    if filled.database.url.get_backend_name() == "postgresql":
        with pytest.raises(DatabaseError, match="the log only grows"), filled.database.writing() as connection:
            connection.exec_driver_sql("TRUNCATE log")
    assert filled.verify_log() == []


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("who", "J. Weller"),
        ("did", "deleted"),
        ("what", "all"),
        ("case_key", "abcdefghijkl"),
        ("at", datetime(2031, 1, 1, tzinfo=UTC)),
    ],
)
def test_a_changed_line_is_found(filled, column, value):
    unguarded(filled, sa.update(LOG).where(LOG.c.number == 3).values({column: value}))
    assert filled.verify_log() == ["Line 3 is not as it was written: its hash does not fit what it says."]


def test_a_changed_line_with_a_hash_made_anew_is_found(filled):
    line = next(one for one in filled.log_lines() if one.number == 3)
    forged = log.chained(3, line.at, "J. Weller", line.did, line.case, line.what, line.before)
    unguarded(filled, sa.update(LOG).where(LOG.c.number == 3).values(who="J. Weller", hash=forged))
    assert filled.verify_log() == [
        "Line 4 does not follow from the line before it.",
        "Line 3 is not sealed with the key in log.key: made by other hands, or the key is new.",
    ]


def test_a_chain_made_anew_without_the_key_is_found_by_its_seals_and_with_it_by_a_hash_kept_elsewhere(filled):
    number, head = filled.log_head()
    lines, before, anew = list(reversed(filled.log_lines())), "0" * 64, []
    for line in lines:
        who = "J. Weller" if line.number == 3 else line.who
        before_it, before = before, log.chained(line.number, line.at, who, line.did, line.case, line.what, before)
        anew.append({"who": who, "before": before_it, "hash": before})
    places = [sa.update(LOG).where(LOG.c.number == at + 1).values(one) for at, one in enumerate(anew)]
    unguarded(filled, *places)
    (said,) = filled.verify_log()[1:]
    assert said.startswith("Line 7 is another one than that which log.end")
    (filled.folder / "log.end").unlink()
    assert filled.verify_log()[:1] == [
        "Lines 3 to 7 are not sealed with the key in log.key: made by other hands, or the key is new."
    ]
    seals = [log.sealed(filled.seal, one["hash"]) for one in anew]
    unguarded(filled, *(sa.update(LOG).where(LOG.c.number == at + 1).values(seal=seal) for at, seal in enumerate(seals)))
    log_end.accept(filled.folder, filled.seal, filled.log_head())
    assert filled.verify_log() == []
    assert filled.verify_log(seen=filled.log_head()[1]) == []
    assert len(filled.verify_log(seen=head)) == 1
    assert number == 7


@pytest.mark.parametrize(
    ("gone", "said"),
    [
        ([1], ["Line 1 is missing.", "Line 2 does not follow from the line before it."]),
        ([4], ["Line 4 is missing.", "Line 5 does not follow from the line before it."]),
        ([3, 4], ["Lines 3 to 4 are missing.", "Line 5 does not follow from the line before it."]),
    ],
)
def test_a_line_taken_out_is_found(filled, gone, said):
    unguarded(filled, sa.delete(LOG).where(LOG.c.number.in_(gone)))
    assert filled.verify_log() == said


def test_lines_cut_off_at_the_end_are_found_by_a_hash_kept_elsewhere(filled):
    _, head = filled.log_head()
    assert filled.verify_log(seen=head) == []
    library_grew = filled.log("opened", who=WHO)
    assert library_grew is None
    assert filled.verify_log(seen=head.upper()) == []
    unguarded(filled, sa.delete(LOG).where(LOG.c.number >= 6))
    (filled.folder / "log.end").unlink()
    filled.log("opened", who=WHO)
    filled.accept_log_end("looked into", who="J. Weller")
    assert filled.verify_log() == []
    (said,) = filled.verify_log(seen=head)
    assert "cut off" in said


@pytest.mark.parametrize(
    ("left", "said"), [(7, "Line 8 is missing"), (5, "Lines 6 to 8 are missing"), (0, "Lines 1 to 8 are missing")]
)
def test_lines_cut_off_at_the_end_are_found_by_what_the_folder_keeps(filled, left, said):
    filled.log("opened", who=WHO)
    assert filled.verify_log() == []
    unguarded(filled, sa.delete(LOG).where(LOG.c.number > left))
    (found,) = filled.verify_log()
    assert found.startswith(f"{said} at the end")
    filled.log("read", who=WHO)  # the app goes on, and does not hide it
    assert len(filled.verify_log()) == 1
    while filled.log_head()[0] < 12:
        filled.log("read", who=WHO)
    (found,) = filled.verify_log()
    assert "line 8" in found


def test_the_end_that_is_kept_is_that_of_what_was_written_and_only_its_owner_s(filled):
    kept = (filled.folder / "log.end").read_text(encoding="ascii").split()
    assert (int(kept[0]), kept[1]) == filled.log_head()
    assert stat.S_IMODE((filled.folder / "log.end").stat().st_mode) == 0o600

    def broken_off():
        with filled.database.writing() as connection:
            log.append(connection, filled.seal, "opened", who=WHO, when=filled.now())
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        broken_off()
    assert (filled.folder / "log.end").read_text(encoding="ascii").split() == kept


@pytest.mark.parametrize("text", [None, "", "99 " + "a" * 64 + " last " + "b" * 64, "not a line"])
def test_an_end_that_is_gone_or_of_other_hands_is_told(filled, text):
    (filled.folder / "log.end").unlink() if text is None else (filled.folder / "log.end").write_text(text, encoding="ascii")
    (said,) = filled.verify_log()
    assert said.startswith("log.end is not")


def test_a_log_that_was_emptied_is_told_and_a_new_library_has_nothing_to_tell(library, tmp_path):
    assert library.verify_log() == []
    bring_in(library, tmp_path)
    unguarded(library, sa.delete(LOG))
    (library.folder / "log.end").unlink()
    assert len(library.verify_log()) == 1


def test_an_end_that_is_lost_stays_so_until_somebody_accepts_it(filled, place):
    """The lines that were cut off are not known any more, however long the log gets, and however often it is opened."""
    unguarded(filled, sa.delete(LOG).where(LOG.c.number > 1))
    (filled.folder / "log.end").unlink()
    assert len(filled.verify_log()) == 1
    for library in (filled, place.open(), place.open()):
        library.log("verified", who=WHO, what="broken")
        (said,) = library.verify_log()
        assert said.startswith("Where the log ended before line 2 is not known")
    with pytest.raises(UnknownWord):
        filled.accept_log_end("Jane Doe was here", who="J. Weller")
    filled.accept_log_end("restored backup", who="J. Weller")
    last = filled.log_lines()[0]
    assert (last.number, last.who, last.did, last.what) == (5, "J. Weller", "accepted", "restored backup")
    assert filled.verify_log() == []
    (said,) = filled.log_accepted()
    assert said.startswith(f"Line 5, {last.at:%Y-%m-%d}: J. Weller took the log as it ended then (restored backup)")
    with pytest.raises(QiError, match="nothing to accept"):
        filled.accept_log_end("restored backup", who="J. Weller")
    assert filled.log_head()[0] == 5
    filled.log("read", who=WHO)
    unguarded(filled, sa.delete(LOG).where(LOG.c.number == 6))
    assert filled.verify_log()[0].startswith("Line 6 is missing at the end")


def test_accepting_the_end_mends_no_line(filled):
    unguarded(filled, sa.update(LOG).where(LOG.c.number == 3).values(who="J. Weller"))
    with pytest.raises(QiError, match="nothing to accept"):
        filled.accept_log_end("looked into", who="J. Weller")
    (filled.folder / "log.end").unlink()
    filled.accept_log_end("looked into", who="J. Weller")
    assert filled.verify_log() == ["Line 3 is not as it was written: its hash does not fit what it says."]


def test_a_log_emptied_before_it_went_on_is_told(filled):
    unguarded(filled, sa.delete(LOG))
    (filled.folder / "log.end").unlink()
    filled.log("read", who=WHO)
    (said,) = filled.verify_log()
    assert said.startswith("Where the log ended before line 1 is not known")


def test_a_new_library_keeps_the_end_before_its_first_line(place):
    library = place.open()
    assert (place.folder / "log.end").read_text(encoding="ascii").startswith(f"0 {log.BEFORE_THE_FIRST} last ")
    assert library.verify_log() == []
    (place.folder / "log.end").unlink()
    place.open()  # where a program was stopped before it could write it
    library.log("opened", who=WHO)
    assert library.verify_log() == library.log_accepted() == []


@pytest.mark.parametrize(("word", "broken"), [("last", 0), ("cut", 1)])
def test_an_end_as_releases_before_this_one_wrote_it_holds(filled, word, broken):
    number, head = filled.log_head()
    seal = hmac.digest(filled.seal, f"{number} {head} {word}".encode(), "sha256").hex()
    (filled.folder / "log.end").write_text(f"{number} {head} {word} {seal}\n", encoding="ascii")
    assert len(filled.verify_log()) == broken
    filled.log("read", who=WHO)
    assert len(filled.verify_log()) == broken


@pytest.mark.skipif(sys.platform == "win32", reason="file modes are those of POSIX")
def test_an_end_that_cannot_be_read_just_now_is_not_taken_for_lost(filled, monkeypatch):
    """As where another program is putting a later one in its place."""
    with monkeypatch.context() as patch:
        kept = (filled.folder / "log.end").read_bytes()

        def busy(*_arguments, **_named):
            raise PermissionError(13, "busy")

        patch.setattr(Path, "read_text", busy)
        (said,) = filled.verify_log()
        assert "cannot be read (busy)" in said
        filled.log("read", who=WHO)
        assert (filled.folder / "log.end").read_bytes() == kept
    assert filled.verify_log() == []


def test_a_line_put_in_is_found(filled):
    last = filled.log_lines()[0]
    row = {"at": last.at, "who": WHO, "did": "read", "case_key": "", "what": "", "before": last.hash, "hash": "f" * 64, "seal": ""}
    unguarded(filled, sa.insert(LOG).values(number=8, **row), sa.insert(LOG).values(number=0, **row | {"before": "0" * 64}))
    said = filled.verify_log()
    assert "Line 0 has a number that no line has." in said
    assert "Line 8 is not as it was written: its hash does not fit what it says." in said
    assert "Line 8 is not sealed with the key in log.key: made by other hands, or the key is new." in said


def test_a_lost_key_leaves_the_chain_to_be_verified(filled):
    (filled.folder / "log.key").unlink()
    filled.log("opened", who=WHO)
    unsealed, end = filled.verify_log()
    assert unsealed == "Lines 1 to 7 are not sealed with the key in log.key: made by other hands, or the key is new."
    assert end.startswith("Where the log ended before line 8 is not known")
    assert filled.log_head()[0] == 8
    assert stat.S_IMODE((filled.folder / "log.key").stat().st_mode) == 0o600


@pytest.mark.parametrize("what", ["RV-2031-0107", "Ortiz", "review, J. Weller", "review,all", "review, ", "sheet 4711"])
def test_free_text_is_refused(library, what):
    with pytest.raises(UnknownWord):
        library.log("exported", who=WHO, what=what)
    assert library.log_lines() == []


def test_whose_entry_was_changed_is_told_by_number_and_name(library):
    library.log("people changed", who=WHO, what="removed")  # as older logs have it
    library.people.add("sub-7", name="Weller; J., Jr.", roles=["reviewer", "crew"], crew_ids=["C-17"], who=WHO)
    library.people.add("Ash@example.org", name="P. Ash", roles=["reviewer"], who=WHO)
    library.people.bind("sub-7", agency="Rillstone Valley EMS", who=WHO)
    library.people.end("ash@example.org", who=WHO)
    for name in ("Other@example.org", "Sub-9"):  # a name that is none
        library.people.add(name, name=name, roles=["reviewer"], who=WHO)
    numbers = {one.number for one in library.people.all()}
    assert [line.what for line in reversed(library.log_lines(did="people changed"))] == [
        "removed",
        "added, crew, reviewer; entry 1, Weller; J., Jr.",
        "added, reviewer; entry 2, P. Ash",
        "removed; entry 1, Weller; J., Jr.",
        "added, crew, reviewer; entry 3, Weller; J., Jr.",
        "removed; entry 2, P. Ash",
        "added, reviewer; entry 4",
        "added, reviewer; entry 5",
    ]
    assert numbers == {1, 2, 3, 4, 5}
    assert library.verify_log() == []


@pytest.mark.parametrize(
    ("did", "what"),
    [
        ("people changed", "removed; J. Weller"),
        ("people changed", "removed; entry 1, Somebody Else"),
        ("people changed", "removed; entry 1"),
        ("people changed", "removed; entry 2, J. Weller"),
        ("people changed", "removed; entry 1, J. Weller; of the case RV-1"),
        ("people changed", "a patient; entry 1, J. Weller"),
        ("exported", "sheet; entry 1, J. Weller"),
    ],
)
def test_an_entry_is_told_as_it_stands_on_the_list_and_of_nothing_else(library, did, what):
    library.people.add("sub-7", name="J. Weller", roles=["reviewer"], who=WHO)
    with pytest.raises(QiError):
        library.log(did, who=WHO, what=what)
    library.log("people changed", who=WHO, what="removed; entry 1, J. Weller")
    assert library.log_count() == 2


def test_a_case_is_named_by_its_key_alone(library, tmp_path):
    key = bring_in(library, tmp_path, "abcdefghijkl")  # a number that looks like a key
    for named in ("abcdefghijkl", "RV-1", key.upper(), key + "\n"):
        with pytest.raises(NoSuchCase) as error:
            library.log("opened", who=WHO, case=named)
        assert named not in str(error.value)
    library.remove(key, who=WHO)
    library.log("refused", who=WHO, case=key)
    assert library.log_count(case=key) == 3


def test_an_act_that_is_not_known_and_a_nobody_are_refused(library):
    with pytest.raises(UnknownWord):
        library.log("stole", who=WHO)
    with pytest.raises(QiError, match="carries a name"):
        library.log("opened", who=" ")


def test_lines_are_found_by_case_person_act_and_moment(filled, tmp_path):
    key = bring_in(filled, tmp_path)
    filled.log("opened", who="R. Adeyemi", case=key)
    assert [line.did for line in filled.log_lines(case=key)] == ["opened", "brought in"]
    assert [line.number for line in filled.log_lines(who="R. Adeyemi")] == [9]
    assert [line.number for line in filled.log_lines(did="opened")] == [9, 1]
    third = filled.log_lines()[-3].at
    assert [line.number for line in filled.log_lines(since=third)] == [9, 8, 7, 6, 5, 4, 3]
    assert filled.log_lines(since=third + timedelta(days=1)) == []
    assert [line.number for line in filled.log_lines(limit=2, offset=3)] == [6, 5]
    assert (filled.log_count(), filled.log_count(did="opened")) == (9, 2)
    assert filled.log_names() == [WHO, "R. Adeyemi"]


WRITER = """
import sys
from pathlib import Path
from qi.library.library import Library
with Library.open(Path(sys.argv[1]), database=sys.argv[2]) as library:
    print("ready", flush=True)
    sys.stdin.readline()
    for _ in range(25):
        library.log("opened", who=sys.argv[3])
"""


def test_two_programs_that_write_at_once_keep_one_chain(place):
    library = place.open()
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "text": True, "cwd": Path(__file__).parents[2]}
    command = [sys.executable, "-c", WRITER, str(place.folder), place.url]
    programs = [subprocess.Popen([*command, name], **pipes) for name in ("one", "two")]
    assert [program.stdout.readline() for program in programs] == ["ready\n"] * 2
    for program in programs:
        program.stdin.write("go\n")
        program.stdin.flush()
    for _ in range(25):
        library.log("read", who="three")
    for program in programs:
        program.communicate()
    assert [program.returncode for program in programs] == [0, 0]
    assert library.verify_log() == []
    assert [line.number for line in library.log_lines()] == list(range(75, 0, -1))
    assert {who: library.log_count(who=who) for who in library.log_names()} == {"one": 25, "three": 25, "two": 25}
