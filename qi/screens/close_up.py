"""The close-up with the desk below it: pointing, selecting and keys there become corrections here. A fragment of its own."""

from collections.abc import Mapping
from typing import Any

import streamlit as st

from qi.desk.correcting import WHYS
from qi.model.review import Review
from qi.screens import correcting, events_table, packed, pages, waveform
from qi.screens.navigation import moment_in_address
from qi.screens.on_desk import OnDesk


def show(desk: OnDesk, review: Review, mark: Mapping[str, Any] | None, *, as_found: bool) -> None:
    """The waveforms, and what can be corrected there; in the machine's view nothing can."""
    _close_up(desk, review, mark, as_found)


@pages.fragment("see_own_case")
def _close_up(desk: OnDesk, review: Review, mark: Mapping[str, Any] | None, as_found: bool) -> None:  # noqa: FBT001
    editable = not as_found and not desk.locked
    choice = waveform.show_close_up(
        packed.key_of(desk),
        key=desk.field("close-up"),  # a correction that is on its way stays with the case that it was asked for in
        moment_s=moment_in_address(),
        highlight=mark,
        editable=editable,
        locked="the machine's own view" if as_found else desk.locked,
        why_choices=WHYS,
    )
    _remember(desk, choice)
    if choice.edit is not None and editable:
        correcting.act(desk, review, choice.edit, taken=choice.taken)
        choice.taken()  # also where nothing was to be written
        st.rerun()
    correcting.refusal()
    if not as_found:
        correcting.panel(desk, review)
    events_table.show(desk, review, editable=editable)


def _remember(desk: OnDesk, choice: waveform.Choice) -> None:
    """What is pointed at stays so over the next runs, as long as the case and the reading are the same."""
    here = (desk.key, desk.reading)
    if st.session_state.get("pointed-in") != here:
        st.session_state["pointed-in"] = here
        for name in ("picked", "stretch", "moment"):
            st.session_state.pop(name, None)
    if choice.moment_s is not None:
        st.session_state["moment"] = choice.moment_s
        st.query_params["t"] = f"{choice.moment_s:.1f}"
        st.session_state.pop("picked", None)
        st.session_state.pop("stretch", None)
    if choice.stretch_s is not None:
        st.session_state["stretch"] = choice.stretch_s
        st.session_state.pop("picked", None)
    if choice.picked is not None:
        st.session_state["picked"] = choice.picked
        st.query_params["t"] = f"{choice.picked['start_s']:.1f}"
