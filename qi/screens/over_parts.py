"""The other parts of the page over time, each with the columns that it reads."""

from collections.abc import Callable, Mapping, Sequence

import pandas as pd

from qi.desk.over_time import Shown, Which
from qi.library.library import Library
from qi.screens import over_bundles, over_capture, over_outcomes, over_pauses, over_times, over_where
from qi.screens.over_data import known_of

Part = Callable[[Library, Shown, pd.DataFrame, str, Which], None]


def _times(_: Library, __: Shown, cases: pd.DataFrame, ___: str, ____: Which) -> None:
    over_times.show(cases)


def _outcomes(_: Library, __: Shown, cases: pd.DataFrame, ___: str, which: Which) -> None:
    over_outcomes.show(cases, no_outcomes=which.no_outcomes)


def _bundles(_: Library, __: Shown, cases: pd.DataFrame, every: str, which: Which) -> None:
    over_bundles.show(cases, every, no_outcomes=which.no_outcomes)


def _pauses(_: Library, shown: Shown, cases: pd.DataFrame, __: str, ___: Which) -> None:
    over_pauses.show(shown, cases)


def _capture(shelf: Library, _: Shown, cases: pd.DataFrame, __: str, which: Which) -> None:
    over_capture.show(cases, *known_of(shelf, which))


RECORDING = "Recording"
PARTS: Mapping[str, Part] = {
    "Where": over_where.show,
    "Times": _times,
    "Outcomes": _outcomes,
    "Bundles": _bundles,
    "Pauses": _pauses,
    RECORDING: _capture,
}
_COLUMNS: Mapping[str, Sequence[str]] = {
    "Times": over_times.COLUMNS,
    "Outcomes": over_outcomes.COLUMNS,
    "Bundles": over_bundles.COLUMNS,
    "Pauses": over_pauses.COLUMNS,
}


def columns_of(shelf: Library, part: str) -> Sequence[str]:
    """The columns of measures that a part reads."""
    return over_where.columns(shelf) if part == "Where" else _COLUMNS.get(part, ())
