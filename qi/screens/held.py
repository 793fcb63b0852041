"""Held to the protocol: each measure with its bounds, limit and verdict, its course by minute, and why."""

import pandas as pd
import streamlit as st

from qi import pipeline
from qi.charts import by_minute
from qi.desk import came_from
from qi.exports import csv_text
from qi.model.people import may
from qi.model.review import Judged, Review
from qi.model.words import amount, answer, asked, bounds, give_or_take, name
from qi.screens import remembered
from qi.screens.beside import beside
from qi.screens.on_desk import OnDesk, person
from qi.screens.shown_time import since
from qi.screens.taken import logged
from qi.screens.theme import is_dark

GROUPS: dict[str, tuple[str, ...]] = {
    "What matters most": (
        "compression_fraction",
        "longest_pause_s",
        "compression_rate",
        "compression_depth_mm",
        "released_fraction",
        "ventilation_rate",
        "breath_duration_s",
        "seal_loss_fraction",
        "time_to_device_s",
        "peri_shock_pause_s",
        "etco2_mmhg",
        "time_to_epinephrine_s",
    ),
    "Compressions": (
        "compression_fraction",
        "compression_fraction_5min",
        "compression_fraction_10min",
        "compression_rate",
        "rate_in_band",
        "compressions_per_minute",
        "compression_depth_mm",
        "depth_in_band",
        "released_fraction",
        "fully_guideline_fraction",
        "compressor_turn_s",
    ),
    "Pauses and shocks": (
        "no_flow_s",
        "longest_pause_s",
        "longest_shock_pause_s",
        "longest_other_pause_s",
        "pauses_over_limit",
        "final_pause_s",
        "fraction_if_pauses_held",
        "pre_shock_pause_s",
        "post_shock_pause_s",
        "peri_shock_pause_s",
        "first_shock_s",
        "shock_decisions",
    ),
    "Breaths and CO2": (
        "ventilation_rate",
        "over_ventilated_fraction",
        "under_ventilated_fraction",
        "breath_duration_s",
        "long_breath_fraction",
        "breaths_per_pause",
        "two_breath_fraction",
        "positive_pressure_fraction",
        "etco2_mmhg",
        "etco2_rise",
        "waveform_co2_on_airway",
    ),
    "Device and seal": (
        "time_to_device_s",
        "device_on_fraction",
        "device_left_on_s",
        "recoil_pressure_cmh2o",
        "seal_loss_fraction",
        "device_by_pressure_s",
    ),
    "Times, drugs, airway": (
        "interval_s",
        "time_to_epinephrine_s",
        "epinephrine_interval_s",
        "epinephrine_doses",
        "airway_attempts",
        "first_pass",
    ),
}
SHAPES = {"met": "● met", "not met": "◆ not met", "not measurable": "○ not measurable", "no limit set": "– no limit set"}


def asked_for(review: Review) -> Judged | None:
    """The answer that the address names, by its column of the cohort table; None where it names none that the case has.

    The group that holds it is chosen when it is asked for first; its row is, until the person chooses another.
    """
    one = came_from.answer_of(review, st.query_params.get("measure", ""))
    if one is None:
        return None
    asked_last = (review.case.id, name(one))
    if st.session_state.get("held-asked") != asked_last:
        st.session_state["held-asked"] = asked_last
        st.session_state["group"] = next((group for group in GROUPS if _place(review, group) is not None), _group())
    return one


def chosen(review: Review) -> Judged | None:
    """The answer that the person has chosen in the table, or the address names, known before the table is drawn again."""
    rows = _rows(review, _group())
    state = st.session_state.get(_key(review, _group()))
    place = _place(review, _group())
    picked = state["selection"]["rows"] if state else [] if place is None else [place]
    return rows[picked[0]] if picked and picked[0] < len(rows) else None


def _place(review: Review, group: str) -> int | None:
    """The row of a group that holds the answer named in the address."""
    one = came_from.answer_of(review, st.query_params.get("measure", ""))
    return next((place for place, row in enumerate(_rows(review, group)) if row is one), None)


def show(desk: OnDesk, review: Review, found: Review) -> None:
    """The table of one group, the reason behind a chosen row, and the course by minute.

    Where corrections changed a value, what the machine had found (`found`) stands beside it.
    """
    st.segmented_control(
        "Group", list(GROUPS), key="group", default=next(iter(GROUPS)), required=True, label_visibility="collapsed", wrap=True
    )
    rows = _rows(review, _group())
    st.caption("Choose a row to see why: it marks the picture and the close-up.")
    place = _place(review, _group())
    st.dataframe(
        _table(rows, found),
        hide_index=True,
        key=_key(review, _group()),
        on_select="rerun",
        selection_mode="single-row",
        selection_default=None if place is None else {"selection": {"rows": [place]}},
        height=38 + 35 * len(rows),
        column_config={
            "measure": st.column_config.TextColumn(width=240),
            "value": st.column_config.TextColumn(width=130),
            "verdict": st.column_config.TextColumn(width=120),
        },
    )
    if may(person(), "export_identity"):
        banner = desk.library.settings.banner
        st.download_button(
            "All measures as CSV",
            logged(
                desk.library,
                lambda: csv_text.measures(review, banner=banner),
                "measures, csv, with identity",
                act="export_identity",
                case=desk.key,
            ),
            file_name=f"{review.case.id}-measures.csv",
            mime="text/csv",
            on_click="ignore",
            type="tertiary",
            icon=":material/download:",
        )
    left, right = beside(2)
    with left:
        one = chosen(review)
        if one is None:
            _in_short(rows)
        else:
            _why(review, one)
    with right:
        _minutes(review)


def _in_short(rows: list[Judged]) -> None:
    """The verdicts of the table by kind, while no row is chosen."""
    for verdict, shape in SHAPES.items():
        names = [name(judged) for judged in rows if judged.verdict == verdict]
        if names and verdict != "no limit set":
            st.markdown(f"**{shape}**")
            st.write(", ".join(names) + ".")


def _group() -> str:
    return st.session_state.get("group") or next(iter(GROUPS))


def _key(review: Review, group: str) -> str:
    asked_last = st.query_params.get("measure", "") if _place(review, group) is not None else ""
    return f"held-{review.case.id}-{group}{f'-{asked_last}' if asked_last else ''}"


def _rows(review: Review, group: str) -> list[Judged]:
    """Answers of the group; of a measure with several, those that say something, or the first."""
    rows = []
    for id_ in GROUPS[group]:
        answers = review.all_of(id_)
        told = [judged for judged in answers if judged.value is not None or judged.number.status]
        rows += (told or answers)[: 1 if group == "What matters most" and id_ != "ventilation_rate" else None]
    return rows


def _table(rows: list[Judged], found: Review) -> pd.DataFrame:
    table = pd.DataFrame(
        {
            "measure": [name(judged) for judged in rows],
            "value": [_short(judged) for judged in rows],
            "verdict": [SHAPES[judged.verdict] for judged in rows],
            "bounds": [bounds(judged.number, judged.unit) if judged.value is not None else "" for judged in rows],
            "asked for": [_asked(judged) for judged in rows],
        }
    )
    before = [_before(judged, found) for judged in rows]
    if any(before):
        table.insert(2, "as found", before)
    return table


def _before(judged: Judged, found: Review) -> str:
    """What the machine had found, where corrections changed it."""
    same = next((one for one in found.all_of(judged.id) if (one.of, one.from_) == (judged.of, judged.from_)), None)
    text = _short(same) if same is not None else "not there"
    if text == _short(judged) and (same is None or same.verdict == judged.verdict):
        return ""
    return text if same is None or same.verdict == judged.verdict else f"{text}, {same.verdict}"


def _short(judged: Judged) -> str:
    if judged.value is None:
        return {"never": "never", "censored": "not by the end of the record"}.get(judged.number.status or "", "–")
    return amount(judged.value, judged.unit) + give_or_take(judged)


def _asked(judged: Judged) -> str:
    parts = [asked(judged.limit, judged.unit)] if judged.limit else []
    return "; ".join([*parts, f"goal {asked(judged.goal, judged.unit)}"] if judged.goal else parts)


def _why(review: Review, judged: Judged) -> None:
    number = judged.number
    with st.container(border=True):
        st.markdown(f"**{name(judged)}**")
        st.write(f"{answer(judged)} · {SHAPES[judged.verdict]}")
        if number.reason:
            st.write(f"Why there is no {'verdict' if number.value is not None else 'number'}: {number.reason}.")
        if number.remark:
            st.write(number.remark[0].upper() + number.remark[1:] + ".")
        st.write(f"How: {judged.method}")
        facts = [f"n = {number.n}"] if number.n is not None else []
        facts += [f"{amount(number.coverage, '1')} of it known"] if number.coverage is not None else []
        st.caption(" · ".join([*facts, f"defined by: {judged.source}"]))
        for word, limit in (("Limit", judged.limit), ("Goal", judged.goal)):
            if limit:
                st.caption(f"{word} {asked(limit, judged.unit)}: {limit.source}")
        if number.spans_s:
            st.caption(_where(review, judged))
        if judged.of is None and len(pipeline.sensor_names(review)) > 1:
            _left_out(review, judged)


def _left_out(review: Review, judged: Judged) -> None:
    """What this measure would be with each sensor left out; asked for, since everything is weighed again."""
    if not st.toggle("With each sensor left out", key="left-out"):
        return
    with st.spinner("Weighing the sensors again …", show_time=False):
        table = remembered.of(review, "left out", lambda: pipeline.left_out(review))
    for row in table[table["id"] == judged.id].itertuples():
        which = "all sensors" if pd.isna(row.sensor) else f"without {row.sensor}"
        st.caption(f"{which}: {amount(None if pd.isna(row.value) else row.value, judged.unit)}")


def _where(review: Review, judged: Judged) -> str:
    spans = judged.number.spans_s
    first = ", ".join(since(review, start) for start, _ in spans[:6])
    more = f" and {len(spans) - 6} more" if len(spans) > 6 else ""
    return f"Marked on the picture at {first}{more}."


def _minutes(review: Review) -> None:
    """The course by minute: hands on the chest, rate, depth, breaths."""
    table, values = remembered.of(review, "by minute", lambda: pipeline.by_minute(review)), review.protocol.values
    limit = review.of("compression_fraction").limit
    rows = [
        by_minute.Course("hands on", "%", "chest", table["fraction"] * 100, limit.low * 100 if limit else None),
        by_minute.Course("rate", "per min", "chest", table["rate_per_min"], *values["rate_band_per_min"]),
        by_minute.Course("depth", "mm", "chest", table["depth_mm"], *values["depth_band_mm"]),
        by_minute.Course(
            "breaths",
            "per min",
            "breath",
            table["breaths_per_min"],
            values["under_ventilated_per_min"],
            values["over_ventilated_per_min"],
        ),
    ]
    told = [row for row in rows if row.values.notna().any()]
    if not told:
        st.write("No minute of this case has compressions or breaths that a sensor could see.")
        return
    st.caption("By minute of the arrest; the shaded band is what the protocol asks for.")
    st.plotly_chart(
        remembered.of(review, f"by minute, dark {is_dark()}", lambda: by_minute.figure(told, dark=is_dark())),
        key="by-minute",
        config={"displayModeBar": False},
        alt="Course by minute of the arrest: " + ", ".join(row.name for row in told),
    )
