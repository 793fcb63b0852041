"""Findings and sign-off: what the reviewer says of the case, tied to moments; signing locks a version, reopening makes another."""

from collections.abc import Callable, Mapping
from dataclasses import asdict
from typing import Any

import pandas as pd
import streamlit as st

from qi import pipeline
from qi.desk import signing
from qi.model.corrections import anchor_of
from qi.model.journal import EXCLUSIONS, FINDINGS, FIRST, SECOND, Finding, version_of
from qi.model.review import Review
from qi.screens import pages
from qi.screens.beside import beside
from qi.screens.correcting import FINDINGS as FINDINGS_PART
from qi.screens.correcting import refusal, tried, write_lines
from qi.screens.navigation import moment_in_address
from qi.screens.on_desk import OnDesk, who
from qi.screens.shown_time import since


def show(desk: OnDesk, review: Review) -> None:
    """Findings on the left, signing on the right."""
    refusal(FINDINGS_PART)
    left, right = beside(2)
    with left:
        _findings(desk, review)
    with right:
        _signing(desk, review)


def _findings(desk: OnDesk, review: Review) -> None:
    found = signing.findings(desk.lines, review.case, reading=desk.reading)
    for one in found:
        with st.container(border=True):
            where = f" at {since(review, one.start_s)}" if one.start_s is not None else ""
            where += f" to {since(review, one.end_s)}" if one.end_s is not None else ""
            where += f" · {pipeline.labels().get(one.measure, one.measure)}" if one.measure else ""
            st.markdown(f"**{FINDINGS.get(one.kind, one.kind)}**{where}")
            st.text(one.text)
            with st.container(horizontal=True, gap="small", vertical_alignment="center"):
                st.caption(f"{one.who}, {one.when:%d %b %Y %H:%M} UTC" if one.when else one.who)
                if one.start_s is not None and st.button("Go there", key=desk.field(f"go-{one.number}"), type="tertiary"):
                    st.query_params["t"] = f"{one.start_s:.1f}"
                    st.rerun()
                if not desk.locked and st.button("Withdraw", key=desk.field(f"withdraw-{one.number}"), type="tertiary"):
                    _write(desk, "finding_withdrawn", {"of": one.number, "why": "withdrawn by the reviewer"})
                    st.rerun()
    if not found:
        st.caption("No finding has been written yet.")
    if not desk.locked:
        _form(desk, review)


@pages.fragment("see_own_case")
def _form(desk: OnDesk, review: Review) -> None:
    """A new finding, tied to what the form shows, whatever was chosen in the close-up while it was filled in."""
    start, end = _chosen()
    shown = desk.field("finding-at")
    at, until = st.session_state.get(shown, (start, end))
    st.session_state[shown] = (start, end)
    st.button(
        "Take the moment or stretch chosen in the close-up", key=desk.field("take-moment"), type="tertiary", icon=":material/place:"
    )
    with st.form(desk.field("finding"), clear_on_submit=True):
        first, second = st.columns([1, 1])
        kind = first.selectbox("Kind", list(FINDINGS), format_func=FINDINGS.__getitem__, key=desk.field("finding-kind"))
        where = "" if start is None else since(review, start) + (f" to {since(review, end)}" if end is not None else "")
        tied = second.checkbox(f"Tied to {where}" if where else "Tied to no moment", value=bool(where), disabled=not where)
        measures = pipeline.labels()
        measure = second.selectbox(
            "About",
            ["", *measures],
            format_func=lambda id_: measures.get(id_, "the case as a whole"),
            key=desk.field("finding-about"),
        )
        text = st.text_area(
            "What was seen, and what would help next time", max_chars=2000, height=90, key=desk.field("finding-text")
        )
        if st.form_submit_button("Write the finding") and text.strip():
            anchor, anchor_s = anchor_of(review.case)
            start, end = (at, until) if tied else (None, None)
            made = Finding(kind, text.strip(), start, end, measure or None, anchor, anchor_s)
            body = {key: value for key, value in asdict(made).items() if key not in ("number", "who", "when")}
            _write(desk, "finding", body)
            st.rerun()


def _chosen() -> tuple[float | None, float | None]:
    """The stretch selected in the close-up, else the moment chosen there, else that of the address [s]."""
    stretch, moment = st.session_state.get("stretch"), st.session_state.get("moment")
    if stretch:
        return float(stretch[0]), float(stretch[1])
    return float(moment) if moment is not None else moment_in_address(), None


def _signing(desk: OnDesk, review: Review) -> None:
    version, signed = version_of(desk.lines)
    entry = desk.entry
    if desk.reading == SECOND:
        _second(desk, review)
        return
    if entry.excluded:
        why = next((line.body.get("why") for line in reversed(desk.lines) if line.kind == "excluded"), "")
        st.markdown(f"**Excluded:** {EXCLUSIONS.get(entry.excluded, entry.excluded)}" + (f" ({why})" if why else ""))
    if signed:
        st.markdown(f"**Version {version} is signed** by {entry.signed_by}, {entry.signed_at:%d %b %Y %H:%M} UTC.")
        st.caption("Its numbers are kept as they stood. Reopening makes a new version; the signed one stays.")
        why = st.text_input("Why reopen", key=desk.field("why-reopen"), max_chars=300)
        if st.button("Reopen", key=desk.field("reopen"), disabled=not why.strip()):
            _done(lambda: desk.library.reopen(desk.key, why.strip(), who=who(), after=desk.last))
        _feedback(desk)
        if desk.entry.second_status == "signed":
            _agreement(desk)
        return
    st.markdown(f"**Version {version} is open.**")
    st.caption("Signing keeps the numbers as they stand now, with corrections and findings, under your name.")
    if st.button(f"Sign version {version} as {who()}", key=desk.field("sign"), type="primary"):
        _done(lambda: _sign(desk, review))
    with st.expander("Not for review"):
        if entry.excluded:
            if st.button("Take it back into review", key=desk.field("include")):
                _write(desk, "included", {"why": "taken back"})
                st.rerun()
        else:
            reason = st.selectbox("Why", list(EXCLUSIONS), format_func=EXCLUSIONS.__getitem__, key=desk.field("exclusion"))
            words = st.text_input("In words", key=desk.field("exclusion-words"), max_chars=300)
            if st.button("Exclude", key=desk.field("exclude"), disabled=reason == "other" and not words.strip()):
                _write(desk, "excluded", {"reason": reason, "why": words.strip()})
                st.rerun()
    _feedback(desk)


def _feedback(desk: OnDesk) -> None:
    """Whether the crew has been told, and when."""
    if desk.entry.feedback_at:
        st.caption(f"The crew had feedback on {desk.entry.feedback_at:%d %b %Y}.")
        return
    with st.expander("Feedback to the crew"):
        how = st.text_input(
            "How they were told", key=desk.field("feedback-how"), max_chars=120, placeholder="at the station, by phone …"
        )
        if st.button("The crew has had feedback", key=desk.field("feedback"), disabled=not how.strip()):
            _write(desk, "feedback", {"how": how.strip()})
            st.rerun()


def _second(desk: OnDesk, review: Review) -> None:
    """The end of a second reading, and how far the two agree, shown only when the second reader is done."""
    done = next((line for line in reversed(desk.lines) if line.kind == "second_signed"), None)
    if done is None:
        st.markdown("**Second reading.** You start from the machine's findings; the first reader's corrections are not shown.")
        if desk.library.why_not(desk.key, who(), reading=SECOND):
            st.caption("The first reader cannot be the second one as well. Change the reviewer's name on the left.")
        elif st.button(f"Sign the second reading as {who()}", key=desk.field("sign-second"), type="primary"):
            _done(lambda: _sign(desk, review))
        return
    st.markdown(f"**Second reading signed** by {done.who}, {done.when:%d %b %Y}.")
    _agreement(desk)


def _agreement(desk: OnDesk) -> None:
    """How far both readings agree, once both are signed."""
    if desk.entry.agreement is None:
        st.caption("How far the two readings agree is shown once the first is signed too.")
    else:
        st.write(f"How far the two readings agree: {signing.agreement_in_words(desk.entry.agreement)}")
        differ = signing.differences(desk.entry.agreement)
        if len(differ):
            st.dataframe(differ, hide_index=True, key="differences")


def _sign(desk: OnDesk, review: Review) -> None:
    signing.sign(desk.library, desk.opened, desk.lines, review, who=who(), after=desk.last, reading=desk.reading)


def _write(desk: OnDesk, kind: str, body: Mapping[str, Any]) -> None:
    write_lines(desk, [(kind, body)], place=FINDINGS_PART)


def _done(act: Callable[[], object]) -> None:
    """Do what a button asked for; the whole page follows."""
    tried(act, place=FINDINGS_PART)
    st.rerun()


def versions(desk: OnDesk) -> None:
    """The signed versions of a case, folded away; a second reader sees the first reader's numbers only when done."""
    signed = [] if desk.reading == SECOND and not desk.locked else desk.library.versions(desk.key)
    if not signed:
        return
    with st.expander(f"Signed versions ({len(signed)})"):
        rows = [
            {"version": one.version, "signed by": one.signed_by, "signed": one.signed_at, **signing.main_numbers(one.record)}
            for one in signed
            if one.reading == FIRST
        ]
        st.dataframe(pd.DataFrame(rows), hide_index=True, key="versions")
