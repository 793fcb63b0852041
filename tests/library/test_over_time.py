"""Saved views, plans of charts and known arrests, on both databases: kept, refused when stale, never doubled."""

from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, date, datetime

import pytest
import sqlalchemy as sa
from sqlalchemy.exc import IntegrityError

from qi.library.plans import KeptPlan
from qi.library.tables import PLANS
from qi.model.errors import QiError, StaleWrite
from tests.library.made_cases import Clock, bring_in

CHART = "compression_fraction|month"
BODY = {"baselines": [{"end": "2030-12-31", "reason": "the year before"}], "phases": [], "excluded": []}


def test_a_view_is_kept_under_its_name_and_replaced_by_whoever_saves_it_again(library):
    library.now = Clock()
    library.save_view(" Station 2, by month ", {"station": ["2"], "period": "month"}, who="M. Ortiz")
    library.save_view("All", {}, who="M. Ortiz")
    first = library.views()[1]
    again = library.save_view("Station 2, by month", {"station": ["2"], "period": "quarter"}, who="R. Adeyemi")
    assert [view.name for view in library.views()] == ["All", "Station 2, by month"]
    assert library.views()[1] == again
    assert (again.id, again.body["period"], again.who) == (first.id, "quarter", "R. Adeyemi")
    assert again.saved_at > first.saved_at
    assert again.saved_at.tzinfo is UTC


def test_a_view_can_be_removed_and_its_name_taken_again(library):
    library.save_view("All", {"kind": "run"}, who="M. Ortiz")
    library.remove_view("All", who="R. Adeyemi")
    assert library.views() == []
    with pytest.raises(QiError, match="no saved view “All”"):
        library.remove_view("All", who="R. Adeyemi")
    assert library.save_view("All", {}, who="R. Adeyemi").body == {}


@pytest.mark.parametrize("name", ["", "  ", "two\nlines", "x" * 121])
def test_a_view_needs_a_name(library, name):
    with pytest.raises(QiError, match="needs a name"):
        library.save_view(name, {}, who="M. Ortiz")
    assert library.views() == []


def test_views_and_plans_hold_plain_values_and_a_writer(library):
    for body in ({"day": date(2031, 1, 1)}, {"x": float("nan")}):
        with pytest.raises(ValueError, match="plain values"):
            library.save_view("All", body, who="M. Ortiz")
        with pytest.raises(ValueError, match="plain values"):
            library.set_plan(CHART, body, who="M. Ortiz", after=0)
    for who in ("", " "):
        with pytest.raises(QiError, match="carries a name"):
            library.save_view("All", {}, who=who)
        with pytest.raises(QiError, match="carries a name"):
            library.set_plan(CHART, {}, who=who, after=0)
    assert (library.views(), library.plans()) == ([], [])


def test_the_newest_plan_of_a_chart_counts_and_the_others_stay(library):
    library.now = Clock()
    assert library.plan(CHART) is None
    first = library.set_plan(CHART, BODY, who="M. Ortiz", after=0)
    second = library.set_plan(CHART, BODY | {"baselines": []}, who="R. Adeyemi", after=first.id)
    other = library.set_plan("ventilation_rate|quarter", BODY, who="M. Ortiz", after=0)
    assert (first.id, second.id, other.id) == (1, 2, 1)
    assert library.plan(CHART) == second
    assert library.plan_history(CHART) == [first, second]
    assert library.plans() == [second, other]
    assert first.body == BODY
    assert library.plan_history("nothing|month") == []


def test_a_plan_is_refused_where_somebody_else_set_one_meanwhile(library):
    library.now = lambda: datetime(2031, 4, 17, 8, 2, tzinfo=UTC)
    library.set_plan(CHART, BODY, who="M. Ortiz", after=0)
    with pytest.raises(StaleWrite, match=r"M\. Ortiz set this chart anew on 17 Apr 2031 08:02 UTC"):
        library.set_plan(CHART, {}, who="R. Adeyemi", after=0)
    for after in (-1, 2):
        with pytest.raises(ValueError, match="nobody can have seen"):
            library.set_plan(CHART, {}, who="R. Adeyemi", after=after)
    assert [kept.body for kept in library.plan_history(CHART)] == [BODY]


def test_of_many_writers_at_once_one_sets_the_plan(library):
    def write(number: int) -> KeptPlan | StaleWrite:
        try:
            return library.set_plan(CHART, {"by": number}, who=f"writer {number}", after=0)
        except StaleWrite as error:
            return error

    with ThreadPoolExecutor(8) as pool:
        done = list(pool.map(write, range(8)))
    written = [one for one in done if isinstance(one, KeptPlan)]
    assert written == library.plan_history(CHART)
    assert len(written) == 1


@pytest.mark.parametrize("key", ["", "two\nlines", "x" * 301])
def test_a_chart_has_a_key(library, key):
    with pytest.raises(QiError, match="key"):
        library.set_plan(key, {}, who="M. Ortiz", after=0)


def test_a_plan_that_was_set_is_neither_changed_nor_taken_away(library):
    """Not even by a statement that goes round the library."""
    library.set_plan(CHART, BODY, who="M. Ortiz", after=0)
    statements = [sa.update(PLANS).values(who="somebody else"), sa.delete(PLANS)]
    if library.database.engine.dialect.name == "postgresql":
        statements.append(sa.text("TRUNCATE plans"))
    for statement in statements:
        with pytest.raises(IntegrityError, match="only grows"), library.database.writing() as connection:
            connection.execute(statement)
    assert library.plan(CHART).who == "M. Ortiz"


def test_known_arrests_are_kept_once_and_follow_the_last_list(library):
    options = {"agency": "Rillstone Valley EMS", "source": "dispatch.csv", "who": "M. Ortiz"}
    first = library.keep_known([("RV-1", date(2031, 1, 31)), ("RV-2", date(2031, 2, 1))], **options)
    assert (first.new, first.same, first.moved) == (2, 0, 0)
    again = library.keep_known([("RV-1", date(2031, 1, 31)), ("RV-2", date(2031, 3, 2)), ("RV-3", date(2030, 12, 31))], **options)
    assert (again.new, again.same, again.moved) == (1, 2, 1)
    other = library.keep_known([("RV-1", date(2031, 5, 1))], **options | {"agency": "Lower Rillstone EMS"})
    assert other.new == 1
    known = library.known_arrests("Rillstone Valley EMS")
    assert known["case_id"].tolist() == ["RV-3", "RV-1", "RV-2"]
    assert known[["year", "month"]].to_numpy().tolist() == [[2030, 12], [2031, 1], [2031, 3]]
    assert len(library.known_arrests()) == 4
    assert library.known_arrests("nobody").dtypes.equals(known.dtypes)


def test_what_is_held_in_short(library, tmp_path):
    assert library.kinds_held() == (False, False)
    sample = bring_in(library, tmp_path, "RV-9", invented=True)
    assert library.kinds_held() == (False, True)
    own = bring_in(library, tmp_path, "RV-1", call_at=datetime(2031, 1, 1, tzinfo=UTC))
    assert library.kinds_held() == (True, True)
    library.write(sample, "assigned", {"to": "B. Lund"}, who="M. Ortiz", after=0)
    assert list(library.last_lines().items()) == [(own, 0), (sample, 1)]
    assert library.measures_kept() == set()
