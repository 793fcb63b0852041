"""A list of the arrests that dispatch knows: read, refused line by line, kept once, and told from the cases."""

from datetime import date

import pandas as pd
import pytest

from qi.desk import known_arrests as known
from qi.desk.bring_in import bring_in
from qi.desk.over_time import Which, chosen
from qi.model.errors import QiError, UnreadableFile
from qi.trends.capture import capture
from tests.desk.conftest import AGENCY, SAMPLES
from tests.trends.cases import case
from tests.trends.cases import table as cohort


@pytest.fixture
def bring(library, tmp_path):
    def bring(text, agency=AGENCY):
        path = tmp_path / "dispatch.csv"
        path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
        return known.bring_list(library, path, who="M. Ortiz", agency=agency)

    return bring


def table(*rows):
    return pd.DataFrame(
        [
            {"key": key, "case_id": number, "agency": agency, "year": 2031, "month": 4, "has_recording": True, "measurable": True}
            for key, number, agency in rows
        ]
    )


def test_a_list_is_kept_once_with_number_and_day_alone(library, bring):
    text = "Incident Number,Patient,Call Date\nRV-1,J. Doe,2031-04-17\n\nRV-2,A. Roe,2031-05-02 08:14:00\n"
    done = bring(text)
    assert (done.rows, done.new, done.same, done.moved, done.refused) == (2, 2, 0, 0, ())
    assert done.words() == "2 rows: 2 arrests new, 0 known already"
    again = bring(text)
    assert (again.new, again.same) == (0, 2)
    kept = library.known_arrests(AGENCY)
    assert kept[["case_id", "year", "month", "source"]].to_numpy().tolist() == [
        ["RV-1", 2031, 4, "dispatch.csv"],
        ["RV-2", 2031, 5, "dispatch.csv"],
    ]
    everything = b"".join(path.read_bytes() for path in library.folder.rglob("*") if path.is_file())
    assert b"RV-2" in everything
    assert b"Doe" not in everything
    assert b"Roe" not in everything


@pytest.mark.parametrize(
    ("text", "day"),
    [
        ("case;date\n1;17.04.2031\n", "2031-04-17"),
        ("number\tday\n1\t2031-04-17T23:50:00-06:00\n", "2031-04-17"),
        ("case,date\n1,4/17/2031\n", "2031-04-17"),
        ("case,date\n1,17/4/2031\n", "2031-04-17"),
        ("case,date\n1,03/04/2031\n2,17/04/2031\n", "2031-04-03"),
        ("case,date\n1,03/04/2031\n2,04/17/2031\n", "2031-03-04"),
        ("case,date\n1,04/04/2031\n", "2031-04-04"),
        ("\ufeffcase,date\r\n1,2031-04-17\r\n1,2031-04-17\r\n", "2031-04-17"),
    ],
)
def test_plain_names_of_columns_and_forms_of_dates(library, bring, text, day):
    """In a list that writes the day first somewhere, it is first everywhere."""
    assert bring(text).refused == ()
    kept = library.known_arrests().set_index("case_id")
    assert f"{kept.loc['1', 'day']:%Y-%m-%d}" == day


def test_rows_that_cannot_be_used_are_refused_by_line_and_the_rest_is_kept(library, bring):
    done = bring(
        "case,date\nRV-1,2031-04-17\n,2031-04-18\nRV-3,last night\nRV-4,\nRV-5,2031-05-01\nRV-5,2031-06-01\nRV-6,2031-04-17,x\n"
    )
    assert (done.rows, done.new) == (7, 1)
    assert [str(one) for one in done.refused] == [
        "line 3: has no case number",
        "line 4, RV-3: “last night” is not understood as a date; right would be 2031-04-17",
        "line 5, RV-4: has no date",
        "line 6, RV-5: lines 6, 7 tell different days for this number",
        "line 7, RV-5: lines 6, 7 tell different days for this number",
        "line 8, RV-6: holds 3 cells where the header has 2",
    ]
    assert library.known_arrests()["case_id"].tolist() == ["RV-1"]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "no column holds the case number and the date"),
        ("case,when\n1,2031-04-17\n", "no column holds the date"),
        ("case,number,date\n1,1,2031-04-17\n", "both say case"),
        ("case,date\n1,03/04/2031\n", "line 2: “03/04/2031” can mean two days"),
        ("case,date\n1,13/04/2031\n2,04/13/2031\n", "lines 2, 3: some dates put the month first"),
        ('case,date\n"1,2031-04-17\n', "not CSV"),
        (b"case,date\n\xff\xfe,2031-04-17\n", "not UTF-8"),
    ],
)
def test_a_list_that_cannot_be_used_is_refused_as_a_whole(library, bring, text, words):
    with pytest.raises(UnreadableFile, match=words):
        bring(text)
    assert library.known_arrests().empty


def test_whose_arrests_they_are_must_be_said(bring, library, tmp_path):
    with pytest.raises(QiError, match="whose arrests"):
        bring("case,date\n1,2031-04-17\n", agency=" ")
    with pytest.raises(UnreadableFile, match="cannot be opened"):
        known.bring_list(library, tmp_path / "nothing.csv", who="M. Ortiz", agency=AGENCY)


def test_an_arrest_that_is_a_case_is_one_arrest_however_its_number_is_written(library, bring):
    """Three arrests known at this agency, two of them with a recording; counted by hand."""
    assert known.for_capture(library, table()) is None
    bring("case,date\nrv 2031/0107,2031-04-17\nRV-2031-0131,2031-04-20\nRV-2031-0200,2031-04-21\n")
    cases = table(("k1", "rv-2031-0107", AGENCY), ("k2", "rv-2031-0131", ""))
    told = known.for_capture(library, cases)
    assert told["case_id"].tolist()[:2] == ["rv-2031-0107", "rv-2031-0131"]
    found = capture(cases, told)
    assert found.months[["month", "known", "recorded"]].to_numpy().tolist() == [["2031-04", 3, 2]]


def test_the_same_number_at_another_agency_is_another_arrest(library, bring):
    bring("case,date\nRV-1,2031-04-17\n")
    bring("case,date\nRV-1,2031-04-18\n", agency="Lower Rillstone EMS")
    cases = table(("k1", "RV-1", AGENCY))
    assert capture(cases, known.for_capture(library, cases)).months["known"].tolist() == [2]
    only = known.for_capture(library, cases, AGENCY)
    assert capture(cases, only).months["known"].tolist() == [1]


def test_an_arrest_whose_case_was_taken_out_is_known_by_its_key(library):
    library.keep_known([("k1", date(2031, 4, 1))], agency=AGENCY, source="x", who="M. Ortiz")
    cases = table(("k1", "no number", AGENCY))
    assert known.for_capture(library, cases)["case_id"].tolist() == ["no number"]


CHOICE = cohort(
    *(
        case(day=day, station=station, source=source) | {"key": number, "case_id": number}
        for number, day, station, source in (
            ("RV-1", "2031-03-02", "2", "signed"),
            ("RV-2", "2031-01-01", "3", "machine"),
            ("RV-3", "2031-04-01", "2", "machine"),
        )
    )
)
LIST = "case,date\nRV-1,2031-03-02\nX-1,2031-03-04\nX-2,2031-05-05\nRV-2,2031-01-01\nRV-3,2031-03-31\n"


@pytest.fixture
def listed(library, bring):
    """The list in a library that holds a case which is not invented."""
    assert bring_in(library, SAMPLES / "rv-2031-0131", who="tester", agency=AGENCY).key
    bring(LIST)
    return library


@pytest.mark.parametrize(
    ("first", "last", "recorded", "arrests"),
    [
        ("", "", 3, 5),
        ("2031-03-01", "2031-03-31", 1, 2),  # of four arrests of the list that are no case of March one alone lies in it
        ("2031-03-04", "2031-03-31", 0, 1),
        ("2031-03-05", "2031-03-31", 0, 0),
        ("2031-03-05", "", 1, 2),
        ("", "2031-03-03", 2, 2),
    ],
)
def test_only_arrests_of_the_chosen_days_count_and_no_case_that_was_not_chosen_is_lost(listed, first, last, recorded, arrests):
    """Counted by hand. A case has its own day, whatever day the list has of it."""
    which = Which(first=first, last=last)
    told, why = known.over_choice(listed, CHOICE, which)
    assert why == ""
    rows = chosen(CHOICE, which)
    if not arrests:
        assert rows.empty
        assert told.empty
        return
    found = capture(rows, told).recorded
    assert (found.count, found.n) == (recorded, arrests)


@pytest.mark.parametrize(
    ("which", "words"),
    [
        (Which(groups={"station": ("2",)}), "does not tell station"),
        (Which("signed"), "does not tell which cases are signed"),
        (Which("machine", {"device_used": ("yes",), "shift": ()}), "does not tell ITD use or which cases are signed"),
    ],
)
def test_no_arrest_of_a_list_counts_where_cases_are_chosen_by_what_it_does_not_tell_and_why_is_said(listed, which, words):
    told, why = known.over_choice(listed, CHOICE, which)
    assert told is None
    assert words in why
    rows = chosen(CHOICE, which)
    if len(rows):
        found = capture(rows, told, why)
        assert found.recorded.n == len(rows)
        assert why in found.words()
        assert "would add them" not in found.words()
        assert why in found.in_short()


def test_without_a_list_or_with_invented_cases_alone_nothing_is_said(library, bring):
    assert known.over_choice(library, CHOICE, Which("signed")) == (None, "")
    bring(LIST)
    assert known.over_choice(library, CHOICE, Which()) == (None, "")
