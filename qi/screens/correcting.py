"""Corrections on screen: from the close-up by pointing and by keyboard, from tables; and the journal of what was changed."""

from collections.abc import Callable, Mapping
from typing import Any

import pandas as pd
import streamlit as st

from qi.desk import correcting
from qi.library.rules import standing
from qi.model.corrections import UNLABELLED, Correction, correction_of
from qi.model.errors import QiError
from qi.model.review import Review
from qi.model.vocabulary import UNMAPPED
from qi.model.words import amount
from qi.screens.beside import beside
from qi.screens.on_desk import OnDesk, saw, who
from qi.screens.shown_time import since, zero_s

ANOTHER = "another reason …"
CLOSE_UP, PAUSES, FINDINGS = "close-up", "pauses", "findings"  # parts of the page that write


def _nothing() -> None:
    """Nobody waits to hear that it is written."""


def write(desk: OnDesk, *corrections: Correction, place: str = CLOSE_UP, taken: Callable[[], None] = _nothing) -> bool:
    """Write corrections into the journal; a refusal is kept to be shown on the next run.

    Parameters: desk; corrections; place, the part of the page that asked for it, where a refusal is shown; taken, see write_lines.
    Returns: whether they were written.
    """
    return write_lines(desk, [("correction", one.record()) for one in corrections], place=place, taken=taken)


def write_lines(
    desk: OnDesk,
    entries: list[tuple[str, Mapping[str, Any]]],
    *,
    place: str = CLOSE_UP,
    taken: Callable[[], None] = _nothing,
) -> bool:
    """Write lines into the journal of the case, in the reading that the person is in.

    Parameters: desk, entries, place; taken, called once they are written, before anything that may break this run off.
    Returns: whether they were written.
    """

    def written() -> None:
        made = desk.library.write_all(desk.key, entries, who=who(), after=desk.last, reading=desk.reading)
        taken()
        saw(desk.key, made[-1].number)

    return tried(written, place=place)


def tried(what: Callable[[], object], *, place: str = CLOSE_UP) -> bool:
    """Do something that the library may refuse, and keep the refusal to be shown.

    Returns: whether it was done.
    """
    refused: dict[str, str] = st.session_state.setdefault("refused", {})
    refused.pop(place, None)
    try:
        what()
    except QiError as error:
        refused[place] = str(error)
    return place not in refused


def undo(desk: OnDesk, number: int | None, *, taken: Callable[[], None] = _nothing) -> bool:
    """Write a line that takes back another; the line itself stays."""
    return number is not None and write_lines(desk, [("undo", {"undoes": number})], taken=taken)


def act(desk: OnDesk, review: Review, edit: Mapping[str, Any], *, taken: Callable[[], None]) -> bool:
    """Do at once what was asked for in the close-up by key or by dragging; taken, see write_lines."""
    if edit["act"] == "undo":
        return undo(desk, correcting.last_to_undo(desk.lines, reading=desk.reading), taken=taken)
    to = (float(edit["to_start_s"]), edit.get("to_end_s")) if edit.get("to_start_s") is not None else None
    why = edit.get("why") or correcting.WHYS[0]
    start, end = float(edit["start_s"]), edit.get("end_s")
    if edit["subject"] == "artefact" and edit["act"] != "add":
        return _artefact(desk, review, edit.get("number"), to, why, taken=taken)
    made = correcting.correction(review, edit["act"], edit["subject"], start, end, why=why, to_s=to, value=edit.get("value"))
    return write(desk, made, taken=taken)


def _artefact(
    desk: OnDesk,
    review: Review,
    number: int | None,
    to: tuple[float, float | None] | None,
    why: str,
    *,
    taken: Callable[[], None] = _nothing,
) -> bool:
    """A stretch that was called artefact is no longer, or is another one: the line that said so is undone."""
    said = next((one for one in review.corrections if one.number == number and one.subject == "artefact"), None)
    if said is None:
        return False
    entries: list[tuple[str, Mapping[str, Any]]] = [("undo", {"undoes": said.number})]
    if to is not None:
        length = said.span[1] - said.span[0]
        end = to[1] if to[1] is not None else to[0] + length
        made = correcting.correction(review, "add", "artefact", to[0], end, why=why, sensor=said.sensor)
        entries.append(("correction", made.record()))
    return write_lines(desk, entries, taken=taken)


def refusal(place: str = CLOSE_UP) -> None:
    """Show why the last write of this part of the page was refused, once."""
    if text := st.session_state.get("refused", {}).pop(place, None):
        st.error(f"Not written: {text}")


def panel(desk: OnDesk, review: Review) -> None:
    """The form for what is selected in the close-up, and the journal beside it."""
    left, right = beside(2)
    with left:
        if desk.locked:
            st.caption(f"Nothing can be corrected: {desk.locked}.")
        else:
            _form(desk, review)
    with right:
        journal(desk, review)


def _form(desk: OnDesk, review: Review) -> None:
    picked, stretch, moment = (st.session_state.get(name) for name in ("picked", "stretch", "moment"))
    if picked:
        _change(desk, review, picked, stretch, moment)
    elif stretch:
        _put_in(desk, review, float(stretch[0]), float(stretch[1]))
    elif moment is not None:
        _put_in(desk, review, float(moment), None)
    else:
        st.caption(
            "To correct something, click on it in the close-up; to put something in, click beside it, or select a stretch "
            "(the Select button, or Shift and drag). The ? in the close-up lists the keys."
        )


def _why(desk: OnDesk, name: str) -> str:
    choice = st.selectbox("Why", [*correcting.WHYS, ANOTHER], key=desk.field(f"why-{name}"))
    return st.text_input("Reason", key=desk.field(f"reason-{name}"), max_chars=300) if choice == ANOTHER else str(choice)


def _put_in(desk: OnDesk, review: Review, start: float, end: float | None) -> None:
    """Something new at a moment or over a stretch."""
    where = since(review, start) + (f" to {since(review, end)} ({amount(end - start, 's')})" if end is not None else "")
    st.markdown(f"**{'Stretch' if end is not None else 'Moment'} {where}**")
    choices = [*correcting.OVER_A_STRETCH, "no compressions", "no breaths"] if end is not None else [*correcting.AT_A_MOMENT]
    first, second, third = st.columns([2, 2, 2])
    with first:
        subject = st.selectbox("Put in", choices, format_func=correcting.label, key=desk.field(f"put-in-{end is not None}"))
    with second:
        value, dose, unit = _value(desk, subject, review, name="put-in")
    with third:
        why = _why(desk, "put-in")
    sensor = value if subject == "artefact" and value else ""
    if st.button("Write the correction", key=desk.field("write-put-in"), type="primary", disabled=not why):
        action, what = (
            ("remove", {"no compressions": "compression", "no breaths": "ventilation"}[subject])
            if subject.startswith("no ")
            else ("add", subject)
        )
        made = correcting.correction(
            review,
            action,
            what,
            start,
            end,
            why=why,
            value=None if subject == "artefact" else value or None,
            dose=dose,
            unit=unit,
            sensor=sensor,
        )
        _written(write(desk, made))


def _written(done: bool) -> None:  # noqa: FBT001 - the answer of a write
    """After a write the selection is let go and the whole page follows."""
    if done:
        for name in ("picked", "stretch", "moment"):
            st.session_state.pop(name, None)
    st.rerun()


def _value(desk: OnDesk, subject: str, review: Review, now: str = "", *, name: str) -> tuple[str, float | None, str | None]:
    """The value of a subject: a choice, a text, or nothing to give; a drug's dose and unit. name, of what the value is given to."""
    if subject == "artefact":
        sensors = [signal.name for signal in review.case.signals]
        return (
            st.selectbox(
                "On which signal",
                ["", *sensors],
                format_func=lambda one: one or "all of them",
                key=desk.field(f"sensor-{name}"),
            ),
            None,
            None,
        )
    if subject == "drug":
        drug = st.text_input("Drug", value=now, key=desk.field(f"drug-{name}"))
        dose = st.number_input("Dose", min_value=0.0, value=None, key=desk.field(f"dose-{name}"))
        return drug, dose, st.selectbox("Unit", ["mg", "mcg", "g", "mL", "mEq"], key=desk.field(f"unit-{name}"))
    choices = correcting.values_of(subject)
    if choices is None:
        return (
            st.text_input(
                {"shock": "Energy (J)", "charge": "Energy (J)"}.get(subject, "Text"),
                value=now,
                key=desk.field(f"value-{subject}-{name}"),
            ),
            None,
            None,
        )
    if not choices:
        return "", None, None
    at = choices.index(now) if now in choices else len(choices) - 1 if subject == "pause" else 0
    words = "Cause" if subject == "pause" else "Which"
    return (
        st.selectbox(
            words, choices, index=at, format_func=lambda one: one.replace("_", " "), key=desk.field(f"value-{subject}-{name}")
        ),
        None,
        None,
    )


def _change(
    desk: OnDesk, review: Review, picked: Mapping[str, Any], stretch: tuple[float, float] | None, moment: float | None
) -> None:
    """Something that is there: another value, another place, or taken out."""
    subject, start, end = str(picked["subject"]), float(picked["start_s"]), picked.get("end_s")
    st.markdown(f"**{picked.get('words') or correcting.label(subject)}**, {since(review, start)}")
    if picked.get("person"):
        st.caption("A reviewer put this here.")
    first, second, third = st.columns([2, 2, 2])
    to = stretch if end is not None else None if moment is None or abs(moment - start) < 1e-3 else (float(moment), None)
    ways = {"remove": "taken out"}
    if subject == UNMAPPED:
        ways = {"name": "given a meaning"} | ways
    elif correcting.values_of(subject) != ():
        ways = {"relabel": "given another value"} | ways
    if to is not None:
        ways["move"] = f"moved to {since(review, to[0])}, as selected"
    with first:
        way = st.selectbox("Change", list(ways), format_func=lambda one: ways.get(one, one), key=desk.field(f"way-{subject}"))
    value, dose, unit, type_ = "", None, None, None
    with second:
        if way == "name":
            kinds = [one for one in correcting.AT_A_MOMENT if one not in UNLABELLED]
            type_ = st.selectbox("What it was", kinds, format_func=correcting.label, key=desk.field("meaning"))
            value, dose, unit = _value(desk, type_, review, name=f"meaning-{start:.2f}")
        elif way == "relabel":
            value, dose, unit = _value(desk, subject, review, str(picked.get("value") or ""), name=f"{subject}-{start:.2f}")
    with third:
        why = _why(desk, "change")
    if st.button("Write the correction", key=desk.field("write-change"), type="primary", disabled=not why):
        action = "relabel" if way == "name" else way
        to_s = to if action == "move" else None
        if subject == "artefact":
            _written(_artefact(desk, review, picked.get("number"), to_s, why))
        made = correcting.correction(
            review,
            action,
            subject,
            start,
            end,
            why=why,
            to_s=to_s,
            type_=type_,
            value=value or None,
            dose=dose,
            unit=unit if dose is not None else None,
        )
        _written(write(desk, made))


def journal(desk: OnDesk, review: Review) -> None:
    """What was corrected, by whom and why, newest first; each can be undone, and an undone one brought back."""
    lines = [line for line in desk.lines if line.kind in ("correction", "undo") and line.reading == desk.reading]
    if not lines:
        st.caption("Nothing has been corrected: these are the machine's findings.")
        return
    stands = standing(desk.lines)
    undoes = {line.number: line.body["undoes"] for line in lines if line.kind == "undo"}
    rows: list[dict[str, Any]] = []
    for line in reversed(lines):
        if line.kind == "undo":
            of = line.body["undoes"]
            text, reason = f"line {undoes[of]} brought back" if of in undoes else f"line {of} undone", ""
        else:
            one = correction_of(line, review.case)
            text, reason = correcting.said(one, zero_s=zero_s(review)), one.why
        state = "" if line.number in stands else "undone"
        rows.append({"line": line.number, "what": text, "why": reason, "who": line.who, "when": line.when, "": state})
    shown = st.dataframe(
        pd.DataFrame(rows),
        hide_index=True,
        key=desk.field("journal"),
        height=38 + 35 * min(len(rows), 7),
        on_select="rerun",
        selection_mode="single-row",
        column_config={
            "line": st.column_config.NumberColumn(width=46),
            "what": st.column_config.TextColumn(width=230),
            "when": st.column_config.DatetimeColumn(format="D MMM, HH:mm", width=100),
        },
        alt="Journal of corrections, newest first",
    )
    if desk.locked:
        return
    chosen = shown["selection"]["rows"]
    number = rows[chosen[0]]["line"] if chosen else correcting.last_to_undo(desk.lines, reading=desk.reading)
    if number is None:
        return
    gone = chosen and rows[chosen[0]][""] == "undone"
    if gone:
        number = next(line for line in reversed(undoes) if undoes[line] == number and line in stands)
    if st.button(
        f"{'Bring back' if gone else 'Undo'} line {rows[chosen[0]]['line'] if chosen else number}",
        key=desk.field("undo"),
        icon=":material/undo:",
    ):
        undo(desk, number)
        st.rerun()
