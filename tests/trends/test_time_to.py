"""Time to the device, the first shock and epinephrine from the columns of the cohort table."""

from datetime import date

import pytest

from qi.model.errors import BadTable, NotMeasurable
from qi.model.vocabulary import DEVICE_KINDS
from qi.trends.cohort_columns import COHORT
from qi.trends.incidence import CENSORED, DONE, NEVER
from qi.trends.time_to import EPINEPHRINE, FIRST_SHOCK, curves, device, marks_table, times_to
from tests.trends.cases import case, ended, given, repeated, table

ITD = device("itd")
COLUMN = "time_to_device_s.itd.first_compression"
STATUS = {DONE: "applied", NEVER: "never", CENSORED: "censored"}


def itd(code, time, **told):
    where = COLUMN if code == DONE else f"{COLUMN}__low"
    return case(**{where: time, f"{COLUMN}__status": STATUS[code]} | told)


def codes(cases, asked):
    found = times_to(cases, asked)
    return [None if code != code else (int(code), time) for code, time in zip(found["code"], found["time_s"], strict=True)]


def test_twelve_cases_of_the_note_through_the_cohort_table():
    """Constructed; expected values from R cmprsk and survival: .1667 by 75 s, .6167 by 420 s, half by 240 s."""
    told = given("time_to_event.json")["competing"]
    rows = [itd(code, float(time)) for time, code in zip(told["time"], told["code"], strict=True)]
    found = curves(table(*rows), ITD)[0]
    assert [at.value for at in found.marks] == pytest.approx([1 / 12, 4 / 12, 5 / 12])
    assert found.incidence.by(420).value == pytest.approx(0.6166667)
    assert found.incidence.median_s == 240.0
    text = found.words()
    assert "ITD on, from the first compression: done in 7 of twelve cases" in text
    assert "the effort ended without it in 3" in text
    assert "Half of all cases by 240 s" in text
    assert "greyed" in text


def test_the_median_of_those_who_had_it_would_hide_the_nevers():
    cases = table(*[itd(DONE, 60.0)] * 12, *[itd(NEVER, 900.0)] * 20)
    found = curves(cases, ITD)[0]
    assert found.incidence.median_s is None
    assert "not reached" in found.words()
    assert found.marks[0].value == pytest.approx(12 / 32)


def test_device_codes_and_what_is_left_out():
    cases = table(
        itd(DONE, 55.0),
        itd(DONE, -4.0),
        itd(NEVER, 700.0),
        case(**{f"{COLUMN}__status": "never"}),
        itd(CENSORED, 300.0),
        case(**{f"{COLUMN}__status": "censored"}),
        case(**{f"{COLUMN}__status": "applied"}),
        case(**{f"{COLUMN}__status": "not recorded"}),
        case(),
        itd(DONE, 5.0, excluded="an exercise"),
    )
    found = codes(cases, ITD)
    assert found[:3] == [(DONE, 55.0), (DONE, 0.0), (NEVER, 700.0)]
    assert found[3][0] == NEVER
    assert found[4:] == [(CENSORED, 300.0), None, None, None, None]
    one = curves(cases, ITD)[0]
    assert one.late_end == 1
    assert sum(one.left_out.values()) == 4
    assert "taken as the latest moment of all" in one.words()
    assert "(nothing in the case could have recorded it)" in one.words()


def test_first_shock_only_where_the_first_rhythm_was_shockable():
    vf = {"first_rhythm": "VF"}
    cases = table(
        case(**vf, first_shock_s=80.0),
        case(**vf, **ended(400.0, "rosc")),
        case(**vf, **ended(1500.0)),
        case(**vf, **ended(250.0, "record end")),
        case(**vf, **ended(None, "hand-over")),
        case(**vf, **{"interval_s.first_shock.call": 500.0}),
        case(**vf, has_recording=False),
        case(**vf),
        case(first_rhythm="PEA", first_shock_s=600.0),
        case(first_shock_s=60.0),
    )
    found = codes(cases, FIRST_SHOCK)
    assert found[:4] == [(DONE, 80.0), (NEVER, 400.0), (NEVER, 1500.0), (CENSORED, 250.0)]
    assert found[4][0] == NEVER
    assert found[5:] == [None] * 5
    left_out = curves(cases, FIRST_SHOCK)[0].left_out
    assert left_out == {
        "when the effort or its record ended is not known": 1,
        "it was done, at a time not known": 1,
        "nothing in the case could have recorded it": 1,
        "first rhythm not shockable": 1,
        "first rhythm not known": 1,
    }


def test_epinephrine_never_given_needs_a_record_that_could_hold_it():
    cases = table(
        case(time_to_epinephrine_s=300.0, epinephrine_doses=2.0),
        case(epinephrine_doses=0.0, **ended(200.0, "rosc")),
        case(epinephrine_doses=3.0),
        case(),
    )
    assert codes(cases, EPINEPHRINE) == [(DONE, 300.0), (NEVER, 200.0), None, None]


@pytest.mark.parametrize("by", ["rosc", "termination", "hand-over", "record end"])
def test_how_a_case_without_epinephrine_or_shock_counts_has_nothing_to_do_with_the_itd(by):
    """A record that ends before epinephrine is censored, an effort that does has gone without: with the ITD on, off or unknown."""
    itds = ({COLUMN: 60.0, f"{COLUMN}__status": "applied"}, {f"{COLUMN}__status": "never", f"{COLUMN}__low": 999.0})
    itds += ({f"{COLUMN}__status": "censored", f"{COLUMN}__low": 999.0}, {f"{COLUMN}__status": "not recorded"}, {})
    cases = table(*(case(**one, **ended(240.0, by), first_rhythm="VF", epinephrine_doses=0.0) for one in itds))
    for asked in (EPINEPHRINE, FIRST_SHOCK):
        assert codes(cases, asked) == [(CENSORED if by == "record end" else NEVER, 240.0)] * len(itds)


def test_a_record_that_ends_at_an_unknown_time_tells_nothing_of_what_was_not_given_in_it():
    cases = table(case(**ended(None, "record end"), epinephrine_doses=0.0), case(time_to_epinephrine_s=9.0, epinephrine_doses=1.0))
    assert codes(cases, EPINEPHRINE) == [None, (DONE, 9.0)]
    assert curves(cases, EPINEPHRINE)[0].left_out == {"when the effort or its record ended is not known": 1}


def test_before_and_after_a_change_with_and_without_the_device():
    told = {"time_to_epinephrine_s": 300.0, "epinephrine_doses": 1.0}
    cases = table(
        *repeated(2, **told, day="2031-06-30", device_used="no"),
        *repeated(3, **told, day="2031-07-01", device_used="yes"),
        *repeated(1, **told, day="2031-07-01"),
        *repeated(1, **told, day=None, device_used="yes"),
    )
    found = curves(cases, EPINEPHRINE, since=date(2031, 7, 1), with_device=True)
    assert {one.label: one.incidence.n for one in found} == {
        "before 1 July 2031, without the ITD": 2,
        "from 1 July 2031, with the ITD": 3,
        "from 1 July 2031, ITD not known": 1,
        "on a day not known, with the ITD": 1,
    }
    assert found[0].label.startswith("before")
    assert "Long arrests have more time" in found[0].words()
    assert "What else changed on that day is not known here" in found[0].words()
    assert "%" not in found[0].words()
    with pytest.raises(ValueError, match="ITD"):
        curves(cases, ITD, with_device=True)


def test_no_case_with_it_and_no_column_for_it():
    with pytest.raises(NotMeasurable):
        curves(table(case()), ITD)
    with pytest.raises(BadTable, match="lacks epinephrine_doses"):
        curves(table(case()).drop(columns="epinephrine_doses"), EPINEPHRINE)
    with pytest.raises(KeyError):
        device("itd", "sunrise")


def test_whatever_is_asked_is_a_column_of_the_cohort_table():
    names = {column.name for column in COHORT}
    for asked in (FIRST_SHOCK, EPINEPHRINE, *(device(kind, zero) for kind in DEVICE_KINDS for zero in ("call", "patient_contact"))):
        assert set(asked.needed) <= names


def test_a_table_of_what_the_curves_say_hides_shares_of_few_cases():
    few = marks_table(curves(table(*(itd(DONE, 50.0) for _ in range(9))), ITD)).iloc[0]
    assert (few["n"], few["done"], few["never"]) == (9, 9, 0)
    assert few[["by_60_s", "median_s"]].isna().all()
    rows = [itd(DONE, 90.0) for _ in range(6)] + [itd(NEVER, 100.0) for _ in range(4)]
    more = marks_table(curves(table(*rows, case()), ITD)).iloc[0]
    assert (more["by_60_s"], more["by_120_s"], more["median_s"], more["left_out"]) == (0.0, pytest.approx(0.6), 90.0, 1)
    assert more["label"] == "all cases"
