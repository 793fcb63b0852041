"""The shared arithmetic against scipy and against the slow and sure way."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter1d, maximum_filter1d
from scipy.signal import find_peaks

from qi.detect import filters
from qi.model.case import Piece

VALUES = st.lists(st.integers(-5, 5), min_size=1, max_size=60).map(lambda values: np.array(values, dtype=float))


def test_block_means_stand_at_the_middle_of_their_blocks():
    piece = Piece(2.0, 250.0, np.arange(23, dtype=np.float32))
    low = filters.block_means(piece, rate_hz=50.0)
    assert (low.rate_hz, low.start_s) == (50.0, pytest.approx(2.008))
    assert low.values.tolist() == [2, 7, 12, 17]
    assert filters.block_means(Piece(0.0, 40.0, piece.values), rate_hz=50.0).values.tolist() == piece.values.tolist()


def test_smoothing_is_scipys_gaussian():
    values = np.random.default_rng(0).normal(size=500)
    assert filters.smoothed(values, sigma=3.0) == pytest.approx(
        gaussian_filter1d(values, 3.0, mode="nearest", truncate=3.5), abs=2e-3
    )
    assert filters.smoothed(np.zeros(0), sigma=2.0).size == 0


@given(VALUES, st.integers(1, 30))
def test_running_highest_is_scipys(values, window):
    ours = filters.running_highest(values, window=window)
    assert ours.tolist() == maximum_filter1d(values, window, mode="constant", cval=-np.inf).tolist()


def test_a_box_of_one_cycle_takes_the_cycle_out():
    times = np.arange(2000) / 50
    ripple = np.sin(2 * np.pi * times / 0.55) + 0.3 * np.sin(4 * np.pi * times / 0.55)
    assert np.abs(filters.boxed(ripple, length=0.55 * 50)[50:-50]).max() < 0.03


@given(VALUES, st.integers(1, 6))
def test_highs_have_the_asked_prominence_and_none_is_left_out(values, least):
    ours = filters.highs(values, least_swing=float(least))
    found, _ = find_peaks(values, prominence=least)
    assert set(ours) <= set(found)
    # between two highs, and at both ends, the values fall by at least the swing
    edges = [0, *ours, len(values) - 1]
    for left, at, right in zip(edges, ours, edges[2:], strict=False):
        assert values[left : at + 1].min() <= values[at] - least
        assert values[at : right + 1].min() <= values[at] - least
    assert (len(ours) == 0) == (len(found) == 0)


def test_vertex_of_a_parabola_is_found_between_the_samples():
    at = np.arange(40, dtype=float)
    place, height = filters.vertex(7 - 0.3 * (at - 17.37) ** 2, np.array([17]), half=3)
    assert (place[0], height[0]) == (pytest.approx(17.37), pytest.approx(7.0))
    assert filters.vertex(np.ones(9), np.array([4]), half=2)[0].tolist() == [4.0]


def test_the_lowest_of_each_stretch():
    found = filters.between(np.array([5.0, 1, 4, 0, 7]), np.array([0, 2, 4, 3]), np.array([3, 3, 9, 3]))
    assert found[:3].tolist() == [1, 4, 7]
    assert np.isnan(found[3])
