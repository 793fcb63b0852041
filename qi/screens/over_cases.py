"""The cases behind a point, and from a case to its moment."""

from collections.abc import Collection

import pandas as pd
import streamlit as st

from qi.desk import over_time
from qi.desk.over_time import Shown
from qi.library.library import Library
from qi.model.words import amount, many
from qi.screens import pages
from qi.trends.series import Subject

_ASKED = "cases-asked"
MOST = 200  # rows of cases drawn at once


def ask_for(keys: Collection[str], column: str) -> None:
    """Remember the cases that a person chose on a chart of groups."""
    st.session_state[_ASKED] = (column, tuple(keys))


def asked(shelf: Library, shown: Shown, cases: pd.DataFrame, subject: Subject) -> None:
    """The cases that were chosen on a chart of groups, if any."""
    column, keys = st.session_state.get(_ASKED, ("", ()))
    if column == subject.column and keys:
        show(shelf, shown, cases, subject, keys, "the chosen group", key="cases-of-group")


def show(
    shelf: Library,
    shown: Shown,
    cases: pd.DataFrame,
    subject: Subject,
    keys: Collection[str],
    where: str,
    *,
    key: str = "cases-of-point",
) -> None:
    """The cases of a point, the newest last; choosing one opens it at the moment that its number comes from."""
    rows = cases[cases["key"].isin(set(keys))]
    judged = (
        rows[f"{subject.column}__verdict"].astype("str").isin(["met", "not met"])
    )  # also one that went without, and has no time
    without = int((rows[subject.column].isna() & ~judged).sum())
    rows = rows[rows[subject.column].notna() | judged].tail(MOST)
    st.subheader(f"Cases of {where}", anchor=False)
    if rows.empty:
        st.write("No case has a number for it there.")
        return
    held = set(shelf.keys())
    at = over_time.moments(shown, subject, rows["key"].tolist())
    missing = int((~rows["key"].isin(held)).sum())
    stand = "stands" if missing == 1 else "stand"
    alone = f" {missing} of them {stand} in the invented agency's table alone: there is no recording to open."
    more = f" {many(without, 'more case')} there {'has' if without == 1 else 'have'} no number for it." if without else ""
    st.caption(f"Choose a case to open it at the moment that its number comes from.{alone if missing else ''}{more}")
    picked = st.dataframe(
        _table(rows, subject, held),
        hide_index=True,
        key=f"{key}-{subject.column}-{where}",
        on_select="rerun",
        selection_mode="single-row",
        alt=f"Cases of {where}, one row a case",
    )["selection"]["rows"]
    if picked and picked[0] < len(rows):
        chosen = rows["key"].iloc[picked[0]]
        if chosen in held:
            pages.go("walkthrough", case=chosen, **({"t": f"{at[chosen]:.1f}"} if chosen in at else {}))
        else:
            st.info(f"{rows['case_id'].iloc[picked[0]]} has no recording in this library.")


def _table(rows: pd.DataFrame, subject: Subject, held: Collection[str]) -> pd.DataFrame:
    value = [amount(None if pd.isna(one) else float(one), subject.unit) for one in rows[subject.column]]
    return pd.DataFrame(
        {
            "case": rows["case_id"].astype("str"),
            "call": rows["call_day"].dt.strftime("%d %b %Y"),
            "value": value,
            "verdict": rows[f"{subject.column}__verdict"].astype("str").fillna(""),
            "station": rows["station"].astype("str").fillna(""),
            "shift": rows["shift"].astype("str").fillna(""),
            "unit": rows["unit"].astype("str").fillna(""),
            "numbers": rows["source"].astype("str").map({"signed": "signed", "machine": "as the machine found them"}),
            "recording": ["to open" if one in held else "not here" for one in rows["key"]],
        }
    )
