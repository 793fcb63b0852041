"""The case as it goes to the browser: samples once, events anew whenever a correction changes them."""

import streamlit as st

from qi.charts.waveforms import pack
from qi.desk import correcting, opened
from qi.model.journal import counting
from qi.model.review import Review
from qi.model.spans import Span
from qi.screens import caches, waveform
from qi.screens.on_desk import OnDesk
from qi.screens.quality import quality_of
from qi.screens.shown_time import zero_s


def key_of(desk: OnDesk) -> str:
    """What the browser keeps the samples by: the same as long as no clock moves them."""
    return f"{desk.key}@{desk.opened.token}"


def keep_samples(desk: OnDesk) -> None:
    """Hand the waveforms to the browser; they are on their way while the rest is worked out."""
    key = key_of(desk)
    waveform.keep(_samples(key, desk), key="samples")


def keep_events(desk: OnDesk, review: Review, *, as_found: bool) -> None:
    """Hand what is drawn on the waveforms to the browser."""
    key = f"{key_of(desk)}|{desk.revision}|{as_found}"
    waveform.keep(_overlay(key, desk, review, as_found), key="events")


@caches.of_cases
@st.cache_resource(max_entries=4, show_spinner=False)
def _samples(key: str, _desk: OnDesk) -> bytes:
    return pack.samples(_desk.opened.case.signals, case=key)


@caches.of_cases
@st.cache_resource(max_entries=8, show_spinner=False)
def _overlay(key: str, _desk: OnDesk, _review: Review, _as_found: bool) -> bytes:  # noqa: FBT001 - a cached function's argument
    found, values = _review.findings, _review.protocol.values
    recorded, whole = _review.case.recorded.hull, found.arrest.hull
    extent = Span(min(recorded.start_s, whole.start_s), max(recorded.end_s, whole.end_s)) if recorded.seconds else whole
    return pack.message(
        pack.overlay(
            case=key_of(_desk),
            compressions=found.compressions if found.compressions_known else None,
            ventilations=found.ventilations if found.ventilations_known else None,
            pauses=found.pauses,
            shocks=found.shocks,
            devices=found.devices,
            events=_review.case.events,
            quality=quality_of(_desk, _review),
            arrest=found.arrest,
            unknown=found.arrest.minus(found.compressions_known),
            extent=extent,
            zero_s=zero_s(_review),
            start=_review.case.start,
            long_pause_s=values["long_pause_s"],
            listed_pause_s=values["listed_pause_s"],
            depth_band_mm=values["depth_band_mm"],
            corrections=() if _as_found else _said(_desk, _review),
        )
    )


def _said(desk: OnDesk, review: Review) -> list[dict[str, object]]:
    """The corrections that count, with who wrote each."""
    lines = {line.number: line for line in counting(desk.lines, reading=desk.reading)}
    zero = zero_s(review)
    return [
        {
            "number": one.number,
            "action": one.action,
            "subject": one.subject,
            "words": correcting.said(one, zero_s=zero),
            "start_s": one.start_s,
            "end_s": one.end_s,
            "to_start_s": one.to_start_s,
            "to_end_s": one.to_end_s,
            "sensor": one.sensor,
            "who": lines[one.number].who,
            "why": one.why,
        }
        for one in opened.corrections(desk.opened, desk.lines, reading=desk.reading)
    ]
