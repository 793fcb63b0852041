"""The hand-checkable values of measures.md section 8, and published numbers, each with its source."""

import numpy as np
import pytest

from qi.measures import compressions as measured
from qi.measures import pauses as paused
from tests.measures.made import GAP_S, compressions, findings, train


def cycles(count, *, compressions_each, per_min, pause_s):
    """Compressions of `count` cycles of 30:2 (or the like), and the length of all."""
    cycle = 60.0 / per_min
    length = compressions_each * cycle + pause_s
    times = np.concatenate([train(i * length, compressions_each, cycle) for i in range(count)])
    return compressions(times, cycle), count * length


def fraction(pressed, length):
    found = findings(pressed, (0.0, length))
    return measured.compression_fraction(found.compressions, found.runs, found.arrest, found.unknown).value


def test_one_10_s_pause_a_minute_abella_2005():
    """Abella et al., JAMA 293 (2005) 305 (abstract read) gives 0.17 for a 10-s pause in each minute."""
    pressed = compressions(np.concatenate([train(60.0 * minute, 100, 0.5) for minute in range(10)]), 0.5)
    found = findings(pressed, (0.0, 600.0))
    no_flow = paused.no_flow_s(found.pauses, found.arrest, found.unknown).value
    assert no_flow / 600 == pytest.approx(0.1667, abs=5e-5)
    assert round(no_flow / 600, 2) == 0.17
    assert fraction(pressed, 600.0) == pytest.approx(0.8333, abs=5e-5)


@pytest.mark.parametrize(
    ("per_min", "pause_s", "expected"),
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
def test_thirty_to_two(per_min, pause_s, expected):
    """Arithmetic: 30 compressions last 30 cycles, then the pause for two breaths."""
    pressed, length = cycles(12, compressions_each=30, per_min=per_min, pause_s=pause_s)
    assert fraction(pressed, length) == pytest.approx(expected, abs=5e-4)


def test_thirty_to_two_delivers_88_compressions_a_minute():
    """Arithmetic: 30:2 at 110 per minute with 4-s pauses gives 88.4 compressions and 5.9 breaths a minute."""
    pressed, length = cycles(12, compressions_each=30, per_min=110, pause_s=4)
    found = findings(pressed, (0.0, length))
    assert measured.compressions_per_minute(found.compressions, found.arrest, found.unknown).value == pytest.approx(88.4, abs=0.05)
    assert 12 * 2 / length * 60 == pytest.approx(5.9, abs=0.05)


def test_two_minute_cycles_with_one_10_s_pause():
    """Arithmetic: 110 s of compressions in each 120 s."""
    pressed = compressions(np.concatenate([train(120.0 * i, 220, 0.5) for i in range(5)]), 0.5)
    assert fraction(pressed, 600.0) == pytest.approx(0.917, abs=5e-4)


def test_ten_compressions_to_each_flash_of_a_10_per_minute_light():
    """Common practice, no source: ten compressions to each flash of a 10-per-minute timing light are 100 per minute."""
    flashes = np.arange(0, 120, 6.0)
    pressed = compressions(np.concatenate([train(flash, 10, 0.6) for flash in flashes]), 0.6)
    found = findings(pressed, (0.0, 120.0))
    rate = measured.compression_rate(found.compressions, found.arrest, found.unknown, gap_s=GAP_S)
    assert rate.value == pytest.approx(100.0)


def test_rate_while_compressing_is_not_the_rate_delivered_wik_2005():
    """Wik et al., JAMA 293 (2005) 299 (abstract read): 121 per minute while compressing, hands off 48 %, 64 delivered.

    A case with these two inputs must give about 0.52 × 121 = 63 delivered (their 64 is a mean over patients).
    """
    cycle = 60.0 / 121.0
    length, count = 30.0, round(0.52 * 30.0 / cycle)
    pressed = compressions(np.concatenate([train(i * length, count, cycle) for i in range(20)]), cycle)
    found = findings(pressed, (0.0, 600.0))
    assert measured.compression_rate(found.compressions, found.arrest, found.unknown, gap_s=GAP_S).value == pytest.approx(
        121, abs=0.1
    )
    assert fraction(pressed, 600.0) == pytest.approx(0.52, abs=0.01)
    assert measured.compressions_per_minute(found.compressions, found.arrest, found.unknown).value == pytest.approx(64, abs=2)


@pytest.mark.parametrize(("gap_s", "lowest_per_min"), [(1.0, 60), (1.5, 40), (2.0, 30), (3.0, 20)])
def test_the_gap_caps_the_lowest_rate_landis_2020(gap_s, lowest_per_min):
    """Resuscitation 149 (2020) 127 (abstract read) gives 30 per minute for a 2-s gap; the rest is 60 / gap."""
    step = gap_s - 1e-6
    found = findings(compressions(np.arange(20) * step, step), (0.0, 20 * step))
    rate = measured.compression_rate(found.compressions, found.arrest, found.unknown, gap_s=gap_s).value
    assert rate == pytest.approx(lowest_per_min, rel=1e-4)
