"""Signal quality per second: each fault is named where it was made, and nothing else is."""

import numpy as np
import pytest

from qi.detect import compressions, shocks
from qi.detect import signal_quality as quality_of
from qi.detect.settings import load
from qi.model.case import Case, Clock, Source
from qi.model.spans import Span, Spans
from qi.model.tables import QUALITY, check
from tests.detect.makers import signal
from tests.simulator import channels, schedule
from tests.simulator.files import UNITS

SETTINGS = load()
TUNE = SETTINGS["signal_quality"]
RATE_HZ = 100.0
TRUTH = schedule.draw(5)
LONG = Span(0.0, 300.0)


def recorded(channel, *, shape="cosine"):
    """The first five minutes of a simulated channel, without losses."""
    return channels.record(TRUTH, channel, RATE_HZ, 5, shape=shape, losses=False)[: int(300 * RATE_HZ)]


def told(one, known=None, within=LONG):
    table = quality_of.signal_quality(one, known, within, **TUNE)
    check(table, QUALITY)
    assert (table["start_s"].iloc[1:].to_numpy() == table["end_s"].iloc[:-1].to_numpy()).all()
    assert (table["state"].iloc[1:].to_numpy() != table["state"].iloc[:-1].to_numpy()).all()
    return table


def spans(table, state):
    return Spans.of(table.loc[table["state"] == state, ["start_s", "end_s"]].to_numpy()).pairs()


@pytest.mark.parametrize("shape", ["cosine", "triangle", "plateau"])
@pytest.mark.parametrize("channel", channels.CHANNELS)
def test_an_undisturbed_sensor_is_good(channel, shape):
    """At least 99 % of the seconds, with the sensors' own noise of the signals note, section 7."""
    table = told(signal(channel, UNITS[channel], recorded(channel, shape=shape), rate_hz=RATE_HZ))
    good = sum(end - start for start, end in spans(table, "good"))
    assert good >= 297


@pytest.mark.parametrize("channel", channels.CHANNELS)
def test_each_fault_is_named_where_it_is(channel):
    """Missing, flat, railed and noise, ten seconds each: exactly those seconds, but for one at each edge of the noise."""
    rng = np.random.default_rng(1)
    values = recorded(channel)
    usual = np.quantile(values, 0.95) - np.quantile(values, 0.05)
    top = values.max() + 3 * usual
    values[6000:7000] = values[6000]
    values[12000:13000] = top
    values[18000:19000] += rng.normal(0, 0.5 * usual, 1000)
    one = signal(channel, UNITS[channel], values, rate_hz=RATE_HZ, rails=(values.min() - usual, top), gaps=[(240.0, 250.0)])
    table = told(one)
    assert spans(table, "flat") == [(60.0, 70.0)]
    assert spans(table, "railed") == [(120.0, 130.0)]
    assert spans(table, "missing") == [(240.0, 250.0)]
    noise = spans(table, "noise")
    assert min(start for start, _ in noise) in (179.0, 180.0)
    assert max(end for _, end in noise) in (190.0, 191.0)
    assert sum(end - start for start, end in noise) >= 9


def test_impedance_that_no_patient_has_is_out_of_range():
    values = recorded("thoracic_impedance")
    values[5000:6000] += 200
    values[9000:9500] = 3 + 0.01 * np.random.default_rng(0).normal(size=500)
    table = told(signal("thoracic_impedance", "ohm", values, rate_hz=RATE_HZ))
    assert spans(table, "out of range") == [(50.0, 60.0), (90.0, 95.0)]


def test_a_capnogram_at_zero_between_breaths_is_at_no_rail():
    values = np.maximum(recorded("co2"), 0.0)
    values[10000:10400] = 0.0
    values[20000:21000] = 120.0
    table = told(signal("co2", "mmHg", values, rate_hz=RATE_HZ, rails=(0.0, 120.0)))
    assert spans(table, "railed") == [(200.0, 210.0)]
    assert (values <= 0).mean() > 0.1


def test_a_part_of_a_second_counts_from_a_quarter_on():
    values = recorded("ecg")
    assert spans(told(signal("ecg", "mV", values, rate_hz=RATE_HZ, gaps=[(10.5, 10.7)])), "missing") == []
    assert spans(told(signal("ecg", "mV", values, rate_hz=RATE_HZ, gaps=[(10.8, 12.3)])), "missing") == [(11.0, 13.0)]


def test_flat_before_the_first_and_after_the_last_sign_is_out_of_use():
    values = recorded("ecg")
    values[:2000] = 0
    values[29000:] = values[28999]
    table = told(signal("ecg", "mV", values, rate_hz=RATE_HZ))
    assert spans(table, "out of use") == [(0.0, 20.0), (290.0, 300.0)]
    never = told(signal("ecg", "mV", np.zeros(3000), rate_hz=RATE_HZ), within=Span(0.0, 30.0))
    assert spans(never, "out of use") == [(0.0, 30.0)]


@pytest.mark.parametrize("noise", [0.0, 0.25])
def test_agrees_with_the_known_time_of_the_detector(noise):
    """A still chest under a sensor without noise is constant and good; a lost sensor is flat: as from_depth judges it."""
    rng = np.random.default_rng(2)
    times = np.arange(0, 300, 1 / RATE_HZ)
    working = (times > 30) & (times < 260) & (times % 40 < 30)
    values = np.where(working, 25 - 25 * np.cos(2 * np.pi * 1.8 * times), 0.0) + rng.normal(0, noise, len(times))
    values[10000:10800] = 37.0
    one = signal("compression_depth", "mm", values, rate_hz=RATE_HZ)
    seen = compressions.from_depth(one, **SETTINGS["compressions_from_depth"])
    table = told(one, seen.known)
    assert spans(table, "flat") == [(100.0, 108.0)]
    unknown = Spans.of([(0.0, 300.0)]).minus(seen.known)
    for row in table[table["state"] == "good"].itertuples():
        assert seen.known.grown(1.0).clip(Span(row.start_s, row.end_s)).seconds == pytest.approx(row.end_s - row.start_s)
    assert unknown.seconds_in(np.array([100.0]), np.array([108.0]))[0] > 7.5
    assert spans(table, "out of use")[-1][1] == 300.0


def test_every_waveform_of_a_case_over_the_time_of_its_own_file():
    ecg = signal("ecg", "mV", recorded("ecg")[2000:20000], rate_hz=RATE_HZ, start_s=20.0)
    rate = signal("heart_rate", "1/min", np.full(300, 80.0), rate_hz=1.0)
    sources = (
        Source("made.csv", "CSV", "monitor", "monitor", 0.0, 300.0),
        Source("r.xml", "NEMSIS", "record", "record", 0.0, 999.0),
    )
    case = Case("x", None, sources, {"monitor": Clock("monitor")}, "monitor", (ecg, rate))
    seen = [shocks.from_ecg(ecg, **SETTINGS["shocks_from_ecg"])]
    table = quality_of.quality(case, seen, TUNE)
    check(table, QUALITY)
    assert set(table["sensor"]) == {ecg.name}
    assert spans(table, "missing") == [(0.0, 20.0), (200.0, 300.0)]
    assert spans(table, "good") == [(20.0, 200.0)]
    assert quality_of.quality(Case("x", None), [], TUNE).empty
