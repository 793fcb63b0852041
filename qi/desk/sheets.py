"""Sheets for the crew on the desk: made of the last signed version, beside the agency's other cases, as PDF and as a web page."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import pandas as pd

from qi.charts.case_picture import case_picture
from qi.desk import cohort as table_of
from qi.desk.opened import clock_settings, open_case, review_of
from qi.exports import printed, sheet_page
from qi.feedback import sheet as feedback
from qi.feedback.said import Said
from qi.feedback.sheet import COMPARED, SECTIONS, Agency, Distribution, Sheet
from qi.feedback.three_errors import NAMES
from qi.library.journal import Version
from qi.library.library import Library
from qi.library.sheets import KeptSheet
from qi.measures import MEASURES
from qi.model.cautions import SHORT
from qi.model.errors import NoSuchCase, QiError, UnreadableFile
from qi.model.journal import FIRST
from qi.model.paper import A4, PAPERS
from qi.model.review import Review
from qi.trends import cohort

TITLE = "Feedback for the crew"
WIDTH, HEIGHT = 680.0, 205.0
MONTHS = 12
MOST_PAGES = 2
_LABELS = {measure.id: measure.label for measure in MEASURES}


def signed(library: Library, key: str) -> tuple[Review, Version]:
    """The case as its last signed version left it, measured under the definitions in force, and that version.

    Raises: NoSuchCase; QiError where no version is signed; see qi.desk.opened.open_case.
    """
    versions = [one for one in library.versions(key) if one.reading == FIRST]
    if not versions:
        raise QiError("this case is not signed yet: sign it on the walkthrough, then it has a sheet for the crew")
    lines = [line for line in library.lines(key) if line.number <= versions[-1].through]
    return review_of(open_case(library, key, clock_settings(lines)), lines), versions[-1]


def sheet_of(library: Library, key: str) -> Sheet:
    """A fresh sheet of the last signed version of a case.

    Raises: see signed.
    """
    review, _ = signed(library, key)
    return feedback.sheet(review, agency_of(library, key, review))


def agency_of(library: Library, key: str, review: Review) -> Agency:
    """The other cases of the agency in the twelve months up to a case, under the same protocol, in plain data.

    Parameters: library; key, of the case; review.
    Returns: Agency; where there is no cohort table, or the day of the case is not known, it says so.
    """
    start = review.case.start
    if start is None:
        return Agency(why_not="the day of this case is not recorded")
    names = {name: ".".join(part for part in (name, of, from_) if part) for name, of, from_, _ in COMPARED}
    try:
        columns = ["key", "agency", "excluded", "call_day", "protocol", *names.values()]
        table = cohort.read(table_of.folder(library), columns)
    except UnreadableFile:
        return Agency(why_not="the agency’s table of cases has not been made yet")
    last = pd.Timestamp(start.replace(tzinfo=None)).normalize()
    day = pd.to_datetime(table["call_day"])
    fits = (table["agency"].astype("str") == library.about(key).agency) & (table["excluded"].astype("str") == "")
    fits &= (table["protocol"].astype("str") == review.protocol.name) & (table["key"] != key)
    others = table[fits & (day <= last) & (day > last - pd.DateOffset(months=MONTHS))]
    told = {name: made for name in names.values() if (made := _distribution(others[name])) is not None}
    return Agency(f"The agency’s cases of the {MONTHS} months up to this one under the same protocol", len(others), told)


def _distribution(values: pd.Series) -> Distribution | None:
    known = values.dropna().astype(float)
    if known.empty:
        return None
    low, middle, high = (float(known.quantile(share)) for share in (0.25, 0.5, 0.75))
    return Distribution(len(known), middle, low, high)


def rests_on(said: Said) -> str:
    """What a sentence rests on, in words."""
    labels = [_LABELS.get(id_, id_) for id_ in said.rests_on]
    return f"rests on: {'; '.join(labels)}" if labels else "rests on no measure"


def _data(sheet: Sheet, banner: str, paper: str) -> dict[str, Any]:
    """The sheet as templates take it."""
    rows = {name: [asdict(said) | {"rests": rests_on(said)} for said in getattr(sheet, name)] for name in SECTIONS}
    for row in rows["errors"]:
        row["name"] = NAMES.get(row["key"], "Also")
    return {
        "title": TITLE,
        "case_line": f"Case {sheet.case}; {sheet.about}",
        "sections": dict(SECTIONS),
        "method": sheet.method,
        "compared_when": sheet.compared_when,
        "cautions": [one for one in sheet.cautions if one != SHORT],
        "banner": banner,
        "paper": paper,
        **rows,
    }


def as_pdf(sheet: Sheet, review: Review, *, banner: str = "", paper: str = A4, at: datetime | None = None) -> bytes:
    """The sheet as PDF: tagged, fonts inside, the picture as vectors, one page or two.

    Parameters: sheet; review, which the picture is drawn from; banner, the agency's own line; paper, a word of PAPERS; at, the date
    in the file, aware.
    Raises: QiError where it cannot be made.
    """
    return Page(sheet, picture(review), banner, paper).pdf(at=at)


def as_html(sheet: Sheet, review: Review, *, banner: str = "", paper: str = A4) -> str:
    """The sheet as one web page that needs nothing else.

    Parameters: see as_pdf.
    """
    return Page(sheet, picture(review), banner, paper).html()


def picture(review: Review) -> str:
    """The case in one picture as it stands on a sheet."""
    return case_picture(review, width=WIDTH, height=HEIGHT)


@dataclass(frozen=True)
class Page:
    """A sheet with its picture (SVG text), the agency's own line and paper (a word of PAPERS), ready to be shown."""

    sheet: Sheet
    picture: str
    banner: str = ""
    paper: str = A4

    def pdf(self, *, at: datetime | None = None) -> bytes:
        """See as_pdf."""
        return printed.pdf("sheet", _data(self.sheet, self.banner, self.paper), {"case": self.picture}, at=at)

    def most_pages(self) -> int:
        """How many pages it takes on the paper on which it takes most, so that a sheet that is kept fits whatever is set later."""
        told = [_data(self.sheet, self.banner, paper) for paper in PAPERS]
        return max(printed.count("sheet", data, {"case": self.picture}) for data in told)

    def html(self) -> str:
        """See as_html."""
        return sheet_page.page(self._whole(), self.picture)

    def part(self) -> str:
        """To stand inside another page."""
        return sheet_page.part(self._whole(), self.picture, printed.alternative(self.picture))

    def _whole(self) -> dict[str, Any]:
        data = _data(self.sheet, self.banner, self.paper)
        return data | {"cautions": [SHORT, *data["cautions"]]}


def write(library: Library, case_id: str, path: Path, *, who: str) -> None:
    """Write the sheet of a case into a file: as it was last kept, else a fresh one; PDF or web page by the file's ending.

    Raises: NoSuchCase where no case, or more than one, has that number; QiError for another ending; see signed.
    """
    keys = [entry.key for entry in library.entries(search=case_id) if entry.case_id == case_id]
    if len(keys) != 1:
        raise NoSuchCase(f"{'no case' if not keys else f'{len(keys)} cases'} of the number {case_id} in the library")
    if path.suffix.lower() not in (".pdf", ".html", ".htm"):
        raise QiError(f"{path.name}: a sheet is written as .pdf or .html")
    review, version = signed(library, keys[0])
    kept = [one for one in library.sheets(keys[0]) if one.version == version.version]
    settings = library.settings
    fresh = Page(feedback.sheet(review, agency_of(library, keys[0], review)), picture(review), settings.banner, settings.paper)
    page = page_of(kept[-1], settings.banner, settings.paper) if kept else fresh
    made = page.pdf(at=library.now()) if path.suffix.lower() == ".pdf" else page.html().encode()
    library.log("exported", who=who, case=keys[0], what="sheet")
    path.write_bytes(made)


def keep(library: Library, key: str, sheet: Sheet, review: Review, version: Version, *, who: str) -> KeptSheet:
    """Keep a sheet as it is being written, with its picture, so that a sent one stays as it was.

    Parameters: review and version, which it was made of (signed).
    Raises: QiError where it takes more than two pages on A4 or letter; see Library.save_sheet.
    """
    drawn = picture(review)
    pages = Page(sheet, drawn, library.settings.banner).most_pages()
    if pages > MOST_PAGES:
        raise QiError(
            f"with these words the sheet takes {pages} pages, and {MOST_PAGES} are the most, on A4 as on letter: "
            "leave sentences out, or shorten them"
        )
    body = feedback.body(sheet) | {"picture": drawn}
    return library.save_sheet(key, version.version, body, who=who)


def send(library: Library, key: str, sheet: Sheet, review: Review, version: Version, *, who: str) -> KeptSheet:
    """Keep a sheet and send it to the crew numbers of the case; the journal says that the crew had feedback.

    Raises: see keep and Library.send_sheet.
    """
    kept = keep(library, key, sheet, review, version, who=who)
    return library.send_sheet(key, kept.number, review.case.facts.members, who=who)


def read(kept: KeptSheet) -> Sheet:
    """The sheet that was kept."""
    return feedback.of_body(kept.body)


def page_of(kept: KeptSheet, banner: str, paper: str) -> Page:
    """A sheet that was kept, as it was kept, under the agency's own line and on its paper (a word of PAPERS)."""
    return Page(read(kept), str(kept.body["picture"]), banner, paper)


def masked(kept: KeptSheet) -> Mapping[str, str]:
    """The crew numbers that a sheet went to, as nobody is named: crew member 1, 2, …"""
    return {crew: f"crew member {number}" for number, crew in enumerate(kept.crew, 1)}
