"""Plans of charts as the library keeps them and as the charts work with them."""

import pytest

from qi.desk import plans
from qi.model.errors import QiError, StaleWrite
from qi.trends.baselines import NO_PLAN, BadPlan, Baseline, Excluded, Phase, Plan

CHART = "compression_fraction|month"
PLAN = Plan(
    (Baseline("2029-12-31", "the year before the training", "2029-01-01"), Baseline("2031-06-30", "settled")),
    (Phase("2030-03-01", "the training; wanted, and expected to last"),),
    (Excluded("2030-07", "the flood"),),
)


def test_a_plan_comes_back_as_it_was_set(library):
    assert plans.plan_of(library, CHART) == (NO_PLAN, 0)
    assert plans.set_plan(library, CHART, PLAN, who="M. Ortiz", after=0) == 1
    assert plans.plan_of(library, CHART) == (PLAN, 1)
    assert plans.set_plan(library, CHART, NO_PLAN, who="R. Adeyemi", after=1) == 2
    assert plans.plan_of(library, CHART) == (NO_PLAN, 2)
    assert [plans.from_body(kept.body) for kept in library.plan_history(CHART)] == [PLAN, NO_PLAN]
    assert plans.plan_of(library, "compression_fraction|quarter") == (NO_PLAN, 0)


def test_nobody_sets_a_chart_over_somebody_else(library):
    plans.set_plan(library, CHART, PLAN, who="M. Ortiz", after=0)
    with pytest.raises(StaleWrite, match=r"M\. Ortiz"):
        plans.set_plan(library, CHART, NO_PLAN, who="R. Adeyemi", after=0)
    with pytest.raises(QiError, match="name"):
        plans.set_plan(library, CHART, NO_PLAN, who=" ", after=1)
    assert plans.plan_of(library, CHART) == (PLAN, 1)


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ({"phases": [{"start": "2030-03-01"}]}, "is no plan"),
        ({"phases": [{"start": "2030-03-01", "reason": " "}]}, "needs a reason"),
        ({"phases": [{"start": 20300301, "reason": "x"}]}, "should be a text"),
        ({"phases": [{"start": "March", "reason": "x"}]}, "no day"),
        ({"baselines": [{"end": "2030-01-01", "reason": "x", "start": "2030-02-01"}]}, "after its end"),
        ({"baselines": ["2030-01-01"]}, "is no plan"),
        ({"baselines": 7}, "is no plan"),
        ({"limits": []}, "no limits"),
    ],
)
def test_what_is_no_plan_is_refused_in_words(library, body, words):
    library.set_plan(CHART, body, who="M. Ortiz", after=0)
    with pytest.raises(BadPlan, match=words):
        plans.plan_of(library, CHART)
