"""The one rule for gaps, uneven times and values that cannot be believed, held against random input."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qi.intake.header import SourceHeader
from qi.intake.signals import WIDEST_STEP, believed, signal_from, timeline
from qi.model.case import Piece
from qi.model.vocabulary import CHANNELS

TIMES = st.lists(st.integers(0, 4000), min_size=2, max_size=120).map(lambda ticks: np.array(ticks) / 100)


@settings(max_examples=200, deadline=None)
@given(TIMES)
def test_pieces_are_in_order_and_no_gap_is_ever_joined(times_s):
    """Any times, in any order: no piece covers a step of more than three median intervals between the rows that were kept."""
    line = timeline(times_s)
    pieces = line.pieces(np.arange(len(times_s), dtype=float))
    kept = np.setdiff1d(np.arange(len(times_s)), line.aside)
    for earlier, later in pairwise(pieces):
        assert later.start_s >= earlier.end_s - 1e-9
    steps = np.diff(times_s)
    if not (steps > 0).any():
        return
    step_s = np.median(steps[steps > 0])
    inside = np.sort(times_s[kept])
    for at in np.flatnonzero(np.diff(inside) > WIDEST_STEP * step_s + 1e-9):
        middle = (inside[at] + inside[at + 1]) / 2
        assert not any(piece.start_s <= middle < piece.end_s - 1 / piece.rate_hz for piece in pieces)


@settings(max_examples=200, deadline=None)
@given(TIMES)
def test_every_row_is_either_in_a_run_or_put_aside(times_s):
    line = timeline(times_s)
    rows = np.concatenate([run.rows for run in line.runs])
    assert sorted([*rows, *line.aside]) == list(range(len(times_s)))
    assert (np.diff(times_s[rows]) > 0).all()


@settings(max_examples=200, deadline=None)
@given(st.lists(st.sampled_from([1.0, 2.0, np.nan, 999.0, -999.0, np.inf]), min_size=1, max_size=60))
def test_nothing_missing_or_absurd_is_left(values):
    """Good samples stay where they were; what is filled in lies between its neighbours; runs of three or more are gaps."""
    raw = np.array(values)
    pieces, absurd = believed(Piece(0, 1, raw), lowest=0, highest=10)
    good = np.isfinite(raw) & (raw >= 0) & (raw <= 10)
    assert absurd == int(((raw < 0) | (raw > 10)).sum())
    covered = np.zeros(len(raw), dtype=bool)
    for piece in pieces:
        start = round(piece.start_s)
        covered[start : start + len(piece.values)] = True
        own = good[start : start + len(piece.values)]
        assert (piece.values[own] == raw[start : start + len(piece.values)][own]).all()
        assert ((piece.values >= 1) & (piece.values <= 2)).all()
        lost = np.flatnonzero(~own)
        assert not any({at, at + 1, at + 2} <= set(lost) for at in lost)
    assert (covered >= good).all()


@pytest.mark.parametrize("channel", sorted(CHANNELS))
def test_every_unit_of_every_channel_is_converted(channel):
    about = CHANNELS[channel]
    for unit, factor in (about.factors or {about.unit: 1.0}).items():
        inside = min(10.0 / factor, about.highest / factor, 1e6)
        signal, _ = signal_from(channel, unit, [Piece(0, 1, np.full(5, inside))], source="a", about=SourceHeader())
        assert (signal.channel, signal.unit) == (channel, about.unit)
        assert signal.pieces[0].values == pytest.approx([inside * factor] * 5, rel=1e-5)


@pytest.mark.parametrize(("label", "unit", "factor"), [("ECG", "\u03bcV", 1e-3), ("Impedance", "\u2126", 1.0), ("pleth", "", 1.0)])
def test_other_signs_for_micro_and_ohm(label, unit, factor):
    signal, _ = signal_from(label, unit, [Piece(0, 1, np.full(3, 100.0))], source="a", about=SourceHeader())
    assert signal.pieces[0].values == pytest.approx([100 * factor] * 3)


def test_rails_are_converted_with_the_samples():
    signal, _ = signal_from("depth", "cm", [Piece(0, 1, np.ones(3))], source="a", about=SourceHeader(), rails=(10.0, -10.0))
    assert signal.rails == (-100, 100)


def test_depth_reference_only_for_depth():
    about = SourceHeader(depth_reference="stroke")
    depth, _ = signal_from("depth", "mm", [Piece(0, 1, np.ones(3))], source="a", about=about)
    ecg, _ = signal_from("ecg", "mV", [Piece(0, 1, np.ones(3))], source="a", about=about)
    assert (depth.reference, ecg.reference) == ("stroke", None)


def test_nothing_left_is_said():
    signal, said = signal_from("etco2", "mmHg", [Piece(0, 1, np.full(5, -9.0))], source="a", about=SourceHeader())
    assert signal is None
    assert [remark.text for remark in said][-1] == "holds no sample that can be used: left out"
