"""The simulator held against published magnitudes, and its answers against values that can be worked out by hand.

Sources are named as the project's notes name them (signals.md section 7, cpr-definitions.md section 4, measures.md section 8).
"""

from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from itertools import pairwise

import numpy as np
import pytest
from edfio import read_edf

from tests.simulator import body, channels, files
from tests.simulator.answers import Sheet, answers, runs
from tests.simulator.schedule import Compression, Happening, Plan, Truth, draw, play

STEADY = Plan(
    "steady",
    datetime(2031, 1, 1, tzinfo=UTC),
    length_s=600.0,
    first_s=10.0,
    last_s=580.0,
    depth_mm=(45.0,),
    lean_share=0.0,
    continuous_s=200.0,
    extra=(
        Happening(20.0, "device_on", "itd"),
        Happening(200.0, "airway_placed", "tracheal_tube"),
        Happening(400.0, "device_off", "itd"),
    ),
)


@cache
def steady(**changes) -> Truth:
    return play(replace(STEADY, **changes), 5)


@cache
def drawn() -> list[Truth]:
    return [draw(seed) for seed in range(80)]


def troughs(truth: Truth, start_s: float, end_s: float) -> float:
    """Median of the lowest pressure in each compression's recoil, away from breaths."""
    pressure = channels.record(truth, "airway_pressure", 100.0, 1)
    times = np.arange(len(pressure)) / 100.0
    quiet = [
        one
        for one in truth.compressions
        if start_s < one.time_s < end_s
        and not any(breath.time_s - 0.6 < one.time_s < breath.time_s + breath.insufflation_s + 1.5 for breath in truth.breaths)
    ]
    return float(np.median([pressure[(times > one.time_s) & (times < one.release_s + 0.05)].min() for one in quiet]))


def test_force_at_38_mm_tomlinson_2007():
    """Out-of-hospital force at 38 mm: 29.8 ± 14.5 kgf in men, 22.5 ± 10.2 kgf in women."""
    kgf = body.static_force_n(38.0) / 9.80665
    assert kgf == pytest.approx(29.8, abs=1.0)
    assert abs(kgf - 22.5) < 10.2


def test_stiffness_tsitlik_1983():
    """b 54.9 ± 29.4 N/cm, g 10.8 ± 4.1 N/cm²: ours lies within one standard deviation of both."""
    b, g = body.STIFFNESS
    assert abs(b * 10 - 54.9) < 29.4
    assert abs(g * 100 - 10.8) < 4.1


@pytest.mark.parametrize(
    ("start_s", "end_s", "mean_mmhg", "sd_mmhg"), [(20, 200, -4.6, 3.7), (200, 400, -7.3, 4.5), (400, 580, -1.3, 1.3)]
)
def test_recoil_pressure_plaisance_2005(start_s, end_s, mean_mmhg, sd_mmhg):
    """Lowest airway pressure of the decompression: ITD on a mask, ITD on a tube, tube without; mean ± SD. There under active
    decompression; for the conventional kind no human values were found, so the size is an illustration."""
    assert abs(troughs(steady(), start_s, end_s) - mean_mmhg * 1.35951) < sd_mmhg * 1.35951 * 0.75


def test_a_leaking_mask_loses_the_vacuum_and_the_breath():
    tight, loose = steady(), steady(leak_spans=((100.0, 180.0),))
    assert troughs(loose, 100, 180) > 0.4 * troughs(tight, 100, 180)
    breaths = [b for b in loose.breaths if 100 < b.time_s < 180]
    peaks = {}
    for name, truth in (("tight", tight), ("loose", loose)):
        pressure = channels.record(truth, "airway_pressure", 100.0, 1)
        peaks[name] = np.median([pressure[int(b.time_s * 100) : int((b.time_s + b.insufflation_s) * 100)].max() for b in breaths])
    assert peaks["loose"] < 0.75 * peaks["tight"]


def test_a_device_left_on_shows_in_the_pressure():
    """After ROSC the patient's own weak breaths pull against the ITD until it is taken off, and hardly show afterwards."""
    truth = steady(
        rosc_s=250.0, gasps_after_rosc=True, extra=(Happening(20.0, "device_on", "itd"), Happening(420.0, "device_off", "itd"))
    )
    pressure = channels.record(truth, "airway_pressure", 50.0, 1)
    rosc = truth.at("rosc")[0]
    assert pressure[int(50 * (rosc + 20)) : 50 * 420].min() < -6.0
    assert pressure[50 * 421 :].min() > -2.0


def settled_etco2(**changes) -> float:
    truth = steady(tires_mm_per_min=0.0, depth_sd_mm=0.5, **changes)
    return float(np.median([b.etco2_mmhg for b in truth.breaths if 350 < b.time_s < 580]))


def test_etco2_falls_with_the_breathing_rate():
    """−3.0 mmHg per +10 breaths/min (Sheak 2015, 583 arrests) and −1.1 per +1 (Ruiz de Gauna, small study): ours lies between."""
    slope = settled_etco2(breath_every_s=3.0) - settled_etco2(breath_every_s=6.0)
    assert -11.0 < slope < -3.0


def test_etco2_follows_the_depth_sheak_2015():
    """+1.4 mmHg per 10 mm."""
    assert settled_etco2(depth_mm=(50.0,)) - settled_etco2(depth_mm=(40.0,)) == pytest.approx(1.4, abs=0.5)


def test_etco2_jumps_at_rosc():
    """A rise of at least 10 mmHg (Pokorna 2010; Lui 2016), simulated as 10 to 30."""
    truth = steady(rosc_s=300.0)
    rosc = truth.at("rosc")[0]
    before = np.median([b.etco2_mmhg for b in truth.breaths if rosc - 60 < b.time_s < rosc])
    after = np.median([b.etco2_mmhg for b in truth.breaths if rosc + 90 < b.time_s])
    assert 10 <= after - before <= 30


def test_depth_tires_as_in_sugerman_2009():
    """48.3 mm, then 46.0 by 2 min and 43.7 by 3 min: 2.3 mm a minute, none before about 75 s."""
    truth = steady(check_every_s=9999.0, depth_sd_mm=0.3, depth_mm=(48.3,), continuous_s=0.0)

    def depth(at_s: float) -> float:
        return float(np.mean([c.depth_mm for c in truth.compressions if abs(c.onset_s - 10 - at_s) < 5]))

    assert depth(60) == pytest.approx(48.3, abs=0.3)
    assert depth(180) - depth(120) == pytest.approx(43.7 - 46.0, abs=0.3)


def test_impedance_of_a_breath_idris():
    """0.5 ohm for 250 mL."""
    truth = steady()
    ohm = channels.record(truth, "thoracic_impedance", 100.0, 1)
    rises = []
    for pause in (p for p in truth.pauses if p.cause == "ventilation"):
        for b in (b for b in truth.breaths if pause.start_s < b.time_s < pause.end_s - 1.2):
            end = b.time_s + b.insufflation_s
            rise = np.mean(ohm[int(end * 100) - 8 : int(end * 100)]) - np.mean(ohm[int(b.time_s * 100) - 8 : int(b.time_s * 100)])
            rises.append(rise / b.volume_ml * 250)
    assert len(rises) > 6
    assert np.median(rises) == pytest.approx(0.5, abs=0.12)


def test_rhythms_look_as_they_should():
    """VF between 3 and 7 Hz at 1.15 to 1.33 mV peak to peak, give or take; asystole under 0.2 mV; a shock reaches the rail."""
    quiet = replace(STEADY, first_s=500.0, last_s=580.0, extra=())
    vf = channels.record(play(replace(quiet, rhythms=((0.0, "VF"),)), 1), "ecg", 250.0, 1)[: 250 * 400]
    power = np.abs(np.fft.rfft(vf)) ** 2
    hertz = np.fft.rfftfreq(len(vf), 1 / 250)
    assert 3.0 < hertz[power.argmax()] < 7.0
    assert 0.6 < np.median([np.ptp(part) for part in vf.reshape(-1, 500)]) < 2.2
    still = channels.record(play(replace(quiet, rhythms=((0.0, "asystole"),)), 1), "ecg", 250.0, 1)[: 250 * 400]
    assert np.median([np.ptp(part) for part in still.reshape(-1, 500)]) < 0.25
    shocked = play(replace(STEADY, rhythms=((0.0, "VF"),), shocks=((0, 200.0),)), 1)
    at = shocked.at("shock")[0]
    assert channels.record(shocked, "ecg", 250.0, 1)[int(at * 250) : int(at * 250) + 4].max() == channels.ECG_RAIL_MV


@pytest.mark.parametrize("shape", ["cosine", "triangle", "plateau"])
def test_depth_is_deepest_where_the_truth_says(shape):
    truth = steady()
    depth = channels.record(truth, "compression_depth", 250.0, 1, shape=shape)
    for one in truth.compressions[5:200:13]:
        around = depth[int(one.onset_s * 250) : int(one.release_s * 250)]
        assert around.max() == pytest.approx(one.depth_mm, abs=1.2)
        assert depth[round(one.time_s * 250)] > one.depth_mm - 2.0


def test_an_unknown_shape_lists_the_choices():
    with pytest.raises(ValueError, match="choose from cosine, plateau, triangle"):
        channels.record(steady(), "compression_depth", 50.0, 1, shape="square")


def test_every_channel_keeps_to_its_file_range_and_its_seed():
    truth = steady()
    for channel in channels.CHANNELS:
        first, again = (channels.record(truth, channel, 50.0, 3) for _ in range(2))
        assert np.array_equal(first, again)
        assert len(first) == 30_000
        low, high = files.REACH[channel]
        assert low <= first.min() < first.max() <= high
        assert not np.array_equal(first, channels.record(truth, channel, 50.0, 4))


def test_losses_are_gaps_and_stuck_values():
    truth = steady(gaps=((100.0, 110.0),), flats=(("compression_depth", 50.0, 60.0),))
    depth = channels.record(truth, "compression_depth", 50.0, 1)
    assert np.isnan(depth[5000:5500]).all()
    assert np.isnan(depth).sum() == 500
    assert len(set(depth[2500:3000].tolist())) == 1
    assert not np.isnan(channels.record(truth, "compression_depth", 50.0, 1, losses=False)).any()


def test_drawn_cases_look_like_a_population():
    """Case means in the trial cohort: rate 111 ± 19 /min, fraction 0.70 ± 0.17, depth 42 ± 12 mm; leaning over 2.5 kgf in 12 % of
    compressions, very uneven between cases (Fried 2011). Means are asked within half a standard deviation."""
    rates, fractions, depths, leans = [], [], [], []
    for truth in drawn():
        rows = {row["id"]: row["value"] for row in reversed(answers(Sheet(truth, ("compression_depth", "compression_force"))))}
        rates.append(rows["compression_rate"])
        fractions.append(rows["compression_fraction"])
        depths.append(rows["compression_depth_mm"])
        leans.append(1 - rows["released_fraction"])
    assert np.mean(rates) == pytest.approx(111, abs=9.5)
    assert np.mean(fractions) == pytest.approx(0.70, abs=0.12)
    assert np.mean(depths) == pytest.approx(42, abs=6)
    assert np.mean(leans) == pytest.approx(0.12, abs=0.06)
    assert min(leans) < 0.05
    assert max(leans) > 0.2
    assert len({truth.compressions[0].onset_s for truth in drawn()}) == len(drawn())


def test_pauses_of_a_drawn_case_part_its_runs():
    """Each pause lies between two runs, and no two overlap: what the schedule lists is what its compressions say."""
    for truth in drawn()[:20]:
        parts = runs(truth.compressions)
        between = [(a[-1].release_s, b[0].onset_s) for a, b in pairwise(parts)]
        listed = [(pause.start_s, pause.end_s) for pause in truth.pauses if pause.end_s <= parts[-1][0].onset_s]
        assert np.array(listed) == pytest.approx(np.array(between))


def even(count: int, at_s: float, cycle_s: float) -> list[Compression]:
    starts = [at_s + i * cycle_s for i in range(count)]
    return [Compression(s, s + cycle_s / 2, s + cycle_s, 50.0, 0.0, 0.0) for s in starts]


def by_hand(per_min: float, pause_s: float, count: int = 30, turns: int = 20) -> Sheet:
    cycle = 60 / per_min
    whole = count * cycle + pause_s
    compressions = [one for turn in range(turns) for one in even(count, turn * whole, cycle)]
    plan = replace(STEADY, length_s=turns * whole, extra=(), gaps=())
    return Sheet(Truth(plan, 0, tuple(compressions), (), (), (), ((0.0, turns * whole),)), ("compression_depth",))


@pytest.mark.parametrize(
    ("per_min", "pause_s", "fraction"),
    [
        (110, 4, 0.804),
        (110, 3, 0.845),
        (110, 5, 0.766),
        (110, 10, 0.621),
        (100, 4, 0.818),
        (100, 5, 0.783),
        (120, 4, 0.789),
        (120, 5, 0.750),
    ],
)
def test_answers_meet_the_hand_checkable_values(per_min, pause_s, fraction):
    """measures.md section 8: 30:2 with pauses of a given length."""
    rows = {row["id"]: row for row in answers(by_hand(per_min, pause_s))}
    assert rows["compression_fraction"]["value"] == pytest.approx(fraction, abs=0.0006)
    assert rows["compression_rate"]["value"] == pytest.approx(per_min)
    assert rows["longest_pause_s"]["value"] == pytest.approx(pause_s)
    assert rows["no_flow_s"]["value"] == pytest.approx(20 * pause_s)


def test_answers_leave_out_what_no_sensor_saw():
    sheet = by_hand(110, 4)
    whole = answers(by_hand(110, 4))[1]["value"]
    sheet.truth = replace(sheet.truth, plan=replace(sheet.truth.plan, gaps=((0.0, 30 * 60 / 110),)))
    rows = {row["id"]: row["value"] for row in answers(sheet)}
    flow = 19 * 30 * 60 / 110
    assert rows["compression_fraction"] == pytest.approx(flow / (flow + 80), abs=1e-4)
    assert rows["compression_fraction"] < whole


def test_edf_with_a_gap_keeps_each_record_at_its_own_time(tmp_path):
    truth = steady(gaps=((100.0, 140.0),))
    marks = [Happening(20.0, "device_on", "itd"), Happening(200.5, "shock", "200", unit="J")]
    files.write_edf(tmp_path / "m.edf", truth, {"compression_depth": 50.0}, {"compression_depth": "CC depth"}, marks)
    content = (tmp_path / "m.edf").read_bytes()
    assert content[192:197] == b"EDF+D"
    assert int(content[236:244]) == 560
    size = (len(content) - 3 * 256) // 560
    records = [content[3 * 256 + number * size :][:size] for number in range(560)]
    onsets = [int(record[100:].split(b"\x14\x14", 1)[0]) for record in records]
    assert onsets == [*range(100), *range(140, 600)]
    edf = read_edf(tmp_path / "m.edf")
    told = {(note.onset, note.text) for note in edf.annotations}
    assert told == {(20.0, "device_on itd"), (200.5, "shock 200 unit=J")}
    expected = channels.record(truth, "compression_depth", 50.0, truth.seed)
    assert edf.signals[0].data == pytest.approx(expected[~np.isnan(expected)], abs=0.002)
