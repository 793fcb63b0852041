"""The log and retention on the command line: what is shown, what is verified, what goes."""

import os
import re
import sqlite3
from pathlib import Path

import pytest

from qi.__main__ import main
from qi.desk.bring_in import bring_in
from qi.library.library import Library

SAMPLES = Path(__file__).parents[2] / "sample_cases"
CASE = "rv-2031-0107"


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A library with one case, closed again."""
    monkeypatch.delenv("QI_DATABASE", raising=False)
    with Library.open(tmp_path / "library") as library:
        bring_in(library, SAMPLES / CASE, who="M. Ortiz")
    return tmp_path / "library"


@pytest.fixture
def run(folder, capsys):
    """Run a command on that library: its exit code, what it printed, and its errors."""

    def command(*words):
        code = main([*words, "--library", str(folder)])
        said = capsys.readouterr()
        return code, said.out, said.err

    return command


def with_library(folder, act):
    with Library.open(folder) as library:
        return act(library)


def test_the_log_is_shown_in_order_and_by_case_and_day(folder, run, tmp_path):
    (key,) = with_library(folder, lambda library: library.keys())
    assert run("export", CASE, str(tmp_path / "out"), "--without-identity", "--by", "J. Weller")[0] == 0
    code, out, _ = run("log")
    first, second = out.splitlines()
    assert code == 0
    assert re.fullmatch(rf"1  \d{{4}}-\d\d-\d\d \d\d:\d\d:\d\d UTC  M\. Ortiz  brought in  {key}  new case", first)
    assert second.endswith(f"J. Weller  exported  {key}  shared case, without identity")
    assert CASE not in out
    assert run("log", "--case", key)[1] == out
    assert run("log", "--case", "abcdefghijkl") == (0, "", "")
    assert run("log", "--since", "2000-01-01")[1] == out
    assert run("log", "--since", "2100-01-01")[1] == ""
    code, _, err = run("log", "--since", "yesterday")
    assert (code, err) == (1, "“yesterday” is no day; right would be 2031-03-01\n")


def test_the_log_is_verified_and_its_head_printed(folder, run):
    number, head = with_library(folder, lambda library: library.log_head())
    code, out, err = run("log", "--verify")
    assert (code, err, number) == (0, "", 1)
    assert out == f"1 lines, whole; hash of the last one, to be kept elsewhere: {head}\n"
    assert run("log", "--head", head)[0] == 0
    code, _, err = run("log", "--head", "0" * 64)
    assert code == 1
    assert "is that of no line" in err


def test_a_broken_log_ends_with_1(folder, run):
    connection = sqlite3.connect(folder / "reviews.sqlite")
    with connection:
        connection.execute("DROP TRIGGER log_unchanged")
        connection.execute("UPDATE log SET who = 'nobody'")
    connection.close()
    code, out, err = run("log", "--verify")
    assert code == 1
    assert "not whole" in out
    changed, guards = err.splitlines()
    assert changed == "Line 1 is not as it was written: its hash does not fit what it says."
    assert guards.startswith("Line 2, ")
    assert "the guards of log were gone" in guards


def test_verifying_does_not_make_a_cut_log_whole_and_accepting_it_stands_in_the_log(folder, run):
    """Guards dropped, all lines but the first taken away, and the end with them: said as often as it is asked, until accepted."""
    assert [run("log", "--verify")[0] for _ in range(3)] == [0, 0, 0]
    connection = sqlite3.connect(folder / "reviews.sqlite")
    with connection:
        for statement in ("DROP TRIGGER log_unchanged", "DROP TRIGGER log_kept", "DELETE FROM log WHERE number > 1"):
            connection.execute(statement)
    connection.close()
    (folder / "log.end").unlink()
    code, _, said = run("log", "--verify")
    assert code == 1
    assert "Where the log ended before line 2 is not known" in said
    assert "the guards of log were gone" in said
    assert "--accept-end" in said
    for _ in range(2):
        code, out, again = run("log", "--verify")
        assert (code, again) == (1, said)
        assert "not whole" in out
    code, _, err = run("log", "--accept-end", "because")
    assert code == 1
    assert "restored backup" in err
    code, out, err = run("log", "--accept-end", "looked into", "--by", "J. Weller")
    number, head = with_library(folder, lambda library: library.log_head())
    assert (code, err) == (0, "")
    assert out == f"the log is taken as it ends now: line {number}; its hash, to be kept elsewhere: {head}\n"
    code, out, err = run("log", "--verify")
    assert (code, err) == (0, "")
    assert f"Line {number}, " in out
    assert "J. Weller took the log as it ended then (looked into)" in out
    code, _, err = run("log", "--accept-end", "looked into")
    assert (code, "nothing to accept" in err) == (1, True)


def test_what_would_go_is_said_and_what_goes_is_gone(folder, run):
    assert run("retention", "--dry-run") == (0, "nothing would go\n", "")
    assert run("retention") == (0, "", "")

    def age(library):
        with library.database.writing() as connection:
            connection.exec_driver_sql("UPDATE cases SET call_at = '2001-03-05 10:00:00.000000'")

    with_library(folder, age)
    assert run("retention") == (0, "", "")
    (folder / "library.toml").write_text("[retention]\nkeep_review_months = 12\nkeep_measures_months = 120\n", encoding="utf-8")
    words = f"{CASE}, 2001-03-05: all of it goes\n"
    assert run("retention", "--dry-run") == (0, words + "1 would go\n", "")
    assert len(with_library(folder, lambda library: library.keys())) == 1
    assert run("retention", "--by", "J. Weller") == (0, words, "")
    assert with_library(folder, lambda library: library.keys()) == []
    last = with_library(folder, lambda library: library.log_lines()[0])
    assert (last.who, last.did, last.what) == ("J. Weller", "deleted", "all, by age")


@pytest.mark.skipif(os.name != "posix", reason="modes of files say who may read only on POSIX")
def test_check_closes_what_is_open_and_says_what_it_cannot_close(folder, run):
    loose = next(folder.rglob("*.edf"))
    loose.chmod(0o644)
    code, _, err = run("check")
    assert (code, err) == (0, "")
    assert loose.stat().st_mode & 0o777 == 0o600
    folder.parent.chmod(0o777)
    code, _, err = run("check")
    assert code == 1
    assert f"Everybody may write to {folder.parent}" in err
