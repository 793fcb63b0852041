"""Take out: the table behind a chart as a file, as it is or with small cells hidden for sharing. Made when asked for."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

import pandas as pd
import streamlit as st

from qi.charts import as_file
from qi.desk import board
from qi.desk.charted import Charted
from qi.desk.over_time import Which
from qi.exports import trend_files
from qi.library.library import Library
from qi.model.cautions import LONG, SHORT
from qi.model.errors import NotMeasurable
from qi.screens.on_desk import library
from qi.screens.taken import logged
from qi.trends.board_tables import Hiding
from qi.trends.dates import CASE
from qi.trends.hidden_cells import MOST_HIDDEN, hide
from qi.trends.hidden_shapes import shape_of

_FOR_SHARING = f"Small cells hidden for sharing: counts of 1 to {MOST_HIDDEN} patients, and whatever would give them away."
_KEEP = "For use inside the agency: small counts are shown, and a patient can be known again by them."
_NOT_SHARED = "Only for use inside the agency: this table has a row a case, or numbers that small counts cannot be hidden in."
SINGLE_CASES = "Only for use inside the agency: a point of this chart is a single case, under its number."
BY_QUARTER = "Quarters alone are shared: less the months that are shown, they would give the hidden ones back."
_ONE_BY_ONE = "Each file is safe by itself: two of nearly the same cases (other dates or groups) can be subtracted, so share one."
_PICTURE = "The picture, on a page that opens in any browser: inside the agency only, for small counts show in it."
_NO_PICTURE = "The picture as a page is not for sharing: all numbers are in it."
_IN_LOG = {
    "text/csv": "table, csv",
    "application/vnd.apache.parquet": "table, parquet",
    "image/svg+xml": "chart",
    "text/html": "chart",
    "application/pdf": "board report, pdf",
}


@dataclass(frozen=True)
class Shared:
    """How a table goes out for sharing.

    says, as of `offer`, without any number of patients; made, what goes out in its place with its small cells hidden, and what it
    says, None where the table itself does, by its shape (qi.trends.hidden_shapes); note, what a person must know of that, for the
    page; why_not, why it does not go out at all, empty where it does.
    """

    says: str = ""
    made: Callable[[], tuple[pd.DataFrame, str]] | None = None
    note: str = ""
    why_not: str = ""

    def of(self, table: pd.DataFrame) -> Callable[[], tuple[pd.DataFrame, str]] | None:
        """What makes the rows and words of a table for sharing; None where they are not for sharing."""
        if self.why_not or self.made is not None:
            return None if self.why_not else self.made
        known = shape_of(table)
        return None if known is None else (lambda: (hide(table, known), self.says))


def offer(name: str, table: pd.DataFrame, *, says: str, key: str, shared: Shared, picture: Callable[[], Any] | None = None) -> None:
    """A small menu beside a chart or table with its rows as CSV and Parquet, and the chart as a page of its own.

    Parameters: name, of the file and of what it holds; table; says, which cases and filters it is of and how cases were averaged,
    which goes into the file; key, of the widgets; shared, how it goes out for sharing; picture, what draws the chart on light
    ground, None where there is none.
    """
    made = shared.of(table)
    with st.popover("Take out", icon=":material/download:", key=f"take-out-{key}"):
        sharing = made is not None and st.toggle("For sharing: small cells hidden", key=f"take-out-sharing-{key}")
        rows, words = table, says
        if made is None:
            st.caption(shared.why_not or _NOT_SHARED)
        elif sharing:
            st.caption(" ".join(part for part in (_FOR_SHARING, shared.note, _ONE_BY_ONE) if part))
            try:
                rows, words = made()
            except NotMeasurable as why:
                st.caption(f"Not made for sharing: {why}.")
                return
        else:
            st.caption(_KEEP)
        told = [name, *words.splitlines(), _FOR_SHARING if sharing else _KEEP]
        file, banner = f"{_slug(name)}{'-shared' if sharing else ''}", library().settings.banner
        _file("CSV", lambda: trend_files.csv(rows, told, banner=banner), f"{file}.csv", "text/csv", f"{key}-csv")
        _file(
            "Parquet",
            lambda: trend_files.parquet(rows, told, banner=banner),
            f"{file}.parquet",
            "application/vnd.apache.parquet",
            f"{key}-parquet",
        )
        if picture is not None:
            st.caption(_NO_PICTURE if sharing else _PICTURE)
        if picture is not None and not sharing:
            drawn = partial(_page, picture, name, [*told, SHORT, *LONG, banner])
            _file("Picture", drawn, f"{file}.html", "text/html", f"{key}-html")


def _page(picture: Callable[[], Any], name: str, told: list[str]) -> bytes:
    return as_file.page(picture(), name, told)


def offer_chart(one: Charted, *, key: str, quarters: Callable[[], Charted]) -> None:
    """A small menu beside a chart with its picture as SVG, which needs no other file and prints in grey.

    Parameters: one, the chart as it is drawn; key, of the widgets; quarters, makes the same by quarter, which is what is shared.
    """
    with st.popover("Take out the picture", icon=":material/download:", key=f"take-out-{key}"):
        sharing = False
        if one.chart.every == CASE:
            st.caption(SINGLE_CASES)
        else:
            sharing = st.toggle("For sharing: by quarter, points of few cases hidden", key=f"take-out-sharing-{key}")
            st.caption(f"{_FOR_SHARING} {BY_QUARTER} {_ONE_BY_ONE}" if sharing else _KEEP)
        try:
            chart = quarters() if sharing else one
        except NotMeasurable as why:
            st.caption(f"Not made for sharing: {why}.")
            return
        name, banner = f"{_slug(one.drawn.name)}{'-shared' if sharing else ''}.svg", library().settings.banner
        drawn = partial(board.chart_picture, chart, Hiding(sharing), banner=banner, alone=True)
        _file("SVG", lambda: drawn().encode(), name, "image/svg+xml", f"{key}-svg")


def offer_board(shelf: Library, which: Which, *, key: str) -> None:
    """The report to the board as PDF, two pages, on the cases that are looked at.

    Parameters: shelf, the library; which, the cases; key, of the widgets.
    """
    with st.popover("Report to the board", icon=":material/picture_as_pdf:", key=f"board-{key}"):
        sharing = st.toggle("For sharing: small cells hidden", key=f"board-sharing-{key}")
        st.caption(f"{_FOR_SHARING if sharing else _KEEP} {SHORT}")
        name = f"report-to-the-board{'-shared' if sharing else ''}.pdf"
        _file("Two pages, PDF", lambda: board.of_library(shelf, which, sharing=sharing), name, "application/pdf", f"{key}-pdf")


def _file(label: str, made: Callable[[], bytes], name: str, mime: str, key: str) -> None:
    taken = logged(library(), made, f"{_IN_LOG[mime]}, {'without' if '-shared' in name else 'with'} identity", act="see_trends")
    st.download_button(label, taken, file_name=name, mime=mime, on_click="ignore", type="tertiary", key=f"take-out-{key}")


def _slug(name: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", name.casefold()).strip("-") or "table"
