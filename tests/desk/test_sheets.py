"""Sheets on the desk: of the signed version alone, beside the agency, as tagged PDF and as a page that needs nothing else."""

import io
import re
import shutil
from dataclasses import replace
from html import unescape

import pandas as pd
import pypdf
import pytest

from qi.desk import cohort, sheets, signing
from qi.desk.bring_in import bring_in
from qi.desk.correcting import correction
from qi.desk.opened import open_case, review_of
from qi.exports import printed
from qi.feedback.sheet import FEWEST, edited
from qi.library.library import Library
from qi.model.cautions import LONG, SHORT
from qi.model.errors import Locked, NoSuchCase, QiError
from qi.model.journal import REVIEWER
from qi.model.paper import A4, LETTER, PAPERS
from tests.desk.conftest import AGENCY, SAMPLES
from tests.exports.test_printed import SIZES_MM, elements, inside, size_of

CASES = sorted(path.name for path in SAMPLES.glob("rv-*") if path.is_dir())
BANNER = "Rillstone Valley EMS: confidential peer review"


def signed(library, key):
    """The case signed as it stands."""
    opened, lines = open_case(library, key), library.lines(key)
    signing.sign(library, opened, lines, review_of(opened, lines), who="M. Ortiz", after=lines[-1].number if lines else 0)


def flat(text):
    """A text without line breaks and kinds of blanks; hyphens at ends of lines are not used."""
    return re.sub(r"\s+", " ", text)


@pytest.fixture(scope="module", params=CASES)
def made(request, tmp_path_factory):
    """Each sample case signed: its sheet and review, for tests that write nothing."""
    with pytest.MonkeyPatch.context() as patch:
        patch.delenv("QI_DATABASE", raising=False)
        with Library.open(tmp_path_factory.mktemp("sheets")) as library:
            key = bring_in(library, SAMPLES / request.param, who="tester", agency=AGENCY).key
            signed(library, key)
            review, _ = sheets.signed(library, key)
            return sheets.sheet_of(library, key), review


@pytest.mark.parametrize("paper", PAPERS)
def test_the_pdf_holds_every_sentence_on_at_most_two_tagged_pages(made, paper):
    sheet, review = made
    reader = pypdf.PdfReader(io.BytesIO(sheets.as_pdf(sheet, review, banner=BANNER, paper=paper)))
    assert 1 <= len(reader.pages) <= 2
    assert {size_of(page) for page in reader.pages} == {SIZES_MM[paper]}
    assert all(inside(page) for page in reader.pages)
    said = flat(" ".join(page.extract_text() for page in reader.pages))
    for sentence in sheet.sentences:
        assert flat(sentence.text) in said
    for caution in sheet.cautions:
        assert flat(caution) in said
    rests = said.partition("What each sentence rests on")[2]
    for name, head in sheets.SECTIONS.items():
        told = [sheets.rests_on(one).removeprefix("rests on: ").removeprefix("rests on ") for one in getattr(sheet, name)]
        assert flat(f"{head}: {' '.join(f'({at}) {one}.' for at, one in enumerate(told, 1))}") in rests
    for page in reader.pages:
        assert SHORT[:50] in page.extract_text()
        assert BANNER in page.extract_text()
    told = elements(reader.trailer["/Root"]["/StructTreeRoot"])
    assert [one["/S"] for one in told].count("/H1") == 1
    assert [one["/S"] for one in told].count("/H2") >= 6
    alt = next(one["/Alt"] for one in told if one["/S"] == "/Figure")
    assert alt.startswith("The case in one picture")
    assert not [one for page in reader.pages for one in page.images], "the picture is drawn, not an image of dots"


def test_the_page_needs_nothing_else_and_runs_nothing(made):
    sheet, review = made
    page = sheets.as_html(sheet, review, banner=BANNER)
    said = flat(unescape(re.sub(r"<[^>]+>", "", page)))
    for text in (*(sentence.text for sentence in sheet.sentences), *sheet.cautions, SHORT, BANNER):
        assert flat(text) in said
    assert "<script" not in page
    assert not re.search(r"(?:src|href|action)\s*=|url\(|@import", page)
    assert "default-src 'none'" in page
    assert re.findall(r"@page { size: (\w+);", page) == ["a4"]
    assert re.findall(r"@page { size: (\w+);", sheets.as_html(sheet, review, paper=LETTER)) == ["letter"]
    assert re.findall(r"https?://[^\s\"'<]+", page) == ["http://www.w3.org/2000/svg"]


def test_no_name_of_crew_unit_or_station_is_in_it(made):
    sheet, review = made
    pages = pypdf.PdfReader(io.BytesIO(sheets.as_pdf(sheet, review))).pages
    held = sheets.as_html(sheet, review) + " ".join(page.extract_text() for page in pages)
    facts = review.case.facts
    for private in (*facts.members, facts.unit, f"station {facts.station}", "M. Ortiz", "tester"):
        assert not private or private.casefold() not in held.casefold()


def test_what_a_person_wrote_is_text_on_the_page_and_never_markup(library, good):
    signed(library, good)
    review, _ = sheets.signed(library, good)
    odd = '<img src=x onerror="alert(1)"> & #emph[typst] $x$'
    sheet = edited(sheets.sheet_of(library, good), {"errors.seal": odd})
    page = sheets.as_html(sheet, review, banner=odd)
    assert odd not in page
    assert page.count("&lt;img src=x") == 3  # the banner, the sentence, and what it rests on
    part = sheets.Page(sheet, sheets.picture(review)).part()
    assert "<img src=x" not in part
    assert 'src="data:image/svg+xml;base64,' in part
    said = flat(pypdf.PdfReader(io.BytesIO(sheets.as_pdf(sheet, review))).pages[0].extract_text())
    assert flat(odd) in said
    assert "(the reviewer’s words)" in said


def test_an_unsigned_case_has_no_sheet(library, good):
    with pytest.raises(QiError, match="not signed yet"):
        sheets.sheet_of(library, good)


def test_it_is_made_of_the_signed_version_and_not_of_what_came_after(library, good):
    signed(library, good)
    before = sheets.sheet_of(library, good)
    library.reopen(good, "another look", who="M. Ortiz", after=1)
    opened = open_case(library, good)
    pause = correction(review_of(opened, library.lines(good)), "add", "pause", 400.0, 430.0, why="seen", value="moving")
    library.write(good, "correction", pause.record(), who="M. Ortiz", after=2)
    assert sheets.sheet_of(library, good) == before
    signed(library, good)
    after = sheets.sheet_of(library, good)
    assert after.work_on[0].text.startswith("Moving the patient: one pause took 30 s")
    assert REVIEWER not in after.work_on[0].text


def others(library, key, monkeypatch, rows):
    """The cohort table of the library as it would be with more cases like this one's row, changed by `rows`."""
    for _ in cohort.build(library):
        pass
    own = sheets.cohort.read(cohort.folder(library))
    own = own[own["key"] == key]
    table = pd.concat([own, *(own.assign(key=f"other-{at}", **row) for at, row in enumerate(rows))], ignore_index=True)
    monkeypatch.setattr(sheets.cohort, "read", lambda folder, columns: table[columns])


def test_the_agency_is_its_other_cases_of_twelve_months_under_the_same_protocol(library, good, monkeypatch):
    signed(library, good)
    review, _ = sheets.signed(library, good)
    day = pd.Timestamp(review.case.start.replace(tzinfo=None)).normalize()
    fits = [{"compression_fraction": 0.70 + 0.01 * at, "call_day": day - pd.Timedelta(days=at)} for at in range(FEWEST + 1)]
    not_these = [
        {"compression_fraction": 0.1, "call_day": day + pd.Timedelta(days=1)},
        {"compression_fraction": 0.1, "call_day": day - pd.DateOffset(months=12)},
        {"compression_fraction": 0.1, "excluded": "trauma"},
        {"compression_fraction": 0.1, "protocol": "child-2020"},
        {"compression_fraction": 0.1, "agency": "Another"},
    ]
    others(library, good, monkeypatch, [*fits, *not_these])
    agency = sheets.agency_of(library, good, review)
    assert agency.cases == FEWEST + 1
    told = agency.of["compression_fraction"]
    assert (told.n, round(told.low, 3), round(told.median, 3), round(told.high, 3)) == (11, 0.725, 0.75, 0.775)
    first = sheets.sheet_of(library, good).compared[0].text
    assert first.endswith("agency median 75\u00a0%, middle half 72\u00a0% to 77\u00a0% (11 cases).")


def test_a_case_in_a_small_agency_shows_the_count_alone(library, good, monkeypatch):
    signed(library, good)
    others(library, good, monkeypatch, [{"compression_fraction": 0.5}] * 3)
    assert [one.text for one in sheets.sheet_of(library, good).compared] == [
        "The agency’s cases of the 12 months up to this one under the same protocol: 3 other cases, too few to compare with."
    ]


def test_without_a_cohort_table_or_a_day_the_comparison_is_left_out_and_said(library, good):
    signed(library, good)
    shutil.rmtree(cohort.folder(library), ignore_errors=True)
    assert "has not been made yet" in sheets.sheet_of(library, good).compared[0].text
    review, _ = sheets.signed(library, good)
    undated = replace(review, case=replace(review.case, start=None))
    assert "not recorded" in sheets.agency_of(library, good, undated).why_not


def test_what_was_sent_stays_as_it_was(library, good):
    signed(library, good)
    review, version = sheets.signed(library, good)
    sheet = edited(sheets.sheet_of(library, good), {"errors.seal": "In our words."})
    sent = sheets.send(library, good, sheet, review, version, who="M. Ortiz")
    assert set(sent.crew) == set(review.case.facts.members)
    assert sheets.read(sent) == sheet
    assert list(sheets.masked(sent).values()) == ["crew member 1", "crew member 2", "crew member 3"]
    sheets.keep(library, good, sheets.sheet_of(library, good), review, version, who="M. Ortiz")
    first, second = library.sheets(good)
    assert (first, second.sent_at) == (sent, None)
    page = sheets.page_of(first, BANNER, LETTER)
    assert page.html() == sheets.as_html(sheet, review, banner=BANNER, paper=LETTER)
    with pytest.raises(Locked):
        library.send_sheet(good, 1, [], who="M. Ortiz")


@pytest.mark.parametrize(("each", "letters", "pages"), [(1, 120, 2), (2, 600, 3), (6, 600, 5)])
def test_two_pages_are_the_most_however_much_is_written(library, good, each, letters, pages):
    signed(library, good)
    review, version = sheets.signed(library, good)
    more = {name: [("in our own words " * 40)[:letters].strip()] * each for name in sheets.SECTIONS}
    sheet = edited(sheets.sheet_of(library, good), {}, more)
    assert len(pypdf.PdfReader(io.BytesIO(sheets.as_pdf(sheet, review))).pages) >= pages
    if pages > 2:
        with pytest.raises(QiError, match=r"takes \d pages, and 2 are the most"):
            sheets.send(library, good, sheet, review, version, who="M. Ortiz")
        assert library.sheets(good) == []
    else:
        assert sheets.keep(library, good, sheet, review, version, who="M. Ortiz").number == 1


def test_a_sheet_that_fits_on_one_paper_alone_is_refused(library, good):
    """The agency may change its paper later, and a sheet that was sent is printed on what is set then."""
    signed(library, good)
    review, version = sheets.signed(library, good)
    for letters in range(100, 300, 10):
        more = {name: [("in our own words " * 40)[:letters].strip()] * 4 for name in sheets.SECTIONS}
        sheet = edited(sheets.sheet_of(library, good), {}, more)
        taken = {
            paper: printed.count("sheet", sheets._data(sheet, "", paper), {"case": sheets.picture(review)}) for paper in PAPERS
        }
        if taken[LETTER] == 3:
            break
    assert taken == {A4: 2, LETTER: 3}
    with pytest.raises(QiError, match="takes 3 pages, and 2 are the most, on A4 as on letter"):
        sheets.keep(library, good, sheet, review, version, who="M. Ortiz")


@pytest.mark.parametrize("paper", PAPERS)
def test_the_command_writes_on_the_paper_of_the_settings(library, good, tmp_path, paper):
    (library.folder / "library.toml").write_text(f'[agency]\npaper = "{paper}"\n', encoding="utf-8")
    signed(library, good)
    review, version = sheets.signed(library, good)
    number = library.about(good).case_id
    for name in ("fresh", "kept"):
        sheets.write(library, number, tmp_path / f"{name}.pdf", who="x")
        sheets.write(library, number, tmp_path / f"{name}.html", who="x")
        assert {size_of(page) for page in pypdf.PdfReader(tmp_path / f"{name}.pdf").pages} == {SIZES_MM[paper]}
        assert f"@page {{ size: {paper};" in (tmp_path / f"{name}.html").read_text(encoding="utf-8")
        sheets.keep(library, good, sheets.sheet_of(library, good), review, version, who="x")


def test_what_each_sentence_rests_on_is_on_the_web_page_in_words(made):
    sheet, review = made
    page = unescape(sheets.as_html(sheet, review))
    rests = page[page.index("What each sentence rests on") :]
    labels = {one.id: one.label for one in review.numbers}
    assert rests.count("<li>") >= len(sheet.sentences)
    for said in sheet.sentences:
        assert f"“{said.text}” {sheets.rests_on(said)}." in rests
        assert all(labels[id_] in rests for id_ in said.rests_on)
    assert any(said.rests_on for said in sheet.work_on)


def test_the_command_writes_by_the_file_s_ending_and_what_was_kept(library, good, tmp_path):
    signed(library, good)
    review, version = sheets.signed(library, good)
    sheets.keep(library, good, edited(sheets.sheet_of(library, good), {"errors.seal": "In our words."}), review, version, who="x")
    number = library.about(good).case_id
    sheets.write(library, number, tmp_path / "a.pdf", who="x")
    sheets.write(library, number, tmp_path / "a.html", who="x")
    assert (tmp_path / "a.pdf").read_bytes().startswith(b"%PDF-")
    assert "In our words." in (tmp_path / "a.html").read_text(encoding="utf-8")
    assert "In our words." in pypdf.PdfReader(tmp_path / "a.pdf").pages[0].extract_text()
    with pytest.raises(QiError, match=r"\.pdf or \.html"):
        sheets.write(library, number, tmp_path / "a.doc", who="x")
    with pytest.raises(NoSuchCase):
        sheets.write(library, "nosuch", tmp_path / "a.pdf", who="x")


def test_the_long_caution_is_there():
    assert LONG[-1].startswith("A process number predicts no outcome")
