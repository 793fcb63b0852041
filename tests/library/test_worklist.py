"""The worklist: what waits, for whom, since when and why; days to feedback; what was excluded; the same cost for any number."""

from datetime import datetime, timedelta

import pandas as pd
import pytest
import sqlalchemy as sa
from sqlalchemy import event

from qi.library.states import SECOND_STATUSES, STATUSES, state_of
from qi.library.tables import CASES
from qi.library.worklist import COLUMNS
from qi.model.errors import UnknownWord
from qi.model.journal import SECOND, Line
from tests.library.made_cases import AGENCY, CORRECTION, FINDING, NOON, Clock, bring_in

WHO = "M. Ortiz"


def line(number, kind, body=None, *, who=WHO, reading=1):
    return Line(number, who, NOON + timedelta(hours=number), kind, body or {}, reading)


def state(*lines, drawn=False):
    return state_of(lines, entered_at=NOON, drawn=drawn)


@pytest.fixture
def no_lot(library):
    """Nobody is asked for a second reading by lot."""
    (library.folder / "library.toml").write_text("[second_reading]\nshare = 0\n", encoding="utf-8")
    library.now = Clock()
    return library


def test_a_case_moves_from_waiting_to_done():
    """Each step of a case's way, from lines alone."""
    hour = [NOON + timedelta(hours=number) for number in range(20)]
    work, signed, told = line(1, "correction", CORRECTION), line(2, "signed"), line(3, "feedback", {"how": "by phone"})
    assert (state().status, state().waiting_since) == ("waiting", NOON)
    assert (state(work).status, state(work).waiting_since) == ("in_review", NOON)
    now = state(work, signed)
    assert (now.status, now.waiting_since, now.signed_at, now.signed_by) == ("signed", hour[2], hour[2], WHO)
    done = state(work, signed, told)
    assert (done.status, done.waiting_since, done.feedback_at) == ("done", None, hour[3])
    again = state(work, signed, told, line(4, "reopened", {"why": "x"}))
    assert (again.status, again.waiting_since, again.version) == ("in_review", hour[4], 2)
    assert (again.signed_at, again.signed_by, again.feedback_at) == (None, "", hour[3])


def test_who_a_case_is_for_and_since_when():
    """Handing a case on does not make its wait shorter; an undone hand-over is none."""
    given, on = line(1, "assigned", {"to": "S. Kim"}), line(2, "assigned", {"to": "R. Adeyemi"})
    assert (state(given).status, state(given).assigned_to, state(given).waiting_since) == ("waiting", "S. Kim", NOON)
    assert state(given, on).assigned_to == "R. Adeyemi"
    assert state(given, on, line(3, "undo", {"undoes": 2})).assigned_to == "S. Kim"
    assert state(given, line(2, "assigned", {"to": ""})).assigned_to == ""


def test_an_excluded_case_waits_for_nothing_until_it_is_taken_back():
    out, back = line(1, "excluded", {"reason": "dnr"}), line(2, "included")
    assert (state(out).status, state(out).excluded, state(out).waiting_since) == ("excluded", "dnr", None)
    assert (state(out, back).status, state(out, back).excluded) == ("waiting", "")
    assert state(out, back).waiting_since == NOON + timedelta(hours=2)
    undone = state(out, line(2, "undo", {"undoes": 1}))
    assert (undone.excluded, undone.waiting_since) == ("", NOON)


def test_the_second_reading_has_a_way_of_its_own():
    work = line(2, "finding", FINDING, who="R. Adeyemi", reading=SECOND)
    done = line(3, "second_signed", who="R. Adeyemi", reading=SECOND)
    assert (state().second_status, state(drawn=True).second_status) == ("", "asked")
    assert state(line(1, "second_asked", {"why": "teaching"})).second_status == "asked"
    assert (state(work, drawn=True).second_status, state(work, drawn=True).status) == ("in_review", "waiting")
    assert (state(work, done).second_status, state(work, done).status, state(work, done).signed_by) == ("signed", "waiting", "")


def test_cases_are_listed_by_concern_with_its_reason(no_lot, tmp_path):
    library = no_lot
    mild = bring_in(library, tmp_path, "RV-1", concern=1.0, words="depth 41 mm")
    grave = bring_in(library, tmp_path, "RV-2", concern=8.0, words="longest pause 62.0 s; fraction 48 %")
    as_mild = bring_in(library, tmp_path, "RV-3", concern=1.0, words="rate 131 per min", call_at=None)
    table = library.worklist()
    assert list(table["key"]) == [grave, mild, as_mild], "of two alike the one that waits longer"
    assert table["concern_words"][0] == "longest pause 62.0 s; fraction 48 %"
    assert list(table.columns) == list(COLUMNS)
    assert isinstance(table["call_at"].dtype, pd.DatetimeTZDtype)
    assert table["call_at"][1] == NOON
    assert pd.isna(table["call_at"][2])
    assert list(library.worklist(order="waiting")["key"]) == [mild, grave, as_mild]
    assert list(library.worklist(order="entered")["key"]) == [as_mild, grave, mild]
    assert list(library.worklist(order="call")["key"])[-1] == as_mild, "a call without a time comes last"
    assert list(library.worklist(order="case")["case_id"]) == ["RV-1", "RV-2", "RV-3"]
    assert list(library.worklist(limit=1, offset=1)["key"]) == [mild]
    assert library.keys() == [mild, grave, as_mild]
    for part in ({"order": "blame"}, {"status": "late"}, {"second_status": "late"}):
        with pytest.raises(UnknownWord, match="is not known"):
            library.worklist(**part)


def test_an_empty_worklist_is_a_table(library):
    table = library.worklist()
    assert table.empty
    assert list(table.columns) == list(COLUMNS)
    assert isinstance(table["waiting_since"].dtype, pd.DatetimeTZDtype)


def test_what_waits_is_found_by_status_person_and_text(no_lot, tmp_path):
    library = no_lot
    keys = {
        number: bring_in(library, tmp_path, number, agency=agency)
        for number, agency in (("RV-10", AGENCY), ("RV-11", AGENCY), ("100%_x", "Dry Fork Rescue"))
    }
    library.write(keys["RV-10"], "assigned", {"to": "S. Kim"}, who=WHO, after=0)
    library.sign(keys["RV-11"], {}, who=WHO, after=0)

    def found(**asked):
        return {entry.case_id for entry in library.entries(**asked)}

    assert found(status="waiting") == {"RV-10", "100%_x"}
    assert found(status="signed") == {"RV-11"}
    assert found(assigned_to="S. Kim") == {"RV-10"}
    assert found(assigned_to="") == {"RV-11", "100%_x"}
    assert found(search="rv-1") == {"RV-10", "RV-11"}
    assert found(search="FORK") == {"100%_x"}
    assert found(search="0%_") == {"100%_x"}, "a sign that a database takes for any text is a sign here"
    assert found(search="  ") == set(keys)
    assert found(search="nowhere") == set()
    assert library.counts()["waiting_for"] == {"": 2, "S. Kim": 1}


def test_days_from_call_to_feedback(no_lot, tmp_path):
    """Three calls with feedback after 2, 4 and 9 days: the median is 4. One is told without the time of its call."""
    library = no_lot
    for number, days in (("RV-1", 2), ("RV-2", 9), ("RV-3", 4), ("RV-4", None), ("RV-5", 1)):
        key = bring_in(library, tmp_path, number, call_at=None if days == 1 else NOON)
        if days:
            library.now = lambda days=days: NOON + timedelta(days=days)
            library.write(key, "feedback", {"how": "by phone"}, who=WHO, after=0)
    days = library.counts()["days_to_feedback"]
    assert days == {"median": pytest.approx(4.0), "n": 3, "without_call": 1}
    table = library.worklist().set_index("case_id")["days_to_feedback"]
    assert table[["RV-1", "RV-2", "RV-3"]].tolist() == [2.0, 9.0, 4.0]
    assert table[["RV-4", "RV-5"]].isna().all()


def test_excluded_cases_are_kept_and_counted_with_their_reason(no_lot, tmp_path):
    library = no_lot
    for number, reason in enumerate(["trauma", "trauma", "dnr", "no_attempt", "not_an_arrest", None]):
        key = bring_in(library, tmp_path, f"RV-{number}")
        if reason:
            library.write(key, "excluded", {"reason": reason}, who=WHO, after=0)
    counts = library.counts()
    assert counts["excluded"] == {"dnr": 1, "no_attempt": 1, "not_an_arrest": 1, "trauma": 2}
    assert counts["by_status"] == dict.fromkeys(STATUSES, 0) | {"excluded": 5, "waiting": 1}
    assert counts["by_second_status"] == dict.fromkeys(SECOND_STATUSES, 0) | {"": 6}
    assert counts["cases"] == len(library.worklist()) == 6
    assert set(library.worklist(status="excluded")["excluded"]) == {"trauma", "dnr", "no_attempt", "not_an_arrest"}


def test_the_worklist_of_two_thousand_cases_costs_no_more_statements(library):
    """Counted, not timed: the same statements for 20 cases as for 2,000, and no journal is read."""
    spent = []
    for total in (20, 2000):
        _fill(library, total)
        spent.append(
            [_statements(library, call) for call in (library.worklist, library.counts, lambda: library.worklist(limit=50))]
        )
    assert spent[0] == spent[1]
    assert [len(statements) for statements in spent[1]] == [1, 2, 1]
    assert not any("lines" in statement for statements in spent[1] for statement in statements)
    assert len(library.worklist()) == 2000
    assert library.counts()["by_status"]["signed"] == 400


def _fill(library, total):
    rows = [
        {
            "key": f"k{number:011d}",
            "case_id": f"RV-{number}",
            "agency": AGENCY,
            "entered_at": NOON,
            "entered_by": WHO,
            "call_at": NOON - timedelta(days=number),
            "concern": float(number % 7),
            "status": list(STATUSES)[number % 5],
            "feedback_at": NOON if number % 5 == 3 else None,
        }
        for number in range(total)
    ]
    with library.database.writing() as connection:
        connection.execute(sa.delete(CASES))
        connection.execute(sa.insert(CASES), rows)


def _statements(library, call):
    said = []

    def note(connection, cursor, statement, parameters, context, executemany):
        said.append(statement)

    event.listen(library.database.engine, "before_cursor_execute", note)
    try:
        call()
    finally:
        event.remove(library.database.engine, "before_cursor_execute", note)
    return [statement for statement in said if not statement.startswith("BEGIN")]


def test_a_write_costs_no_more_statements_with_more_cases(no_lot, tmp_path):
    """One line more in one journal: the same statements beside 3 cases as beside 300."""
    library = no_lot
    key = bring_in(library, tmp_path)
    spent = []
    for total in (3, 300):
        rows = [
            {"key": f"k{total}-{number}", "case_id": "x", "agency": AGENCY, "entered_at": NOON, "entered_by": WHO}
            for number in range(total)
        ]
        with library.database.writing() as connection:
            connection.execute(sa.insert(CASES), rows)
        after = len(library.lines(key))
        spent.append(_statements(library, lambda after=after: library.write(key, "finding", FINDING, who=WHO, after=after)))
    assert spent[0] == spent[1]
    for_the_log = [one for one in spent[0] if " log" in one or "advisory" in one or one.startswith("SELECT true")]
    assert len(for_the_log) <= 4  # that the case is there, one writer at a time, the last line, the new one
    assert len(spent[0]) - len(for_the_log) <= 5


def test_moments_of_an_entry_are_python_s_own(no_lot, tmp_path):
    entry = no_lot.about(bring_in(no_lot, tmp_path))
    assert type(entry.entered_at) is datetime
    assert entry.days_to_feedback is None
