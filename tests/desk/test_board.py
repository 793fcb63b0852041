"""The report to the board: two tagged pages, cautions and banner, small cells hidden for sharing, words where there is little.

Whether the file is tagged and where its pages end is read by an independent library (pypdf).
"""

import io
import re
import shutil
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

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
from qi.model.errors import BadTable, QiError
from qi.model.paper import A4, LETTER, PAPERS
from qi.trends import board as reports
from qi.trends import cohort
from qi.trends import cohort_store as store
from qi.trends.baselines import Excluded, Plan
from qi.trends.board import Told
from qi.trends.board_tables import MOST_GROUPS, Hiding, outcomes_table
from qi.trends.cohort_store import About
from qi.trends.hidden_cells import HIDDEN
from qi.trends.hidden_shapes import shape_of
from qi.trends.series import BETWEEN_CASES, BETWEEN_TIMES, CASES, MEDIANS, PER_MINUTE, SHARES, View
from qi.trends.signals import BEYOND_LIMITS
from tests.exports.test_printed import SIZES_MM, size_of
from tests.exports.test_printed import inside as within
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


def words_of(page):
    """Every word on a page, in order of letters; one that ends a line at its hyphen is whole."""
    return sorted(" ".join(page.extract_text().split()).replace("- ", "-").split())


@pytest.mark.parametrize("sharing", [False, True])
def test_on_letter_it_says_the_same_on_two_pages_too(sample, subjects, inside, shared, sharing):
    on_a4, on_letter = shared if sharing else inside, made(sample, subjects, sharing=sharing, paper=LETTER)
    for pdf, paper in ((on_a4, A4), (on_letter, LETTER)):
        assert [size_of(page) for page in pdf.pages] == [SIZES_MM[paper]] * 2
        assert all(within(page) for page in pdf.pages)
    assert [words_of(page) for page in on_letter.pages] == [words_of(page) for page in on_a4.pages]


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize(
    ("name", "fewest"), [("{}", 5), ("{} of Rillstone Valley, by the old bridge over the river, second building on the left", 1)]
)
def test_however_many_stations_and_shifts_there_are_it_has_two_pages(sample, subjects, monkeypatch, paper, name, fewest):
    """Twelve of each under a banner of three lines; those that found no room are counted, and none else is left out."""
    chosen = over_time.chosen

    def grouped(*asked):
        table = chosen(*asked)
        return table.assign(**{by: [name.format(i % 12) for i in range(len(table))] for by in ("station", "shift")})

    monkeypatch.setattr(over_time, "chosen", grouped)
    data = board.board_pdf(sample, Which(), subjects=subjects, plans={}, banner="Peer review " * 25, paper=paper, at=AT)
    pdf = pypdf.PdfReader(io.BytesIO(data))
    assert len(pdf.pages) == 2
    words = text_of(pdf)
    for way in ("station", "shift"):
        printed_rows = len(set(re.findall(rf"{way.capitalize()} (\d+) ", words)))
        assert f"{12 - printed_rows} more by {way} are not printed" in words
        assert fewest <= printed_rows <= MOST_GROUPS
    assert all(sentence in words for sentence in LONG)


def test_what_is_too_much_beside_the_groups_takes_none_of_them_away(sample, subjects):
    pdf = made(sample, subjects, why="No list of dispatch was brought in. " * 400)
    assert len(pdf.pages) > 2
    assert "Station 3" in text_of(pdf)


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


def test_of_cases_chosen_by_treatment_no_outcome_is_printed_and_the_report_says_why(sample, subjects):
    for groups in ({"device_used": ("yes",)}, {"airway_kind": ("tracheal_tube",)}):
        for sharing in (False, True):
            text = text_of(made(sample, subjects, which=Which(groups=groups), sharing=sharing))
            assert "No outcome is shown of cases chosen by" in text
            assert "Utstein comparator" not in text
            assert "Time to the device, the first shock and epinephrine" in text
    text = text_of(made(sample, subjects, which=Which(groups={"station": ("2",)})))
    assert "No outcome is shown" not in text
    assert "Utstein comparator" in text


def test_the_changes_hidden_in_the_sample_agency_are_said(inside):
    """A training from April 2030 shortens pauses, a new device is at hand from November 2030 (agency.answers.json)."""
    first = " ".join(inside.pages[0].extract_text().split())
    assert re.search(r"Longest pause: From January 2029 to (March|April) 2030 \w+ months in a row were above", first)
    assert re.search(r"ITD on, from first compression, within 3:00 min: Since November 2030 \w+ months in a row are above", first)


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


@pytest.mark.parametrize("sort", [CASES, BETWEEN_CASES, BETWEEN_TIMES])
def test_a_chart_whose_points_are_single_cases_is_not_for_sharing(sample, subjects, sort):
    """Their numbers stand under it, and the newest is named over it, whatever becomes of the values."""
    subject = subjects["compression_fraction"]
    one = charted(over_time.read(sample, board.chart_columns(subject)), subject, View(sort=sort))
    assert "rv-2031-" in board.chart_picture(one, Hiding(sharing=False), alone=True)
    with pytest.raises(BadTable, match="single cases is not for sharing"):
        board.chart_picture(one, Hiding(sharing=True), alone=True)


def test_points_of_many_charts_are_hidden_each_by_its_own_chart(sample, subjects):
    columns = ["compression_fraction", "time_to_device_s.itd.first_compression"]
    cases = over_time.read(sample, [name for one in columns for name in board.chart_columns(subjects[one])])
    charts, _ = wall(cases, [subjects[one] for one in columns], View(), {})
    points = board.points_table(charts, Hiding(sharing=False))
    assert shape_of(points) is None
    assert points.groupby("measure")["count"].count().tolist()[0] == 0
    shared = board.points_table(charts, Hiding(sharing=True))
    assert shared["value"].isna().sum() > points["value"].isna().sum()
    rows = 0
    for one in charts:
        drawn = board.for_sharing(one, Hiding(sharing=True)).points
        part = shared.iloc[rows : rows + len(drawn)]
        for name in ("n", "value", "centre"):
            assert part[name].to_numpy() == pytest.approx(drawn[name].to_numpy(), nan_ok=True)
        rows += len(drawn)
    few = shared[(points["n"] > 0) & (points["n"] <= 10)]
    assert few[["n", "value"]].isna().all(axis=None)
    assert few["hidden"].str.match(r"n, (count, )?value").all()
    assert list(board.points_table([], Hiding(sharing=False)).columns) == list(points.columns)


def test_the_centre_goes_where_a_point_is_hidden_since_the_median_of_an_odd_number_is_one_of_them(subjects):
    """3, 15 and 20 of 40 in time: the centre would be 15/40; 1/11 of an odd number of months was told like that."""
    column = "time_to_device_s.itd.first_compression"

    def drawn(*early):
        status = {f"{column}__status": "applied", "any_rosc": "no"}
        cases = [
            case(day=f"2031-0{month}-05", **{column: 100.0 if i < count else 400.0}, **status)
            for month, count in enumerate(early, 1)
            for i in range(40)
        ]
        return charted(table(*cases), subjects[column], View())

    one = drawn(3, 15, 20)
    assert one.drawn.points["centre"].unique().tolist() == [15 / 40]
    shown = board.for_sharing(one, Hiding(sharing=True))
    assert shown.points["centre"].isna().all()
    picture = board.chart_picture(one, Hiding(sharing=True), alone=True)
    assert "they would tell of the points that are hidden" in picture
    whole = board.for_sharing(drawn(12, 15, 20), Hiding(sharing=True))
    assert whole.points["centre"].tolist() == [15 / 40] * 3


def test_a_share_goes_where_few_have_a_value_and_were_not_judged(subjects):
    """43 with a depth, 40 of them judged: the chart of medians shows the 43."""
    verdicts = ["met"] * 20 + ["not met"] * 20
    cases = [
        case(day=f"2031-0{month}-05", compression_depth_mm=55.0, compression_depth_mm__verdict=word)
        for month in (1, 2, 3)
        for word in verdicts + ["no limit set"] * (3 if month == 1 else 0)
    ]
    depth = subjects["compression_depth_mm"]
    medians, shares = (charted(table(*cases), depth, View(sort=sort)) for sort in (MEDIANS, SHARES))
    assert board.for_sharing(medians, Hiding(sharing=True)).points["n"].tolist() == [43, 40, 40]
    shown = board.for_sharing(shares, Hiding(sharing=True)).points
    assert shown["value"].isna().tolist() == [True, False, False]


def test_few_without_a_number_are_not_told_by_the_number_of_all_cases_that_the_report_prints(subjects):
    """Three of 123 cases have no depth; n of the months would add up to the others."""
    cases = [
        case(day=f"2031-0{month}-05", compression_depth_mm=None if month == 1 and i < 3 else 55.0)
        for month in (1, 2, 3)
        for i in range(41)
    ]
    one = charted(table(*cases), subjects["compression_depth_mm"], View(sort=MEDIANS))
    assert one.looked_at == 123
    shown = board.for_sharing(one, Hiding(sharing=True)).points
    assert shown["n"].isna().any()
    more = [*cases, *(case(day="2031-02-05") for _ in range(12))]
    shown = board.for_sharing(charted(table(*more), subjects["compression_depth_mm"], View(sort=MEDIANS)), Hiding(sharing=True))
    assert shown.points["n"].tolist() == [38, 41, 41]


def test_few_whose_outcome_is_not_known_are_not_told_by_the_number_of_all_cases(subjects):
    answers = {"survived_to_discharge": "no", "sustained_rosc": "no", "witnessed": "bystander", "first_rhythm": "VF"}
    cases = table(*repeated(60, **answers), *repeated(60, **answers | {"first_rhythm": "asystole"}), *repeated(3))
    shown = outcomes_table(cases, Hiding(sharing=True)).rows[0]
    assert shown[0] == "All EMS-treated"
    assert set(shown[2:]) == {HIDDEN}
    many = table(*repeated(60, **answers), *repeated(60, **answers | {"first_rhythm": "asystole"}), *repeated(30))
    assert outcomes_table(many, Hiding(sharing=True)).rows[0][1] == "150"
    assert outcomes_table(many, Hiding(sharing=True)).rows[0][3].startswith("0 of 120")


def test_events_per_minute_are_shared_with_the_cases_as_their_n(sample, subjects):
    subject = subjects["pauses_over_limit"]
    cases = over_time.read(sample, board.chart_columns(subject))
    one = charted(cases, subject, View(sort=PER_MINUTE))
    shown = board.for_sharing(one, Hiding(sharing=True))
    known = ~shown.points["n"].isna().to_numpy()
    assert shown.n_name == "n"
    assert (shown.points["n"][known] == one.behind[known]).all()
    assert (shown.points["n"][known] > 10).all()
    assert shown.points["value"].notna().tolist() == known.tolist()
    assert "Minutes of CPR stand" not in board.chart_picture(one, Hiding(sharing=True), alone=True)


def test_a_moving_range_would_tell_the_hidden_value_beside_it(sample, subjects):
    subject = subjects["compression_fraction"]
    one = charted(over_time.read(sample, board.chart_columns(subject)), subject, View(kind="mr"))
    assert board.for_sharing(one, Hiding(sharing=True)).points["value"].isna().all()


def test_the_command_writes_the_report(tmp_path, capsys):
    """A library that holds invented cases alone is shown with the sample agency's years."""
    file, place = tmp_path / "report.pdf", tmp_path / "library"
    assert main(["board", str(file), "--library", str(place)]) == 1
    assert "there is no cohort table yet" in capsys.readouterr().err
    with Library.open(place) as library:
        bring_in(library, samples.FOLDER / "rv-2031-0131", who="tester", agency=samples.AGENCY, invented=True)
    (place / "library.toml").write_text('[agency]\npaper = "letter"\n', encoding="utf-8")
    assert main(["board", str(file), "--library", str(place), "--sharing", "--from", "2031-01"]) == 0
    assert str(file) in capsys.readouterr().out
    assert [size_of(page) for page in pypdf.PdfReader(file).pages] == [SIZES_MM[LETTER]] * 2
    words = text_of(pypdf.PdfReader(file))
    assert "January 2031 to December 2031" in words
    assert HIDDEN in words
    assert main(["board", str(file), "--library", str(place), "--until", "June"]) == 1
    assert "write it as 2031-01" in capsys.readouterr().err


DEVICE = "time_to_device_s.itd.first_compression"


def test_a_measure_is_called_as_its_chart_is_wherever_the_report_speaks_of_it(sample, subjects):
    """More often in time is a share above its centre: under the name of the time it would read as later."""
    columns = ("compression_fraction", DEVICE)
    cases = over_time.read(sample, [*board.needed(), *(name for one in columns for name in board.chart_columns(subjects[one]))])
    charts, _ = wall(cases, [subjects[one] for one in columns], View(), {})
    told = [Told(one.subject, one.view, one.chart, one.signals, one.drawn.name) for one in charts]
    name = "ITD on, from first compression, within 3:00 min"
    report = reports.board(cases, pd.DataFrame(), told, None, hiding=Hiding(sharing=False))
    assert name in [measure for measure, _ in report.changes]
    still = [replace(one, signals=()) for one in told]
    quiet = reports.board(cases, pd.DataFrame(), still, None, hiding=Hiding(sharing=False))
    assert name in quiet.quiet
    assert any(line.startswith(f"{name}: ") for line in report.averaged)
    for words in (str(report.changes), quiet.quiet, str(report.averaged)):
        assert "Time to device" not in words


def of_months(**counts):
    """Cases of their month: label to count, compression fraction, and how many did not meet the limit."""
    return table(
        *(
            case(
                day=f"{label[1:5]}-{label[5:]}-05",
                compression_fraction=value,
                compression_fraction__verdict="not met" if i < missed else "met",
            )
            for label, (count, value, missed) in counts.items()
            for i in range(count)
        )
    )


def test_a_month_that_a_person_left_out_is_in_no_quarter_of_the_shared_report(subjects):
    """January at 20 % was left out, February and March lie at 80 %: so does the quarter."""
    subject = subjects["compression_fraction"]
    cases = of_months(m203101=(40, 0.2, 0), m203102=(15, 0.8, 0), m203103=(15, 0.8, 0), m203104=(30, 0.7, 0))
    plans = {subject.column: Plan(excluded=(Excluded("2031-01", "a broken sensor"),))}
    months, _ = wall(cases, [subject], View(), plans)
    (shared,) = board._by_quarter(cases, months, plans)
    assert shared.drawn.points["value"].tolist() == pytest.approx([0.8, 0.7])
    assert shared.drawn.points["n"].tolist() == [30, 30]
    (all_of_them,) = board._by_quarter(cases, months, {})
    assert all_of_them.drawn.points["n"].tolist() == [70, 30]


def test_a_month_beyond_the_limits_gives_nothing_away_in_the_shared_report(subjects):
    """Value and n of a month of 21, less from a quarter of 29, would be those of the 8 others; its limit follows its n."""
    subject = subjects["compression_fraction"]
    months = {f"m{2029 + i // 12}{i % 12 + 1:02d}": (21, 0.8, 18) if i == 25 else (12, 0.8, 2) for i in range(30)}
    cases = of_months(**months)
    one = charted(cases, subject, View(sort="share of cases", kind="p"))
    assert [signal.rule for signal in one.signals] == [BEYOND_LIMITS]
    told = [Told(one.subject, one.view, one.chart, one.signals, one.drawn.name)]
    said = {
        sharing: reports.board(cases, pd.DataFrame(), told, None, hiding=Hiding(sharing=sharing)).changes[0][1]
        for sharing in (False, True)
    }
    assert "n 21" in said[False]
    assert re.fullmatch(r"February 2031 lies below the lower limit: rare by chance for any one point\.", said[True])


def test_signed_cases_that_were_measured_anew_are_told_apart(subjects):
    cases = table(
        *repeated(30, source="signed", version=1),
        *repeated(20, source="signed", version=1, measured_anew=True),
        *repeated(5, excluded="training", source="signed", version=1, measured_anew=True),
        *repeated(15),
    )

    def said(sharing):
        return reports.board(cases, pd.DataFrame(), [], None, hiding=Hiding(sharing)).cases

    assert "65 cases: 50 signed, 15 as the machine finds them" in said(sharing=False)
    assert "signed under other definitions and measured anew since: 20" in said(sharing=False)
    few = cases.assign(measured_anew=[i < 4 for i in range(len(cases))])
    shared = reports.board(few, pd.DataFrame(), [], None, hiding=Hiding(sharing=True)).cases
    assert f"measured anew since: {HIDDEN}" in shared
    none = cases.assign(measured_anew=False)
    assert "anew" not in reports.board(none, pd.DataFrame(), [], None, hiding=Hiding(sharing=False)).cases


def test_the_report_of_a_library_counts_the_list_by_day_and_says_why_it_does_not(tmp_path):
    """One of the two arrests known in March 2031 is a case, of a list of four; counted by hand."""
    with Library.open(tmp_path / "library") as library:
        for name in ("rv-2031-0107", "rv-2031-0112"):
            assert bring_in(library, samples.FOLDER / name, who="tester", agency=samples.AGENCY).key
        arrests = [("rv-2031-0107", 2), ("X-1", 4), ("rv-2031-0112", 9), ("X-2", 70)]
        days = [(number, date(2031, 3, 1) + timedelta(days=day)) for number, day in arrests]
        library.keep_known(days, agency=samples.AGENCY, source="dispatch", who="tester")
        pdf = board.of_library(library, board.months("2031-03", "2031-03"), sharing=False)
        words = text_of(pypdf.PdfReader(io.BytesIO(pdf)))
        assert "of 2 arrests that dispatch and care records know, recorded: 1 of 2" in words
        pdf = board.of_library(library, Which(groups={"station": ("3",)}), sharing=False)
        words = text_of(pypdf.PdfReader(io.BytesIO(pdf)))
        assert "it does not tell station" in words
        assert "a list from dispatch would add them" not in words


def test_the_report_draws_the_limit_of_the_cases_protocols(tmp_path):
    strict = 'extends = "adult-2020"\n[limits.compression_fraction]\nlimit = ">= 0.95"\n'
    folder = tmp_path / "rv-2031-0107"
    shutil.copytree(samples.FOLDER / "rv-2031-0107", folder)
    header = folder / "case.toml"
    text = header.read_text(encoding="utf-8")
    header.write_text(text.replace('id = "rv-2031-0107"', 'id = "rv-2031-0107"\nprotocol = "ours"'), encoding="utf-8")
    with Library.open(tmp_path / "library") as library:
        (library.folder / "protocols").mkdir(exist_ok=True)
        (library.folder / "protocols" / "ours.toml").write_text(strict, encoding="utf-8")
        assert bring_in(library, folder, who="tester", agency=samples.AGENCY).key
        words = text_of(pypdf.PdfReader(io.BytesIO(board.of_library(library, Which(), sharing=False))))
        assert "Compression fraction at least 95 %" in words
        assert bring_in(library, samples.FOLDER / "rv-2031-0112", who="tester", agency=samples.AGENCY).key
        words = text_of(pypdf.PdfReader(io.BytesIO(board.of_library(library, Which(), sharing=False))))
        assert "Not the same in every protocol, so that no limit is drawn: Compression fraction." in words
        assert "Compression fraction at least" not in words


def test_it_is_said_truly_under_which_points_n_stands(sample, subjects):
    """34 months are more than there is room for numbers of two digits under a small chart."""
    said = text_of(made(sample, subjects))
    assert re.search(r"n stands under every (second|third|fourth) point at least", said)
    assert "n stands under it," not in said
