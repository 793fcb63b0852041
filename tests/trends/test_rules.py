"""Nelson's and the Western Electric rules, which are off unless asked for."""

import numpy as np
import pytest

from qi.trends.rules import NELSON, RULES, WESTERN_ELECTRIC
from tests.trends.spc import read

NAMES = {f"N{number}": f"nelson {number}" for number in range(1, 9)} | {"WE4_8": "western electric 4"}
VECTORS = read("rules_vectors.json")["vectors"]


@pytest.mark.parametrize("vector", VECTORS, ids=lambda vector: vector["name"])
def test_rules_end_where_another_program_says(vector):
    """Constructed vectors; end positions are R qcc's (rules.R)."""
    z = np.array(vector["z"])
    for short, name in NAMES.items():
        ends = (np.flatnonzero(RULES[name].ends(z)) + 1).tolist()
        expected = vector["expected"].get(short, [])
        if short == "WE4_8" and short not in vector["expected"]:
            continue
        assert ends == expected, name


def test_the_two_sets():
    assert len(NELSON) == 8
    assert len(WESTERN_ELECTRIC) == 4


def test_several_series_at_once_are_as_each_alone():
    z = np.random.default_rng(4).standard_normal((200, 40)) * 1.3
    for rule in RULES.values():
        together = rule.ends(z)
        assert (together == np.array([rule.ends(row) for row in z])).all()


def test_short_series_fulfil_no_rule_that_asks_for_more_points():
    z = np.array([4.0, -4.0])
    fulfilled = {name for name, rule in RULES.items() if rule.ends(z).any()}
    assert fulfilled == {"nelson 1", "western electric 1"}
    assert not any(rule.ends(np.empty(0)).size for rule in RULES.values())


def test_western_electric_rules_run_92_points_to_a_false_signal():
    """Champ and Woodall, Technometrics 29 (1987) 393: 91.75 on average (from memory). 2,000 series; 4 standard errors."""
    z = np.random.default_rng(5).standard_normal((2000, 1500))
    found = np.any([RULES[name].ends(z) for name in WESTERN_ELECTRIC], axis=0)
    assert found.any(axis=1).all()
    assert (found.argmax(axis=1) + 1).mean() == pytest.approx(91.75, abs=4 * 92 / 2000**0.5)


def test_more_rules_give_more_false_signals():
    """4,000 seeded stable series of 24 points: Shewhart's rule alone is exact; four of Nelson's give 18 %, all eight more."""
    z = np.random.default_rng(5).standard_normal((4000, 24))
    found = {name: RULES[name].ends(z).any(axis=1) for name in NELSON}
    assert found["nelson 1"].mean() == pytest.approx(1 - 0.9973002**24, abs=0.016)
    four = np.any([found[f"nelson {number}"] for number in (1, 2, 5, 6)], axis=0).mean()
    assert four == pytest.approx(0.18, abs=0.025)
    assert np.any(list(found.values()), axis=0).mean() > four
