"""Hospital outcomes that arrive later: joined by case number, written in the journal, logged; nothing is dropped in silence.

CPC runs from 1 to 5 and mRS from 0 to 6 (from memory; cpr-definitions.md section 5 names both as core outcomes, from memory too).
"""

import hashlib
from datetime import date, timedelta

import pytest

from qi.library.outcome_csv import FIELDS, Mismatch, read
from qi.library.outcomes import contradictions, outcomes_of
from qi.model.errors import QiError, UnreadableFile
from qi.model.journal import SECOND
from tests.library.made_cases import AGENCY, CORRECTION, NOON, Clock, bring_in

WHO = "J. Weller"


@pytest.fixture
def keys(library, tmp_path):
    library.now = Clock()
    return {number: bring_in(library, tmp_path, number) for number in ("RV-1", "RV-2", "RV-3")}


def told(library, key):
    return outcomes_of(library.lines(key))


def said(import_):
    return [(one.line, one.case, one.what) for one in import_.mismatches]


def test_outcomes_are_joined_written_and_logged(library, keys, tmp_path):
    path = tmp_path / "hospital-2031-05.csv"
    path.write_text(
        "case,any_rosc,sustained_rosc,survived_event,survived_to_discharge,cpc,mrs\n"
        "RV-1,true,yes,1,Yes,1,0\nRV-2,FALSE,no,0,n,,\nRV-3,unknown,,,unknown,unknown,6\n",
        encoding="utf-8",
    )
    done = library.join_outcomes(path, who=WHO)
    assert (done.rows, done.matched, done.written, done.mismatches) == (3, 3, 14, ())
    assert told(library, keys["RV-1"]) == dict.fromkeys(FIELDS[:4], True) | {"cpc": 1, "mrs": 0}
    assert told(library, keys["RV-2"]) == dict.fromkeys(FIELDS[:4], False)
    assert told(library, keys["RV-3"]) == {"any_rosc": "unknown", "survived_to_discharge": "unknown", "cpc": "unknown", "mrs": 6}
    line = library.lines(keys["RV-1"])[4]
    assert (line.number, line.who, line.kind, line.reading) == (5, WHO, "outcome", 1)
    assert line.body == {"field": "cpc", "value": 1, "before": None, "file": "hospital-2031-05.csv", "row": 2}
    assert type(line.body["value"]) is int
    assert library.outcome_imports() == [done]
    assert (done.file, done.who, done.sha256) == (path.name, WHO, hashlib.sha256(path.read_bytes()).hexdigest())
    assert library.about(keys["RV-1"]).last_line == 6


def test_the_same_again_writes_nothing_and_is_logged_again(library, keys):
    text = "case,cpc\nRV-1,2\nRV-2,unknown\n"
    assert library.join_outcomes(text, who=WHO).written == 2
    again = library.join_outcomes(text, who=WHO, name="again.csv")
    assert (again.matched, again.written, again.mismatches) == (2, 0, ())
    assert len(library.lines(keys["RV-1"])) == 1
    assert [one.file for one in library.outcome_imports()] == ["again.csv", "outcomes.csv"]


def test_a_value_that_contradicts_is_written_with_what_was_before_and_listed(library, tmp_path, keys):
    library.join_outcomes("case,survived_to_discharge,cpc\nRV-1,yes,1\n", who=WHO)
    done = library.join_outcomes("case,survived_to_discharge,cpc\nRV-1,yes,3\n", who=WHO, name="later.csv")
    assert said(done) == [(2, "RV-1", "cpc is 3, an earlier import said 1; written")]
    assert library.lines(keys["RV-1"])[-1].body == {"field": "cpc", "value": 3, "before": 1, "file": "later.csv", "row": 2}
    assert told(library, keys["RV-1"]) == {"survived_to_discharge": True, "cpc": 3}
    library.write(keys["RV-1"], "undo", {"undoes": 3}, who=WHO, after=3)
    assert told(library, keys["RV-1"])["cpc"] == 1, "a wrong import can be undone"


def test_what_becomes_known_contradicts_nothing_and_what_becomes_unknown_does(library, keys):
    library.join_outcomes("case,cpc\nRV-1,unknown\nRV-2,2\n", who=WHO)
    done = library.join_outcomes("case,cpc\nRV-1,2\nRV-2,unknown\n", who=WHO)
    assert said(done) == [(3, "RV-2", "cpc is unknown, an earlier import said 2; written")]
    assert (told(library, keys["RV-1"]), told(library, keys["RV-2"])) == ({"cpc": 2}, {"cpc": "unknown"})


def test_what_the_case_s_own_files_say_is_held_against_it(library, tmp_path):
    """The same from the hospital is written, as it comes from somebody else; another is written and listed."""
    key = bring_in(library, tmp_path, outcome={"any_rosc": True, "survived_event": False, "cpc": 2.0})
    done = library.join_outcomes("case,any_rosc,survived_event,cpc\nRV-1,yes,yes,2\n", who=WHO)
    assert said(done) == [(2, "RV-1", "survived_event is yes, the case's own files said no; written")]
    assert told(library, key) == {"any_rosc": True, "survived_event": True, "cpc": 2}
    assert [line.body["before"] for line in library.lines(key)] == [True, False, 2.0]


def test_everything_that_is_not_simply_joined_is_listed_by_line(library, keys, tmp_path):
    bring_in(library, tmp_path, "RV-3", agency="Dry Fork Rescue")
    text = (
        "Case No.;Survived to discharge;CPC;Initials\n"
        "RV-1;yes;1;A\n"
        "RV-9;yes;1;B\n"
        ";yes;1;C\n"
        "RV-2;perhaps;6;D\n"
        "\n"
        "RV-3;no;;E\n"
        "RV-2;;;F\n"
        "RV-1;yes;1;G;more\n"
    )
    done = library.join_outcomes(text, who=WHO)
    assert (done.rows, done.matched, done.written) == (7, 1, 2)
    assert said(done) == [
        (1, "", "the column “Initials” is not read"),
        (3, "RV-9", "no case of that number is in the library; not joined"),
        (4, "", "has no case number; not joined"),
        (5, "RV-2", "survived_to_discharge: “perhaps” is none of true, false, yes, no, 1, 0, unknown; this cell is left out"),
        (5, "RV-2", "cpc: “6” is no whole number from 1 to 5, nor unknown; this cell is left out"),
        (5, "RV-2", "says no outcome that can be used; not joined"),
        (
            7,
            "RV-3",
            "2 cases have that number (of Dry Fork Rescue, Rillstone Valley EMS); "
            "name the agency and the date of the call; not joined",
        ),
        (8, "RV-2", "says no outcome that can be used; not joined"),
        (9, "", "holds 5 cells where the header has 4; not joined"),
    ]
    assert library.outcome_imports()[0].mismatches == done.mismatches
    assert told(library, keys["RV-1"]) == {"survived_to_discharge": True, "cpc": 1}
    assert library.lines(keys["RV-2"]) == library.lines(keys["RV-3"]) == []


def test_doubled_rows(library, keys):
    """Rows that say the same are joined once; of rows that differ none is, as nobody knows which is right."""
    done = library.join_outcomes("case,cpc\nRV-1,1\nRV-2,1\nrv-1,1\nRV-2,3\n", who=WHO)
    assert said(done) == [
        (3, "RV-2", "lines 3, 5 tell this case differently; none was joined"),
        (4, "rv-1", "says the same as line 2; joined once"),
        (5, "RV-2", "lines 3, 5 tell this case differently; none was joined"),
    ]
    assert (done.rows, done.matched, done.written) == (4, 1, 1)
    assert told(library, keys["RV-1"]) == {"cpc": 1}
    assert told(library, keys["RV-2"]) == {}


def test_one_number_at_two_agencies_is_told_apart(library, tmp_path):
    ours, theirs = (bring_in(library, tmp_path, "RV-1", agency=name) for name in (AGENCY, "Dry Fork Rescue"))
    library.join_outcomes("case,agency,cpc\nRV-1,dry fork rescue,2\n", who=WHO)
    assert (told(library, ours), told(library, theirs)) == ({}, {"cpc": 2})
    library.join_outcomes("case,cpc\nRV-1,1\n", who=WHO, agency=AGENCY)
    assert (told(library, ours), told(library, theirs)) == ({"cpc": 1}, {"cpc": 2})
    done = library.join_outcomes("case,agency,cpc\nRV-1,Nowhere EMS,1\n", who=WHO)
    assert said(done) == [(2, "RV-1", "no case of that number is of the agency “Nowhere EMS”; not joined")]


def test_the_date_of_the_call_guards_against_another_year_s_number(library, tmp_path):
    old = bring_in(library, tmp_path, "7", call_at=NOON, content="old")
    new = bring_in(library, tmp_path, "7", call_at=NOON + timedelta(days=365), content="new")
    done = library.join_outcomes("case,date,cpc\n7,2031-04-18,4\n7,04/16/2032,1\n7,2033-04-17,1\n7,soon,1\n", who=WHO)
    assert (told(library, old), told(library, new)) == ({"cpc": 4}, {"cpc": 1})
    assert [(line, what.partition(";")[0]) for line, _, what in said(done)] == [
        (4, "its date (2033-04-17) is not that of the call (2031-04-17, 2032-04-16)"),
        (5, "“soon” is not understood as a date"),
    ]


def test_a_case_that_is_there_twice_is_joined_where_it_counts(library, keys, tmp_path):
    """A case excluded as a duplicate is no second case of its number."""
    twice = bring_in(library, tmp_path, "RV-1", content="again")
    assert library.join_outcomes("case,cpc\nRV-1,1\n", who=WHO).matched == 0
    library.write(twice, "excluded", {"reason": "duplicate"}, who=WHO, after=0)
    assert library.join_outcomes("case,cpc\nRV-1,1\n", who=WHO).matched == 1
    assert told(library, keys["RV-1"]) == {"cpc": 1}


def test_numbers_are_met_as_a_folder_name_holds_them(library, tmp_path):
    """Only where no case has the number as it stands; RV-12 and RV-1-2 stay two numbers."""
    folder, other = bring_in(library, tmp_path, "RV-2031-0107"), bring_in(library, tmp_path, "RV-20310107")
    library.join_outcomes("case,cpc\nrv 2031/0107,3\nRV-20310107,1\n", who=WHO)
    assert (told(library, folder), told(library, other)) == ({"cpc": 3}, {"cpc": 1})


def test_outcomes_come_into_a_signed_case_and_into_both_readings(library, keys):
    key = keys["RV-1"]
    library.write(key, "correction", CORRECTION, who="M. Ortiz", after=0)
    library.sign(key, {}, who="M. Ortiz", after=1)
    library.sign(key, {}, who="R. Adeyemi", after=2, reading=SECOND)
    library.join_outcomes("case,survived_to_discharge\nRV-1,yes\n", who=WHO)
    assert told(library, key) == {"survived_to_discharge": True}
    entry = library.about(key)
    assert (entry.status, entry.version, entry.second_status, entry.last_line) == ("signed", 1, "signed", 4)


def test_what_cannot_be_true_together_is_listed_and_kept(library, keys):
    done = library.join_outcomes("case,any_rosc,survived_event,survived_to_discharge,cpc\nRV-1,no,yes,no,2\n", who=WHO)
    assert said(done) == [
        (2, "RV-1", "survived_event without any ROSC; kept as told"),
        (2, "RV-1", "did not survive to discharge with CPC 2; kept as told"),
    ]
    assert done.written == 4
    assert contradictions({"survived_to_discharge": True, "cpc": 5, "mrs": 6, "survived_event": False}) == [
        "survived to discharge without having survived the event",
        "survived to discharge with CPC 5",
        "survived to discharge with mRS 6",
    ]
    assert contradictions({"survived_to_discharge": False, "cpc": 5, "mrs": 6}) == []
    assert contradictions({"survived_to_discharge": "unknown", "cpc": 1, "any_rosc": "unknown", "sustained_rosc": True}) == []


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "line 1: no column holds the case number"),
        (b"number,cpc\nRV-1,1\n", "line 1: no column holds the case number"),
        (b"case,alive\nRV-1,yes\n", "line 1: no column holds an outcome"),
        (b"case,ROSC,any rosc\nRV-1,yes,no\n", "line 1: the columns “ROSC” and “any rosc” both say any_rosc"),
        (b"case,cpc\nRV-\xe9,1\n", "byte 12: not UTF-8"),
        (b'case,cpc\nRV-1,1\n"RV-2,1\n', "line 3: not CSV"),
        (b"case,cpc\n" + b"x" * 20_000_000, "more than 20000000"),
    ],
    ids=["empty", "no case", "no outcome", "two columns", "encoding", "quotes", "size"],
)
def test_a_file_that_cannot_be_used_joins_nothing(library, keys, tmp_path, content, words):
    path = tmp_path / "outcomes.csv"
    path.write_bytes(content)
    with pytest.raises(UnreadableFile, match=words):
        library.join_outcomes(path, who=WHO)
    assert library.outcome_imports() == []
    assert library.lines(keys["RV-1"]) == []


def test_whoever_reads_outcomes_in_says_who_they_are(library, keys, tmp_path):
    with pytest.raises(QiError, match="carries a name"):
        library.join_outcomes("case,cpc\nRV-1,1\n", who=" ")
    with pytest.raises(UnreadableFile, match="cannot be opened"):
        library.join_outcomes(tmp_path / "gone.csv", who=WHO)


@pytest.mark.parametrize(
    ("header", "name"),
    [
        ("Return of Spontaneous Circulation", "any_rosc"),
        ("SURVIVAL TO DISCHARGE", "survived_to_discharge"),
        ("survived-event", "survived_event"),
        ("Sustained ROSC", "sustained_rosc"),
        ("C.P.C.", "cpc"),
        ("Modified Rankin Scale", "mrs"),
    ],
)
def test_names_of_columns_may_be_written_in_many_ways(header, name):
    rows, count, said = read("x.csv", f"\ufeffCase #\t{header}\r\n RV-1 \t1\r\n".encode())
    assert (count, said) == (1, [])
    assert [(row.line, row.case, dict(row.values)) for row in rows] == [(2, "RV-1", {name: 1})]


@pytest.mark.parametrize(
    ("cells", "value"),
    [("cpc,1", 1), ("cpc,5.0", 5), ("mrs,0", 0), ("mrs,6", 6), ("mrs,UNK", "unknown"), ("any_rosc,Y", True), ("any_rosc,0", False)],
)
def test_values(cells, value):
    name, _, cell = cells.partition(",")
    (row,), _, said = read("x.csv", f"case,{name}\nRV-1,{cell}\n".encode())
    assert row.values[name] == value
    assert type(row.values[name]) is type(value)
    assert said == []


@pytest.mark.parametrize("cells", ["cpc,0", "cpc,6", "cpc,1.5", "cpc,yes", "mrs,7", "mrs,-1", "any_rosc,2", "any_rosc,maybe"])
def test_values_out_of_their_scale_are_no_values(cells):
    name, _, cell = cells.partition(",")
    rows, count, said = read("x.csv", f"case,{name}\nRV-1,{cell}\n".encode())
    assert (rows, count) == ([], 1)
    assert [one.line for one in said] == [2, 2]
    assert f"“{cell}”" in said[0].what


def test_lines_are_counted_as_an_editor_counts_them():
    rows, _, said = read("x.csv", b'case,cpc,mrs\n\n"RV\n1",1,\nRV-2,2,2\nRV-3,9,1\n')
    assert [(row.line, row.case) for row in rows] == [(3, "RV\n1"), (5, "RV-2"), (6, "RV-3")]
    assert said == [Mismatch(6, "RV-3", "cpc: “9” is no whole number from 1 to 5, nor unknown; this cell is left out")]


def test_a_date_with_slashes_may_mean_two_days():
    (row, other), _, _ = read("x.csv", b"case,date,cpc\n1,04/05/2031,1\n2,2031-04-17T08:02:11-06:00,1\n")
    assert row.dates == (date(2031, 4, 5), date(2031, 5, 4))
    assert other.dates == (date(2031, 4, 17),)
