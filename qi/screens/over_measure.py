"""One measure over time in full: its chart, its signals in words, its groups, what people set on it, and the cases of a point."""

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd
import streamlit as st

from qi.charts import process_behaviour
from qi.desk import chart_told, charted, shared
from qi.desk.charted import Charted
from qi.desk.over_time import Shown, Which, chart_key
from qi.desk.plans import plan_of
from qi.library.library import Library
from qi.model.errors import NotMeasurable
from qi.screens import over_capture, over_cases, over_exports, over_groups, over_plan, over_said
from qi.screens.over_data import known_of
from qi.screens.over_exports import Shared
from qi.screens.theme import is_dark
from qi.trends.averages import both_in_words
from qi.trends.baselines import Plan
from qi.trends.dates import CASE, QUARTER
from qi.trends.during_arrest import tells_outcome
from qi.trends.kinds import KINDS
from qi.trends.kinds import choose as fitting
from qi.trends.phase_shifts import phase_shifts
from qi.trends.rules import RULES
from qi.trends.sentences import CHOSEN, shift_in_words
from qi.trends.series import IN_TIME, POOLED, Subject, View, as_in_time, trend_table

MEASURE = "measure"


def asked(subjects: Mapping[str, Subject]) -> Subject | None:
    """The measure that the address names, if any."""
    return subjects.get(str(st.query_params.get(MEASURE, "")))


def choose(subjects: Mapping[str, Subject]) -> None:
    """Any measure by name, for whoever does not choose a point of its small chart."""
    st.selectbox(
        "Open a measure",
        list(subjects),
        index=None,
        format_func=lambda column: subjects[column].label,
        key="open-measure",
        on_change=_open_named,
        placeholder="by name",
        width=340,
    )


def _open_named() -> None:
    if column := st.session_state.get("open-measure"):
        st.query_params[MEASURE] = column
        st.session_state["open-measure"] = None


def from_wall(picked: Any, subjects: Sequence[Subject]) -> None:  # noqa: ANN401 - what Streamlit gives of a chosen point
    """Open the chart of which a point was chosen on the wall."""
    points = picked["selection"]["points"] if picked else []
    at = (int(points[0]["curve_number"]) - 1) // 2 if points else -1
    if 0 <= at < len(subjects):
        st.query_params[MEASURE] = subjects[at].column
        st.rerun()


def _back() -> None:
    st.query_params.pop(MEASURE, None)


def show(shelf: Library, shown: Shown, cases: pd.DataFrame, subject: Subject, which: Which) -> None:
    """The measure's own page."""
    st.button("All measures", key="back", icon=":material/arrow_back:", on_click=_back, type="tertiary")
    if which.no_outcomes and tells_outcome(subject.column):
        st.subheader(subject.label, anchor=False)
        st.info(which.no_outcomes)
        return
    every = str(st.session_state.get("every", "month"))
    view, rules = _view(subject, every)
    kept_as = chart_key(subject.column, every)
    plan, number = plan_of(shelf, kept_as)
    try:
        one = charted.charted(cases, subject, view, plan, rules=rules)
    except NotMeasurable as why:
        st.subheader(subject.label, anchor=False)
        st.info(f"Not drawn: {why}.")
        return
    st.subheader(one.drawn.name, anchor=False)
    for sentence in one.sentences:
        st.write(sentence)
    point = _drawn(one)
    _phases(cases, one, plan)
    _under(shelf, cases, one, rules, which)
    if point is not None:
        over_cases.of_point(shelf, cases, subject, one.view, point)
    over_plan.show(shelf, one, kept_as, plan, number, chosen=which.words)
    _tables(shelf, cases, one, rules, which)
    st.subheader("Groups", anchor=False)
    rows, question = as_in_time(cases, subject) if one.view.sort == IN_TIME else (cases, subject)
    over_groups.show(shown, rows, question, every, open_cases=lambda keys: over_cases.ask_for(keys, subject.column))
    over_cases.of_group(shelf, cases, subject, one.view.sort)


def _view(subject: Subject, every: str) -> tuple[View, list[str]]:
    """What a point is, which chart is drawn, and which rules are looked for beside runs and limits."""
    with st.container(horizontal=True, vertical_alignment="bottom"):
        if st.session_state.get("sort") not in subject.sorts:
            st.session_state.pop("sort", None)
        sort = st.selectbox("A point is", subject.sorts, key="sort", bind="query-params", width=230)
        kinds = fitting(sort).kinds
        if st.session_state.get("kind") not in kinds:
            st.session_state.pop("kind", None)
        kind = st.selectbox(
            "Chart",
            kinds,
            format_func=lambda one: KINDS[one].name,
            key="kind",
            bind="query-params",
            width=230,
            help=fitting(sort).why,
        )
        rules = st.multiselect(
            "Further rules",
            list(RULES),
            key="rules",
            placeholder="none",
            width=300,
            help="Each rule beside runs and limits makes false signals more frequent; the sentence under the chart says how much.",
        )
    return View(every, sort, kind).settled(subject), rules


def _drawn(one: Charted) -> str | None:
    """The chart.

    Returns: the label of the point that the person chose, if any.
    """
    picked = st.plotly_chart(
        process_behaviour.figure(one.drawn, dark=is_dark()),
        key=f"chart-{one.subject.column}-{one.view.every}-{one.view.sort}-{one.view.kind}",
        config={"displayModeBar": False},
        on_select="rerun",
        selection_mode="points",
        alt=f"{one.drawn.name}. {' '.join(one.sentences)}",
    )
    points = picked["selection"]["points"] if picked else []
    labels = one.chart.points["label"].tolist()
    at = next((int(point["point_index"]) for point in points if point.get("curve_number") == 0), None)
    return labels[at] if at is not None and at < len(labels) else None


def _phases(cases: pd.DataFrame, one: Charted, plan: Plan) -> None:
    """How far each phase that a person began lies from the one before."""
    found = phase_shifts(cases, one.subject, one.view, plan)
    if not found:
        return
    over_said.bullets(shift_in_words(two.change, one.subject.unit, since=two.since, reason=two.reason) for two in found)
    st.caption(CHOSEN)


def _under(shelf: Library, cases: pd.DataFrame, one: Charted, rules: Sequence[str], which: Which) -> None:
    """What must be known to read the chart."""
    st.caption(" ".join([*chart_told.notes(one), charted.by_chance([one], rules=rules)]))
    if POOLED in one.subject.sorts and (words := both_in_words(cases)):
        st.caption(words)
    st.caption(f"{chart_told.MARKS} Choose a point to see its cases.")
    over_capture.strip(cases, *known_of(shelf, which))


def _tables(shelf: Library, cases: pd.DataFrame, one: Charted, rules: Sequence[str], which: Which) -> None:
    """The chart's own points, and apart from them each month's medians, means and shares; to be looked at and taken out."""
    rows = chart_told.rows(one)

    def quarters() -> Charted:
        plan, _ = plan_of(shelf, chart_key(one.subject.column, QUARTER))
        return shared.by_quarter(cases, one, plan, rules=rules)

    single = over_exports.SINGLE_CASES if one.chart.every == CASE else ""
    with st.expander("Table: the points of this chart"):
        st.dataframe(chart_told.as_read(rows, one), hide_index=True, key="chart-table", alt=f"The points of {one.drawn.name}")
        over_exports.offer(
            f"{one.subject.column}, points of the chart",
            rows,
            says=chart_told.says(one, which.words),
            key="points-out",
            shared=Shared(made=lambda: shared.points(quarters(), which.words), note=over_exports.BY_QUARTER, why_not=single),
        )
    with st.expander(f"Table: median, mean and share by {one.view.every}"):
        table = _with_pooled(trend_table(cases, one.subject, one.view.every), one)
        st.dataframe(
            _shown(table, one.subject),
            hide_index=True,
            key="trend-table",
            alt=f"{one.subject.label} {one.view.every} by {one.view.every}",
        )
        says = chart_told.says_of_trend(one, which.words)
        given = Shared(made=lambda: shared.trend(cases, one, which.words), note=over_exports.BY_QUARTER)
        over_exports.offer(one.subject.column, table, says=says, key="measure-out", shared=given)
    over_exports.offer_chart(one, key="chart-out", quarters=quarters)


def _with_pooled(table: pd.DataFrame, one: Charted) -> pd.DataFrame:
    """The trend table; where the chart is of time-pooled shares, with these and how many cases each rests on."""
    if one.view.sort != POOLED:
        return table
    points = one.chart.points.set_index("label").reindex(table["label"])
    return table.assign(time_pooled=points["value"].to_numpy(), time_pooled_n=points["n"].to_numpy())


def _shown(table: pd.DataFrame, subject: Subject) -> pd.DataFrame:
    """The trend table with words a person reads and no more digits than the values have."""
    scale = 100.0 if subject.unit == "1" else 1.0
    unit = "%" if subject.unit == "1" else subject.unit
    shown = pd.DataFrame({"period": table["label"], "cases": table["cases"].astype(int), "n": table["n"].astype(int)})
    for name, words in (("median", "median"), ("median_low", "95 % from"), ("median_high", "to"), ("mean", "mean")):
        shown[f"{words} [{unit}]"] = (table[name] * scale).round(1)
    if "time_pooled" in table:
        shown["time-pooled [%]"] = (table["time_pooled"] * 100).round(1)
        shown["time-pooled n"] = table["time_pooled_n"].astype(int)
    if subject.limit or subject.yes_or_no:
        shown["judged"] = table["judged"].astype(int)
        shown["met"] = table["met"].astype(int)
        shown["met [%]"] = (table["share"] * 100).round(0)
        shown["95 % from [%]"] = (table["share_low"] * 100).round(0)
        shown["to [%]"] = (table["share_high"] * 100).round(0)
    return shown
