"""Which cases the page over time looks at, how they are put together, and the views that were saved."""

from collections.abc import Mapping
from datetime import date
from typing import Any

import pandas as pd
import streamlit as st

from qi.desk.over_time import GROUPED, Which
from qi.library.library import Library
from qi.model.errors import QiError
from qi.screens.on_desk import who

SOURCES = {"all": "all", "signed": "signed", "not signed": "machine"}  # as a person chooses, and as the table has it
EVERY = ("month", "quarter")
DAYS = ("first", "last", "times-since")
# What a view keeps of the choices of the page and of its parts, beside the groups.
KEPT = (
    *DAYS,
    *("every", "source", "theme", "part", "sort", "kind", "rules"),
    *("groups-by", "where-by", "bundle", "time-to", "time-from", "times-device"),
    *("outcome", "outcomes-by", "landmark-factor", "landmark-min", "pauses-least"),
)


def show(shelf: Library, table: pd.DataFrame) -> Which:
    """The row of choices over the page; the address keeps the main ones, so that a link leads back.

    Returns: which cases are looked at.
    """
    if only := st.session_state.pop("only-asked", None):
        st.session_state[f"only-{only[0]}"] = [only[1]]
    with st.container(horizontal=True, vertical_alignment="bottom"):
        st.segmented_control("By", EVERY, key="every", default="month", required=True, bind="query-params")
        source = st.segmented_control(
            "Cases",
            list(SOURCES),
            key="source",
            default="all",
            required=True,
            bind="query-params",
            help="Signed: the numbers of the version that a reviewer signed; where definitions changed since, those of the case "
            "measured anew with the corrections of that version, and the line under this row says how many. Not signed: as the "
            "machine finds them.",
        )
        with st.popover(_label(), icon=":material/filter_alt:"):
            groups = _groups(table)
            first, last = _span(table)
        with st.popover("Views", icon=":material/bookmark:"):
            _views(shelf)
    return Which(SOURCES[str(source)], groups, first, last)


def _label() -> str:
    """How many choices narrow the cases, so that none is forgotten."""
    count = sum(bool(st.session_state.get(f"only-{name}")) for name in GROUPED)
    count += sum(st.session_state.get(name) is not None for name in ("first", "last"))
    return f"Only some cases ({count})" if count else "Only some cases"


def _groups(table: pd.DataFrame) -> Mapping[str, tuple[str, ...]]:
    found = {}
    for name, label in GROUPED.items():
        words = sorted(str(word) for word in table[name].dropna().unique() if str(word))
        if len(words) > 1:
            found[name] = tuple(st.multiselect(label, words, key=f"only-{name}", placeholder="any"))
    return found


def _span(table: pd.DataFrame) -> tuple[str, str]:
    days = table["call_day"].dropna()
    if days.empty:
        return "", ""
    low, high = days.min().date(), days.max().date()
    left, right = st.columns(2)
    with left:
        first = st.date_input("From", None, min_value=low, max_value=high, key="first", format="YYYY-MM-DD")
    with right:
        last = st.date_input("Until", None, min_value=low, max_value=high, key="last", format="YYYY-MM-DD")
    return tuple(one.isoformat() if isinstance(one, date) else "" for one in (first, last))  # type: ignore[return-value]


def _views(shelf: Library) -> None:
    """Saved views: opened, saved under a name, removed."""
    kept = shelf.views()
    for view in kept:
        with st.container(horizontal=True, vertical_alignment="center"):
            st.button(view.name, key=f"view-{view.id}", on_click=_open, args=(view.body,), type="tertiary", width="stretch")
            st.button("Remove", key=f"view-remove-{view.id}", on_click=_remove, args=(shelf, view.name), type="tertiary")
    if not kept:
        st.caption("A view keeps what is chosen on this page under a name, for everybody who uses this library.")
    name = st.text_input("Save what is shown as", key="view-name", max_chars=80, placeholder="for example: Station 2, signed cases")
    st.button("Save view", key="view-save", on_click=_save, args=(shelf, name), disabled=not name.strip())
    if refused := st.session_state.pop("view-refused", ""):
        st.error(refused)


def _open(body: Mapping[str, Any]) -> None:
    """Set the choices as a view has them, before they are drawn again."""
    for key in (*KEPT, *(f"only-{group}" for group in GROUPED)):
        if key in body:
            st.session_state[key] = date.fromisoformat(body[key]) if key in DAYS else body[key]
        else:
            st.session_state.pop(key, None)
    st.query_params.pop("measure", None)
    if body.get("measure"):
        st.query_params["measure"] = body["measure"]


def _chosen() -> dict[str, Any]:
    """What is chosen on the page, as plain values."""
    found: dict[str, Any] = {}
    for key in (*KEPT, *(f"only-{group}" for group in GROUPED)):
        value = st.session_state.get(key)
        if value:
            found[key] = value.isoformat() if isinstance(value, date) else list(value) if isinstance(value, list | tuple) else value
    if measure := st.query_params.get("measure"):
        found["measure"] = measure
    return found


def _save(shelf: Library, name: str) -> None:
    try:
        shelf.save_view(name.strip(), _chosen(), who=who())
        st.session_state["view-name"] = ""
    except QiError as error:
        st.session_state["view-refused"] = f"Not saved. {error}"


def _remove(shelf: Library, name: str) -> None:
    try:
        shelf.remove_view(name, who=who())
    except QiError as error:
        st.session_state["view-refused"] = f"Not removed. {error}"
