"""Saying once what an agency's own columns and words stand for: kept as a map, used without asking, shared as a file."""

from collections.abc import Sequence
from functools import partial
from pathlib import Path

import pandas as pd
import streamlit as st

from qi.desk import mapping
from qi.intake.look_over import FileReport
from qi.intake.map_draft import Draft, propose
from qi.intake.map_form import Map, TimeFormat
from qi.library.library import Library
from qi.model.errors import QiError
from qi.model.vocabulary import CHANNELS
from qi.screens.taken import logged

SAYS = {mapping.ASK: "? not said yet", "ignored": "not used"}


def show(shelf: Library, agency: str, folder: Path, reports: Sequence[FileReport]) -> None:
    """A form for each file that has something unknown in it."""
    for report in reports:
        if not report.needs_map:
            continue
        with st.container(border=True):
            st.markdown(f"**What do the names in {report.name} stand for?**")
            st.caption("Said once, it is used for every such file of this agency from now on.")
            try:
                if report.recognised_as is None:
                    _table(shelf, agency, folder / report.name if folder.is_dir() else folder, report)
                else:
                    _words(shelf, agency, report)
            except QiError as error:
                st.error(str(error))


def _table(shelf: Library, agency: str, path: Path, report: FileReport) -> None:
    """A table that nothing recognises: its times, its columns, its words."""
    draft = propose(path)
    if draft.asks:
        st.caption("Still to say: " + " ".join(draft.asks))
    time = _time(draft, report)
    columns, words = mapping.columns_of(draft), mapping.words_of(draft)
    said: pd.DataFrame = columns
    meant: pd.DataFrame = words
    if draft.map.kind == "signals" and len(columns):
        said = st.data_editor(
            columns,
            hide_index=True,
            num_rows="fixed",
            key=f"columns-{report.sha256}",
            disabled=["column", "first values"],
            column_config={
                "is": st.column_config.SelectboxColumn(options=list(mapping.CHANNEL_CHOICES), format_func=_channel, required=True),
                "unit": st.column_config.SelectboxColumn(options=mapping.units_of()),
                "scale": st.column_config.NumberColumn(help="What to multiply by first; -1 turns the sign", format="%g"),
            },
        )
    roles = mapping.roles_of(draft)
    if mapping.is_list(draft):
        roles = st.data_editor(
            roles,
            hide_index=True,
            num_rows="fixed",
            key=f"roles-{report.sha256}",
            disabled=["column", "first values"],
            column_config={"holds": st.column_config.SelectboxColumn(options=[mapping.NOT_USED, *mapping.ROLES], required=True)},
        )
    if len(words):
        meant = st.data_editor(
            words,
            hide_index=True,
            num_rows="fixed",
            key=f"words-{report.sha256}",
            disabled=["word", "times"],
            column_config={
                "is": st.column_config.SelectboxColumn(options=list(mapping.EVENT_CHOICES), format_func=_event, required=True)
            },
        )
    name = st.text_input("Name of this map", value=draft.map.name, key=f"map-name-{report.sha256}", max_chars=80)
    if st.button("Keep this map", key=f"keep-{report.sha256}", type="primary", disabled=time is None):
        assert time is not None
        filled = (frame.to_dict("records") for frame in (said, meant, roles))
        made = mapping.table_map(draft, name.strip(), time, *filled)
        _keep(shelf, agency, made)


def _time(draft: Draft, report: FileReport) -> TimeFormat | None:
    """How the times are written; chosen by a person wherever there is more than one way to read them."""
    if not draft.times:
        st.error("No column of this file can be read as times.")
        return None
    examples = [choice.examples[0] if choice.examples else ("", "") for choice in draft.times]
    at = st.radio(
        "How the times are written" + (" (day and month could stand either way)" if draft.is_day_month_open else ""),
        range(len(draft.times)),
        index=None if len(draft.times) > 1 else 0,
        format_func=lambda i: (
            f"{', '.join(draft.times[i].time.columns)}: {mapping.format_in_words(draft.times[i].time.format)}; "
            f"“{examples[i][0]}” is {examples[i][1]}"
        ),
        key=f"time-{report.sha256}",
    )
    return None if at is None else draft.times[at].time


def _words(shelf: Library, agency: str, report: FileReport) -> None:
    """Labels and words of a file that is recognised by itself."""
    rows = mapping.unknowns_of(report)
    said = st.data_editor(
        rows,
        hide_index=True,
        num_rows="fixed",
        key=f"unknown-{report.sha256}",
        disabled=["name", "what", "times", "why"],
        column_config={
            "is": st.column_config.SelectboxColumn(
                options=[mapping.ASK, *mapping.CHANNEL_CHOICES[1:], *mapping.EVENT_CHOICES[1:]], format_func=_either, required=True
            ),
            "unit": st.column_config.SelectboxColumn(options=mapping.units_of()),
        },
    )
    name = st.text_input("Name of this map", value=f"names in {report.name}", key=f"map-name-{report.sha256}", max_chars=80)
    if st.button("Keep this map", key=f"keep-{report.sha256}", type="primary"):
        _keep(shelf, agency, mapping.words_map(name.strip(), said.to_dict("records")))


def _keep(shelf: Library, agency: str, made: Map) -> None:
    mapping.keep(shelf, agency, made)
    st.toast(f"Kept: {made.name}")
    st.rerun()


def _channel(name: object) -> str:
    return SAYS.get(str(name)) or CHANNELS[str(name)].show_as


def _event(name: object) -> str:
    return SAYS.get(str(name)) or str(name).replace("_", " ")


def _either(name: object) -> str:
    return _channel(name) if name in CHANNELS else _event(name)


def kept(shelf: Library, agency: str) -> None:
    """The maps that the agency has: to download, to take in from another agency."""
    files = mapping.kept(shelf, agency)
    with st.expander(f"Maps of this agency ({len(files)})"):
        for path in files:
            text = logged(shelf, partial(mapping.to_share, path, shelf.settings.banner), "map", act="bring_in")
            st.download_button(path.stem.replace("-", " "), text, path.name, "text/plain", key=f"map-{path.name}")
        given = st.file_uploader("Take in a map that was shared", type="toml", key="map-in")
        if given is not None and st.button("Take it in", key="take-map"):
            try:
                mapping.take_in(shelf, agency, given.getvalue().decode("utf-8-sig", errors="replace"))
                st.toast("The map is kept.")
            except QiError as error:
                st.error(str(error))
