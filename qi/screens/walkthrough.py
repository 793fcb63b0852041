"""One case from top to bottom: in words, in one picture, where the time went, held to the protocol, close up, findings."""

import time
from pathlib import Path

import streamlit as st

from qi import pipeline
from qi.charts.waveforms import pack
from qi.desk import came_from
from qi.feedback.story import story
from qi.model.errors import QiError
from qi.model.journal import SECOND, version_of
from qi.model.people import may
from qi.model.review import Review
from qi.model.words import answer, name
from qi.screens import (
    case_choice,
    cautions,
    close_up,
    deleting,
    findings,
    held,
    navigation,
    out,
    packed,
    pages,
    remembered,
    sources,
    time_went,
    to_look_at,
    waveform,
)
from qi.screens.on_desk import OnDesk, on_desk, person
from qi.screens.shown_time import since

LONGEST_WAIT_S, STEP_S = 4.0, 0.05  # how long a browser may take to draw a case before the rest is sent all the same [s]
ICON = str(Path(__file__).with_name("pictures") / "icon.png")  # a local one: Streamlit would fetch a symbol from another host


@pages.guarded("see_own_case")
def show() -> None:
    """The walkthrough of the chosen case."""
    key = case_choice.show()
    if key is None:
        st.header("Choose a case")
        st.write("The library holds no case yet. Bring in a monitor export, a care record, or both.")
        pages.link("bring-in", "Bring in cases")
    else:
        try:
            _case(on_desk(key))
        except QiError as error:
            st.header("This case")
            st.error(f"This case could not be read. {error}")
    cautions.show()


def _case(desk: OnDesk) -> None:
    packed.keep_samples(desk)
    as_found = _view(desk)
    review = desk.review(as_found=as_found)
    _in_words(review)
    _asked_for(review)
    chosen = held.chosen(review)
    mark = pack.highlight(chosen.number.spans_s, label=chosen.label) if chosen and chosen.number.spans_s else None
    packed.keep_events(desk, review, as_found=as_found)
    st.subheader("In one picture", anchor=False)
    choice = waveform.show_picture(packed.key_of(desk), key="picture", highlight=mark, on_drawn=lambda: _drawn(desk))
    if choice.moment_s is not None:
        st.query_params["t"] = f"{choice.moment_s:.1f}"
    navigation.show(review)
    st.subheader("Close up", anchor=False)
    close_up.show(desk, review, mark, as_found=as_found)
    _draw_first(desk)
    st.subheader("Where the time went", anchor=False)
    time_went.show(desk, review, editable=not as_found and not desk.locked)
    st.subheader("Held to the protocol", anchor=False)
    held.show(desk, review, desk.review(as_found=True))
    st.subheader("To look at", anchor=False)
    to_look_at.show(review)
    if may(person(), "see_cases"):  # what reviewers say of a case is told to its crew by the sheet
        st.subheader("Findings and sign-off", anchor=False)
        findings.show(desk, desk.review())
        findings.versions(desk)
    out.show(desk, review)
    pages.link("conference", "Show masked, for teaching", cases=desk.key)
    sources.show(desk, review)
    deleting.show(desk)
    desk.is_shown()


def _asked_for(review: Review) -> None:
    """Where the number that the address names came from: the page opens there, and says what lies there."""
    one = held.asked_for(review)
    if one is None:
        return
    minutes = remembered.of(review, "by minute", lambda: pipeline.by_minute(review))
    found = came_from.moment_of(review, one, minutes)
    said = f"Opened for {name(one)}: {answer(one)}."
    if found is None:
        st.caption(f"{said} No one moment of the recording holds it; it is chosen under “Held to the protocol”.")
        return
    if "t" not in st.query_params:
        st.query_params["t"] = f"{found.at_s:.1f}"
    st.caption(f"{said} At {since(review, found.at_s)}: {found.words}.")


def _drawn(desk: OnDesk) -> None:
    st.session_state["drawn"] = desk.opened.token


def _draw_first(desk: OnDesk) -> None:
    """Let the browser draw words, picture and close-up of a case before it is given charts and tables to draw.

    Given all at once, it loads and draws those first, and the answer comes last. The browser says when it is done, which starts a
    new run in place of this one; without a browser there is nothing to wait for.
    """
    if st.session_state.get("drawn") == desk.opened.token or not st.context.headers.get("User-Agent"):
        return
    below = st.empty()
    for _ in range(round(LONGEST_WAIT_S / STEP_S)):
        below.caption("Charts and tables follow …")
        time.sleep(STEP_S)
    below.empty()
    _drawn(desk)


def _view(desk: OnDesk) -> bool:
    """Head of the page; which view is shown: the reviewer's, or the machine's own.

    Returns: whether everything is shown as the machine found it.
    """
    case = desk.opened.case
    version, signed = version_of(desk.lines)
    with st.container(horizontal=True, vertical_alignment="center"):
        st.header(case.id, anchor=False, width="content")
        st.badge(f"version {version} {'signed' if signed else 'open'}", color="gray")
        if desk.reading == SECOND:
            st.badge("second reading", color="gray")
        st.space("stretch")
        view = st.segmented_control(
            "View",
            ["As reviewed", "As found"],
            key="view",
            default="As reviewed",
            required=True,
            label_visibility="collapsed",
            help="As reviewed: with the corrections people made. As found: what the machine found by itself.",
        )
    _badges(desk)
    return view == "As found"


def _badges(desk: OnDesk) -> None:
    case, facts, in_force = desk.opened.case, desk.opened.case.facts, desk.opened.protocol
    who = " ".join(part for part in (f"{facts.age_years:g} years" if facts.age_years is not None else "", facts.sex or "") if part)
    when = case.start.strftime("%d %b %Y, %H:%M") if case.start else "time of day not recorded"
    with st.container(horizontal=True, gap="small"):
        for text in (when, who or "age and sex not recorded", *_facts(desk)):
            st.badge(text, color="gray")
        st.badge(f"protocol: {in_force.title} ({in_force.name}), by {in_force.chosen_by}", color="gray")


def _facts(desk: OnDesk) -> list[str]:
    """What is known of arrest and response, in a few words each; what was not recorded is left out."""
    facts = desk.opened.case.facts
    witness = {"bystander": "bystander-witnessed", "ems": "witnessed by the crew", "no": "not witnessed"}.get(facts.witnessed or "")
    yes_no = {True: "bystander CPR", False: "no bystander CPR"}
    said = [witness, yes_no.get(facts.bystander_cpr) if isinstance(facts.bystander_cpr, bool) else None]
    said += [f"first rhythm {facts.first_rhythm.replace('_', ' ')}" if facts.first_rhythm else None]
    said += [f"station {facts.station}" if facts.station else None, facts.unit, f"shift {facts.shift}" if facts.shift else None]
    return [one for one in said if one]


def _in_words(review: Review) -> None:
    if review.unread and may(person(), "bring_in"):  # names of files may say more than a crew is to read
        some, more = ", ".join(review.unread[:3]), len(review.unread) - 3
        st.warning(f"Could not be read whole: {some}{f' and {more} more' if more > 0 else ''}. Why stands under “What was read”.")
    st.subheader("In words", anchor=False)
    st.write(" ".join(sentence.text for sentence in story(review)))
    for question in review.findings.course.questions:
        st.caption(f"To check: {question}")
