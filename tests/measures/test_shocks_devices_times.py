"""Shocks, devices, times and drugs: answers that follow from how the data were made, and their edges."""

import numpy as np
import pytest

from qi.measures import devices, shocks, times
from qi.model.case import Case, Clock, Source
from qi.model.errors import NotMeasurable
from qi.model.findings import Arrest
from qi.model.spans import Spans
from qi.model.tables import RECOILS, SHOCKS, make
from tests.measures.made import case, compressions, events, findings, train

TWO_CLOCKS = {"monitor": Clock("monitor"), "record": Clock("record", uncertainty_s=120.0), "lost": Clock("lost", placed=False)}


def shock_table(**columns):
    count = len(columns["time_s"])
    return make(SHOCKS, **{"stack": np.arange(1.0, count + 1), "sensor": ["events"] * count, **columns})


def test_pauses_around_shocks_are_medians_over_stacks():
    table = shock_table(
        time_s=[100.0, 200.0, 202.0, 300.0],
        pre_s=[10.0, 4.0, 4.0, np.nan],
        post_s=[5.0, 6.0, 6.0, 7.0],
        peri_s=[15.0, 12.0, 12.0, np.nan],
        stack=[1.0, 2.0, 2.0, 3.0],
        reason=[None, None, None, "no compressions before the shock"],
    )
    arrest = Spans.of([(0, 400)])
    pre, largest = shocks.pre_shock_pause_s(table, arrest)
    assert (pre.value, pre.n, pre.coverage, largest.value, largest.of) == (7.0, 2, pytest.approx(2 / 3), 10.0, "largest")
    assert shocks.post_shock_pause_s(table, arrest)[0].value == 6.0
    assert shocks.peri_shock_pause_s(table, arrest)[0].value == 13.5


def test_a_shock_without_compressions_before_it_has_no_pause_and_says_so():
    table = shock_table(time_s=[5.0], pre_s=[np.nan], post_s=[4.0], peri_s=[np.nan], reason=["no compressions before the shock"])
    with pytest.raises(NotMeasurable, match="no compressions before"):
        shocks.pre_shock_pause_s(table, Spans.of([(0, 100)]))


def test_first_shock_counts_from_the_later_of_contact_and_arrest():
    table = shock_table(time_s=[200.0])
    happened = events((20.0, "at_patient"), (50.0, "device_on", "defib_pads"))
    nothing = compressions([])
    plain, pads = shocks.first_shock_s(table, case(happened), Spans.of([(80, 900)]), nothing)
    assert (plain.value, plain.error, pads.value) == (120.0, None, 150.0)
    late = events({"time_s": 110.0, "type": "at_patient", "clock": "record"})
    plain, pads = shocks.first_shock_s(table, case(late, clocks=TWO_CLOCKS), Spans.of([(80, 900)]), nothing)
    assert (plain.value, plain.error) == (90.0, 120.0)
    assert "not charted" in pads.reason
    pressed = compressions(train(80, 100, 0.5))  # contact cannot follow a compression that the monitor saw
    plain, _ = shocks.first_shock_s(table, case(late, clocks=TWO_CLOCKS), Spans.of([(80, 900)]), pressed)
    assert (plain.value, plain.error) == (120.0, None)
    assert "another clock" in plain.remark


def test_decisions_at_known_rhythms():
    happened = events((10.0, "rhythm", "VF"), (130.0, "rhythm", "VF"), (250.0, "rhythm", "PEA"), (370.0, "rhythm", "asystole"))
    table = shock_table(time_s=[20.0, 255.0])
    counts = {number.of: number.value for number in shocks.shock_decisions(case(happened), table, Spans.of([(0, 500)]))}
    assert counts == {"shockable_shocked": 1.0, "shockable_not_shocked": 1.0, "not_shockable_shocked": 1.0}


def device_times(found):
    answers = devices.time_to_device_s(found.devices, found.compressions, found.course, found.case)
    return {(answer.of, answer.from_): answer for answer in answers}


def test_time_to_device_has_a_status_in_every_case():
    pressed, arrest = compressions(train(30, 100, 0.5)), (30.0, 630.0)
    on = device_times(findings(pressed, arrest, happened=events((90.0, "device_on", "itd"), (10.0, "at_patient"))))
    assert on["itd", "first_compression"].value == 60.0
    assert on["itd", "patient_contact"].value == 80.0
    assert on["itd", "call"].value is None
    assert on["itd", "call"].status == "applied"
    never = findings(pressed, arrest, course=Arrest(Spans.of([arrest]), closed_by="terminated"))
    answer = device_times(never)["itd", "first_compression"]
    assert (answer.value, answer.status, answer.low) == (None, "never", 600.0)
    ongoing = findings(pressed, arrest, course=Arrest(Spans.of([arrest]), closed_by="recording"))
    assert device_times(ongoing)["itd", "first_compression"].status == "censored"
    mute = findings(pressed, arrest, case=case(could_chart=()))
    assert device_times(mute)["itd", "first_compression"].status == "not recorded"


def test_device_on_share_of_compressions_and_time_left_on():
    pressed = compressions(train(0, 200, 0.5))
    happened = events((50.0, "device_on", "itd"), (160.0, "device_off", "itd"))
    course = Arrest(Spans.of([(0, 100)]), closed_by="rosc", rosc=Spans.of([(100, 400)]))
    found = findings(pressed, (0.0, 100.0), happened=happened, course=course)
    (share,) = devices.device_on_fraction(found.devices, found.compressions, found.arrest, found.case)
    assert share.value == pytest.approx(0.5)
    assert devices.device_left_on_s(found.devices, found.course, found.case).value == 60.0
    unremoved = findings(pressed, (0.0, 100.0), happened=events((50.0, "device_on", "itd")), course=course)
    with pytest.raises(NotMeasurable, match="removal was not charted"):
        devices.device_left_on_s(unremoved.devices, unremoved.course, unremoved.case)


def test_time_left_on_needs_rosc_and_device_on_one_clock_or_says_how_far_they_may_be_apart():
    pressed = compressions(train(0, 200, 0.5))
    rows = [
        {"time_s": at, "type": type_, "value": value, "clock": "record"}
        for at, type_, value in ((50.0, "device_on", "itd"), (120.0, "rosc", None), (300.0, "device_off", "itd"))
    ]
    course = Arrest(Spans.of([(0, 100)]), closed_by="rosc", rosc=Spans.of([(100, 400)]))
    one = case(events(*rows), clocks=TWO_CLOCKS)
    found = findings(pressed, (0.0, 100.0), case=one, course=course)
    same = devices.device_left_on_s(found.devices, course, one)
    assert (same.value, same.error) == (180.0, None)
    apart = case(events(rows[0], rows[2]), clocks=TWO_CLOCKS)
    other = devices.device_left_on_s(found.devices, course, apart)
    assert (other.value, other.error) == (200.0, 120.0)


def recoils(values, start=0.0):
    times = train(start, len(values), 0.5)
    return make(RECOILS, time_s=times, recoil_cmh2o=np.array(values, float), in_breath=np.zeros(len(values), bool))


def test_recoil_with_the_itd_on_and_off_plaisance_2005():
    """Plaisance et al. 2005 (abstract read), face mask: -1.0 mmHg sham, -4.6 mmHg with the ITD; 1 mmHg = 1.35951 cmH2O."""
    sham, active = -1.0 * 1.35951, -4.6 * 1.35951
    table = recoils([sham] * 100 + [active] * 100)
    found = findings(compressions(table["time_s"]), (0.0, 100.0), happened=events((50.0, "device_on", "itd")), recoils=table)
    answers = {a.of: a.value for a in devices.recoil_pressure_cmh2o(found.recoils, found.devices, found.arrest)}
    assert answers == {"itd_on": pytest.approx(-6.25, abs=0.01), "itd_off": pytest.approx(-1.36, abs=0.01)}
    limits = {"itd_effective_cmh2o": -4.0, "itd_effective_compressions": 30}
    on, off = devices.device_by_pressure_s(found.recoils, found.compressions, found.devices, found.arrest, found.case, **limits)
    assert on.value == pytest.approx(50.0, abs=1.0)
    assert "to the last compressions" in off.reason


def test_seal_loss_counts_only_lasting_stretches():
    good, lost = [-8.0], [-0.5]
    table = recoils(good * 60 + lost * 6 + good * 20 + lost * 24 + good * 10)
    happened = events((0.0, "device_on", "itd"), (60.0, "airway_placed", "supraglottic"))
    found = findings(compressions(table["time_s"]), (0.0, 60.0), happened=happened, recoils=table)
    limits = {"seal_lost_cmh2o": -2.0, "seal_loss_least_s": 5.0, "lean_force_n": 24.5, "lean_depth_mm": 5.0}
    arguments = (found.recoils, found.devices, found.compressions, found.arrest, found.advanced)
    plain, mask, airway = devices.seal_loss_fraction(*arguments, **limits)
    assert plain.remark.startswith("1 × a mask leak")
    leaning = found.compressions.assign(residual_n=40.0)
    assert "leaning" in devices.seal_loss_fraction(*arguments[:2], leaning, *arguments[3:], **limits)[0].remark
    assert plain.value == pytest.approx(24 / 120)
    assert len(plain.spans_s) == 1
    assert plain.spans_s[0] == pytest.approx((43.25, 54.75))
    assert mask.value == plain.value
    assert airway.value is None


def two_clock_case(*rows):
    happened = events(*rows, clock="record")
    sources = (
        Source("monitor.edf", "EDF+", "monitor", "monitor", 0, 1000),
        Source("record.xml", "NEMSIS", "record", "record", 0, 1000, frozenset({"drug"})),
    )
    return Case("test", None, sources, TWO_CLOCKS, "monitor", events=happened)


def test_an_interval_over_two_clocks_carries_both_uncertainties():
    one = two_clock_case((0.0, "call_received"), (400.0, "on_scene"))
    answers = {(a.from_, a.of): a for a in times.interval_s(one, compressions(train(500, 10, 0.5)), make(SHOCKS))}
    assert (answers["call", "on_scene"].value, answers["call", "on_scene"].error) == (400.0, None)
    assert answers["call", "first_compression"].value == pytest.approx(500.0)
    assert answers["call", "first_compression"].error == 120.0
    assert "not recorded" in answers["at_patient", "pads_on"].reason


def test_a_negative_interval_is_flagged_and_kept():
    one = two_clock_case((500.0, "on_scene"), (400.0, "at_patient"))
    answer = {(a.from_, a.of): a for a in times.interval_s(one, compressions([]), make(SHOCKS))}["on_scene", "at_patient"]
    assert answer.value == -100.0
    assert "negative" in answer.remark


def test_a_clock_that_could_not_be_placed_gives_no_interval():
    rows = events({"time_s": 0.0, "type": "call_received", "clock": "lost"})
    one = Case("test", None, (), TWO_CLOCKS, "monitor", events=rows)
    answers = {(a.from_, a.of): a for a in times.interval_s(one, compressions(train(500, 10, 0.5)), make(SHOCKS))}
    assert answers["call", "first_compression"].value is None
    assert "could not be placed" in answers["call", "first_compression"].reason


def test_epinephrine():
    doses = (
        (100.0, "drug", "epinephrine"),
        (340.0, "drug", "Adrenaline"),
        (700.0, "drug", "epinephrine"),
        (120.0, "drug", "amiodarone"),
    )
    one, arrest = case(events(*doses)), Spans.of([(40, 400), (600, 900)])
    assert times.epinephrine_doses(one).value == 3
    assert times.time_to_epinephrine_s(one, arrest, compressions([])).value == 60.0
    median, first = times.epinephrine_interval_s(one, arrest)
    assert (median.value, first.of, first.value) == (240.0, "1-2", 240.0)
    with pytest.raises(NotMeasurable, match="could have charted a drug"):
        times.epinephrine_doses(case(could_chart=()))
    assert times.epinephrine_doses(case()).value == 0


def test_one_dose_in_two_records_is_not_two_doses():
    rows = [{"time_s": 100.0 + i, "type": "drug", "value": "epinephrine", "source": name} for i, name in enumerate(("a", "b"))]
    answer = times.epinephrine_doses(case(events(*rows)))
    assert (answer.value, answer.low, answer.high) == (1, 1, 2)


def test_airway_attempts_and_first_pass():
    rows = ((10.0, "airway_placed", "tracheal_tube", "attempts=2 successful=yes"), (60.0, "airway_placed", "supraglottic", None))
    answer = times.airway_attempts(case(events(*rows)))
    assert (answer.value, answer.high) == (3.0, None)
    assert times.first_pass(case(events(*rows))).value == 0.0
    assert times.first_pass(case(events((10.0, "airway_placed", "supraglottic", "attempts=1 successful=yes")))).value == 1.0
    with pytest.raises(NotMeasurable, match="attempts was not charted"):
        times.first_pass(case(events(rows[1])))
