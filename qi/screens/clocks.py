"""Clocks: how each source's clock stands against the others, what moments that both recorded propose, and what it would change."""

import pandas as pd
import streamlit as st

from qi import pipeline
from qi.charts import clock_lines
from qi.desk import clocks as setting_clocks
from qi.model.clock_proposal import CONFIDENCE, ClockProposal, ClockSetting
from qi.model.errors import QiError
from qi.model.journal import counting
from qi.model.review import Review
from qi.screens import caches, case_choice, cautions, correcting, pages
from qi.screens.beside import beside
from qi.screens.on_desk import OnDesk, on_desk
from qi.screens.theme import is_dark

WORDS = {"good": "good", "fair": "fair", "open": "open between several", "weak": "weak", "none": "nothing to go by"}


@pages.guarded("review")
def show() -> None:
    """The clocks of the chosen case."""
    key = case_choice.show()
    if key is None:
        st.header("Clocks")
        st.write("The library holds no case yet.")
    else:
        try:
            _case(on_desk(key))
        except QiError as error:
            st.header("Clocks")
            st.error(f"This case could not be read. {error}")
    cautions.show()


def _case(desk: OnDesk) -> None:
    case = desk.opened.case
    st.header(f"Clocks of {case.id}", anchor=False)
    others = [name for name in case.clocks if name != case.lead_clock]
    if not others:
        st.write("All that this case holds was told by one clock: there is nothing to line up.")
        pages.link("walkthrough", "To the walkthrough", **desk.address)
        return
    st.write(
        f"Everything is shown on the clock of {case.lead_clock}. What the files recorded is never altered: setting a clock "
        "adds to it, and can be undone."
    )
    correcting.refusal()
    review = desk.review()
    told, proposals = _proposed(f"{desk.library.folder}|{desk.key}|{desk.revision}|{desk.opened.token}", review)
    after = st.toggle("Show the clocks as proposed", key="proposed", value=False)
    figure = clock_lines.figure(case, told, proposals, after=after, zero_s=_zero(review), dark=is_dark())
    st.plotly_chart(figure, key="clock-lines", config={"displayModeBar": False}, alt="Moments told by each clock, one row a clock")
    for proposal in proposals:
        _one(desk, review, proposal)
    _set_so_far(desk)
    pages.link("walkthrough", "To the walkthrough", **desk.address)
    desk.is_shown()


def _zero(review: Review) -> float:
    pressed = review.findings.compressions
    return float(pressed["onset_s"].iloc[0]) if len(pressed) else 0.0


@caches.of_cases
@st.cache_resource(max_entries=8, show_spinner="Comparing the clocks …")
def _proposed(key: str, _review: Review) -> tuple[pd.DataFrame, list[ClockProposal]]:
    return pipeline.clock_proposals(_review)


def _one(desk: OnDesk, review: Review, one: ClockProposal) -> None:
    """One clock: how it stands, what is proposed and why, what it would change, and the reviewer's answer."""
    now = desk.opened.case.clocks[one.clock]
    with st.container(border=True):
        with st.container(horizontal=True, vertical_alignment="center"):
            st.markdown(f"**{one.clock}**", width="content")
            stands = (
                f"{now.offset_s:+.0f} s ± {now.uncertainty_s:.0f} s, {now.method}" if now.placed else "not lined up with the others"
            )
            st.badge(stands, color="gray")
            if one.offset_s is not None:
                st.badge(f"evidence: {WORDS[one.confidence]}", color="gray", help=CONFIDENCE[one.confidence])
        st.write(one.text if one.offset_s is not None else one.why_not)
        if one.near_hour:
            st.warning(
                "This is about one hour: a clock that was not moved for daylight saving, or a file written with the wrong offset.",
                icon=":material/schedule:",
            )
        if one.alternatives:
            other = ", ".join(f"{alternative.offset_s:+.0f} s ({alternative.n} moments)" for alternative in one.alternatives[:3])
            st.caption(f"Nearly as well would fit: {other}. Choose by what you know of the call.")
        left, right = beside(2)
        with left:
            if len(one.pairs):
                st.dataframe(clock_lines.pairs(one, zero_s=_zero(review)), hide_index=True, key=f"pairs-{one.clock}")
        with right:
            _answer(desk, review, one)


def _answer(desk: OnDesk, review: Review, one: ClockProposal) -> None:
    """What accepting would change, and the buttons to accept or to set an offset by hand."""
    now = desk.opened.case.clocks[one.clock]
    setting = one.setting
    if desk.locked:
        st.caption(f"Nothing can be set: {desk.locked}.")
        return
    if setting is not None and not one.agrees:
        _changes(desk, review, setting)
        if st.button(f"Accept {setting.offset_s - now.offset_s:+.1f} s", key=desk.field(f"accept-{one.clock}"), type="primary"):
            _write(desk, setting, "the proposal from moments that both clocks recorded")
    elif setting is not None:
        st.caption("The clock already stands where these moments put it, as far as they can tell.")
        if setting.uncertainty_s < now.uncertainty_s and st.button(
            f"Keep it, now known to ± {setting.uncertainty_s:.0f} s", key=desk.field(f"keep-{one.clock}")
        ):
            _write(desk, setting, "confirmed by moments that both clocks recorded")
    with st.expander("Set it by hand"):
        start = setting.offset_s if setting is not None else now.offset_s
        first, second = st.columns(2)
        offset = first.number_input(
            "Add to this clock, in all (s)", value=float(round(start, 1)), step=1.0, key=desk.field(f"offset-{one.clock}")
        )
        default = now.uncertainty_s if now.uncertainty_s < float("inf") else 60.0
        within = second.number_input(
            "It may be off by ± (s)", value=float(default), min_value=0.0, step=1.0, key=desk.field(f"within-{one.clock}")
        )
        why = st.text_input(
            "Why", key=desk.field(f"why-{one.clock}"), max_chars=300, placeholder="checked against the dispatch log, …"
        )
        by_hand = ClockSetting(one.clock, offset, within, "set by a reviewer")
        if abs(offset - now.offset_s) > 1e-6 or not now.placed:
            _changes(desk, review, by_hand)
        if st.button("Set the clock", key=desk.field(f"set-{one.clock}"), disabled=not why.strip()):
            _write(desk, by_hand, why.strip())


def _changes(desk: OnDesk, review: Review, setting: ClockSetting) -> None:
    """The measures that would change, in a small table."""
    table = setting_clocks.changes(review, setting_clocks.with_setting(desk.opened, desk.lines, setting))
    if table.empty:
        st.caption("No measure would change.")
        return
    st.caption(f"This would change {len(table)} measure{'s' if len(table) > 1 else ''}:")
    st.dataframe(
        table, hide_index=True, height=min(38 + 35 * len(table), 248), key=f"changes-{setting.clock}-{setting.offset_s:.1f}"
    )


def _write(desk: OnDesk, setting: ClockSetting, why: str) -> None:
    correcting.write_lines(desk, [("clock", setting_clocks.body_of(desk.opened.case, setting, why=why))])
    st.rerun()


def _set_so_far(desk: OnDesk) -> None:
    """What reviewers set, each with who and why; the newest of a clock counts, and each can be undone."""
    said = [line for line in counting(desk.lines) if line.kind == "clock"]
    if not said:
        return
    st.markdown("**Set so far**")
    for line in reversed(said):
        with st.container(horizontal=True, vertical_alignment="center", gap="small"):
            text = f"{line.body['clock']}: {line.body['offset_s']:+.1f} s ± {line.body['uncertainty_s']:.0f} s"
            st.write(f"{text}, {line.who}, {line.when:%d %b %Y %H:%M} UTC: {line.body.get('why', '')}")
            if not desk.locked and st.button("Undo", key=desk.field(f"undo-clock-{line.number}"), type="tertiary"):
                correcting.undo(desk, line.number)
                st.rerun()
