"""What a library keeps for the page over time: saved views, plans of charts, known arrests; and short questions about all cases."""

from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Any

import pandas as pd
import sqlalchemy as sa
from sqlalchemy.exc import IntegrityError

from qi.library import heads, known, log, plans, rules, views
from qi.library.database import Database
from qi.library.known import Kept
from qi.library.plans import KeptPlan
from qi.library.views import View
from qi.model.errors import QiError, StaleWrite


class OverTime:
    """The part of a Library that is about many cases over time."""

    folder: Path
    database: Database
    now: Callable[[], datetime]

    def _log(self, connection: sa.Connection, did: str, what: str, who: str) -> None:
        log.append(connection, log.key_of(self.folder), did, who=who, when=self.now(), what=what)

    # Saved views

    def views(self) -> list[View]:
        """Every saved view, in order of name."""
        with self.database.reading() as connection:
            return views.views(connection)

    def save_view(self, name: str, body: Mapping[str, Any], *, who: str) -> View:
        """Keep a view under a name, in place of the one that has it, see qi.library.views.save."""
        try:
            with self.database.writing() as connection:
                kept = views.save(connection, name, body, who=rules.name_of(who), when=self.now())
                self._log(connection, "settings changed", "view", who)
                return kept
        except IntegrityError as error:
            raise QiError(f"somebody saved a view “{name.strip()}” in this moment: look again") from error

    def remove_view(self, name: str, *, who: str) -> None:
        """Take a saved view away.

        Raises: QiError where there is none of that name.
        """
        rules.name_of(who)
        with self.database.writing() as connection:
            views.remove(connection, name)
            self._log(connection, "settings changed", "view, removed", who)

    # What people set on charts

    def plan(self, chart: str) -> KeptPlan | None:
        """The plan of a chart that counts; None where nobody set any."""
        with self.database.reading() as connection:
            return plans.newest(connection, chart)

    def plans(self) -> list[KeptPlan]:
        """The plan that counts of every chart that has one, in order of chart."""
        with self.database.reading() as connection:
            return plans.newest_of_each(connection)

    def plan_history(self, chart: str) -> list[KeptPlan]:
        """Every plan of a chart, the first one first."""
        with self.database.reading() as connection:
            return plans.history(connection, chart)

    def set_plan(self, chart: str, body: Mapping[str, Any], *, who: str, after: int) -> KeptPlan:
        """Set the plan of a chart, see qi.library.plans.set_plan."""
        try:
            with self.database.writing() as connection:
                kept = plans.set_plan(connection, chart, body, who=rules.name_of(who), when=self.now(), after=after)
                self._log(connection, "settings changed", "plan", who)
                return kept
        except IntegrityError as error:
            raise StaleWrite("somebody set this chart in this moment: nothing of yours was written, look again") from error

    # Arrests known outside

    def known_arrests(self, agency: str | None = None) -> pd.DataFrame:
        """Arrests that dispatch or care records know, see qi.library.known.known_arrests."""
        with self.database.reading() as connection:
            return known.known_arrests(connection, agency)

    def keep_known(self, arrests: Sequence[tuple[str, date]], *, agency: str, source: str, who: str) -> Kept:
        """Keep the arrests of a list, see qi.library.known.keep."""
        try:
            with self.database.writing() as connection:
                name = rules.name_of(who)
                kept = known.keep(connection, arrests, agency=agency, source=source, who=name, when=self.now())
                self._log(connection, "brought in", "known arrests", who)
                return kept
        except IntegrityError as error:
            raise QiError("somebody is bringing in a list in this moment: nothing was written, try again") from error

    # All cases at once

    def last_lines(self) -> dict[str, int]:
        """For each case, by key, the number of its journal's last line, in the order in which the calls came."""
        with self.database.reading() as connection:
            return heads.last_lines(connection)

    def kinds_held(self) -> tuple[bool, bool]:
        """Whether the library holds a case that is not invented, and whether it holds one that is."""
        with self.database.reading() as connection:
            return heads.kinds_held(connection)

    def measures_kept(self) -> set[str]:
        """Keys of the cases that were taken out while their measures stay."""
        with self.database.reading() as connection:
            return heads.measures_kept(connection)

    def removals(self) -> tuple[int, int]:
        """Numbers that are others as soon as anything was deleted, see qi.library.heads.removals."""
        with self.database.reading() as connection:
            return heads.removals(connection)

    def state(self) -> tuple[int, int, int, int]:
        """Numbers that are others as soon as anything of any case is, see qi.library.heads.state."""
        with self.database.reading() as connection:
            return heads.state(connection)
