"""Values of the model as JSON holds them, and back: same values, same types, nothing guessed."""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, timezone
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qi.library.plain import made, plain
from qi.model.case import Clock
from tests.library.alike import alike


@dataclass(frozen=True)
class Everything:
    number: float
    count: int
    word: str | None = None
    rails: tuple[float, float] | None = None
    said: bool | str | None = None
    words: tuple[str, ...] = ()
    types: frozenset[str] = frozenset()
    clocks: Mapping[str, Clock] = field(default_factory=dict)
    outcome: Mapping[str, Any] = field(default_factory=dict)
    start: datetime | None = None


def through_json(value):
    text = json.dumps(plain(value), allow_nan=False)
    return made(json.loads(text), type(value))


NUMBERS = st.floats()
WORDS = st.text(max_size=8)


@given(
    st.builds(
        Everything,
        NUMBERS,
        st.integers(),
        st.none() | WORDS,
        st.none() | st.tuples(NUMBERS, NUMBERS),
        st.none() | st.booleans() | WORDS,
        st.lists(WORDS, max_size=3).map(tuple),
        st.frozensets(WORDS, max_size=3),
        st.dictionaries(WORDS, st.builds(Clock, WORDS, NUMBERS, NUMBERS), max_size=2),
        st.dictionaries(WORDS, st.none() | st.booleans() | st.integers() | NUMBERS | WORDS, max_size=3),
        st.none() | st.datetimes(timezones=st.none() | st.timezones()),
    )
)
def test_everything_comes_back(value):
    if value.start is not None and value.start.tzinfo is not None:
        value = Everything(1.0, 1, start=value.start.astimezone(UTC).astimezone(value.start.tzinfo))  # a time that exists
    assert alike(value, through_json(value))


@pytest.mark.parametrize(
    "start",
    [
        datetime(2031, 11, 2, 1, 30, tzinfo=ZoneInfo("America/Denver"), fold=0),
        datetime(2031, 11, 2, 1, 30, tzinfo=ZoneInfo("America/Denver"), fold=1),
        datetime(2031, 4, 17, 14, 2, 11, 250000, tzinfo=timezone(timedelta(hours=-6))),
        datetime(2031, 4, 17, 14, 2, 11, tzinfo=timezone(timedelta(hours=5, minutes=45))),
        datetime(2031, 4, 17, 14, 2, 11, tzinfo=UTC),
        datetime(2031, 4, 17, 14, 2, 11),
    ],
    ids=str,
)
def test_times_keep_their_zone_and_the_hour_that_happens_twice(start):
    after = through_json(Everything(0.0, 0, start=start)).start
    assert alike(start, after)
    assert after.fold == start.fold


def test_numbers_of_numpy_become_ordinary_ones():
    one, three, yes = np.float32(0.5), np.int64(3), np.True_
    assert through_json(Everything(one, three, said=yes)) == Everything(0.5, 3, said=True)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda one: one.pop("word"),
        lambda one: one.update(more=1),
        lambda one: one.update(count="3"),
        lambda one: one.update(words="ab"),
        lambda one: one.update(rails=[1.0]),
        lambda one: one.update(clocks=[]),
        lambda one: one.update(start={"time": "yesterday", "zone": None}),
        lambda one: one.update(start={"time": "2031-01-01T00:00:00+00:00", "zone": "Nowhere/Town"}),
    ],
)
def test_what_is_not_of_the_kind_is_refused(spoil):
    record = plain(Everything(1.0, 2, "x"))
    spoil(record)
    with pytest.raises((ValueError, TypeError, KeyError)):
        made(record, Everything)


def test_what_has_no_plain_form_is_refused():
    with pytest.raises(TypeError, match="ndarray has no plain form"):
        plain(np.zeros(3))
