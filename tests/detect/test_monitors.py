"""Two monitors on one patient: clocks told by compressions in both, who leads, and what a change-over means."""

from functools import partial

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as how
from hypothesis import strategies as st

from qi.detect import compressions, fusion, monitors
from qi.detect.settings import load
from qi.model.case import Case, Clock, Piece, Signal, Source
from qi.model.fused import ClockCheck, ClockOrder
from qi.model.spans import Spans
from tests.detect.makers import signal
from tests.detect.seen_makers import breathed, cycles, pressed, sees
from tests.matching import score
from tests.simulator.channels import record
from tests.simulator.schedule import draw

SETTINGS = load()
CLOCK_CHECK = partial(monitors.clock_check, **SETTINGS["clock_check"])
FIRST, SECOND = "thoracic_impedance (a.edf)", "thoracic_impedance (b.edf)"
CLOCKS = {FIRST: "a", SECOND: "b"}


def fused(seen, clocks):
    return fusion.fuse_compressions(seen, clocks, CLOCK_CHECK, gap_s=1.0, **SETTINGS["fuse_compressions"])


def two(rng, truth, *, offset, change=(200.0, 320.0), first=FIRST, second=SECOND):
    """Two monitors: the first to change[1], the second from change[0] of the true time on, its clock behind by offset [s]."""
    start, stop = change
    one = pressed(first, sees(rng, truth[truth < stop], spread=0.012), [(0.0, stop)])
    later = truth[truth > start] - offset
    return one, pressed(second, sees(rng, later, lag=0.02, spread=0.012, miss=0.02), [(start - offset, 500.0 - offset)])


@pytest.mark.parametrize("offset", [0.0, 0.4, 7.3, -7.3, -95.0, 240.0])
def test_the_offset_of_two_clocks_is_found(offset):
    rng = np.random.default_rng(1)
    one, other = two(rng, cycles(rng, seconds=500), offset=offset)
    found = CLOCK_CHECK(one, other)
    assert found.offset_s == pytest.approx(offset - 0.02, abs=0.01)
    assert found.residual_s < 0.03
    assert found.n > 100
    back = CLOCK_CHECK(other, one)
    assert back.offset_s == pytest.approx(-found.offset_s, abs=0.002)


def test_an_even_rhythm_without_a_pause_tells_no_offset():
    machine = np.arange(10, 490, 0.6)
    one, other = pressed(FIRST, machine, [(0, 500)]), pressed(SECOND, machine + 0.1, [(0, 500)])
    assert CLOCK_CHECK(one, other) is None


def test_too_few_compressions_or_none_in_common_tell_no_offset():
    rng = np.random.default_rng(2)
    truth = cycles(rng, seconds=500)
    one, _ = two(rng, truth, offset=0.0)
    assert CLOCK_CHECK(one, pressed(SECOND, truth[:10], [(0, 500)])) is None
    assert CLOCK_CHECK(one, pressed(SECOND, [], [])) is None
    other = cycles(np.random.default_rng(77), seconds=500, start_s=14.0, rate=97.0)
    assert CLOCK_CHECK(one, pressed(SECOND, other, [(0, 500)])) is None


@pytest.mark.parametrize("offset", [-0.2, -0.1, 0.0, 0.1, 0.2])
def test_two_channels_of_one_kind_on_clocks_that_nearly_agree_count_once(offset):
    rng = np.random.default_rng(3)
    truth = cycles(rng, seconds=500)
    one, other = two(rng, truth, offset=offset)
    found = fused([one, other], CLOCKS)
    assert found.clocks.together("a", "b")
    result = score(truth, found.events["time_s"], tolerance_s=0.1)
    assert (result.misses, result.false) == (pytest.approx(0, abs=8), 0)
    assert np.median(result.off_s) == pytest.approx(0, abs=0.01)
    assert found.disagreements.empty


@pytest.mark.parametrize("offset", [0.35, 4.0, -4.0, 60.0, -60.0])
def test_of_clocks_that_differ_one_leads_and_it_is_said(offset):
    rng = np.random.default_rng(4)
    truth = cycles(rng, seconds=500)
    one, other = two(rng, truth, offset=offset)
    found = fused([one, other], CLOCKS)
    assert found.clocks.groups == (frozenset({"a"}), frozenset({"b"}))
    rows = found.events
    shared = one.known.overlap(other.known)
    assert set(rows["sensor"][shared.contains(rows["time_s"])]) <= {FIRST}
    assert len(rows) <= len(truth), "nothing counts twice"
    assert not found.known.minus(one.known.union(other.known))
    said = found.disagreements[found.disagreements["what"].str.contains("two monitors")]
    assert len(said) == bool(shared)
    if shared:
        assert (
            f"differ by {abs(offset - 0.02):.1f}" in said["what"].iloc[0]
            or f"{abs(offset - 0.02):.2f}"[:-1] in said["what"].iloc[0]
        )
        assert said["what"].iloc[0].endswith("only a is heard, so that nothing counts twice")
        assert said["sensors"].iloc[0] == "a against b"


def test_the_monitor_with_the_better_sensor_leads_in_the_time_both_share():
    rng = np.random.default_rng(4)
    one, other = two(rng, cycles(rng, seconds=500), offset=5.0, second="compression_depth (b.edf)")
    found = fused([one, other], {FIRST: "a", "compression_depth (b.edf)": "b"})
    assert found.clocks.groups == (frozenset({"b"}), frozenset({"a"}))
    assert found.clocks.leads("b", "a")
    assert not found.clocks.leads("a", "b")
    shared = one.known.overlap(other.known)
    inside = found.events[shared.contains(found.events["time_s"])]
    assert set(inside["sensor"]) == {"compression_depth (b.edf)"}


def test_breaths_follow_the_monitor_that_leads_and_a_third_clock_fills():
    order = ClockOrder((frozenset({"a"}), frozenset({"b"})), {("a", "b"): ClockCheck(3.0, 0.01, 200)})
    truth = np.arange(10, 300, 6.0)
    seen = [
        breathed("airway_pressure (a.edf)", truth[truth < 150], [(0, 150)]),
        breathed("airway_pressure (b.edf)", truth[truth > 100] - 3.0, [(97, 297)]),
        breathed("co2 (c.edf)", truth + 1.0, [(0, 400)]),
    ]
    clocks = {one.sensor: one.sensor[-6] for one in seen}
    found = fusion.fuse_breaths(seen, clocks, order, **SETTINGS["fuse_breaths"])
    sensors = found.events["sensor"].to_numpy()
    where = found.events["time_s"].to_numpy()
    assert set(sensors[where < 150]) == {"airway_pressure (a.edf)"}
    assert set(sensors[(where > 150) & (where < 297)]) == {"airway_pressure (b.edf)"}
    assert set(sensors[where > 297]) == {"co2 (c.edf)"}
    assert found.known.pairs() == [(0, 400)]


@how(max_examples=20, deadline=None)
@given(st.integers(0, 1000), st.floats(-30, 30), st.integers(60, 200))
def test_two_monitors_never_count_more_than_were_given(seed, offset, shared):
    """Where the compressions in both tell the clocks; where they do not, the seam may hold what lies in the difference twice."""
    rng = np.random.default_rng(seed)
    truth = cycles(rng, seconds=500)
    seen = two(rng, truth, offset=offset, change=(250.0, 250.0 + shared))
    found = fused(list(seen), CLOCKS)
    told = found.clocks.check("a", "b") is not None
    assert told or shared < 100
    assert len(found.events) <= len(truth) + (0 if told else abs(offset) / 0.4)
    assert (np.diff(found.events["time_s"]) >= SETTINGS["fuse_compressions"]["apart_s"]).all()
    assert not found.known.minus(seen[0].known.union(seen[1].known))


def test_simulated_monitors_find_their_clocks():
    """Depth by one monitor, force by the other, whose clock is 2.4 s behind; 4 min in both."""
    drawn, rate = draw(3), 100.0
    change = (400, 640)
    depth = record(drawn, "compression_depth", rate, 3)[: change[1] * 100]
    force = record(drawn, "compression_force", rate, 3)[change[0] * 100 :]
    seen = [
        compressions.from_depth(
            signal("compression_depth", "mm", depth, rate_hz=rate, reference="absolute"), **SETTINGS["compressions_from_depth"]
        ),
        compressions.from_force(
            signal("compression_force", "N", force, rate_hz=rate, start_s=change[0] - 2.4), **SETTINGS["compressions_from_force"]
        ),
    ]
    clocks = {one.sensor: str(k) for k, one in enumerate(seen)}
    found = fused(seen, clocks)
    assert found.clocks.check("0", "1").offset_s == pytest.approx(2.4, abs=0.02)
    given_ = np.array([one.time_s for one in drawn.compressions])
    assert len(found.events) <= len(given_)
    early = found.events["time_s"] < change[1]
    assert score(given_[given_ < change[1]], found.events["time_s"][early], tolerance_s=0.1).f1 > 0.995


def recording(clock, start_s, end_s, channel="thoracic_impedance"):
    samples = np.zeros(int((end_s - start_s) * 2), dtype=np.float32)
    return Signal(channel, "ohm", (Piece(start_s, 2.0, samples),), f"{clock}.edf", clock=clock)


def case(*signals, uncertainty_s=60.0):
    clocks = {one.clock: Clock(one.clock, 0.0, 0.0 if k == 0 else uncertainty_s) for k, one in enumerate(signals)}
    sources = tuple(
        Source(one.source, "EDF+", "monitor", one.clock, one.recorded.hull.start_s, one.recorded.hull.end_s) for one in signals
    )
    return Case("made", None, sources, clocks, signals[0].clock if signals else "", signals)


def changed(one, clocks=None):
    return monitors.changeovers(one, clocks or ClockOrder(), **SETTINGS["changeovers"])


def test_a_gap_between_monitors_is_unknown_and_not_a_pause():
    (found,) = changed(case(recording("a", 0, 300), recording("b", 342, 900)))
    assert (found.start_s, found.end_s, found.from_, found.to, found.kind) == (300, 342, "a", "b", "gap")
    assert "No monitor recorded for 0:42 min" in found.text
    assert "unknown, not a pause" in found.text
    assert "may be off by 1:00 min" in found.text


def test_a_gap_that_is_none_by_the_compressions_in_both_says_so():
    rng = np.random.default_rng(11)
    one, other = two(rng, cycles(rng, seconds=500), offset=-150.0)
    found = fused([one, other], CLOCKS)
    assert not one.known.overlap(other.known)
    assert found.clocks.check("a", "b").offset_s == pytest.approx(-150.02, abs=0.02)
    assert len(found.events) == pytest.approx(len(cycles(np.random.default_rng(11), seconds=500)), abs=8)
    (change,) = changed(case(recording("a", 0, 320), recording("b", 350, 650)), found.clocks)
    assert change.kind == "gap"
    assert "Yet some compressions are in both" in change.text
    assert "offset_s = -150.0" in change.text


def test_monitors_that_follow_at_once_and_one_monitor_alone():
    (found,) = changed(case(recording("b", 300.5, 900), recording("a", 0, 300)))
    assert (found.kind, found.from_, found.to) == ("at once", "a", "b")
    assert changed(case(recording("a", 0, 300), recording("a", 0, 300, "ecg"))) == ()
    assert changed(case()) == ()


@pytest.mark.parametrize(
    ("check", "words"),
    [
        (ClockCheck(0.08, 0.013, 120), ["agree within 0.08 s", "120 compressions in both", "weighed together"]),
        (ClockCheck(-12.3, 0.02, 120), ["12.30 s ahead of", "Nothing was moved", "a.edf first", "offset_s = -12.30 for b.edf"]),
        (ClockCheck(12.3, 0.02, 120), ["12.30 s behind", "offset_s = 12.30 for b.edf"]),
        (None, ["do not tell how their clocks stand", "a.edf first", "1:00 min"]),
    ],
)
def test_an_overlap_says_what_the_clocks_tell_and_proposes(check, words):
    groups = (frozenset("ab"),) if check and abs(check.offset_s) < 0.25 else (frozenset("a"), frozenset("b"))
    (found,) = changed(case(recording("a", 0, 400), recording("b", 300, 900)), ClockOrder(groups, {("a", "b"): check}))
    assert (found.start_s, found.end_s, found.kind) == (300, 400, "overlap")
    assert "both record for 1:40 min" in found.text
    for word in words:
        assert word in found.text


def test_three_monitors_one_of_them_inside_another():
    found = changed(case(recording("a", 0, 600), recording("b", 100, 200), recording("c", 650, 900)))
    assert [(one.from_, one.to, one.kind, one.start_s, one.end_s) for one in found] == [
        ("a", "b", "overlap", 100, 200),
        ("a", "c", "gap", 600, 650),
    ]


def test_the_gap_stays_unknown_in_what_both_monitors_saw():
    rng = np.random.default_rng(9)
    truth = cycles(rng, seconds=500)
    one = pressed(FIRST, truth[truth < 200], [(0, 200)])
    other = pressed(SECOND, truth[truth > 242], [(242, 500)])
    found = fused([one, other], CLOCKS)
    assert found.known == Spans.of([(0, 200), (242, 500)])
    assert found.clocks.checks == {("a", "b"): None}
    assert len(found.events) == ((truth < 200) | (truth > 242)).sum()


def test_clocks_of_a_case_by_sensor():
    one = case(recording("a", 0, 300), recording("b", 300, 900))
    clocks = monitors.clocks_of(one)
    assert [clocks[each.name] for each in one.signals] == ["a", "b"]
    assert clocks["events (a.edf)"] == "a"


def test_recordings_months_apart_are_told_apart_without_being_laid_on_one_grid():
    """A train of events over four months at the grid's step would ask for gigabytes."""
    times = np.arange(10.0, 600.0, 0.55)
    known = Spans.of([(0.0, 610.0)])
    later_s = 120 * 86400.0
    later = Spans.of([(later_s, later_s + 610.0)])
    found = monitors._candidates(times, times + later_s, known, later, search_s=600.0, step_s=0.02, near_s=0.1, least_pairs=20.0)
    assert len(found) == 0
