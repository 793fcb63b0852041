"""How the page over time grows: `python -m tests.benchmark_over_time`. Prints times and exponents of growth; asserts nothing.

Tables as in tests.benchmark_cohort. The page runs as Streamlit runs it (AppTest, without a browser), each size in a process of its
own, on two cores, files in the system's cache, the shortest of several runs:

    open         the whole page for the first time: columns read from disk, twelve charts, signals and their chance
    wall         the same again with what was read kept in memory: another choice of cases, every chart anew
    one measure  the full chart of one measure with its groups and funnel
    Where …      each other part of the page
"""

import os
import tempfile
import time
from pathlib import Path

import pyarrow as pa
from streamlit.testing.v1 import AppTest

from tests.benchmark_cohort import CORES, Cost, main, memory_bytes

PARTS = ("Where", "Times", "Outcomes", "Bundles", "Recording")
SCRIPT = """
from pathlib import Path
from qi.desk import cohort, over_time
from qi.screens import over_time as page

over_time.shown = lambda library: over_time.Shown((Path({folder!r}),), invented=False, stamp="benchmark")
cohort.refresh = lambda library: iter(())
page.show()
"""


def measure(folder: Path, cases: int, runs: int) -> Cost:
    """Time the page on a table that is there."""
    pa.set_cpu_count(CORES)
    os.environ["QI_LIBRARY"] = tempfile.mkdtemp(prefix="library-")
    AppTest.from_string("from qi.screens import over_time, on_desk\non_desk.library()\n", default_timeout=600).run()
    seconds = {"open": _opened(folder, runs)}
    app = AppTest.from_string(SCRIPT.format(folder=str(folder)), default_timeout=600).run()
    choices = ["signed", "all"] * runs
    seconds["wall"] = min(_timed(lambda one=one: _source(app, one)) for one in choices)
    app.query_params["measure"] = "compression_fraction"
    seconds["one measure"] = min(_timed(app.run) for _ in range(runs + 1))
    del app.query_params["measure"]
    for part in PARTS:
        app.session_state["part"] = part
        app.run()
        seconds[part] = min(_timed(app.run) for _ in range(runs))
        assert not app.exception, app.exception
    return Cost(cases, sum(file.stat().st_size for file in folder.rglob("*.parquet")), seconds, memory_bytes())


def _opened(folder: Path, runs: int) -> float:
    """The shortest first opening; what Streamlit keeps in memory is dropped before each."""
    import streamlit as st

    times = []
    for _ in range(runs):
        st.cache_resource.clear()
        AppTest.from_string("from qi.screens import on_desk\non_desk.library()\n", default_timeout=600).run()
        app = AppTest.from_string(SCRIPT.format(folder=str(folder)), default_timeout=600)
        times.append(_timed(app.run))
        assert not app.exception, app.exception
    return min(times)


def _source(app: AppTest, one: str) -> None:
    next(box for box in app.button_group if box.key == "source").set_value(one).run()


def _timed(work) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


if __name__ == "__main__":
    main("benchmark_over_time", __doc__, measure)
