"""The agency over time, for its page: which table is shown, which measures, and which cases."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from qi.desk import cohort as own
from qi.desk import limits, samples
from qi.desk.limits import Held
from qi.library.library import Library
from qi.measures import MEASURES
from qi.model.errors import UnreadableFile
from qi.model.words import named
from qi.trends import cohort
from qi.trends import columns_used as use
from qi.trends.cohort_columns import ABOUT, ANSWERS, answer_name
from qi.trends.during_arrest import said_of_chosen
from qi.trends.series import Subject

YES_OR_NO = ("first_pass",)
MAIN = (
    "compression_fraction",
    "longest_pause_s",
    "pauses_over_limit",
    "compression_rate",
    "compression_depth_mm",
    "released_fraction",
    "peri_shock_pause_s",
    "ventilation_rate.advanced_airway",
    "over_ventilated_fraction.advanced_airway",
    "time_to_device_s.itd.first_compression",
    "seal_loss_fraction",
    "time_to_epinephrine_s",
)
COMMON = tuple(column.name for column in ABOUT)
GROUPED = {
    "station": "Station",
    "shift": "Shift",
    "unit": "Unit",
    "airway_kind": "Airway",
    "first_rhythm": "First rhythm",
    "device_used": "ITD used",
    "protocol": "Protocol",
}


@dataclass(frozen=True)
class Shown:
    """The table that the page shows: its folders, whether its cases are invented, whose they are, and a stamp of its state."""

    folders: tuple[Path, ...]
    invented: bool
    stamp: str


@dataclass(frozen=True)
class Which:
    """Which cases are looked at: numbers signed, machine or all; words of GROUPED's columns; days from and until (YYYY-MM-DD)."""

    source: str = "all"
    groups: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    first: str = ""
    last: str = ""

    @property
    def words(self) -> str:
        """The choice as a sentence; empty where all cases are."""
        parts = [] if self.source == "all" else ["signed cases alone" if self.source == "signed" else "cases not signed yet alone"]
        parts += [_group_words(name, values) for name, values in self.groups.items() if values]
        parts += [f"from {self.first}"] if self.first else []
        parts += [f"until {self.last}"] if self.last else []
        return ", ".join(parts)

    @property
    def no_outcomes(self) -> str:
        """Why no outcome is shown of these cases: chosen by what is not known before the arrest; empty where they are not."""
        return said_of_chosen([name for name, values in self.groups.items() if values], GROUPED)


def _group_words(name: str, values: Sequence[str]) -> str:
    """A choice of groups in plain words: station 1 or 2; an ITD was used."""
    if name == use.DEVICE_USED:
        said = {"yes": "an ITD was used", "no": "no ITD was used"}
        return " or ".join(said.get(one, f"ITD used: {one}") for one in values)
    return f"{GROUPED[name].lower()} {' or '.join(values)}"


def shown(library: Library) -> Shown:
    """The library's own table where it holds a case that is not invented; else the sample agency's, with the library's samples.

    Returns: Shown; its folders may lack a table that was not made yet.
    """
    mine = own.folder(library)
    real, sample = library.kinds_held()
    invented = sample and not real
    folders = (samples.OVER_THE_YEARS, mine) if invented and samples.OVER_THE_YEARS.is_dir() else (mine,)
    return Shown(folders, invented, "|".join(_state(folder) for folder in folders))


def _state(folder: Path) -> str:
    """What tells one state of a table from another: its place, and when its files were last written."""
    files = [path.stat() for path in folder.glob("cases/year=*/month=*/cases.parquet")]
    return f"{folder}:{len(files)}:{max((one.st_mtime_ns for one in files), default=0)}:{sum(one.st_size for one in files)}"


def read(shown_: Shown, columns: Collection[str]) -> pd.DataFrame:
    """What is known of every case, and columns of measures, from all folders; a case in two of them counts once, as in the last.

    Parameters: shown_; columns, names of the cohort table beside those that are no measure's, which always come.
    Returns: one row a case in order of the calls.
    Raises: UnreadableFile where no folder has a table, or one is damaged.
    """
    names = list(dict.fromkeys((*COMMON, *columns)))
    found = [cohort.read(folder, names) for folder in shown_.folders if (folder / "cohort.json").is_file()]
    if not found:
        raise UnreadableFile(shown_.folders[-1], "there is no cohort table yet")
    if len(found) == 1:
        return found[0]
    together = pd.concat([part.astype(_plain(part)) for part in found], ignore_index=True)
    return together.drop_duplicates(use.CASE_ID, keep="last").sort_values(use.CALL_DAY, kind="stable").reset_index(drop=True)


def _plain(table: pd.DataFrame) -> dict[str, str]:
    return {name: "str" for name in table.columns if isinstance(table[name].dtype, pd.CategoricalDtype)}


def events(shown_: Shown, name: str, keys: Collection[str] | None = None) -> pd.DataFrame:
    """Pauses or shocks of the cases, of some of them where keys are given."""
    chosen = None if keys is None else [(use.KEY, "in", list(keys))]
    found = [cohort.read_events(folder, name, None, chosen) for folder in shown_.folders if (folder / "cohort.json").is_file()]
    return pd.concat([part.astype(_plain(part)) for part in found], ignore_index=True) if found else pd.DataFrame()


def chosen(table: pd.DataFrame, which: Which) -> pd.DataFrame:
    """The rows that are looked at, on an index from 0."""
    keep = [use.is_one_of(table[name], *words) for name, words in which.groups.items() if words]
    if which.source != "all":
        keep.append(use.is_one_of(table[use.SOURCE], which.source))
    if which.first:
        keep.append((table[use.CALL_DAY] >= pd.Timestamp(which.first)).to_numpy())
    if which.last:
        keep.append((table[use.CALL_DAY] <= pd.Timestamp(which.last)).to_numpy())
    return (table[np.logical_and.reduce(keep)] if keep else table).reset_index(drop=True)


def subjects(library: Library, held: Held | None = None) -> dict[str, Subject]:
    """Every measure that has a column, by its column, with what the cases' protocols ask of it.

    Parameters: library; held, the protocols of the cases that are looked at (qi.desk.limits.held_to), the default one where it is
    not given. The verdicts in the table are those of each case's own protocol.
    """
    held = limits.of_default(library) if held is None else held
    found: dict[str, Subject] = {}
    for measure in MEASURES:
        for suffix in ANSWERS.get(measure.id, ()):
            of, _, from_ = suffix.partition(".")
            label = named(measure.id, measure.label, of or None, from_ or None)
            column = answer_name(measure.id, suffix)
            asked = limits.asked_of(held, measure.id, of, measure.unit)
            found[column] = Subject(column, label, measure.unit, yes_or_no=column in YES_OR_NO, **asked)
    return found


def chart_key(column: str, every: str) -> str:
    """The key under which the plan of a measure's charts by month or by quarter is kept."""
    return f"{column}|{every}"


def themed(ids: Sequence[str]) -> list[str]:
    """The columns of measures, by their ids, in order."""
    return [answer_name(id_, suffix) for id_ in ids for suffix in ANSWERS.get(id_, ())]
