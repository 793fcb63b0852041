"""Take out: the table behind a chart as a file, as it is or with small cells hidden for sharing. Made when asked for."""

import re
from collections.abc import Callable
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
from qi.screens.on_desk import library
from qi.screens.taken import logged
from qi.trends.board_tables import Hiding
from qi.trends.dates import CASE
from qi.trends.hidden_cells import MOST_HIDDEN, Shape, hide
from qi.trends.hidden_shapes import shape_of

_FOR_SHARING = f"Small cells hidden for sharing: counts of 1 to {MOST_HIDDEN} patients, and whatever would give them away."
_KEEP = "For use inside the agency: small counts are shown, and a patient can be known again by them."
_NOT_SHARED = "Only for use inside the agency: this table has a row a case, or numbers that small counts cannot be hidden in."
_SINGLE_CASES = "Only for use inside the agency: a point of this chart is a single case, under its number."
_PICTURE = "The picture, on a page that opens in any browser: inside the agency only, for small counts show in it."
_IN_LOG = {
    "text/csv": "table, csv",
    "application/vnd.apache.parquet": "table, parquet",
    "image/svg+xml": "chart",
    "text/html": "chart",
    "application/pdf": "board report, pdf",
}


def offer(
    name: str, table: pd.DataFrame, *, says: str, key: str, shape: Shape | None = None, picture: Callable[[], Any] | None = None
) -> None:
    """A small menu beside a chart or table with its rows as CSV and Parquet, and the chart as a page of its own.

    Parameters: name, of the file and of what it holds; table; says, which cases and filters it is of and how cases were averaged,
    which goes into the file; key, of the widgets; shape, what its columns are to each other, where qi.trends.hidden_shapes does not
    know it; picture, what draws the chart on light ground, None where there is none.
    """
    known = shape or shape_of(table)
    with st.popover("Take out", icon=":material/download:", key=f"take-out-{key}"):
        sharing = False
        if known is None:
            st.caption(_NOT_SHARED)
        else:
            sharing = st.toggle("For sharing: small cells hidden", key=f"take-out-sharing-{key}")
            st.caption(_FOR_SHARING if sharing else _KEEP)
        told = [name, *says.splitlines(), *([_FOR_SHARING] if sharing else [_KEEP])]

        def rows() -> pd.DataFrame:
            return hide(table, known) if sharing and known is not None else table

        file, banner = f"{_slug(name)}{'-shared' if sharing else ''}", library().settings.banner
        _file("CSV", lambda: trend_files.csv(rows(), told, banner=banner), f"{file}.csv", "text/csv", f"{key}-csv")
        _file(
            "Parquet",
            lambda: trend_files.parquet(rows(), told, banner=banner),
            f"{file}.parquet",
            "application/vnd.apache.parquet",
            f"{key}-parquet",
        )
        if picture is not None and not sharing:
            st.caption(_PICTURE)
            drawn = partial(_page, picture, name, [*told, SHORT, *LONG, banner])
            _file("Picture", drawn, f"{file}.html", "text/html", f"{key}-html")


def _page(picture: Callable[[], Any], name: str, told: list[str]) -> bytes:
    return as_file.page(picture(), name, told)


def offer_chart(one: Charted, *, key: str) -> None:
    """A small menu beside a chart with its picture as SVG, which needs no other file and prints in grey.

    Parameters: one, the chart as it is drawn; key, of the widgets.
    """
    with st.popover("Take out the picture", icon=":material/download:", key=f"take-out-{key}"):
        sharing = False
        if one.chart.every == CASE:
            st.caption(_SINGLE_CASES)
        else:
            sharing = st.toggle("For sharing: points of few cases hidden", key=f"take-out-sharing-{key}")
            st.caption(_FOR_SHARING if sharing else _KEEP)
        name, banner = f"{_slug(one.drawn.name)}{'-shared' if sharing else ''}.svg", library().settings.banner
        drawn = partial(board.chart_picture, one, Hiding(sharing), banner=banner, alone=True)
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
