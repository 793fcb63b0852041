"""How long it takes to measure a 40-min case: `python -m tests.benchmark_measure`. Prints a table; asserts nothing.

One core (set below, before numpy loads). The case: depth, force, airway pressure, CO2 and ECG at 250 Hz, simulated, as EDF+. The
yardstick is one pass of an order-4 Butterworth band-pass (scipy.signal.sosfiltfilt) over the same five channels.
"""

import os

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "ARROW_NUM_THREADS"):
    os.environ[name] = "1"

import shutil  # noqa: E402
import subprocess  # noqa: E402
import sys  # noqa: E402
import tempfile  # noqa: E402
import time  # noqa: E402
from collections.abc import Callable  # noqa: E402
from pathlib import Path  # noqa: E402

import numpy as np  # noqa: E402
from scipy.signal import butter, sosfiltfilt  # noqa: E402

from qi import pipeline  # noqa: E402
from qi.intake.folder import read_case  # noqa: E402
from tests.simulator.forty_minutes import write  # noqa: E402

ROOT = Path(__file__).parents[1]


def best_of(count: int, work: Callable[[], object]) -> float:
    """Shortest of several runs [s]."""
    times = []
    for _ in range(count):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def command(*cases: Path) -> float:
    """Wall time of the whole command on these cases, start-up included [s]."""
    call = [sys.executable, "-m", "qi", "measure", *map(str, cases)]
    return best_of(3, lambda: subprocess.run(call, cwd=ROOT, check=True, capture_output=True))


def main() -> None:
    """Measure and print."""
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {0})
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "forty"
        write(folder)
        case = read_case(folder)
        protocol = pipeline.choose_protocol(case)
        sos = butter(4, [0.5, 40.0], btype="bandpass", fs=250.0, output="sos")
        samples = [signal.pieces[0].values for signal in case.signals]
        one_pass = best_of(5, lambda: [sosfiltfilt(sos, values) for values in samples])
        read = best_of(5, lambda: read_case(folder))
        found = best_of(5, lambda: pipeline.find(case, protocol))
        review = best_of(5, lambda: pipeline.review(case, protocol))
        copies = [folder, *(Path(shutil.copytree(folder, Path(place) / f"forty-{i}")) for i in range(4))]
        single, five = command(folder), command(*copies)
    sizes = sum(len(values) for values in samples)
    print(
        f"{len(samples)} channels, {sizes / 1e6:.1f} million samples, {sizes / 250 / len(samples) / 60:.0f} min at 250 Hz, one core"
    )
    rows = [
        ("one pass of the band-pass over the five channels", one_pass),
        ("EDF+ to case", read),
        ("detectors", found),
        ("detectors and measures", review),
        ("EDF+ to measures", read + review),
        ("whole command, one case, with start-up", single),
        ("each further case", (five - single) / 4),
    ]
    for label, seconds in rows:
        print(f"{label:52s} {seconds:7.3f} s {seconds / one_pass:7.2f} passes")


if __name__ == "__main__":
    np.seterr(all="raise", under="ignore")
    main()
