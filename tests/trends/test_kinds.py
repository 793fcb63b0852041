"""Which chart fits which measure."""

import pytest

from qi.measures import MEASURES
from qi.model.errors import UnknownWord
from qi.trends.kinds import CHOICES, KINDS, choose, sorts_of
from tests.trends.spc import points


def test_the_first_view_of_a_measure_is_the_run_chart_and_its_limits_come_from_neighbours():
    assert choose("median of cases").kinds == ("run", "xmr", "xmr log", "mr")
    assert choose("share of cases").limits == "p"
    assert choose("events per exposure").limits == "u"
    assert choose("cases between rare events").first == "g"
    with pytest.raises(UnknownWord, match="share of cases"):
        choose("shares")


def test_every_choice_names_kinds_that_exist_and_every_kind_is_chosen_somewhere():
    named = {kind for choice in CHOICES.values() for kind in choice.kinds}
    assert named == set(KINDS)


@pytest.mark.parametrize("measure", MEASURES, ids=lambda measure: measure.id)
def test_every_measure_offers_points(measure):
    sorts = sorts_of(measure.unit, yes_or_no=measure.id == "first_pass", limit=True)
    assert all(sort in CHOICES for sort in sorts)
    assert "share of cases" in sorts


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_draws_a_table_with_what_it_needs(kind):
    values = [1.0, 2.0, 3.0] * 8
    columns = {"count": values, "exposure": [9.0] * 24, "mean": values, "sd": [0.5] * 24}
    table = points(values, **columns)
    needed = table[["label", "start", *KINDS[kind].needs]]
    chart = KINDS[kind].maker(needed, unit="1/min", every="month")
    assert chart.kind == kind
    assert len(chart.points) == 24
    assert chart.points["high"].notna().any() == (kind != "run" and kind in KINDS)
