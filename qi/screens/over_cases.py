"""The cases behind a point, and from a case to its moment."""

from collections.abc import Collection, Sequence

import pandas as pd
import streamlit as st

from qi.library.library import Library
from qi.model.words import amount, many
from qi.screens import pages
from qi.trends import point_cases
from qi.trends.series import IN_TIME, SHARES, Subject, View, keys_at

_ASKED = "cases-asked"
MOST = 200  # rows of cases drawn at once
_OPENS = (
    "Choose a case to open it at the moment that its number came from: when the thing was done, or where it was worst. Where it "
    "came from no one moment, the case says so."
)


def ask_for(keys: Collection[str], column: str) -> None:
    """Remember the cases that a person chose on a chart of groups."""
    st.session_state[_ASKED] = (column, tuple(keys))


def of_point(shelf: Library, cases: pd.DataFrame, subject: Subject, view: View, label: str) -> None:
    """The cases that a point of a chart counts."""
    counted = point_cases.counted_at(cases, subject, view, label)
    others = set(keys_at(cases, subject, view, label)) - set(counted)
    _show(shelf, cases, subject, view.sort, counted, label, len(others), key="cases-of-point")


def of_group(shelf: Library, cases: pd.DataFrame, subject: Subject, sort: str) -> None:
    """The cases of the group that was chosen on a chart of groups, if any: those that its share counts.

    Parameters: sort, of the points beside it: where these are shares done in time, so are the groups'.
    """
    column, keys = st.session_state.get(_ASKED, ("", ()))
    if column != subject.column or not keys:
        return
    sort = IN_TIME if sort == IN_TIME else SHARES
    inside = set(cases.loc[point_cases.counted(cases, subject, sort), "key"])
    counted = [key for key in keys if key in inside]
    _show(shelf, cases, subject, sort, counted, "the chosen group", len(keys) - len(counted), key="cases-of-group")


def _show(
    shelf: Library,
    cases: pd.DataFrame,
    subject: Subject,
    sort: str,
    keys: Sequence[str],
    where: str,
    without: int,
    *,
    key: str,
) -> None:
    """A row a case, the newest last; choosing one opens it, where it has a recording, at the moment that its number came from.

    Parameters: keys, of the cases that count; where, what they are the cases of; without, how many more there do not count.
    """
    rows = cases[cases["key"].isin(set(keys))]
    found, rows = len(rows), rows.tail(MOST)
    st.subheader(f"Cases of {where}", anchor=False)
    if rows.empty:
        st.write("No case has a number for it there.")
        return
    held = set(shelf.keys())
    missing = int((~rows["key"].isin(held)).sum())
    said = [_OPENS] if missing < len(rows) else []
    said += [f"The newest {MOST} of {found:,}."] if found > MOST else []
    said += [_alone(missing, len(rows))] if missing else []
    if without:
        do = "does" if without == 1 else "do"
        said.append(f"{many(without, 'more case')} there {do} not count: no number for it.")
    st.caption(" ".join(said))
    picked = st.dataframe(
        _table(rows, subject, sort, held),
        hide_index=True,
        key=f"{key}-{subject.column}-{where}",
        on_select="rerun",
        selection_mode="single-row",
        alt=f"Cases of {where}, one row a case",
    )["selection"]["rows"]
    if picked and picked[0] < len(rows):
        chosen = rows["key"].iloc[picked[0]]
        if chosen in held:
            pages.go("walkthrough", case=chosen, measure=subject.column)
        else:
            st.info(f"{rows['case_id'].iloc[picked[0]]} has no recording in this library.")


def _alone(missing: int, shown: int) -> str:
    """Cases that stand in a table alone, and cannot be opened."""
    who = "All" if missing == shown else f"{missing}"
    stand = "stands" if missing == 1 and who != "All" else "stand"
    return f"{who} of them {stand} in the invented agency's table alone: there is no recording to open."


def _table(rows: pd.DataFrame, subject: Subject, sort: str, held: Collection[str]) -> pd.DataFrame:
    told = point_cases.told_of(rows, subject, sort)
    values = zip(rows[subject.column], told["went"], strict=True)
    table = pd.DataFrame(
        {
            "case": rows["case_id"].astype("str"),
            "call": rows["call_day"].dt.strftime("%d %b %Y"),
            "value": [went or amount(None if pd.isna(one) else float(one), subject.unit) for one, went in values],
            "in time": told["in_time"],
            "verdict": rows[f"{subject.column}__verdict"].astype("str").fillna(""),
            "station": rows["station"].astype("str").fillna(""),
            "shift": rows["shift"].astype("str").fillna(""),
            "unit": rows["unit"].astype("str").fillna(""),
            "numbers": rows["source"].astype("str").map({"signed": "signed", "machine": "as the machine found them"}),
            "recording": ["to open" if one in held else "not here" for one in rows["key"]],
        }
    )
    return table if sort == IN_TIME else table.drop(columns="in time")
