"""One case from top to bottom: in words, in one picture, where the time went, held to the protocol, close up."""

from pathlib import Path

import streamlit as st

from qi import pipeline
from qi.charts.waveforms import pack
from qi.feedback.story import story
from qi.model.errors import QiError
from qi.model.review import Review
from qi.model.spans import Span
from qi.screens import case_choice, cautions, held, sources, time_went, to_look_at, waveform
from qi.screens.shown_time import zero_s

ICON = str(Path(__file__).with_name("pictures") / "icon.png")  # a local one: Streamlit would fetch a symbol from another host


def show() -> None:
    """The walkthrough of the chosen case."""
    path = case_choice.show()
    if path is None:
        st.header("Choose a case")
        st.write(
            "Give the folder with your cases on the left. Each case is a folder with a monitor export, a care record, or both."
        )
    else:
        try:
            _case(case_choice.review_of(path))
        except QiError as error:
            st.header(path.name)
            st.error(f"This case could not be read. {error}")
    cautions.show()


def _case(review: Review) -> None:
    _head(review)
    _in_words(review)
    chosen = held.chosen(review)
    mark = pack.highlight(chosen.number.spans_s, label=chosen.label) if chosen and chosen.number.spans_s else None
    key = _key(review)
    waveform.keep(_samples(key, review), _overlay(key, review), key="case")
    st.subheader("In one picture", anchor=False)
    choice = waveform.show_picture(key, key="picture", highlight=mark)
    if choice.moment_s is not None:
        st.query_params["t"] = f"{choice.moment_s:.1f}"
    st.subheader("To look at", anchor=False)
    to_look_at.show(review)
    st.subheader("Where the time went", anchor=False)
    time_went.show(review)
    st.subheader("Held to the protocol", anchor=False)
    held.show(review)
    st.subheader("Close up", anchor=False)
    waveform.show_close_up(key, key="close-up", moment_s=_moment(), highlight=mark)
    sources.show(review)


def _head(review: Review) -> None:
    case = review.case
    st.header(case.id, anchor=False)
    facts = case.facts
    who = " ".join(part for part in (f"{facts.age_years:g} years" if facts.age_years is not None else "", facts.sex or "") if part)
    when = case.start.strftime("%d %b %Y, %H:%M") if case.start else "time of day not recorded"
    with st.container(horizontal=True, gap="small"):
        st.badge(when, color="gray")
        st.badge(who or "age and sex not recorded", color="gray")
        for fact in _facts(review):
            st.badge(fact, color="gray")
        st.badge(f"protocol: {review.protocol.title} ({review.protocol.name}), by {review.protocol.chosen_by}", color="gray")


def _facts(review: Review) -> list[str]:
    """What is known of arrest and response, in a few words each; what was not recorded is left out."""
    facts = review.case.facts
    witness = {"bystander": "bystander-witnessed", "ems": "witnessed by the crew", "no": "not witnessed"}.get(facts.witnessed or "")
    yes_no = {True: "bystander CPR", False: "no bystander CPR"}
    said = [witness, yes_no.get(facts.bystander_cpr) if isinstance(facts.bystander_cpr, bool) else None]
    said += [f"first rhythm {facts.first_rhythm.replace('_', ' ')}" if facts.first_rhythm else None]
    said += [f"station {facts.station}" if facts.station else None, facts.unit, f"shift {facts.shift}" if facts.shift else None]
    return [one for one in said if one]


def _in_words(review: Review) -> None:
    st.subheader("In words", anchor=False)
    st.write(" ".join(sentence.text for sentence in story(review)))
    for question in review.findings.course.questions:
        st.caption(f"To check: {question}")


def _key(review: Review) -> str:
    return f"{review.case.id}@{id(review):x}"


def _moment() -> float | None:
    try:
        return float(st.query_params["t"])
    except (KeyError, ValueError):
        return None


@st.cache_data(max_entries=4, show_spinner=False)
def _samples(key: str, _review: Review) -> bytes:
    return pack.samples(_review.case.signals, case=key)


@st.cache_data(max_entries=4, show_spinner=False)
def _overlay(key: str, _review: Review) -> bytes:
    found, values = _review.findings, _review.protocol.values
    recorded = _review.case.recorded.hull
    whole = found.arrest.hull
    extent = Span(min(recorded.start_s, whole.start_s), max(recorded.end_s, whole.end_s)) if recorded.seconds else whole
    return pack.message(
        pack.overlay(
            case=key,
            compressions=found.compressions if found.compressions_known else None,
            ventilations=found.ventilations if found.ventilations_known else None,
            pauses=found.pauses,
            shocks=found.shocks,
            devices=found.devices,
            events=_review.case.events,
            quality=pipeline.quality(_review),
            arrest=found.arrest,
            unknown=found.arrest.minus(found.compressions_known),
            extent=extent,
            zero_s=zero_s(_review),
            start=_review.case.start,
            long_pause_s=values["long_pause_s"],
            listed_pause_s=values["listed_pause_s"],
            depth_band_mm=values["depth_band_mm"],
        )
    )
