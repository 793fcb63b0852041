"""What people set on the charts over time: whole plans, chart by chart, one after the other; the newest counts, none is changed."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from qi.library.tables import PLANS
from qi.model.errors import QiError, StaleWrite

LONGEST_CHART = 300  # characters of a chart's key (our default, no source)
_KEPT = (PLANS.c.chart, PLANS.c.id, PLANS.c.body, PLANS.c.who, PLANS.c.set_at)


@dataclass(frozen=True)
class KeptPlan:
    """A plan as it was set: its chart, its number there from 1, the whole plan as plain values, who set it and when."""

    chart: str
    id: int
    body: Mapping[str, Any]
    who: str
    set_at: datetime


def history(connection: sa.Connection, chart: str) -> list[KeptPlan]:
    """Every plan of a chart, the first one first."""
    asked = sa.select(*_KEPT).where(PLANS.c.chart == chart).order_by(PLANS.c.id)
    return [KeptPlan(*row) for row in connection.execute(asked)]


def newest(connection: sa.Connection, chart: str) -> KeptPlan | None:
    """The plan of a chart that counts; None where nobody set any."""
    asked = sa.select(*_KEPT).where(PLANS.c.chart == chart).order_by(PLANS.c.id.desc()).limit(1)
    row = connection.execute(asked).one_or_none()
    return None if row is None else KeptPlan(*row)


def newest_of_each(connection: sa.Connection) -> list[KeptPlan]:
    """The plan that counts of every chart that has one, in order of chart."""
    last = sa.select(PLANS.c.chart, sa.func.max(PLANS.c.id).label("id")).group_by(PLANS.c.chart).subquery()
    asked = sa.select(*_KEPT).join(last, sa.and_(PLANS.c.chart == last.c.chart, PLANS.c.id == last.c.id)).order_by(PLANS.c.chart)
    return [KeptPlan(*row) for row in connection.execute(asked)]


def set_plan(connection: sa.Connection, chart: str, body: Mapping[str, Any], *, who: str, when: datetime, after: int) -> KeptPlan:
    """Set the plan of a chart, after the last one that the writer had seen.

    Parameters: connection, in a transaction that writes; chart, its key; body, the whole plan as plain values; who and when; after,
    number of the last plan of that chart that the writer had seen, 0 for none.
    Raises: StaleWrite where others have set one since, saying who and when; QiError for a key that cannot be used; ValueError for a
    plan that does not exist, or a body that holds other than plain values; sqlalchemy's IntegrityError where another writer set one
    in this moment.
    """
    if not chart or len(chart) > LONGEST_CHART or not chart.isprintable():
        raise QiError(f"a chart's key has one to {LONGEST_CHART} characters on one line")
    before = newest(connection, chart)
    last = before.id if before else 0
    if not 0 <= after <= last:
        raise ValueError(f"the last plan of this chart is number {last}; nobody can have seen number {after}")
    if before and last > after:
        told = f"{before.who} set this chart anew on {before.set_at:%d %b %Y %H:%M} UTC"
        raise StaleWrite(f"{told}, after you last looked at it: nothing of yours was written, look again.")
    kept = KeptPlan(chart, last + 1, plain(body, "a plan"), who, when)
    connection.execute(sa.insert(PLANS).values(vars(kept)))
    return kept


def plain(body: Mapping[str, Any], what: str) -> dict[str, Any]:
    """A body as the database gives it back.

    Raises: ValueError for what is no plain value, NaN among them.
    """
    try:
        kept: dict[str, Any] = json.loads(json.dumps(dict(body), allow_nan=False))
    except (TypeError, ValueError) as error:
        raise ValueError(f"{what} must hold plain values only: {error}") from error
    return kept
