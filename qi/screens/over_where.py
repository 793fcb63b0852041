"""Where: each measure in each station, shift or unit, so that a change in one place is seen that all together hide."""

from collections.abc import Callable

import pandas as pd
import streamlit as st

from qi.desk import charted, over_time, shared
from qi.desk.charted import Cell
from qi.desk.over_time import GROUPED, Shown, Which
from qi.library.library import Library
from qi.model.words import many
from qi.screens import over_exports
from qi.screens.over_data import plans_of, subjects_of
from qi.screens.over_exports import Shared
from qi.trends.intervals import COUNTS_BELOW
from qi.trends.series import View, needed

COLUMNS = tuple(over_time.MAIN)
BY = ("station", "shift", "unit")
MOST = 12  # groups looked at: more of them find more by chance than by change


def columns(shelf: Library) -> tuple[str, ...]:
    """The columns of the cohort table that this part reads."""
    subjects = subjects_of(shelf)
    return tuple(name for column in COLUMNS for name in needed(subjects[column]))


def show(shelf: Library, _: Shown, cases: pd.DataFrame, every: str, which: Which) -> None:
    """One row a measure, one column a group: what its chart says in words; a cell leads to the chart."""
    by = str(
        st.segmented_control(
            "Groups", BY, format_func=GROUPED.__getitem__, key="where-by", default="station", required=True, bind="query-params"
        )
    )
    known = subjects_of(shelf, cases)
    subjects = [known[column] for column in COLUMNS]
    plans = plans_of(shelf, subjects, every)
    cells, groups = charted.by_group(cases, subjects, View(every), by, most=MOST, plans=plans)
    if not groups:
        st.info(f"No case says its {GROUPED[by].lower()}.")
        return
    drawn = [cell for cell in cells if cell.charted is not None and cell.cases >= COUNTS_BELOW]
    _said(drawn)
    table = _table(cells, groups, by, lambda cell: cell.words)
    picked = st.dataframe(
        table,
        hide_index=True,
        key=f"where-{by}-{every}",
        on_select="rerun",
        selection_mode="single-cell",
        height="content",
        column_config={"measure": st.column_config.TextColumn(width=280)},
        alt=f"What the charts of each {by} say, one row a measure",
    )["selection"]["cells"]
    total = int(cases[by].astype("str").nunique())
    of_all = f" The {MOST} with the most cases of {total}." if total > MOST else ""
    st.caption(
        "◆ unlikely by chance. Baselines, phases and left-out points set on a measure hold in every group. "
        "Columns stand in order of their names; there is no ranking. Choose a cell to open the measure "
        f"for that {by} alone.{of_all} {charted.by_chance([cell.charted for cell in drawn if cell.charted is not None])}"
    )
    says = f"By {every}. {f'Cases: {which.words}.' if which.words else ''}"
    over_exports.offer(f"where-{by}", table, says=says, key="where-out", shared=_shared(cells, groups, by, says))
    _open(picked, cells, groups, by)


def _said(cells: list[Cell]) -> None:
    """How many charts have a signal; in which groups the table says, and nobody counts who has most."""
    found = [cell for cell in cells if cell.words.startswith("◆")]
    if not found:
        st.write(f"**No signal in {many(len(cells), 'chart')}.** That does not show that nothing changed.")
        return
    st.write(f"**Signals in {len(found)} of {many(len(cells), 'chart')}.** A signal has no cause in it: look, then ask.")


def _shared(cells: list[Cell], groups: list[str], by: str, says: str) -> Shared:
    """What the charts say, without how many cases each rests on."""
    return Shared(made=lambda: (_table(cells, groups, by, shared.words_of), says))


def _table(cells: list[Cell], groups: list[str], by: str, words_of: Callable[[Cell], str]) -> pd.DataFrame:
    words = {(cell.subject.column, cell.group): words_of(cell) for cell in cells}
    names = {cell.subject.column: cell.charted.drawn.name if cell.charted else cell.subject.label for cell in cells}
    return pd.DataFrame(
        {"measure": list(names.values())}
        | {f"{GROUPED[by]} {group}": [words[column, group] for column in names] for group in groups}
    )


def _open(picked: list[tuple[int, str]], cells: list[Cell], groups: list[str], by: str) -> None:
    if not picked:
        return
    row, name = picked[0]
    columns = list(dict.fromkeys(cell.subject.column for cell in cells))
    group = next((one for one in groups if name == f"{GROUPED[by]} {one}"), None)
    if row < len(columns) and group is not None:
        st.session_state["only-asked"] = (by, group)
        st.query_params["measure"] = columns[row]
        st.rerun()
