"""Known answers of an invented case: plain loops over the truth, following the definitions of the measures to the letter.

Nothing of the measuring code is used here. A tolerance says what an honest detector may be off by: a part for the edges of events
and, for shares within limits, the share of values so close to a limit that they may fall on either side.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import fmean, median
from typing import Any

from tests.simulator.schedule import Breath, Compression, Truth

Pairs = list[tuple[float, float]]

# The adult protocol's limits as the list of measures names them; a child's case asks for none of the limits by age.
RUN_GAP_S, LONG_PAUSE_S = 1.0, 10.0
RATE_BAND, DEPTH_BAND_MM = (100.0, 120.0), (50.0, 60.0)
LEAN_N, LEAN_MM = 24.5, 5.0
MOST_BREATHS_PER_MIN = 12.0
CAUSE_MARKS = ("shock", "rhythm_check", "pulse_check", "compressor_changed", "access", "device_on", "device_off", "patient_moved")
AIRWAY_MARKS = ("airway_placed", "airway_removed")


@dataclass
class Sheet:
    """What was recorded of a truth, and the answers so far.

    channels are those in the files; on_monitor says whether marks share the monitor's clock; depth_is is absolute or stroke;
    contact is known, or unsure where patient contact is told by a clock that is off: then nothing is asked that counts from it.
    """

    truth: Truth
    channels: tuple[str, ...]
    on_monitor: bool = True
    depth_is: str = "absolute"
    contact: str = "known"
    rows: list[dict[str, Any]] = field(default_factory=list)

    def say(self, id_: str, value: Any, tolerance: float | None = None, *, of: str | None = None, from_: str | None = None) -> None:
        """One answer; a value of None says that the files cannot show it."""
        which = {name: word for name, word in (("of", of), ("from", from_)) if word}
        rounded = round(value, 4) if isinstance(value, float) else value
        within = None if tolerance is None else round(tolerance, 4)
        self.rows.append({"id": id_, **which, "value": rounded, "tolerance": within})


def answers(sheet: Sheet) -> list[dict[str, Any]]:
    """All answers of one case, in the order of the list of measures."""
    spans = arrest_spans(sheet)
    sheet.say("arrest_spans_s", [[round(a, 3), round(b, 3)] for a, b in spans], 0.3)
    _hands(sheet, spans)
    _each_compression(sheet, spans)
    _shocks(sheet, spans)
    if {"airway_pressure", "co2"} & set(sheet.channels):
        _breaths(sheet, spans)
    else:
        sheet.say("ventilation_rate", None)
    _devices(sheet, spans)
    _drugs(sheet, spans)
    return sheet.rows


def arrest_spans(sheet: Sheet) -> Pairs:
    """Spans as the files can show them: an end that is told by another clock closes the span at the last release."""
    if sheet.on_monitor:
        return list(sheet.truth.arrest)
    out = []
    for start, end in sheet.truth.arrest:
        releases = [one.release_s for one in sheet.truth.compressions if start <= one.onset_s < end]
        out.append((start, max(releases)))
    return out


def lost(sheet: Sheet, channel: str) -> Pairs:
    """Time in which a channel shows nothing."""
    plan = sheet.truth.plan
    return sorted([*plan.gaps, *((a, b) for name, a, b in plan.flats if name == channel)])


def unseen(sheet: Sheet) -> Pairs:
    """Time in which no chest sensor shows compressions; impedance through the pads goes on where depth and force are stuck."""
    if "thoracic_impedance" in sheet.channels:
        return lost(sheet, "thoracic_impedance")
    return lost(sheet, "compression_depth")


def unheard(sheet: Sheet) -> Pairs:
    """Time in which no breath could be seen; a capnogram alone sees none before the first breath after it was fitted."""
    if "airway_pressure" in sheet.channels:
        return lost(sheet, "airway_pressure")
    fitted = min(breath.time_s for breath in sheet.truth.breaths if breath.time_s >= sheet.truth.plan.capnography_s)
    return sorted([(0.0, fitted), *lost(sheet, "co2")])


def outside(pairs: Iterable[tuple[float, float]], holes: Pairs) -> Pairs:
    """The parts of some stretches that lie in no hole."""
    left = list(pairs)
    for start, end in holes:
        kept: Pairs = []
        for a, b in left:
            kept += [(x, y) for x, y in ((a, min(b, start)), (max(a, end), b)) if y > x] if start < b and end > a else [(a, b)]
        left = kept
    return left


def inside(pairs: Iterable[tuple[float, float]], spans: Pairs) -> Pairs:
    """The parts of some stretches that lie in one of the spans."""
    return [(max(a, s), min(b, e)) for a, b in pairs for s, e in spans if min(b, e) > max(a, s)]


def length(pairs: Iterable[tuple[float, float]]) -> float:
    """Total seconds."""
    return sum(b - a for a, b in pairs)


def within(time_s: float, pairs: Iterable[tuple[float, float]]) -> bool:
    """Whether a moment lies in one of the stretches."""
    return any(a <= time_s < b for a, b in pairs)


def runs(compressions: Iterable[Compression]) -> list[list[Compression]]:
    """Compressions whose neighbours are less than a second apart, deepest point to deepest point."""
    out: list[list[Compression]] = []
    for one in compressions:
        if out and one.time_s - out[-1][-1].time_s < RUN_GAP_S:
            out[-1].append(one)
        else:
            out.append([one])
    return out


def near_share(values: list[float], limits: Iterable[float], reach: float) -> float:
    """Share of values so close to a limit that an error of that reach may carry them over it."""
    return sum(any(abs(value - limit) <= reach for limit in limits) for value in values) / max(1, len(values))


def _hands(sheet: Sheet, spans: Pairs) -> None:
    holes = unseen(sheet)
    known = outside(spans, holes)
    hands = inside([(run[0].onset_s, run[-1].release_s) for run in runs(sheet.truth.compressions)], known)
    pauses = [pair for span in known for pair in outside([span], hands)]
    lengths = [b - a for a, b in pauses if b - a > 0.05]
    closing = sum(5.0 for _ in spans) if "thoracic_impedance" not in sheet.channels and sheet.on_monitor else 0.0
    sheet.say("compression_fraction", length(hands) / length(known), 0.01)
    sheet.say("no_flow_s", sum(lengths), 1.0 + 0.12 * len(lengths) + closing)
    sheet.say("longest_pause_s", max(lengths), 0.3)
    sheet.say("pauses_over_limit", sum(one > LONG_PAUSE_S for one in lengths), 0.0)


def _each_compression(sheet: Sheet, spans: Pairs) -> None:
    holes = lost(sheet, "compression_depth")
    seen = [one for one in sheet.truth.compressions if within(one.time_s, spans) and not within(one.time_s, holes)]
    gaps = [b.time_s - a.time_s for run in runs(seen) for a, b in pairwise(run)]
    rates = [60 / gap for gap in gaps]
    in_band = sum(RATE_BAND[0] <= rate <= RATE_BAND[1] for rate in rates) / len(rates)
    sheet.say("compression_rate", 60 / fmean(gaps), 0.6)
    sheet.say("rate_in_band", in_band, 0.01 + near_share(rates, RATE_BAND, 1.2))
    sheet.say("compressions_per_minute", len(seen) / (length(outside(spans, holes)) / 60), 1.2)
    if sheet.depth_is == "stroke":
        strokes = [one.depth_mm - before for one, before in zip(seen, _levels(seen), strict=True)]
        sheet.say("compression_depth_mm", fmean(strokes), 1.5, of="stroke")
        sheet.say("released_fraction", None)
        return
    depths = [one.depth_mm for one in seen]
    deep = sum(DEPTH_BAND_MM[0] <= depth <= DEPTH_BAND_MM[1] for depth in depths) / len(depths)
    sheet.say("compression_depth_mm", fmean(depths), 1.0)
    sheet.say("depth_in_band", deep, 0.01 + near_share(depths, DEPTH_BAND_MM, 0.5))
    by_force = "compression_force" in sheet.channels
    left = [one.residual_n if by_force else one.residual_mm for one in seen]
    limit, reach = (LEAN_N, 4.0) if by_force else (LEAN_MM, 0.7)
    sheet.say("released_fraction", sum(one <= limit for one in left) / len(left), 0.02 + near_share(left, [limit], reach))


def _levels(seen: list[Compression]) -> list[float]:
    """The level that each compression starts from [mm]."""
    out, before = [], None
    for one in seen:
        out.append(before.residual_mm if before and one.onset_s - before.release_s < RUN_GAP_S else 0.0)
        before = one
    return out


def _shocks(sheet: Sheet, spans: Pairs) -> None:
    """Each shock of these cases is a stack of its own: at least three compressions lie between any two."""
    ids = ("pre_shock_pause_s", "post_shock_pause_s", "peri_shock_pause_s", "first_shock_s")
    shocks = [time for time in sheet.truth.at("shock") if within(time, spans)]
    if not shocks:
        for id_ in ids:
            sheet.say(id_, None)
        return
    pre = [at - max(one.release_s for one in sheet.truth.compressions if one.release_s <= at) for at in shocks]
    after = [[one.onset_s for one in sheet.truth.compressions if one.onset_s > at] for at in shocks]
    post = [min(onsets) - at for at, onsets in zip(shocks, after, strict=True) if onsets]
    peri = [a + b for a, b in zip(pre, post, strict=True)]
    for id_, values in zip(ids, (pre, post, peri), strict=False):
        sheet.say(id_, float(median(values)), 0.25)
        sheet.say(id_, max(values), 0.25, of="largest")
    sheet.say("longest_shock_pause_s", max(peri), 0.3)
    if sheet.contact == "known":
        sheet.say("first_shock_s", shocks[0] - spans[0][0], 0.3)
    if pads := sheet.truth.at("device_on", "defib_pads"):
        sheet.say("first_shock_s", shocks[0] - pads[0], 0.3, from_="pads_on")


def epochs(stretches: Pairs, holes: Pairs) -> Pairs:
    """Epochs of 60 s from the start of each stretch; the last is kept when at least 30 s of it are known."""
    out = []
    for start, end in stretches:
        at = start
        while at < end:
            piece = (at, min(at + 60.0, end))
            if length(outside([piece], holes)) >= 30.0:
                out.append(piece)
            at += 60.0
    return out


def _rates(sheet: Sheet, stretches: Pairs, of: str | None = None) -> None:
    holes = unheard(sheet)
    times = [breath.time_s for breath in sheet.truth.breaths]
    rates = []
    for start, end in epochs(stretches, holes):
        count = sum(start <= time < end and not within(time, holes) for time in times)
        rates.append(count / (length(outside([(start, end)], holes)) / 60))
    if not rates:
        sheet.say("ventilation_rate", None, of=of)
        return
    leaking = sum(within(time, stretches) and within(time, sheet.truth.plan.leak_spans) for time in times)
    weak = 0.1 * leaking / max(1, sum(within(time, stretches) for time in times)) * fmean(rates)
    sheet.say("ventilation_rate", fmean(rates), 0.6 + weak, of=of)
    if sheet.truth.plan.age_years >= 18:
        over = sum(rate > MOST_BREATHS_PER_MIN for rate in rates) / len(rates)
        turned = sum(rate - 1 <= MOST_BREATHS_PER_MIN < rate + 1 for rate in rates) / len(rates)
        sheet.say("over_ventilated_fraction", over, 0.02 + turned, of=of)


def advanced_stretches(truth: Truth, spans: Pairs) -> Pairs:
    """Arrest time with a supraglottic airway or a tracheal tube in."""
    placed = [*truth.at("airway_placed", "supraglottic"), *truth.at("airway_placed", "tracheal_tube")]
    removed = [*truth.at("airway_removed"), truth.plan.length_s]
    return inside([(on, min(off for off in removed if off > on)) for on in placed], spans)


def _breaths(sheet: Sheet, spans: Pairs) -> None:
    truth, holes = sheet.truth, unheard(sheet)
    known = [b for b in truth.breaths if not within(b.time_s, holes)]
    during = [b for b in known if within(b.time_s, spans)]
    _rates(sheet, spans)
    if advanced := advanced_stretches(truth, spans):
        _rates(sheet, advanced, of="advanced_airway")
    if truth.pulse and sheet.on_monitor:
        _rates(sheet, list(truth.pulse), of="after_rosc")
    if "airway_pressure" in sheet.channels:
        sheet.say("breath_duration_s", float(median(b.insufflation_s for b in during)), 0.15)
        blown = sum(b.insufflation_s for b in during) / length(outside(spans, holes))
        sheet.say("positive_pressure_fraction", blown, 0.03 if blown < 0.3 else 0.06)
    if counts := _per_pause(sheet, spans):
        hidden = 0.0 if "airway_pressure" in sheet.channels else _hidden(truth, during) / len(counts)
        sheet.say("breaths_per_pause", fmean(counts), 0.15 + hidden)
    else:
        sheet.say("breaths_per_pause", None)
    if "co2" in sheet.channels:
        told = [b.etco2_mmhg for b in during if b.time_s >= truth.plan.capnography_s]
        sheet.say("etco2_mmhg", float(median(told)), 1.5)
        sheet.say("etco2_mmhg", told[0], 3.0, of="first")
        sheet.say("etco2_mmhg", told[-1], 3.0, of="last")


def _hidden(truth: Truth, breaths: list[Breath]) -> int:
    """Breaths so soon after another that a capnogram may not see the exhalation between them: CO2 up for less than 0.45 s,
    the shortest exhalation that the notes on signals ask for, after 0.2 s of dead space and 0.2 s of rise."""
    bagged = [one for one in breaths if truth.plan.continuous_s is None or one.time_s < truth.plan.continuous_s]
    return sum(b.time_s - a.time_s - a.insufflation_s < 0.85 for a, b in pairwise(bagged))


def _per_pause(sheet: Sheet, spans: Pairs) -> list[int]:
    """Breaths in each pause of 2 to 15 s that has breaths in it and no mark of another cause in it or within 3 s of it."""
    marks = [h.time_s for h in sheet.truth.happenings if h.type in (*CAUSE_MARKS, *AIRWAY_MARKS)]
    hands = [(run[0].onset_s, run[-1].release_s) for run in runs(sheet.truth.compressions)]
    counts = []
    for start, end in (pair for span in spans for pair in outside([span], hands)):
        inner = sum(start <= breath.time_s < end for breath in sheet.truth.breaths)
        blind = any(a < end and b > start for a, b in [*lost(sheet, "compression_depth"), *unheard(sheet)])
        if inner and 2 <= end - start <= 15 and not blind and not any(start - 3 <= mark <= end + 3 for mark in marks):
            counts.append(inner)
    return counts


def _devices(sheet: Sheet, spans: Pairs) -> None:
    truth = sheet.truth
    worn = truth.device_spans("itd")
    if not worn:
        sheet.say("time_to_device_s", None, of="itd", from_="first_compression")
        sheet.rows[-1]["status"] = "never"
        return
    first = truth.compressions[0].onset_s
    sheet.say("time_to_device_s", worn[0][0] - first, 0.3, of="itd", from_="first_compression")
    sheet.rows[-1]["status"] = "applied"
    given = [one for one in truth.compressions if within(one.time_s, spans)]
    share = sum(within(one.time_s, worn) for one in given) / len(given)
    sheet.say("device_on_fraction", share, 0.01, of="itd")
    if truth.at("device_off", "itd") and truth.at("rosc"):
        sheet.say("device_left_on_s", length(inside(worn, list(truth.pulse))), 0.5)
    if leaks := truth.plan.leak_spans:
        on = [one.time_s for one in given if within(one.time_s, worn)]
        sheet.say("seal_loss_fraction", sum(within(time, leaks) for time in on) / len(on), 0.12)


def _drugs(sheet: Sheet, spans: Pairs) -> None:
    doses = sheet.truth.at("drug", "epinephrine")
    sheet.say("epinephrine_doses", len(doses), 0.0)
    if doses and sheet.contact == "known":
        sheet.say("time_to_epinephrine_s", doses[0] - spans[0][0], 1.5)
