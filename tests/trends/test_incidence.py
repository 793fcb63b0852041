"""Cumulative incidence with never as a competing event."""

import warnings

import numpy as np
import pytest
from hypothesis import assume
from hypothesis import given as for_all
from hypothesis import strategies as st

from qi.model.errors import BadTable, NotMeasurable
from qi.trends.incidence import CENSORED, DONE, NEVER, incidence
from qi.trends.proportions import wilson
from tests.trends.cases import given

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from statsmodels.duration.survfunc import CumIncidenceRight, SurvfuncRight

GIVEN = given("time_to_event.json")
CASES = st.lists(st.tuples(st.integers(0, 12), st.sampled_from((CENSORED, DONE, NEVER))), min_size=1, max_size=40)


def test_twelve_cases_of_the_note():
    """Constructed; expected values from R cmprsk 2.2-11 and R survival (Aalen-Johansen)."""
    told = GIVEN["competing"]
    found = incidence(told["time"], told["code"])
    for row in told["rows"]:
        assert found.by(row["t"]).value == pytest.approx(row["cif1"], abs=1e-6)
    expected = [row for row in told["rows"] if row["d1"] + row["d2"]]
    assert found.never == pytest.approx([row["cif2"] for row in expected], abs=1e-6)
    assert found.waiting == pytest.approx([row["S"] for row in expected], abs=1e-6)
    assert list(found.at_risk) == [row["n_risk"] for row in expected]
    assert found.median_s == told["median_time_to_device"]
    assert (found.n, found.done_n, found.never_n, found.censored_n) == (12, 7, 3, 2)


def test_leaving_the_nevers_out_would_say_more():
    """The same cases with the nevers called censored, as a plain Kaplan-Meier curve has them (R): the share is too high."""
    told = GIVEN["competing"]
    plain = incidence(told["time"], [CENSORED if code == NEVER else code for code in told["code"]])
    for time, value in told["one_minus_km_ignoring_competing"].items():
        assert plain.by(float(time)).value == pytest.approx(value, abs=1e-6)
    assert plain.by(420).value > incidence(told["time"], told["code"]).by(420).value


def test_without_a_competing_event_it_is_kaplan_and_meier():
    """Freireich et al. 1963, 6-MP arm; survival, Greenwood's standard errors and median from R survival 3.5."""
    told = GIVEN["km_6mp"]
    found = incidence(told["time"], told["event"])
    assert 1 - found.done == pytest.approx([row["S"] for row in told["rows"]], abs=1e-6)
    assert found.se == pytest.approx([row["se"] for row in told["rows"]], abs=1e-6)
    assert found.median_s == told["median"]
    assert found.median_interval_s[1] is None
    independent = SurvfuncRight(told["time"], told["event"])
    events = np.asarray(independent.surv_prob)[independent.n_events > 0]
    assert 1 - found.done == pytest.approx(events)


@for_all(CASES)
def test_curves_and_errors_are_those_of_an_independent_library(cases):
    """statsmodels CumIncidenceRight: both curves and the standard error, at each moment at which something happened."""
    time, code = (np.array(column, dtype=float) for column in zip(*cases, strict=True))
    assume((code == DONE).any())
    with np.errstate(divide="ignore", invalid="ignore"):
        independent = CumIncidenceRight(time, code.astype(int))
    found = incidence(time, code)
    at = np.searchsorted(independent.times, found.times_s)
    assert found.done == pytest.approx(independent.cinc[0][at])
    if (code == NEVER).any():
        assert found.never == pytest.approx(independent.cinc[1][at])
    errors = np.asarray(independent.cinc_se[0])[at]
    known = np.isfinite(errors)
    assert found.se[known] == pytest.approx(errors[known], abs=1e-7)


@for_all(CASES)
def test_shares_sum_to_one_and_lie_within_their_interval(cases):
    time, code = zip(*cases, strict=True)
    found = incidence(time, code)
    assert found.done + found.never + found.waiting == pytest.approx(np.ones(len(found.times_s)))
    assert (found.low <= found.done + 1e-9).all()
    assert (found.done <= found.high + 1e-9).all()
    assert ((found.low >= 0) & (found.high <= 1)).all()


@for_all(st.lists(st.tuples(st.integers(0, 12), st.sampled_from((DONE, NEVER))), min_size=1, max_size=40), st.integers(0, 13))
def test_without_censoring_it_is_the_plain_share(cases, moment):
    """Follows from the definition: the share done by then, with the binomial standard error."""
    time, code = (np.array(column) for column in zip(*cases, strict=True))
    share = float(((time <= moment) & (code == DONE)).mean())
    found = incidence(time, code)
    assert found.by(moment).value == pytest.approx(share)
    at = int(np.searchsorted(found.times_s, moment, side="right")) - 1
    if at >= 0 and found.waiting[at] > 1e-12:
        assert found.se[at] == pytest.approx(np.sqrt(share * (1 - share) / len(time)), abs=1e-9)


def test_interval_holds_the_truth_about_as_often_as_it_says():
    """Simulated: true share done by 120 s is 1 - exp(-1.2) times 2/3; 95 % of intervals should hold it."""
    draws = np.random.default_rng(20310318)
    truth, held = (1 - np.exp(-1.2)) * 2 / 3, 0
    for _ in range(400):
        time = draws.exponential(100.0, 60)
        code = np.where(draws.random(60) < 2 / 3, DONE, NEVER)
        record = draws.uniform(60.0, 600.0, 60)
        at = incidence(np.minimum(time, record), np.where(record < time, CENSORED, code)).by(120.0)
        held += at.low <= truth <= at.high
    assert 0.92 <= held / 400 <= 0.98


def test_half_is_not_reached_where_half_never_had_it():
    found = incidence([30, 60, 90, 100, 110], [DONE, DONE, NEVER, NEVER, NEVER])
    assert found.median_s is None
    assert incidence([30, 60, 90, 100], [DONE, DONE, NEVER, NEVER]).median_s == 60


def test_beyond_the_last_record_nothing_is_known():
    found = incidence([30, 50], [DONE, CENSORED])
    assert found.by(50).value == 0.5
    assert found.by(60).value is None
    assert incidence([30, 50], [DONE, NEVER]).by(600).value == 0.5


def test_before_anything_happened():
    found = incidence([100] * 20 + [10] * 20, [DONE] * 20 + [CENSORED] * 20)
    assert found.by(5).value == 0.0
    assert found.by(5).high == wilson(0, 40)[1]
    assert found.by(60).high == wilson(0, 20)[1]


@pytest.mark.parametrize(("times", "codes"), [([1.0, np.nan], [1, 1]), ([-1.0], [1]), ([1.0], [3])])
def test_broken_times_and_codes_are_refused(times, codes):
    with pytest.raises(BadTable):
        incidence(times, codes)


def test_no_cases_and_none_done():
    with pytest.raises(NotMeasurable):
        incidence([], [])
    none = incidence([10, 20], [CENSORED, CENSORED])
    assert none.by(15).value == 0.0
    assert none.median_s is None
    never = incidence([10] * 12, [NEVER] * 12)
    assert never.by(60).value == 0.0
    assert never.by(60).high == pytest.approx(wilson(0, 12)[1])
