"""Samples as integers: the source's own step is found, and no sample is further off than allowed."""

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from qi.library.integers import back, to_integers

FLOATS = st.floats(width=32, allow_nan=False, allow_infinity=False)
PIECES = st.lists(st.lists(FLOATS, max_size=40).map(lambda values: np.array(values, np.float32)), max_size=4)


def came_back(pieces, rails=None):
    return [back(one.values, one.scale, one.offset) for one in to_integers(pieces, rails)]


@given(PIECES)
@example([np.array([-3.4028235e38, 3.4028235e38, 1e-45], np.float32)])
@example([np.array([1e-45, 3e-45], np.float32), np.array([], np.float32)])
@example([np.array([1e8, 1e8 + 8, 1e8 + 24], np.float32)])
@example([np.array([0.1], np.float32), np.array([0.2], np.float32)])
def test_no_sample_is_further_off_than_allowed(pieces):
    """Any finite float32: three roundings of float32, or 2**-31 of the range of the samples."""
    range_ = np.ptp(np.concatenate(pieces).astype(float)) if any(map(len, pieces)) else 0.0
    kinds = {one.values.dtype for one in to_integers(pieces)}
    assert len(kinds) <= 1
    assert kinds <= {np.dtype(np.int16), np.dtype(np.int32)}
    for before, after in zip(pieces, came_back(pieces), strict=True):
        allowed = np.maximum(3 * 2.0**-24 * np.abs(before.astype(float)), range_ * 2.0**-31)
        assert (np.abs(after.astype(float) - before) <= allowed).all()


@given(
    st.lists(st.integers(-32768, 32767), min_size=1, max_size=200),
    st.floats(-1000, 1000),
    st.floats(0.01, 5000),
    st.sampled_from([65535, 65534, 4095]),
)
def test_samples_of_a_converter_stay_its_integers(digital, low, span, steps):
    """The straight line of EDF (digital to physical by the ranges of the header; edfplus.info, from memory), in float32."""
    first = -(steps + 1) // 2
    held = np.clip(np.array(digital), first, first + steps)
    gain = span / steps
    physical = (held * gain + (low - first * gain)).astype(np.float32)
    (one,) = to_integers([physical], (low, low + span))
    assert one.values.dtype == np.int16
    (after,) = came_back([physical], (low, low + span))
    assert (np.abs(after.astype(float) - physical) <= np.maximum(3 * 2.0**-24 * np.abs(physical), span * 2.0**-31)).all()


@pytest.mark.parametrize("factor", [1.0, 25.4, 7.50062, 0.001, 1.01972], ids=str)
@pytest.mark.parametrize("twice", [False, True], ids=["rounded once", "rounded twice"])
def test_an_even_step_is_found_without_being_told(factor, twice):
    """A slow wave in 16 bits whose ranges are not known, converted to another unit: still its integers."""
    digital = np.rint(20000 * np.sin(np.arange(60000) / 700) + 300 * np.sin(np.arange(60000) / 11))
    gain, base = 120 / 65535, 40.0
    raw = digital * gain + base
    values = raw.astype(np.float32) * np.float32(factor) if twice else (raw * factor).astype(np.float32)
    (one,) = to_integers([values])
    assert one.values.dtype == np.int16
    assert one.scale == pytest.approx(gain * factor, rel=1e-6)
    assert (np.diff(one.values.astype(int)) == np.diff(digital.astype(int))).all()


@pytest.mark.parametrize("digits", range(5))
def test_written_decimals_come_back_exactly(digits):
    written = np.random.default_rng(7).integers(-30000, 30000, 5000) / 10.0**digits
    values = written.astype(np.float32)
    (one,) = to_integers([values])
    assert (one.values.dtype, one.scale, one.offset) == (np.int16, 10.0**-digits, 0.0)
    assert (back(one.values, one.scale, one.offset) == values).all()


def test_decimals_far_from_zero_still_fit_into_16_bits():
    values = (100000 + np.arange(0, 65000, 7) / 10).astype(np.float32)
    (one,) = to_integers([values])
    assert one.values.dtype == np.int16
    assert (back(one.values, one.scale, one.offset) == values).all()


@pytest.mark.parametrize(("height", "kind"), [(9000, np.int16), (30000, np.int32)])
def test_one_bridged_sample_does_not_lose_the_grid(height, kind):
    """A missing sample bridged with a straight line lies on a third of a step: the step becomes a third or a sixth of that."""
    digital = np.rint(height * np.sin(np.arange(30000) / 300))
    values = (digital * 0.1).astype(np.float32)
    at = int(np.flatnonzero((np.diff(digital) % 3 == 1) & (digital[1:] > 0))[0])
    values[at] = np.float32(values[at] + (values[at + 1] - values[at]) / 3)
    (one,) = to_integers([values])
    assert one.values.dtype == kind
    assert 0.1 / one.scale == pytest.approx(3, rel=1e-6) or 0.1 / one.scale == pytest.approx(6, rel=1e-6)
    after = back(one.values, one.scale, one.offset)
    assert (np.abs(after.astype(float) - values) <= 3 * 2.0**-24 * np.abs(values)).all()


def test_24_bits_stay_whole_where_float32_can_tell_them_apart():
    digital = np.random.default_rng(3).integers(-(2**23), 2**23, 4000)
    values = (digital / 32).astype(np.float32)
    rails = (-(2**23) / 32, (2**23 - 1) / 32)
    (one,) = to_integers([values], rails)
    assert one.values.dtype == np.int32
    assert one.scale == 1 / 32
    assert (back(one.values, one.scale, one.offset) == values).all()


def test_noise_is_spread_over_the_range_of_each_piece():
    rng = np.random.default_rng(1)
    pieces = [rng.normal(size=5000).astype(np.float32), (rng.normal(size=5000) * 1e-3).astype(np.float32)]
    for before, one in zip(pieces, to_integers(pieces), strict=True):
        assert one.values.dtype == np.int32
        off = np.abs(back(one.values, one.scale, one.offset).astype(float) - before)
        assert (off <= np.ptp(before.astype(float)) * 2.0**-31 + np.spacing(np.abs(before))).all()


@pytest.mark.parametrize("value", [0.0, 3.0, 0.1, -1e-40, 3.4e38])
def test_one_value_throughout_comes_back_exactly(value):
    piece = np.full(9, value, np.float32)
    (after,) = came_back([piece])
    assert (after == piece).all()


def test_nothing_gives_nothing():
    assert to_integers([]) == []
    (one,) = to_integers([np.empty(0, np.float32)])
    assert len(one.values) == 0


@pytest.mark.parametrize("rails", [(0.0, np.inf), (5.0, 5.0), (5.0, -5.0), (np.nan, 1.0)], ids=str)
def test_rails_that_say_nothing_do_no_harm(rails):
    piece = np.array([0.25, 0.5, 7.0], np.float32)
    (after,) = came_back([piece], rails)
    assert (after == piece).all()
