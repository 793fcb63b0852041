"""No part of the page over time says 1 cases, 1 arrests or 1 months, whatever single case it is shown."""

import re

import pytest

from qi.trends.outcomes import said_of_missing
from tests.screens.test_over_parts import PARTS, drawn, words
from tests.trends.cases import case, table

NOUNS = "cases|arrests|months|quarters|calls|pauses|charts|changes|groups|measures|points|events"
ONE_AS_MANY = re.compile(rf"(?<![\d.,–])\b1 ({NOUNS})\b")
ALONE = {
    "any_rosc": "yes",
    "survived_to_discharge": "yes",
    "witnessed": "no",
    "first_rhythm": "VF",
    "compression_rate": 110.0,
    "epinephrine_doses": 1.0,
    "time_to_epinephrine_s": 200.0,
}


@pytest.mark.parametrize("part", PARTS)
def test_one_case_alone(part):
    app = drawn(part, table(case(**ALONE)))
    assert not app.exception
    assert not ONE_AS_MANY.findall(words(app))


def test_what_the_test_looks_for():
    assert ONE_AS_MANY.findall("Of 1 arrests known, in 1 cases.") == ["arrests", "cases"]
    assert not ONE_AS_MANY.findall("Of 21 cases and 1 case; from 1.1 cases, 1,001 cases")
    assert "1 case is" in said_of_missing(table(case(survived_to_discharge="yes")), "survived_to_discharge")
