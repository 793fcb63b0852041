"""Worklist: which cases wait, for whom, since when, the weightiest concern first; second readings, exclusions, days to feedback."""

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

import pandas as pd
import streamlit as st

from qi.desk import conference, samples, signing
from qi.library.library import Library
from qi.library.states import STATUSES
from qi.library.worklist import Entry
from qi.model.errors import QiError
from qi.model.journal import EXCLUSIONS
from qi.model.people import may
from qi.screens import at_rest, case_choice, cautions, fields, pages
from qi.screens.on_desk import library, person, who

PAGE = 50  # rows shown at once
_CHOSEN = "worklist-chosen"  # the list in which rows were chosen
ORDERS = {"concern": "concern", "waiting": "longest waiting", "call": "newest call", "case": "case number"}
WHICH = {"open": "to do", **{word: words.split(",")[0] for word, words in STATUSES.items()}, "second": "second reading asked"}


@pages.guarded("see_cases")
def show() -> None:
    """The list, what it counts, and what can be done with the chosen cases."""
    case_choice.reviewer()
    st.header("Worklist", anchor=False)
    at_rest.show()
    try:
        shelf = library()
        counts = shelf.counts()
        if not counts["cases"]:
            st.write("The library holds no case yet.")
            pages.link("bring-in", "Bring in cases")
        else:
            _head(counts)
            _list(shelf, counts)
            _second(shelf, counts)
            _excluded(counts)
            _invented(shelf)
    except QiError as error:
        st.error(f"The library cannot be used. {error}")
    cautions.show()


def _head(counts: Mapping[str, Any]) -> None:
    """The answer first: how many wait, and how long feedback takes."""
    by, days = counts["by_status"], counts["days_to_feedback"]
    waiting = by["waiting"] + by["in_review"]
    said = f"{waiting} of {_cases(counts['cases'])} wait for review, {by['signed']} for feedback to the crew."
    if days["n"]:
        said += f" From call to feedback it took {days['median']:.0f} days at the median ({_cases(days['n'])})."
    if by["excluded"]:
        said += f" {by['excluded']} excluded."
    st.write(said)


def _cases(count: int) -> str:
    return f"{count} case{'' if count == 1 else 's'}"


def _list(shelf: Library, counts: Mapping[str, Any]) -> None:
    with st.container(horizontal=True, vertical_alignment="bottom"):
        which = st.selectbox("Show", list(WHICH), format_func=WHICH.__getitem__, key="which", bind="query-params", width=220)
        names = [name for name in counts["waiting_for"] if name]
        whose = st.selectbox("For", ["anybody", "nobody yet", *names], key="whose", width=180)
        order = st.selectbox("Sorted by", list(ORDERS), format_func=ORDERS.__getitem__, key="order", bind="query-params", width=180)
        search = st.text_input("Find", key="find", placeholder="number, station, unit, reason", width=260)
    entries = _entries(shelf, which, whose, order, search)
    page = 0
    if len(entries) > PAGE:
        page = (
            int(st.number_input(f"Page of {-(-len(entries) // PAGE)}", 1, -(-len(entries) // PAGE), 1, key="page", width=140)) - 1
        )
    part = entries[page * PAGE : (page + 1) * PAGE]
    if not part:
        st.caption("No case fits.")
        return
    for text in st.session_state.pop("worklist-refused", []):
        st.error(text)
    st.caption("Choose a row to open the case, or several to hand them to somebody.")
    place, shown = f"worklist-{which}-{whose}-{order}-{search}-{page}", fields.digest(*(entry.key for entry in part))
    _changed(place, shown)
    picked = st.dataframe(
        _table(part),
        hide_index=True,
        key=f"{place}-{shown}",  # rows are chosen by their place: in a list that has changed nothing is chosen yet
        on_select="rerun",
        selection_mode="multi-row",
        height=38 + 35 * len(part),
        column_config={
            "case": st.column_config.TextColumn(width=130),
            "call": st.column_config.TextColumn(width=95),
            "unit": st.column_config.TextColumn(width=140),
            "state": st.column_config.TextColumn(width=130),
            "for": st.column_config.TextColumn(width=80),
            "why first": st.column_config.TextColumn(width="large"),
            "days": st.column_config.TextColumn(width=75, help="Days from call to feedback; “so far” where there was none yet"),
            "waits": st.column_config.TextColumn(width=90),
        },
        alt="Worklist, one row a case",
    )["selection"]["rows"]
    st.session_state[_CHOSEN] = (place, shown) if picked else None
    _acts(shelf, [part[row] for row in picked])


def _changed(place: str, shown: str) -> None:
    """Say that a list has changed since rows were chosen in it: what was pressed for them is not done."""
    before = st.session_state.get(_CHOSEN)
    if before and before[0] == place and before[1] != shown:
        st.info("This list has changed since cases were chosen in it, and nothing was done with them: choose them again.")


def _entries(shelf: Library, which: str, whose: str, order: str, search: str) -> list[Entry]:
    assigned = {"anybody": None, "nobody yet": ""}.get(whose, whose)
    if which == "second":
        return shelf.entries(second_status="asked", assigned_to=assigned, search=search, order=order)
    if which != "open":
        return shelf.entries(status=which, assigned_to=assigned, search=search, order=order)
    found = shelf.entries(assigned_to=assigned, search=search, order=order)
    return [entry for entry in found if entry.status in ("waiting", "in_review", "signed")]


def _table(entries: list[Entry]) -> pd.DataFrame:
    now = datetime.now(UTC)
    return pd.DataFrame(
        {
            "case": [entry.case_id for entry in entries],
            "call": [f"{entry.call_local:%d %b %Y}" if entry.call_local else "" for entry in entries],
            "unit": [", ".join(part for part in (entry.unit, _station(entry)) if part) for entry in entries],
            "state": [_state(entry) for entry in entries],
            "for": [entry.assigned_to for entry in entries],
            "waits": [_waits(entry, now) for entry in entries],
            "days": [_days(entry, now) for entry in entries],
            "why first": [entry.concern_words for entry in entries],
        }
    )


def _state(entry: Entry) -> str:
    if entry.excluded:
        return f"excluded: {EXCLUSIONS.get(entry.excluded, entry.excluded)}"
    second = {"asked": "; second reading asked", "in_review": "; second reading begun", "signed": "; read twice"}
    return STATUSES[entry.status].split(",")[0] + second.get(entry.second_status, "")


def _station(entry: Entry) -> str:
    return f"station {entry.station}" if entry.station else ""


def _waits(entry: Entry, now: datetime) -> str:
    if entry.waiting_since is None:
        return ""
    days = (now - entry.waiting_since).days
    return "since today" if days < 1 else f"{days} day{'s' if days > 1 else ''}"


def _days(entry: Entry, now: datetime) -> str:
    """Days from call to feedback, or so far; of a call that lies ahead, as in the invented cases, nothing."""
    if entry.days_to_feedback is not None:
        return f"{entry.days_to_feedback:.0f}"
    return "" if entry.call_at is None or entry.call_at > now else f"{(now - entry.call_at).days} so far"


def _acts(shelf: Library, chosen: list[Entry]) -> None:
    """Why the chosen one comes first, in full; open one; hand several over."""
    if not chosen:
        return
    if len(chosen) == 1:
        st.write(f"{chosen[0].case_id}: {chosen[0].concern_words}.")
    which = fields.digest(*(entry.key for entry in chosen))
    with st.container(horizontal=True, vertical_alignment="bottom"):
        if len(chosen) == 1:
            if st.button(f"Open {chosen[0].case_id}", type="primary", key=fields.of_case("open", which)):
                pages.go("walkthrough", case=chosen[0].key)
            if chosen[0].second_status in ("asked", "in_review") and st.button(
                "Open for the second reading", key=fields.of_case("open-second", which)
            ):
                pages.go("walkthrough", case=chosen[0].key, reading="2")
            if not chosen[0].second_status and st.button("Ask for a second reading", key=fields.of_case("ask-second", which)):
                _write(shelf, chosen, "second_asked", {"why": "asked for from the worklist"})
        if (
            len(chosen) <= conference.MOST
            and may(person(), "teach")
            and st.button("Show masked, for teaching", key=fields.of_case("teach", which))
        ):
            pages.go("conference", cases=",".join(entry.key for entry in chosen))
        to = st.text_input("Hand to", value=who(), key=fields.of_case("hand-to", which), width=200, max_chars=80)
        if st.button(f"Hand {_cases(len(chosen))} to {to.strip() or 'nobody'}", key=fields.of_case("hand", which)):
            _write(shelf, chosen, "assigned", {"to": to.strip()})


def _write(shelf: Library, chosen: list[Entry], kind: str, body: Mapping[str, Any]) -> None:
    """One line into the journal of each chosen case; what was refused is told case by case, the others are written."""
    refused = []
    for entry in chosen:
        try:
            shelf.write(entry.key, kind, body, who=who(), after=entry.last_line)
        except QiError as error:
            refused.append(f"{entry.case_id}: not written: {error}")
    st.session_state["worklist-refused"] = refused
    st.session_state[_CHOSEN] = None
    st.rerun()


def _second(shelf: Library, counts: Mapping[str, Any]) -> None:
    """How far second readers agree with the first, over all cases read twice."""
    by = counts["by_second_status"]
    asked = sum(count for word, count in by.items() if word)
    if not asked:
        return
    st.subheader("Second readings", anchor=False)
    st.write(f"{by['signed']} of {_cases(asked)} chosen by lot, or asked for, read by a second reader.")
    records = [entry.agreement for entry in shelf.entries(second_status="signed") if entry.agreement]
    if records:
        pooled = signing.pooled(records)
        words = signing.agreement_in_words(pooled)
        st.write(words[0].upper() + words[1:])
        differ = signing.differences(pooled)
        if len(differ):
            st.caption("Where the readers differed on what a pause was for:")
            st.dataframe(differ, hide_index=True, key="readers-differ")


def _excluded(counts: Mapping[str, Any]) -> None:
    if counts["excluded"]:
        st.subheader("Excluded", anchor=False)
        rows = [{"reason": EXCLUSIONS.get(reason, reason), "cases": count} for reason, count in counts["excluded"].items()]
        st.dataframe(pd.DataFrame(rows), hide_index=True, key="excluded", width="content")


def _invented(shelf: Library) -> None:
    """The sample cases can be taken out once the agency's own are in."""
    made_up = [entry for entry in shelf.entries() if entry.invented]
    if made_up:
        with st.container(horizontal=True, vertical_alignment="center"):
            count = len(made_up)
            which = f"{count} of these cases are invented samples" if count > 1 else "1 of these cases is an invented sample"
            st.caption(f"{which}. No real call, person or place is in {'them' if count > 1 else 'it'}.")
            if st.button("Take the samples out", key="take-out", type="tertiary"):
                samples.take_out(shelf, who=who())
                st.rerun()
