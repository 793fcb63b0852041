"""Arithmetic on stretches of time."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qi.model.spans import Span, Spans

PAIRS = st.lists(st.tuples(st.integers(0, 60), st.integers(0, 60)), max_size=8)


def on_a_grid(spans: Spans) -> np.ndarray:
    """The same stretches as a flag per second: the slow and sure way."""
    return spans.contains(np.arange(0, 61) + 0.5)


@given(PAIRS, PAIRS)
def test_set_arithmetic_agrees_with_a_flag_per_second(a, b):
    one, two = Spans.of(a), Spans.of(b)
    assert np.array_equal(on_a_grid(one.union(two)), on_a_grid(one) | on_a_grid(two))
    assert np.array_equal(on_a_grid(one.overlap(two)), on_a_grid(one) & on_a_grid(two))
    assert np.array_equal(on_a_grid(one.minus(two)), on_a_grid(one) & ~on_a_grid(two))
    assert np.array_equal(on_a_grid(one.clip(Span(10, 40))), on_a_grid(one) & on_a_grid(Spans.of([(10, 40)])))
    assert one.seconds == on_a_grid(one).sum()
    assert one.seconds_in(np.array([5.0, 20.0]), np.array([20.0, 50.0])) == pytest.approx(
        [one.clip(Span(5, 20)).seconds, one.clip(Span(20, 50)).seconds]
    )


@given(PAIRS)
def test_spans_are_always_sorted_and_apart(pairs):
    edges = Spans.of(pairs).edges
    assert (edges[:, 1] > edges[:, 0]).all()
    assert (edges[1:, 0] > edges[:-1, 1]).all()


def test_runs_of_true_become_stretches():
    spans = Spans.where(np.array([1, 1, 0, 0, 1], dtype=bool), start_s=10.0, step_s=0.5)
    assert spans.pairs() == [(10.0, 11.0), (12.0, 12.5)]


def test_nothing_is_an_answer_too():
    assert Spans().seconds == 0
    assert not Spans.of([(3, 3)])
    assert Spans().hull == Span(0, 0)
    assert Spans.of([(0, 9)]).minus(Spans()).pairs() == [(0, 9)]
