"""The impedance threshold device (ITD) and other devices: how soon, how much of the arrest, and what the airway pressure tells."""

import numpy as np
import pandas as pd

from qi.measures.compressions import released
from qi.model.case import Case
from qi.model.errors import NotMeasurable
from qi.model.findings import Arrest
from qi.model.number import NO_ARREST, Number, attempt, moments
from qi.model.points import Point, between, charted
from qi.model.spans import Spans
from qi.model.vocabulary import ADVANCED_AIRWAYS, DEVICE_KINDS

_NO_PRESSURE = "airway pressure was not recorded with compressions: it would have shown the vacuum of the recoil"
_ENDS_EFFORT = ("rosc", "terminated", "care_transferred")


def _applied(devices: pd.DataFrame, kind: str) -> pd.DataFrame:
    return devices[devices["kind"] == kind]


def time_to_device_s(devices: pd.DataFrame, compressions: pd.DataFrame, course: Arrest, case: Case) -> list[Number]:
    """Time from the first compression, from patient contact and from the call to each device.

    Parameters: devices, DEVICES table [s]; compressions, COMPRESSIONS table [s]; course, how the arrest went; case, for events,
    clocks, and what its files were able to chart.
    Returns: Numbers [s] by `of` (the ITD always, other kinds where applied) and `from` (first_compression, patient_contact, call),
    with status applied, never (low = seconds to the end of the effort), censored, or "not recorded".
    Raises: nothing; an answer that cannot be given says why.
    References: our definition; no published interval from contact to ITD was found.
    """
    zeros = {
        "first_compression": _first_compression(case, compressions),
        "patient_contact": charted(case, "at_patient"),
        "call": charted(case, "call_received"),
    }
    kinds = [kind for kind in DEVICE_KINDS if kind == "itd" or len(_applied(devices, kind))]
    return [_time_to(devices, kind, name, zero, course, case) for kind in kinds for name, zero in zeros.items()]


def _first_compression(case: Case, compressions: pd.DataFrame) -> Point | None:
    if len(compressions):
        return Point("first_compression", float(compressions["onset_s"].iloc[0]), case.lead_clock)
    return charted(case, "cpr_started")


def _time_to(devices: pd.DataFrame, kind: str, name: str, zero: Point | None, course: Arrest, case: Case) -> Number:
    on = _applied(devices, kind)
    if len(on):
        point = Point(kind, float(on["on_s"].iloc[0]), str(on["clock"].iloc[0]))
        answer = attempt(
            between, case, zero, point, of=kind, from_=name, no_start=f"the {name.replace('_', ' ')} is not recorded", no_end=""
        )
        return Number(**{**answer.__dict__, "status": "applied"})
    if not _could_chart(case, kind):
        return Number(
            None,
            of=kind,
            from_=name,
            status="not recorded",
            reason="no file of this case could have charted it: device events on the monitor or in an event list would",
        )
    ended = course.closed_by in _ENDS_EFFORT
    end_s = course.spans.hull.end_s
    low = max(0.0, end_s - zero.time_s) if zero is not None and course.spans else None
    reason = "the effort ended without it" if ended else "the record ends before it was applied"
    return Number(None, low=low, of=kind, from_=name, status="never" if ended else "censored", reason=reason)


def _could_chart(case: Case, kind: str) -> bool:
    """Whether any file of the case is of a form that could hold this device going on, with its time."""
    words = {"device_on", f"device_on {kind}"} if kind not in ADVANCED_AIRWAYS else {"airway_placed"}
    return any(words & source.could_chart for source in case.sources)


def _time_on(devices: pd.DataFrame, kind: str) -> Spans:
    rows = _applied(devices, kind)
    return Spans.of(zip(rows["on_s"], rows["off_s"].fillna(np.inf), strict=True))


def device_on_fraction(devices: pd.DataFrame, compressions: pd.DataFrame, arrest: Spans, case: Case) -> list[Number]:
    """Share of the compressions of the arrest given with the device on.

    Parameters: devices, DEVICES table [s]; compressions, COMPRESSIONS table [s]; arrest, the arrest spans [s]; case, for clocks.
    Returns: Numbers 0 to 1 by `of`, the ITD always; error from the compressions that the clocks leave in doubt.
    Raises: NotMeasurable when no compression was seen in the arrest.
    References: our definition (no source).
    """
    if arrest.seconds <= 0:
        raise NotMeasurable(NO_ARREST)
    times = compressions.loc[arrest.contains(compressions["time_s"]), "time_s"].to_numpy()
    if not len(times):
        raise NotMeasurable("no compression was seen in the arrest")
    kinds = [kind for kind in DEVICE_KINDS if kind == "itd" or len(_applied(devices, kind))]
    return [attempt(_on_share, devices, kind, times, case, of=kind) for kind in kinds]


def _on_share(devices: pd.DataFrame, kind: str, times: np.ndarray, case: Case) -> Number:
    rows = _applied(devices, kind)
    if rows.empty and not _could_chart(case, kind):
        raise NotMeasurable("no file of this case could have charted it: device events would")
    on = _time_on(devices, kind)
    apart = max((case.apart_s(clock, case.lead_clock) or 0.0 for clock in rows["clock"]), default=0.0)
    doubt = Spans.of((edge - apart, edge + apart) for edge in on.edges.ravel() if np.isfinite(edge)) if apart else Spans()
    error = float(doubt.contains(times).mean()) if apart else None
    return Number(float(on.contains(times).mean()), n=len(times), error=error, spans_s=tuple(_finite(on, times)))


def _finite(on: Spans, times: np.ndarray) -> list[tuple[float, float]]:
    return [(start, min(end, float(times[-1]))) for start, end in on.pairs() if start <= times[-1]]


def device_left_on_s(devices: pd.DataFrame, course: Arrest, case: Case) -> Number:
    """Time that the ITD stayed on after ROSC: a safety flag.

    Parameters: devices, DEVICES table [s]; course, with the stretches of charted circulation on the monitor's clock [s]; case, for
    ROSC on the clock that charted the device.
    Returns: Number [s], `of` itd; 0 when it came off before or at ROSC; error where ROSC and device stand on two clocks.
    Raises: NotMeasurable without ROSC, without an ITD, or without a charted removal.
    References: removal at ROSC, common practice, no source read.
    """
    rows = _applied(devices, "itd")
    if rows.empty:
        raise NotMeasurable("no ITD was charted")
    clock = str(rows["clock"].iloc[-1])
    same = _circulation(case, clock)
    rosc = same or course.rosc
    if not rosc:
        raise NotMeasurable("no ROSC was charted on the clock of the device or of the monitor")
    if rows["off_s"].isna().any():
        raise NotMeasurable("its removal was not charted: a device_off event would show how long it stayed on")
    after = _time_on(devices, "itd").overlap(rosc)
    error = None if same else case.apart_s(clock, case.lead_clock)
    return Number(after.seconds, n=len(after), of="itd", error=error, spans_s=tuple(after.pairs()))


def _circulation(case: Case, clock: str) -> Spans:
    """Stretches from each ROSC to the next re-arrest, both told by one clock."""
    told = case.events[(case.events["clock"] == clock) & case.events["type"].isin(("rosc", "rearrest"))]
    ends = told.loc[told["type"] == "rearrest", "time_s"].to_numpy()
    starts = told.loc[told["type"] == "rosc", "time_s"].to_numpy()
    return Spans.of((start, min((end for end in ends if end > start), default=np.inf)) for start in starts)


def _told(recoils: pd.DataFrame, arrest: Spans) -> pd.DataFrame:
    rows = recoils[~recoils["in_breath"] & arrest.contains(recoils["time_s"])].dropna(subset="recoil_cmh2o")
    if rows.empty:
        raise NotMeasurable(_NO_PRESSURE)
    return rows


def recoil_pressure_cmh2o(recoils: pd.DataFrame, devices: pd.DataFrame, arrest: Spans) -> list[Number]:
    """Median over compressions, apart from breaths, of the lowest airway pressure in the recoil, with the ITD on and off.

    Parameters: recoils, RECOILS table [s, cmH2O]; devices, DEVICES table [s]; arrest, the arrest spans [s].
    Returns: Numbers [cmH2O]: `of` itd_on, itd_off; n the compressions.
    Raises: NotMeasurable when airway pressure was not recorded with compressions.
    References: decompression pressure with and without an ITD (active compression-decompression CPR), Plaisance et al. 2005
    (abstract read): patients overlap widely.
    """
    rows = _told(recoils, arrest)
    on = _time_on(devices, "itd").contains(rows["time_s"])

    def median_of(some: pd.DataFrame, why: str) -> Number:
        if some.empty:
            raise NotMeasurable(why)
        return Number(float(some["recoil_cmh2o"].median()), n=len(some), coverage=len(some) / max(1, len(rows)))

    pairs = (
        ("itd_on", on, "no compression was given with an ITD charted on"),
        ("itd_off", ~on, "every compression had the ITD on"),
    )
    answers = [attempt(median_of, rows[kind], why, of=of) for of, kind, why in pairs]
    return [Number(**{**answer.__dict__, "coverage": None}) for answer in answers]


def seal_loss_fraction(
    recoils: pd.DataFrame,
    devices: pd.DataFrame,
    compressions: pd.DataFrame,
    arrest: Spans,
    advanced: Spans,
    *,
    seal_lost_cmh2o: float,
    seal_loss_least_s: float,
    lean_force_n: float,
    lean_depth_mm: float,
) -> list[Number]:
    """Share of the compressions with the ITD on whose recoil vacuum is lost, in stretches of at least some seconds.

    Parameters: recoils, RECOILS table [s, cmH2O]; devices, DEVICES table [s]; compressions, COMPRESSIONS table, to tell leaning;
    arrest, the arrest spans [s]; advanced, time with an advanced airway [s]; seal_lost_cmh2o, a recoil pressure above this is a
    lost vacuum [cmH2O]; seal_loss_least_s, shortest stretch that counts [s]; lean_force_n [N] and lean_depth_mm [mm], as in
    released_fraction.
    Returns: Numbers 0 to 1: plain, `of` mask, advanced_airway; spans_s the stretches; the remark says what they can be.
    Raises: NotMeasurable when airway pressure was not recorded, or no compression had an ITD charted on.
    References: our threshold, chosen from Plaisance et al. 2005 (abstract read); no dose-effect of a leak was found.
    """
    rows = _told(recoils, arrest)
    rows = rows[_time_on(devices, "itd").contains(rows["time_s"])]
    if rows.empty:
        raise NotMeasurable("no compression was given with an ITD charted on")
    times = rows["time_s"].to_numpy()
    lost = _lasting(times, rows["recoil_cmh2o"].to_numpy() > seal_lost_cmh2o, seal_loss_least_s)
    by_airway = advanced.contains(times)
    leaning = compressions.loc[released(compressions, lean_force_n, lean_depth_mm) == 0, "time_s"].to_numpy()

    def loss(which: np.ndarray, why: str) -> Number:
        if not which.any():
            raise NotMeasurable(why)
        hit = lost & which
        stretches = _stretches_of(times, hit)
        remark = _can_be(stretches, times[hit], leaning, advanced) if stretches else None
        return Number(float(hit.sum() / which.sum()), n=int(which.sum()), spans_s=stretches, remark=remark)

    return [
        attempt(loss, np.ones(len(times), bool), ""),
        attempt(loss, ~by_airway, "the ITD was on an advanced airway throughout", of="mask"),
        attempt(loss, by_airway, "the ITD was never on an advanced airway", of="advanced_airway"),
    ]


def _can_be(stretches: tuple[tuple[float, float], ...], lost_s: np.ndarray, leaning_s: np.ndarray, advanced: Spans) -> str:
    """What stretches of lost vacuum can be: by the airway in place, and by leaning where most of their compressions show it."""
    said: dict[str, int] = {}
    for start, end in stretches:
        lost = int(((lost_s >= start) & (lost_s <= end)).sum())
        leaning = int(((leaning_s >= start) & (leaning_s <= end)).sum())
        where = "an open airway or cuff leak" if advanced.contains(start) else "a mask leak"
        cause = "leaning (seen in most of its compressions)" if 2 * leaning > lost else where
        said[cause] = said.get(cause, 0) + 1
    parts = ", ".join(f"{count} × {cause}" for cause, count in said.items())
    return f"{parts}; any of them can also be a device full of fluid or off"


def _runs_of(flags: np.ndarray) -> np.ndarray:
    """First and last index of each run of True; shape (n, 2)."""
    edges = np.flatnonzero(np.diff(np.r_[False, flags, False])).reshape(-1, 2)
    return edges - [0, 1]


def _lasting(times: np.ndarray, flags: np.ndarray, least_s: float) -> np.ndarray:
    """Only those runs of True that last at least some seconds."""
    kept = np.zeros(len(flags), bool)
    for first, last in _runs_of(flags):
        if times[last] - times[first] >= least_s:
            kept[first : last + 1] = True
    return kept


def _stretches_of(times: np.ndarray, flags: np.ndarray) -> tuple[tuple[float, float], ...]:
    return tuple((float(times[first]), float(times[last])) for first, last in _runs_of(flags))


def device_by_pressure_s(
    recoils: pd.DataFrame,
    compressions: pd.DataFrame,
    devices: pd.DataFrame,
    arrest: Spans,
    case: Case,
    *,
    itd_effective_cmh2o: float,
    itd_effective_compressions: int,
) -> list[Number]:
    """When the recoil pressure itself says the ITD came on (`of: on`) and off (`of: off`), from the first compression.

    Parameters: recoils, RECOILS table [s, cmH2O]; compressions, COMPRESSIONS table [s]; devices, DEVICES table [s], to hold it
    against; arrest, the arrest spans [s]; case, for clocks; itd_effective_cmh2o, a median recoil at or below this says "on"
    [cmH2O]; itd_effective_compressions, over how many compressions.
    Returns: Numbers [s]; the remark gives the difference to the charted time.
    Raises: NotMeasurable when airway pressure was not recorded, or too few compressions have a recoil.
    References: our rule, chosen from Plaisance et al. 2005 (abstract read); patients overlap widely.
    """
    rows = _told(recoils, arrest)
    if len(rows) < itd_effective_compressions:
        raise NotMeasurable(f"fewer than {itd_effective_compressions} compressions have a recoil pressure apart from breaths")
    times = rows["time_s"].to_numpy()
    smooth = (
        rows["recoil_cmh2o"].rolling(itd_effective_compressions, center=True, min_periods=itd_effective_compressions // 2).median()
    )
    states = _runs_of((smooth <= itd_effective_cmh2o).to_numpy())
    states = states[states[:, 1] - states[:, 0] + 1 >= itd_effective_compressions] if len(states) else states
    zero = float(compressions["onset_s"].iloc[0])
    charted_on = _applied(devices, "itd")

    def moment(which: str) -> Number:
        if not len(states):
            raise NotMeasurable("the recoil pressure never shows an ITD at work")
        at = times[states[0, 0]] if which == "on" else times[states[-1, 1]]
        if which == "off" and states[-1, 1] > len(times) - itd_effective_compressions:
            raise NotMeasurable("the recoil pressure shows the ITD at work to the last compressions")
        column = charted_on["on_s"].iloc[:1] if which == "on" else charted_on["off_s"].iloc[-1:].dropna()
        remark = f"charted {float(column.iloc[0]) - at:+.0f} s from this" if len(column) else "not charted"
        return Number(float(at - zero), n=len(rows), remark=remark, spans_s=moments([at]))

    return [attempt(moment, "on", of="on"), attempt(moment, "off", of="off")]
