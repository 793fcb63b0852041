"""What people set on a chart: a frozen baseline, a new phase, a point left out, each with its reason. Nothing is set by a rule."""

from collections.abc import Sequence
from dataclasses import replace
from typing import TypeVar

import streamlit as st

from qi.desk.charted import Charted
from qi.desk.plans import set_plan
from qi.library.library import Library
from qi.model.errors import QiError
from qi.model.people import may
from qi.model.words import many
from qi.screens.on_desk import person, who
from qi.trends.baselines import Baseline, Excluded, Phase, Plan

T = TypeVar("T")
FREEZE, BEGIN, LEAVE_OUT = "Freeze the baseline", "Begin a phase", "Leave a point out"
WORDS = {
    FREEZE: "Centre and limits come from the points up to this one; later points are judged against them.",
    BEGIN: "From this point on a centre of its own is drawn. Warranted only where the behaviour differs, the reason is known, the "
    "change is wanted and is expected to last.",
    LEAVE_OUT: "The point counts in no centre, limit or signal; it stays on the chart, hollow.",
}


def show(shelf: Library, one: Charted, chart: str, plan: Plan, number: int, *, chosen: str = "") -> None:
    """What is set on the chart, and a form to set more; who set it last is said.

    Parameters: shelf; one, the chart; chart, the key of its plan; plan and number, what is set; chosen, the cases looked
    at in words.
    """
    count = len(plan.baselines) + len(plan.phases) + len(plan.excluded)
    with st.expander(f"Baseline and phases ({count} set)" if count else "Baseline and phases"):
        if refused := st.session_state.pop("plan-refused", ""):
            st.error(refused)
        st.caption(_holds_for(one, chosen))
        allowed = may(person(), "plan")
        _kept(shelf, chart, plan, number, allowed=allowed)
        if allowed:
            _form(shelf, one, chart, plan, number)
        else:
            st.caption("Baselines and phases are set by the medical director.")
        _history(shelf, chart)


def _holds_for(one: Charted, chosen: str) -> str:
    """Whose charts a plan holds for, in words."""
    only = f" You look at some cases alone now ({chosen}): what is set here holds for all others too." if chosen else ""
    return (
        f"What is set here holds for every chart of {one.subject.label} by {one.view.every}: of the whole agency, and of any "
        f"station, group or other choice of cases; whatever a point is and whichever chart is drawn.{only}"
    )


def _kept(shelf: Library, chart: str, plan: Plan, number: int, *, allowed: bool) -> None:
    rows = [
        *(
            (f"Baseline frozen up to {one.end}: {one.reason}", replace(plan, baselines=_without(plan.baselines, one)))
            for one in plan.baselines
        ),
        *((f"Phase from {one.start}: {one.reason}", replace(plan, phases=_without(plan.phases, one))) for one in plan.phases),
        *((f"{one.label} left out: {one.reason}", replace(plan, excluded=_without(plan.excluded, one))) for one in plan.excluded),
    ]
    for at, (words, rest) in enumerate(rows):
        with st.container(horizontal=True, vertical_alignment="center"):
            st.write(words)
            if allowed:
                st.button("Take back", key=f"plan-back-{at}", on_click=_write, args=(shelf, chart, rest, number), type="tertiary")


def _without(things: Sequence[T], one: T) -> tuple[T, ...]:
    return tuple(thing for thing in things if thing is not one)


def _form(shelf: Library, one: Charted, chart: str, plan: Plan, number: int) -> None:
    points = one.chart.points
    what = st.radio("What to set", list(WORDS), key="plan-what", horizontal=True, label_visibility="collapsed")
    st.caption(WORDS[what])
    with st.form("plan-form", border=False, clear_on_submit=True):
        label = st.selectbox("Point", points["label"].tolist(), key="plan-point")
        reason = st.text_input("Reason, which the chart shows", key="plan-reason", max_chars=200)
        if st.form_submit_button("Set it", key="plan-set"):
            start = str(points.loc[points["label"] == label, "start"].iloc[0])
            _set(shelf, chart, plan, number, (what, start, str(label), reason))


def _set(shelf: Library, chart: str, plan: Plan, number: int, asked: tuple[str, str, str, str]) -> None:
    what, start, label, reason = asked
    try:
        if what == FREEZE:
            more = replace(plan, baselines=(*plan.baselines, Baseline(start, reason)))
        elif what == BEGIN:
            more = replace(plan, phases=(*plan.phases, Phase(start, reason)))
        else:
            more = replace(plan, excluded=(*plan.excluded, Excluded(label, reason)))
    except QiError as error:
        st.error(f"Not set: {error}.")
        return
    _write(shelf, chart, more, number)
    st.rerun()


def _write(shelf: Library, chart: str, plan: Plan, number: int) -> None:
    try:
        set_plan(shelf, chart, plan, who=who(), after=number)
    except QiError as error:
        st.session_state["plan-refused"] = f"Not set: {error}."


def _history(shelf: Library, chart: str) -> None:
    kept = shelf.plan_history(chart)
    if kept:
        last = kept[-1]
        changes = f"{many(len(kept), 'change')} {'is' if len(kept) == 1 else 'are'} kept"
        st.caption(f"Last set by {last.who} on {last.set_at:%d %b %Y}; {changes}.")
