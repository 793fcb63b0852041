"""Deleting a case: the review alone, so that its measures stay, or all of it; done once its number has been typed."""

import streamlit as st

from qi.desk import retention
from qi.model.errors import QiError
from qi.model.people import may
from qi.screens import pages
from qi.screens.on_desk import OnDesk, forget_cases, person, who

_REVIEW, _ALL = "review", "all"
CHOICES = {
    _REVIEW: "Delete the review, keep the measures",
    _ALL: "Delete all of it",
}
GOES = {
    _REVIEW: (
        "The files as they came, the waveforms, findings, corrections, notes, signed versions and sheets of this case go. "
        "Its row among all cases stays: its measures and pauses, with station, shift and unit, the month alone of its day, "
        "and a random key in place of its number."
    ),
    _ALL: (
        "The files as they came, the waveforms, findings, corrections, notes, signed versions and sheets of this case go, and its "
        "row among all cases with them: what was counted over time so far changes by this one case."
    ),
}
STAYS = (
    "What stays: a line in the log that says who deleted the case of this key, and when. What cannot be reached from here: files "
    "that were taken out before, backups, and the care record and monitor that the case came from. It cannot be undone."
)


def show(desk: OnDesk) -> None:
    """The two choices, what each leaves, and the number to be typed; nothing for those who may not delete."""
    if not may(person(), "delete"):
        return
    with st.expander("Delete this case"):
        choice = st.radio("What goes", list(CHOICES), format_func=CHOICES.__getitem__, key=desk.field("delete-what"))
        st.write(GOES[choice])
        st.caption(STAYS)
        typed = st.text_input(f"To confirm, type the case's number: {desk.entry.case_id}", key=desk.field("delete-confirmed"))
        is_confirmed = typed.strip() == desk.entry.case_id
        if st.button(CHOICES[choice], key=desk.field("delete"), type="primary", disabled=not is_confirmed) and is_confirmed:
            _delete(desk, keep_measures=choice == _REVIEW)


def _delete(desk: OnDesk, *, keep_measures: bool) -> None:
    try:
        retention.delete(desk.library, desk.key, who=who(), keep_measures=keep_measures)
        left = desk.library.scrub()
    except (QiError, OSError) as error:
        st.error(f"Not deleted. {error}")
        return
    forget_cases()
    for name in ("case", "t", "reading"):
        st.query_params.pop(name, None)
    if left:
        st.warning(f"The case is deleted. Parts of it may still stand in the database's files: {left}.")
        return
    st.toast("The case is deleted.")
    pages.go("worklist")
