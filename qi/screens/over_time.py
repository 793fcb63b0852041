"""Over time: is the agency getting better, where, since when, and is it real."""

from collections.abc import Callable, Sequence
from functools import partial
from typing import Any

import pandas as pd
import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from qi.charts import process_behaviour
from qi.desk import board, charted, limits, over_time, shared
from qi.desk import cohort as own
from qi.desk.charted import Charted
from qi.desk.over_time import Shown, Which
from qi.library.library import Library
from qi.model.errors import QiError
from qi.model.words import many
from qi.screens import case_choice, cautions, over_capture, over_changed, over_exports, over_measure, over_parts, over_which, pages
from qi.screens.held import GROUPS
from qi.screens.on_desk import library
from qi.screens.over_data import known_of, plans_of, subjects_of, table_of
from qi.screens.theme import is_dark
from qi.trends import columns_used
from qi.trends.board_tables import Hiding
from qi.trends.dates import QUARTER
from qi.trends.during_arrest import tells_outcome
from qi.trends.sentences import NOT_LOOKED_FOR
from qi.trends.series import Subject, View, needed

MAIN = "What matters most"
THEMES = {MAIN: (), **{name: ids for name, ids in GROUPS.items() if name != MAIN}}
MEASURES = "Measures"
PARTS: dict[str, Callable[..., None] | None] = {MEASURES: None, **over_parts.PARTS}


@pages.guarded("see_trends")
def show() -> None:
    """The page: which cases, the answer in words, the wall of charts or one chart in full, or another part."""
    case_choice.reviewer()
    st.header("Over time", anchor=False)
    try:
        shelf = library()
        _bring_up_to_date(shelf)
        shown = over_time.shown(shelf)
        subjects = subjects_of(shelf)
        _page(shelf, shown, subjects)
        if not shown.invented:
            over_changed.show(shelf)
    except QiError as error:
        st.error(f"The cases cannot be put together. {error}")
    cautions.show()


def _bring_up_to_date(shelf: Library) -> None:
    """Cases that changed since the table was made are measured anew; a bar tells how far it is where that takes long."""
    bar, failed = None, []
    for number, (total, case_id, trouble) in enumerate(own.refresh(shelf), 1):
        if trouble:
            failed.append(f"{case_id}: {trouble}")
        if total > 3:
            bar = bar or st.progress(0.0)
            bar.progress(number / total, text=f"Measuring {number} of {total} cases for the table")
    if bar is not None:
        bar.empty()
    if failed:
        with st.expander(f"{many(len(failed), 'case')} could not be measured anew; the table keeps what it had of them"):
            for text in failed:
                st.write(text)


def _page(shelf: Library, shown: Shown, subjects: dict[str, Subject]) -> None:
    choices, words, body = st.container(), st.container(), st.container()
    asked = over_measure.asked(subjects)
    with body:  # what is chosen here says which columns are read, for the choices above as well
        part, theme, row = (MEASURES, MAIN, body) if asked is not None else _chosen_part(subjects)
    names = over_time.MAIN if theme == MAIN else over_time.themed(THEMES[theme])
    wanted = [subjects[one] for one in names] if asked is None else [asked]
    columns = over_parts.columns_of(shelf, part) if part != MEASURES else [name for one in wanted for name in needed(one)]
    table = table_of(shown, columns)
    if table.empty:
        words.write("No case stands in the table yet. Once cases are brought in, their measures are drawn here by month.")
        return
    with choices:
        which = over_which.show(shelf, table)
    cases = over_time.chosen(table, which)
    with words:
        _said(cases, shown, which)
        _broken_protocols(shelf)
    if cases.empty:
        st.info("No case fits this choice.")
        return
    theirs = subjects_of(shelf, cases)
    wanted, asked = [theirs[one.column] for one in wanted], asked and theirs[asked.column]
    if asked is None and which.no_outcomes and any(tells_outcome(one.column) for one in wanted):
        wanted = [one for one in wanted if not tells_outcome(one.column)]
        st.info(which.no_outcomes)
    every, draw = str(st.session_state.get("every", "month")), PARTS[part]
    if asked is not None:
        over_measure.show(shelf, shown, cases, asked, which)
    elif draw is not None:
        draw(shelf, shown, cases, every, which)
        if part != over_parts.RECORDING:
            over_capture.strip(cases, *known_of(shelf, which))
    else:
        _wall(shelf, cases, wanted, View(every), which, theme, row)


def _broken_protocols(shelf: Library) -> None:
    """The agency's protocol files that cannot be used, by name; the page works without them."""
    for name, why in limits.broken(shelf).items():
        st.warning(f"The protocol file {name} cannot be used: {why}. Limits of it are not drawn; everything else is.")


def _chosen_part(subjects: dict[str, Subject]) -> tuple[str, str, DeltaGenerator]:
    """Which part of the page, which theme of measures, and the row in which more can be chosen."""
    part = st.segmented_control("Part of the page", list(PARTS), key="part", default=MEASURES, required=True, bind="query-params")
    theme, row = MAIN, st.container(horizontal=True, vertical_alignment="bottom")
    if part == MEASURES:
        themes = list(THEMES)
        with row:
            last = st.session_state.get("theme-last", MAIN)  # the field is forgotten while one measure is open
            theme = st.selectbox("Charts of", themes, index=themes.index(last), key="theme", width=220, bind="query-params")
            over_measure.choose(subjects)
        st.session_state["theme-last"] = theme
    return str(part), theme, row


def _said(cases: pd.DataFrame, shown: Shown, which: Which) -> None:
    """What is looked at: how many cases, of when, signed or as the machine found them."""
    signed = int((cases["source"] == "signed").sum())
    days = cases["call_day"].dropna()
    ends = dict.fromkeys(f"{day:%B %Y}" for day in (days.min(), days.max())) if len(days) else {}
    span = f", {' to '.join(ends)}" if ends else ""
    left_out = int((~columns_used.counting(cases)).sum())
    text = f"{many(len(cases), 'case')}{span}: {signed} with signed numbers, {len(cases) - signed} as the machine found them."
    if anew := columns_used.signed_anew(cases):
        were = "was" if anew == 1 else "were"
        text += f" {anew} of the signed {were} measured anew, as corrected then, since definitions changed after the signing."
    text += f" {left_out:,} of them {'is' if left_out == 1 else 'are'} excluded from comparisons." if left_out else ""
    text += f" Looked at: {which.words}." if which.words else ""
    st.write(text)
    if shown.invented:
        st.caption(
            "These cases are invented: Rillstone Valley EMS does not exist. The agency's own take their place once they are in."
        )


def _wall(
    shelf: Library, cases: pd.DataFrame, wanted: Sequence[Subject], view: View, which: Which, theme: str, row: DeltaGenerator
) -> None:
    """The answer in words, the wall of small charts, how often chance alone would signal, and what was recorded."""
    every = view.every
    made, without = charted.wall(cases, wanted, view, plans_of(shelf, wanted, every))
    wall = partial(process_behaviour.wall, [one.drawn for one in made])
    with row:
        over_exports.offer_board(shelf, which, key="board")
        if made:
            _take_out(shelf, cases, made, which, every, wall)
    if not made:
        st.info("None of these measures has a number in the chosen cases.")
        return
    _answer(made)
    words = "; ".join(f"{one.drawn.name}: {one.drawn.latest}, {one.short}" for one in made)
    picked = st.plotly_chart(
        wall(dark=is_dark()),
        key=f"wall-{every}-{theme}",
        config={"displayModeBar": False},
        on_select="rerun",
        selection_mode="points",
        alt=f"Small charts by {every}. {words}.",
    )
    over_measure.from_wall(picked, [one.subject for one in made])
    averaged = " ".join(dict.fromkeys(one.averaged for one in made))
    st.caption(
        f"{averaged} A point is a {every}; the line across is the centre. ◆ a run that is unlikely by chance, ■ beyond the "
        f"limits, ○ left out by a person. Choose a point to open its chart. {charted.by_chance(made)}"
    )
    if said := limits.without((one.drawn.name, one.subject) for one in made):
        st.caption(said)
    over_capture.strip(cases, *known_of(shelf, which))
    if without:
        names = ", ".join(sorted({one.label for one, _ in without}))
        with st.expander(f"{many(len(without), 'measure')} without a number in these cases"):
            st.write(f"{names}.")


def _take_out(
    shelf: Library, cases: pd.DataFrame, made: Sequence[Charted], which: Which, every: str, wall: Callable[[], Any]
) -> None:
    """The points of the small charts as a file; for sharing by quarter."""

    def quarters() -> tuple[pd.DataFrame, str]:
        subjects = [one.subject for one in made]
        return shared.small_charts(cases, subjects, plans_of(shelf, subjects, QUARTER), which.words)

    over_exports.offer(
        "over-time",
        board.points_table(made, Hiding(sharing=False)),
        says=_says(every, which, made),
        key="wall-out",
        shared=over_exports.Shared(made=quarters, note=over_exports.BY_QUARTER),
        picture=wall,
    )


def _answer(made: Sequence[Charted]) -> None:
    """Which measures have a signal, in the order of the page; the rest are counted."""
    with_signal = [one for one in made if one.signals]
    if not with_signal and all(one.short in NOT_LOOKED_FOR for one in made):
        st.write("**No signal can be looked for yet:** the points are too few, or too many of them lie on the centre.")
        return
    if not with_signal:
        st.write(
            f"**No signal in {many(len(made), 'chart')}.** Nothing here is unlikely by chance. That does not show that nothing "
            "changed."
        )
        return
    st.write(f"**Signals in {len(with_signal)} of {many(len(made), 'chart')}.** A signal has no cause in it: look, then ask.")
    st.markdown("\n".join(f"- {_line(one)}" for one in with_signal))


def _line(one: Charted) -> str:
    asked = f" (asked for: {one.subject.limit})" if one.subject.limit else ""
    return f"{one.drawn.name}: {one.short}; newest: {one.drawn.latest}{asked}"


def _says(every: str, which: Which, made: Sequence[Charted]) -> str:
    averaged = " ".join(dict.fromkeys(one.averaged for one in made))
    return f"By {every}. {f'Cases: {which.words}. ' if which.words else ''}{averaged}"
