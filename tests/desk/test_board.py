"""The report to the board: two tagged pages, cautions and banner, small cells hidden for sharing, words where there is little.

Whether the file is tagged and where its pages end is read by an independent library (pypdf).
"""

import io
import re
from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pypdf
import pytest

from qi.__main__ import main
from qi.desk import board, over_time, samples
from qi.desk.bring_in import bring_in
from qi.desk.charted import charted, wall
from qi.desk.over_time import Shown, Which
from qi.exports import printed
from qi.library.library import Library
from qi.model.cautions import LONG, SHORT
from qi.model.errors import QiError
from qi.trends import cohort
from qi.trends import cohort_store as store
from qi.trends.board_tables import Hiding
from qi.trends.cohort_store import About
from qi.trends.hidden_cells import HIDDEN
from qi.trends.hidden_shapes import POINTS, shape_of
from qi.trends.series import View
from tests.trends.cases import case, repeated, table

AT = datetime(2032, 1, 2, tzinfo=UTC)
BANNER = "Peer review, confidential under a law that we invented"


@pytest.fixture(scope="module")
def subjects(tmp_path_factory):
    with Library.open(tmp_path_factory.mktemp("board") / "library") as library:
        return over_time.subjects(library)


@pytest.fixture(scope="module")
def sample():
    return Shown((samples.OVER_THE_YEARS,), invented=True, stamp="")


def made(shown, subjects, **asked):
    data = board.board_pdf(shown, asked.pop("which", Which()), subjects=subjects, plans={}, banner=BANNER, at=AT, **asked)
    return pypdf.PdfReader(io.BytesIO(data))


def text_of(pdf):
    return " ".join(" ".join(page.extract_text() for page in pdf.pages).split()).replace("- ", "-")


@pytest.fixture(scope="module")
def inside(sample, subjects):
    return made(sample, subjects)


@pytest.fixture(scope="module")
def shared(sample, subjects):
    return made(sample, subjects, sharing=True)


def agency_of(folder, *cases):
    store.begin(folder, About("abc", AT))
    if cases:
        events = (cohort.events_table([], name) for name in ("pauses", "shocks"))
        store.put(folder, table(*cases), *events)
    return Shown((folder,), invented=False, stamp="")


def test_two_tagged_pages_with_banner_and_cautions(inside, shared):
    for pdf in (inside, shared):
        assert len(pdf.pages) == 2
        root = pdf.trailer["/Root"]
        assert root["/MarkInfo"]["/Marked"]
        assert "/StructTreeRoot" in root
        for page in pdf.pages:
            words = " ".join(page.extract_text().split())
            assert BANNER in words
            assert SHORT in words
        assert all(sentence in text_of(pdf) for sentence in LONG)


def test_page_one_answers_and_page_two_holds_the_rest(inside):
    first, second = (" ".join(page.extract_text().split()) for page in inside.pages)
    assert "Rillstone Valley EMS" in first
    assert "Capture: of" in first
    assert "unlikely by chance" in first
    assert "Where nothing changes at all, at least one of these 6 charts shows a signal by chance" in first
    for words in (
        "Utstein comparator",
        "CARES 2024",
        "not a target and no comparison",
        "ITD on",
        "Rhythm check",
        "Shift A",
        "digest",
    ):
        assert words in second


def test_the_changes_hidden_in_the_sample_agency_are_said(inside):
    """A training from April 2030 shortens pauses, a new device is at hand from November 2030 (agency.answers.json)."""
    first = " ".join(inside.pages[0].extract_text().split())
    assert re.search(r"Longest pause: From January 2029 to (March|April) 2030 \w+ months in a row were above", first)
    assert re.search(r"Time to device, ITD, from first compression: Since November 2030 \w+ months in a row are above", first)


def test_no_causal_word(inside):
    words = text_of(inside).casefold()
    for word in ("because of", "due to", "led to", "thanks to", "improved survival", "saved"):
        assert word not in words


def test_shared_report_names_no_count_of_1_to_10_patients(shared, inside):
    """Every way in which the report writes a count of patients: of n, n under a chart, a whole cell, cases in brackets."""
    small = r"(?<![\d.,])(?:[1-9]|10)"
    ways = (
        rf"{small} of \d+[:;,.) ]",
        rf"\d+ of {small}(?![\d.])",
        rf"(?<!\w)n {small}(?![\d.])",
        rf"\({small} cases",
        rf"{small} signed",
    )

    def counts(pdf):
        words = text_of(pdf).replace("Page 1 of 2", "").replace("Page 2 of 2", "")
        words = words.replace("counts of 1 to 10 patients", "")
        return [found for way in ways for found in re.findall(way, words)]

    assert counts(inside)
    assert counts(shared) == []
    assert HIDDEN in text_of(shared)


def test_every_printed_cell_of_a_shared_report_is_hidden_none_or_large(sample, subjects, monkeypatch):
    given = {}

    def kept(template, data, pictures, **_):
        given.update(data)
        return b""

    monkeypatch.setattr(printed, "pdf", kept)
    board.board_pdf(sample, Which(), subjects=subjects, plans={}, sharing=True)
    for name, counts in (("outcomes", (1, 2, 3, 4)), ("times", (1, 6)), ("causes", (3,)), ("bundles", (1, 2)), ("groups", (1, 2))):
        assert given[name]["rows"]
        for row in given[name]["rows"]:
            for column in counts:
                for number in re.findall(r"^\d+(?= of |$)|(?<= of )\d+", row[column]):
                    assert not 1 <= int(number) <= 10, (name, row)


def test_the_agencys_own_threshold(sample, subjects):
    """Below 30 rather than below 11."""
    words = text_of(made(sample, subjects, sharing=True, most_hidden=29))
    assert "counts of 1 to 29 patients" in words
    assert "22 of 54" not in words


@pytest.mark.parametrize("sharing", [False, True])
def test_an_agency_without_cases_gets_words(tmp_path, subjects, sharing):
    pdf = made(agency_of(tmp_path / "none"), subjects, sharing=sharing)
    assert len(pdf.pages) == 2
    assert "No measure has a number yet" in text_of(pdf)
    assert "no arrest is known" in text_of(pdf)


@pytest.mark.parametrize("sharing", [False, True])
def test_a_handful_of_cases(tmp_path, subjects, sharing):
    few = [case(day=f"2031-0{i + 1}-05", compression_fraction=0.8, survived_to_discharge="no") for i in range(4)]
    pdf = made(agency_of(tmp_path / "few", *few), subjects, sharing=sharing)
    words = text_of(pdf)
    assert len(pdf.pages) == 2
    assert ("4 cases" in words) is not sharing
    assert ("hidden cases" in words) is sharing


def test_calls_without_a_day_and_one_of_ten_stations(tmp_path, subjects):
    cases = [one for i in range(12) for one in repeated(12, day=None if i == 3 else f"2031-0{i % 9 + 1}-05", station=str(i))]
    pdf = made(agency_of(tmp_path / "many", *(one | {"compression_fraction": 0.8} for one in cases)), subjects)
    assert len(pdf.pages) == 2
    assert "4 more by station are not printed" in text_of(pdf)


def test_only_some_months(sample, subjects):
    words = text_of(made(sample, subjects, which=board.months("2031-01", "2031-06")))
    assert "January 2031 to June 2031" in words
    assert "Looked at: from 2031-01-01, until 2031-06-30" in words


def test_a_wrong_month_is_said():
    assert board.months("", "") == Which()
    with pytest.raises(QiError, match="2031-13"):
        board.months("2031-13", "")


def test_the_count_behind_a_share_is_hidden_too(subjects):
    """3 of 40 had the device in time: the share and its n would tell the 3."""
    column = "time_to_device_s.itd.first_compression"
    status = {f"{column}__status": "applied", "any_rosc": "no"}
    cases = [
        case(day=f"2031-{month:02d}-05", **{column: 100.0 if i < early else 400.0}, **status)
        for month, early in ((1, 3), (2, 15), (3, 20))
        for i in range(40)
    ]
    one = charted(table(*cases), subjects[column], View())
    assert board.for_sharing(one, Hiding(sharing=False)).points["value"].notna().all()
    shown = board.for_sharing(one, Hiding(sharing=True))
    assert np.isnan(shown.points["value"].iloc[0])
    assert shown.points["value"].isna().sum() == 2


def test_points_of_many_charts_are_a_table_that_can_be_shared(sample, subjects):
    columns = ["compression_fraction", "time_to_device_s.itd.first_compression"]
    cases = over_time.read(sample, [name for one in columns for name in board.chart_columns(subjects[one])])
    charts, _ = wall(cases, [subjects[one] for one in columns], View(), {})
    points = board.points_table(charts)
    assert shape_of(points) is POINTS
    assert points.groupby("measure")["count"].count().tolist()[0] == 0
    assert list(board.points_table([]).columns) == list(points.columns)
    assert isinstance(points, pd.DataFrame)


def test_the_command_writes_the_report(tmp_path, capsys):
    """A library that holds invented cases alone is shown with the sample agency's years."""
    file, place = tmp_path / "report.pdf", tmp_path / "library"
    assert main(["board", str(file), "--library", str(place)]) == 1
    assert "there is no cohort table yet" in capsys.readouterr().err
    with Library.open(place) as library:
        bring_in(library, samples.FOLDER / "rv-2031-0131", who="tester", agency=samples.AGENCY, invented=True)
    assert main(["board", str(file), "--library", str(place), "--sharing", "--from", "2031-01"]) == 0
    assert str(file) in capsys.readouterr().out
    words = text_of(pypdf.PdfReader(file))
    assert "January 2031 to December 2031" in words
    assert HIDDEN in words
    assert main(["board", str(file), "--library", str(place), "--until", "June"]) == 1
    assert "write it as 2031-01" in capsys.readouterr().err
