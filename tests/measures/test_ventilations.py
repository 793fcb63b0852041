"""Breath measures: answers that follow from how the data were made, and their edges."""

import numpy as np
import pytest

from qi.measures import ventilations as measured
from qi.model.errors import NotMeasurable
from qi.model.findings import Arrest
from qi.model.spans import Spans
from tests.measures.made import bare_pauses, breaths, compressions, events, findings, train


def rate(found):
    answers = measured.ventilation_rate(found.ventilations, found.breath_phases, found.breaths_unknown)
    return {answer.of: answer for answer in answers}


def made(times, **rest):
    happened = events((120.0, "airway_placed", "supraglottic"))
    course = Arrest(Spans.of([(0.0, 330.0)]), closed_by="rosc", rosc=Spans.of([(330.0, 450.0)]))
    pressed = compressions(train(0.0, 660, 0.5))
    return findings(pressed, (0.0, 330.0), happened=happened, course=course, ventilations=breaths(times), **rest)


def test_epochs_start_at_placement_and_none_straddles_rosc():
    """Counted breaths per 60-s epoch, Wang et al. 2023 (abstract read); 120-330 s are three epochs and one of 30 s, kept."""
    times = np.r_[
        np.arange(121, 180, 6.0), np.arange(181, 240, 5.0), np.arange(241, 300, 10.0), [305.0, 315.0, 325.0], [340.0, 350.0]
    ]
    answer = rate(made(times))
    assert answer["advanced_airway"].value == pytest.approx(np.mean([10, 12, 6, 6]))
    assert len(answer["advanced_airway"].spans_s) == 4
    assert answer["after_rosc"].value == pytest.approx((2 / 1 + 0 / 1) / 2)


def test_unknown_time_shortens_an_epoch_and_a_short_one_is_left_out():
    times = np.arange(120.5, 330, 5.0)
    answer = rate(made(times, ventilations_known=Spans.of([(120.0, 200.0), (239.0, 330.0)])))["advanced_airway"]
    assert [round(start) for start, _ in answer.spans_s] == [120, 240, 300]
    assert answer.value == pytest.approx(12, abs=0.5)
    assert answer.coverage == pytest.approx(171 / 210)


def test_bag_mask_continuous_looks_only_at_long_runs_before_the_airway():
    answer = rate(made(np.arange(0.5, 330, 6.0)))["bag_mask_continuous"]
    assert answer.value == pytest.approx(10, abs=0.5)
    assert answer.n == 20


def test_shares_of_epochs_over_and_under():
    times = np.r_[np.arange(120.5, 180, 4.0), np.arange(180.5, 240, 6.0), np.arange(240.5, 300, 15.0)]
    found = made(times)
    arguments = (found.ventilations, found.breath_phases, found.breaths_unknown)
    over = {a.of: a for a in measured.over_ventilated_fraction(*arguments, over_ventilated_per_min=12.0)}["advanced_airway"]
    under = {a.of: a for a in measured.under_ventilated_fraction(*arguments, under_ventilated_per_min=6.0)}["advanced_airway"]
    assert (over.value, under.value, over.n) == (0.25, 0.5, 4)


def test_without_a_sensor_there_is_no_rate_and_never_zero():
    found = findings(compressions(train(0, 100, 0.5)), (0.0, 50.0))
    answer = rate(found)[None]
    assert answer.value is None
    assert "capnogram" in answer.reason


def test_lengths_of_breaths_and_their_share_of_the_arrest():
    found = made(np.arange(10.0, 310.0, 30.0))
    blown = found.ventilations.assign(insufflation_s=np.r_[[1.0] * 6, [2.0] * 4])
    arguments = (blown, found.arrest, found.breaths_unknown)
    assert measured.breath_duration_s(*arguments).value == 1.0
    assert measured.long_breath_fraction(*arguments, long_breath_s=1.5).value == pytest.approx(0.4)
    assert len(measured.long_breath_fraction(*arguments, long_breath_s=1.5).spans_s) == 4
    assert measured.positive_pressure_fraction(*arguments).value == pytest.approx(14.0 / 330)
    with pytest.raises(NotMeasurable, match="airway pressure"):
        measured.breath_duration_s(found.ventilations, found.arrest, found.breaths_unknown)


def test_breaths_are_counted_only_in_pauses_for_breaths():
    stretches = Spans.of([(30, 34), (60, 65), (90, 95), (120, 130)])
    pauses = bare_pauses(stretches, ["ventilation", "ventilation", "ventilation", "rhythm_check"])
    found = made([31, 33, 61, 91, 92, 94, 125.0])
    arguments = (found.ventilations, pauses, found.arrest, found.breaths_unknown)
    assert measured.breaths_per_pause(*arguments).value == pytest.approx(2.0)
    assert measured.two_breath_fraction(*arguments).value == pytest.approx(1 / 3)
    assert len(measured.two_breath_fraction(*arguments).spans_s) == 2


def co2(values, start=60.0, step=6.0):
    return breaths(start + step * np.arange(len(values)), etco2_mmhg=np.array(values, float))


def test_end_tidal_values():
    exhaled = co2([12.0, 14, 16, 18, 20], start=1195.0)
    found = findings(
        compressions(train(10, 3000, 0.5)), (0.0, 1510.0), exhalations=exhaled, exhalations_known=Spans.of([(1000, 1500)])
    )
    answers = measured.etco2_mmhg(found.exhalations, found.exhalations_known, found.arrest, found.compressions)
    assert {answer.of: answer.value for answer in answers} == {None: 16.0, "first": 12.0, "last": 20.0, "at_20_min": 16.0}


@pytest.mark.parametrize(
    ("values", "rises"),
    [
        ([20] * 8 + [31] * 5, 1),  # held for five breaths
        ([20] * 8 + [31] * 4 + [20] * 4, 0),  # held for four
        ([20] * 8 + [29.9] * 8, 0),  # not ten
        ([20] * 8 + [31] * 8 + [20] * 8 + [31] * 8, 2),
    ],
)
def test_a_rise_is_ten_held_for_five_breaths(values, rises):
    """The rise of at least 10 mmHg is that of Lui et al., Resuscitation (2016) (abstract read); five breaths are ours."""
    exhaled, arrest = co2(values), Spans.of([(0, 600)])
    answer = measured.etco2_rise(exhaled, Spans.of([(0, 600)]), arrest, etco2_rise_mmhg=10.0, etco2_rise_breaths=5)
    assert answer.value == rises


def test_capnogram_on_the_airway_is_not_zero_when_there_is_no_capnogram():
    found = made([130.0])
    with pytest.raises(NotMeasurable, match="no capnogram"):
        measured.waveform_co2_on_airway(found.advanced, found.arrest, found.exhalations, found.exhalations_known)
    watched = measured.waveform_co2_on_airway(found.advanced, found.arrest, co2([20]), Spans.of([(225, 400)]))
    assert watched.value == pytest.approx(0.5)
