"""How the cohort table grows: `python -m tests.benchmark_cohort`. Prints times, memory and exponents of growth; asserts nothing.

Tables of 10,000, 100,000 and 1,000,000 cases are drawn from the sample agency with replacement, over its 36 months, each value
moved by up to a tenth of a percent so that it does not pack better than real ones. Timed on two cores, each size in a process of
its own, files in the system's cache, the shortest of several runs:

    open       the columns that are no measure's and the value, bounds and verdict of twelve measures, from disk
    redraw     from disk to the months of one measure as the page has them: medians, means, shares that met the limit, intervals
    in memory  the same from a table that is open
    one year   the same as redraw for one station and one year, so that most files are not read
    update     one case put in, in place of its old row
"""

import argparse
import multiprocessing
import resource
import shutil
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from qi.trends import cohort, series
from qi.trends import cohort_store as store
from qi.trends import columns_used as use
from qi.trends.cohort_columns import ABOUT, COHORT_PAUSES, COHORT_SHOCKS
from qi.trends.dates import MONTH
from tests.simulator.agency import FIRST_YEAR, MONTHS

SAMPLE = Path(__file__).parents[1] / "sample_cases" / "agency"
SIZES = (10_000, 100_000, 1_000_000)
SHOWN = (
    "compression_fraction",
    "longest_pause_s",
    "pauses_over_limit",
    "compression_rate",
    "compression_depth_mm",
    "pre_shock_pause_s",
    "peri_shock_pause_s",
    "ventilation_rate.advanced_airway",
    "etco2_mmhg",
    "time_to_device_s.itd.first_compression",
    "device_on_fraction.itd",
    "time_to_epinephrine_s",
)
DRAWN = series.Subject("compression_fraction", "Compression fraction", "1")
PARTS = ("", "__low", "__high", "__verdict")
CORES = 2


@dataclass(frozen=True)
class Cost:
    """What one size cost: cases, bytes on disk, seconds of each work, highest memory of the process [bytes]."""

    cases: int
    disk_bytes: int
    seconds: dict[str, float]
    peak_bytes: int


def make(folder: Path, cases: int) -> None:
    """A table of so many cases, drawn from the sample agency; pauses and shocks are left out."""
    base = cohort.read(SAMPLE)
    rng = np.random.default_rng(cases)
    store.begin(folder, store.About("benchmark", datetime(2032, 1, 1)))
    shares = np.array_split(np.arange(cases), MONTHS)
    for month, numbers in enumerate(shares):
        drawn = base.iloc[rng.integers(0, len(base), len(numbers))].reset_index(drop=True)
        floats = drawn.select_dtypes("float64").columns
        moved = drawn[floats] * rng.uniform(0.999, 1.001, (len(drawn), len(floats)))
        year, of_year = FIRST_YEAR + month // 12, 1 + month % 12
        at = pd.Timestamp(year, of_year, 1, 12, tz="UTC") + pd.to_timedelta(np.sort(rng.uniform(0, 27, len(drawn))), unit="D")
        own = {
            "key": pd.array([f"case{number:08d}" for number in numbers], dtype="str"),
            "call_at": at.astype("datetime64[us, UTC]"),
            "call_day": at.tz_localize(None).normalize().astype("datetime64[us]"),
            "year": np.full(len(drawn), year, "int32"),
            "month": np.full(len(drawn), of_year, "int32"),
        }
        made = pd.concat([drawn.drop(columns=[*floats, *own]), moved, pd.DataFrame(own)], axis="columns")
        store.put(folder, made[list(base.columns)], store.made([], COHORT_PAUSES), store.made([], COHORT_SHOCKS))


def redraw(folder: Path, filters: store.Filters | None = None) -> pd.DataFrame:
    """The months of one measure, from disk."""
    columns = [use.CALL_DAY, use.EXCLUDED, *series.needed(DRAWN)]
    return series.trend_table(cohort.read(folder, columns, filters), DRAWN, MONTH)


def measure(folder: Path, cases: int, runs: int) -> Cost:
    """Time every kind of work on a table that is there."""
    pa.set_cpu_count(CORES)
    columns = [column.name for column in ABOUT] + [name + part for name in SHOWN for part in PARTS]
    seconds = {"open": _shortest(lambda: cohort.read(folder, columns), runs)}
    table = cohort.read(folder, columns)
    one_year = [("year", "==", FIRST_YEAR + 1), ("station", "==", "2")]
    works: dict[str, Callable[[], Any]] = {
        "redraw": lambda: redraw(folder),
        "in memory": lambda: series.trend_table(table, DRAWN, MONTH),
        "one year": lambda: redraw(folder, one_year),
    }
    seconds |= {name: _shortest(work, runs) for name, work in works.items()}
    month = [("year", "==", FIRST_YEAR + 1), ("month", "==", 6)]
    one = cohort.read(folder, None, month).iloc[[0]]
    nothing = store.made([], COHORT_PAUSES), store.made([], COHORT_SHOCKS)
    peak = memory_bytes()
    seconds["update"] = _shortest(lambda: store.put(folder, one, *nothing), min(runs, 3))
    return Cost(cases, sum(file.stat().st_size for file in folder.rglob("*.parquet")), seconds, peak)


def memory_bytes() -> int:
    """Highest memory of this process [bytes]."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def _shortest(work: Callable[[], Any], runs: int) -> float:
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def lines(costs: Sequence[Cost]) -> list[str]:
    """Each size with its times, how many times the size before they are, and the exponent that this comes to (1: linear)."""
    names = list(costs[0].seconds)
    said = ["    cases " + " ".join(f"{name:>22}" for name in names) + "   on disk   memory"]
    for place, cost in enumerate(costs):
        cells = []
        for name in names:
            cell = f"{1000 * cost.seconds[name]:.0f} ms"
            if place:
                grown = cost.seconds[name] / costs[place - 1].seconds[name]
                cell += f" (x{grown:.1f}, ^{np.log(grown) / np.log(cost.cases / costs[place - 1].cases):.2f})"
            cells.append(f"{cell:>22}")
        said.append(f"{cost.cases:9d} {' '.join(cells)} {cost.disk_bytes / 1e6:6.0f} MB {cost.peak_bytes / 1e6:5.0f} MB")
    return said


def main(name: str, words: str | None, measure: Callable[[Path, int, int], Cost]) -> None:
    """Make, measure in a process of its own, print: for the command tests.<name>, which `words` describe."""
    parser = argparse.ArgumentParser(prog=f"python -m tests.{name}", description=words)
    parser.add_argument("--cases", type=int, nargs="+", default=SIZES, help="sizes of the table")
    parser.add_argument("--runs", type=int, default=5, help="runs of which the shortest counts")
    asked = parser.parse_args()
    fresh = multiprocessing.get_context("spawn")
    costs = []
    for cases in asked.cases:
        folder = Path(tempfile.mkdtemp(prefix="cohort-"))
        try:
            start = time.perf_counter()
            with fresh.Pool(1) as pool:
                pool.apply(make, (folder, cases))
            print(f"{cases} cases written in {time.perf_counter() - start:.1f} s", flush=True)
            with fresh.Pool(1) as pool:
                costs.append(pool.apply(measure, (folder, cases, asked.runs)))
        finally:
            shutil.rmtree(folder)
    print(*lines(costs), sep="\n")


if __name__ == "__main__":
    main("benchmark_cohort", __doc__, measure)
