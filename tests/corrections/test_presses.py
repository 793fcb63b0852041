"""Corrections of compressions and pauses: answers that follow from how the case was made (arrest 350 s, flow 330 s)."""

import numpy as np
import pytest

from qi.corrections import presses
from qi.model.journal import REVIEWER
from qi.model.seen import Seen
from qi.model.spans import Spans
from qi.model.tables import COMPRESSIONS, check, make
from tests.corrections.made_case import CYCLE_S, case, correct, everything, looked, pauses, reviewed, said

AS_FOUND = [(120.0, 130.0), (230.0, 240.0)]


def fraction(review):
    return review.of("compression_fraction").value


def test_the_case_as_it_was_made():
    review = reviewed()
    assert pauses(review) == AS_FOUND
    assert fraction(review) == pytest.approx(330 / 350)
    assert review.findings.arrest.pairs() == [(20.0, 370.0)]
    assert not said(review)


@pytest.mark.parametrize("start_s", [50.0, 50.1, 50.25, 50.49])
def test_a_pause_put_in_lasts_as_long_as_it_was_said_to(start_s):
    review = reviewed(correct("add", "pause", start_s, start_s + 12.0))
    assert (round(start_s, 3), round(start_s + 12.0, 3)) in pauses(review)
    assert fraction(review) == pytest.approx((330 - 12) / 350, abs=1e-6)
    assert review.of("no_flow_s").value == pytest.approx(32.0, abs=1e-6)
    assert review.of("longest_pause_s").value == pytest.approx(12.0, abs=1e-6)


def test_a_pause_put_in_and_taken_out_again_leaves_no_pause_and_the_same_time():
    review = reviewed(correct("add", "pause", 50.1, 62.1), correct("remove", "pause", 50.1, 62.1))
    assert pauses(review) == AS_FOUND
    assert fraction(review) == pytest.approx(330 / 350, abs=CYCLE_S / 350)
    assert abs(len(review.findings.compressions) - 660) <= 1
    assert review.of("compression_rate").value == pytest.approx(120.0, abs=0.5)


def test_a_pause_taken_out_is_compressions_at_the_rate_nearby():
    review = reviewed(correct("remove", "pause", 120.0, 130.0))
    assert pauses(review) == [(230.0, 240.0)]
    assert fraction(review) == pytest.approx(340 / 350)
    fresh = review.findings.compressions[review.findings.compressions["sensor"] == REVIEWER]
    assert len(fresh) == 20
    assert fresh["depth_mm"].isna().all()
    assert review.of("compression_depth_mm").value == pytest.approx(55.0)


def test_a_pause_moves():
    review = reviewed(correct("move", "pause", 120.0, 130.0, to=(150.0, 156.0)))
    assert pauses(review) == [(150.0, 156.0), (230.0, 240.0)]
    assert fraction(review) == pytest.approx((330 + 10 - 6) / 350)
    shorter = reviewed(correct("move", "pause", 120.0, 130.0, to=(122.0, 129.0)))
    assert pauses(shorter) == [(122.0, 129.0), (230.0, 240.0)]
    longer = reviewed(correct("move", "pause", 120.0, 130.0, to=(118.3, 132.7)))
    assert pauses(longer) == [(118.3, 132.7), (230.0, 240.0)]
    only_where = reviewed(correct("move", "pause", 120.0, 130.0, to=(140.0, None)))
    assert pauses(only_where) == [(140.0, 150.0), (230.0, 240.0)]


@pytest.mark.parametrize("rate_per_min", [58, 66, 80, 110, 130, 160])
def test_a_pause_taken_out_never_leaves_a_short_one(rate_per_min):
    """At any rate and any length of the pause, neighbours are nearer than the second that parts two runs."""
    cycle = 60.0 / rate_per_min
    if cycle >= presses.LONGEST_CYCLE_S:
        cycle = presses.LONGEST_CYCLE_S - 0.01
    for length in np.arange(1.05, 6.0, 0.23):
        before, after = np.arange(30) * cycle, 29 * cycle + length + np.arange(30) * cycle
        times = np.concatenate([before, after])
        table = make(COMPRESSIONS, time_s=times, onset_s=times - 0.2, release_s=times + 0.2, sensor=["depth"] * 60)
        stretch = (before[-1] + 0.2, after[0] - 0.2)
        seen = presses.corrected(Seen("depth", table, Spans.of([(-1, 1000)])), [correct("remove", "pause", *stretch)], idle := [])
        assert np.diff(seen.events["time_s"]).max() < 1.0, length
        assert not idle


def test_a_stretch_of_compressions_has_the_rate_that_was_given():
    review = reviewed(correct("add", "compression", 120.0, 130.0, value="90"))
    fresh = review.findings.compressions[review.findings.compressions["sensor"] == REVIEWER]
    assert len(fresh) == 15
    assert np.diff(fresh["time_s"]) == pytest.approx(60 / 90)
    assert pauses(review) == [(230.0, 240.0)]


@pytest.mark.parametrize("rate", [None, "40", "110", "240"])
def test_compressions_put_in_where_there_are_some_add_none(rate):
    review = reviewed(correct("add", "compression", 40.0, 100.0, value=rate))
    assert len(review.findings.compressions) == 660
    assert len(said(review)) == 1


def test_strokes_shorter_than_the_cycle_leave_no_room_between_them():
    times = np.arange(40) * 0.75
    table = make(COMPRESSIONS, time_s=times, onset_s=times - 0.15, release_s=times + 0.15, sensor=["depth"] * 40)
    for rate in (None, "120", "200"):
        seen = presses.corrected(
            Seen("depth", table, Spans.of([(-1, 40)])), [correct("add", "compression", 5.0, 20.0, value=rate)], []
        )
        assert len(seen.events) == 40, rate


def test_a_stretch_without_compressions_is_a_pause():
    review = reviewed(correct("remove", "compression", 60.0, 70.0))
    assert pauses(review) == [(60.0, 70.0), *AS_FOUND]
    assert fraction(review) == pytest.approx(320 / 350)


def test_a_stretch_of_compressions_moves():
    review = reviewed(correct("move", "compression", 110.0, 120.0, to=(120.0, 130.0)))
    assert pauses(review) == [(110.0, 120.0), (230.0, 240.0)]
    assert fraction(review) == pytest.approx(330 / 350)


def test_one_compression_put_in_taken_out_and_moved():
    added = reviewed(correct("add", "compression", 125.0))
    assert len(added.findings.compressions) == 661
    assert pauses(added) == [(120.0, 124.75), (125.25, 130.0), (230.0, 240.0)]
    gone = reviewed(correct("remove", "compression", 50.3))
    assert len(gone.findings.compressions) == 659
    assert 50.25 not in gone.findings.compressions["time_s"].to_numpy()
    moved = reviewed(correct("move", "compression", 119.75, to=(121.0, None)))
    row = moved.findings.compressions[moved.findings.compressions["sensor"] == REVIEWER].iloc[0]
    assert (row["time_s"], row["onset_s"], row["release_s"]) == pytest.approx((121.0, 120.75, 121.25))
    assert np.isnan(row["depth_mm"])
    assert (121.25, 130.0) in pauses(moved)


def test_one_compression_beside_others_does_not_overlap_them():
    review = reviewed(correct("add", "compression", 120.1), correct("add", "compression", 120.36))
    table = review.findings.compressions
    assert len(table) == 662
    assert (table["release_s"].to_numpy()[:-1] <= table["onset_s"].to_numpy()[1:] + 1e-9).all()
    assert (table["onset_s"] <= table["time_s"]).all()
    assert (table["time_s"] <= table["release_s"]).all()


@pytest.mark.parametrize(
    "one",
    [
        correct("add", "compression", 50.3),
        correct("remove", "compression", 125.0),
        correct("move", "compression", 125.0, to=(126.0, None)),
        correct("move", "compression", 50.25, to=(60.2, None)),
        correct("remove", "compression", 121.0, 129.0),
        correct("remove", "pause", 60.0, 70.0),
        correct("add", "pause", 380.0, 390.0),
        correct("relabel", "pause", 60.0, 70.0, value="moving"),
        correct("relabel", "compression", 50.25, value="100"),
        correct("add", "compression", 120.0, 130.0, value="fast"),
    ],
)
def test_what_finds_nothing_is_said_and_changes_nothing(one):
    review, plain = reviewed(one), reviewed()
    assert len(said(review)) == 1
    assert "finds nothing to change" in said(review)[0]
    assert review.findings.compressions.equals(plain.findings.compressions)
    assert pauses(review) == pauses(plain)
    assert fraction(review) == fraction(plain)


def test_time_that_a_person_speaks_of_is_known():
    """Sensors see until 300 s; a person tells of compressions to 320 s and of none to 330 s; the rest stays unknown."""
    seen = looked(case(), everything(known=((5.0, 300.0),)))
    plain = reviewed(seen=seen).of("compression_fraction").number
    assert plain.coverage == pytest.approx(280 / 350)
    review = reviewed(correct("add", "compression", 300.0, 320.0), correct("add", "pause", 320.0, 330.0), seen=seen)
    number = review.of("compression_fraction").number
    assert number.coverage == pytest.approx(310 / 350)
    assert number.value == pytest.approx((260 + 20) / 310)
    assert (number.low, number.high) == pytest.approx((280 / 350, 320 / 350))


def test_first_compressions_that_were_none_let_the_arrest_begin_later():
    """The arrest begins with the first compression; whoever says that the first 7 s were none also moves that."""
    review = reviewed(correct("add", "pause", 20.0, 27.0, value="moving"))
    assert review.findings.arrest.pairs() == [(27.0, 370.0)]
    assert fraction(review) == pytest.approx((330 - 7) / 343)
    assert not said(review)
    kept = reviewed(correct("add", "pause", 20.0, 27.0, value="moving"), correct("add", "arrest", 20.0, 27.0))
    assert pauses(kept)[0] == (20.0, 27.0)
    assert fraction(kept) == pytest.approx(323 / 350)


def test_a_case_in_which_nobody_saw_a_compression():
    one = case()
    review = reviewed(correct("add", "compression", 30.0, 90.0), of=one, seen=looked(one, ([], [], []), shocks=()))
    assert len(review.findings.compressions) == 110  # at 110 per min, the middle of the guideline's band
    assert review.findings.arrest.pairs() == [(30.0, 370.0)]
    number = review.of("compression_fraction").number
    assert (number.low, number.coverage) == pytest.approx((60 / 340, 60 / 340))


def test_nothing_given_is_nothing_changed():
    seen = looked(case()).pressed.seen
    assert presses.corrected(seen, [], []) is seen


def test_later_lines_go_over_earlier_ones():
    table = reviewed(
        correct("add", "pause", 50.0, 60.0),
        correct("add", "compression", 52.0, 54.0),
        correct("remove", "compression", 53.0, 53.5),
        correct("add", "pause", 55.0, 65.0),
    )
    assert pauses(table, 1.0) == [(50.0, 52.0), (54.0, 65.0), *AS_FOUND]
    check(table.findings.compressions, COMPRESSIONS)
