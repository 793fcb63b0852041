"""Numbers as a person reads them."""

import pytest

from qi.judge.protocol import limit
from qi.model.number import Number
from qi.model.review import Judged
from qi.model.words import amount, answer, asked, clock, many, name


def plain(text):
    return text.replace("\u00a0", " ")


@pytest.mark.parametrize(
    ("seconds", "text"), [(0, "0:00"), (250, "4:10"), (-5, "-0:05"), (59.6, "1:00"), (3600, "60:00"), (-0.2, "0:00")]
)
def test_clock(seconds, text):
    assert clock(seconds) == text


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (0.834, "1", "83 %"),
        (12.34, "s", "12.3 s"),
        (250.0, "s", "4:10 min"),
        (110.4, "1/min", "110 per min"),
        (51.6, "mm", "52 mm"),
        (-6.25, "cmH2O", "-6.2 cmH2O"),
        (3.0, "count", "3"),
        (2.06, "count", "2.1"),
        (None, "s", "–"),
    ],
)
def test_amounts_carry_their_unit(value, unit, text):
    assert plain(amount(value, unit)) == text


@pytest.mark.parametrize(
    ("text", "unit", "said"),
    [
        (">= 0.6", "1", "at least 60 %"),
        ("<= 10", "s", "at most 10.0 s"),
        ("< 10", "s", "under 10.0 s"),
        ("100 to 120", "1/min", "100 to 120 per min"),
    ],
)
def test_limits_are_said_in_the_unit_of_the_value(text, unit, said):
    assert plain(asked(limit(text, "test", where="test"), unit)) == said


def judged(number, unit="1", id_="x"):
    return Judged(id_, "Label", unit, number, "met", None, None, "", "", "")


def test_answers():
    assert plain(answer(judged(Number(0.8, low=0.7, high=0.9)))) == "80 % (70 % to 90 %)"
    assert plain(answer(judged(Number(0.8, low=0.8, high=0.8)))) == "80 %"
    assert plain(answer(judged(Number(2.0, low=2, high=None), "count"))) == "2 or more"
    assert plain(answer(judged(Number(60.0, error=120.0), "s"))) == "60.0 s ± 2:00 min"
    assert plain(answer(judged(Number(None, low=0.2, high=0.9, coverage=0.3)))) == "20 % to 90 % possible"
    assert answer(judged(Number(None, low=0.0, high=1.0, coverage=0.0))) == "not measurable"
    assert answer(judged(Number(None, status="never", low=600.0), "s")) == "never"


def test_names_tell_answers_apart():
    assert name(judged(Number(1.0, of="itd", from_="first_compression"))) == "Label, ITD, from first compression"
    assert name(judged(Number(1.0, of="rosc", from_="first_compression_ems"), "s", "interval_s")) == "First compression to ROSC"


@pytest.mark.parametrize(("count", "text"), [(0, "0 cases"), (1, "1 case"), (2, "2 cases"), (1200, "1,200 cases")])
def test_one_of_a_thing_is_not_said_as_many(count, text):
    assert many(count, "case") == text
