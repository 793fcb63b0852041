"""How time and memory of all detectors grow with the length of a case: `python -m tests.benchmark_growth`. Prints; asserts nothing.

One core (set below, before numpy loads). Six channels at 250 Hz, simulated, built in memory: depth, acceleration, impedance, airway
pressure, CO2 and ECG. Time is the shortest of several runs of qi.pipeline.find; memory is the highest that Python and numpy held
at once over what they held before (tracemalloc, in a run of its own, since watching slows). The yardstick is the size of the
samples in memory (float32, as the readers give them).
"""

import os

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[name] = "1"

import argparse  # noqa: E402
import time  # noqa: E402
import tracemalloc  # noqa: E402
from collections.abc import Callable, Sequence  # noqa: E402
from dataclasses import dataclass  # noqa: E402
from datetime import datetime, timedelta, timezone  # noqa: E402

import numpy as np  # noqa: E402
from scipy.signal import butter, sosfiltfilt  # noqa: E402

from qi import pipeline  # noqa: E402
from qi.model.case import Case, Clock, Piece, Signal, Source  # noqa: E402
from tests.simulator import channels  # noqa: E402
from tests.simulator.files import REACH, UNITS  # noqa: E402
from tests.simulator.schedule import Happening, Plan, play  # noqa: E402

MINUTES = (10, 30, 60, 120)
RATE_HZ = 250.0
CHANNELS = ("compression_depth", "chest_acceleration", "thoracic_impedance", "airway_pressure", "co2", "ecg")


@dataclass(frozen=True)
class Cost:
    """What one case cost: minutes of recording, bytes of samples, time [s], highest memory [bytes]."""

    minutes: int
    sample_bytes: int
    seconds: float
    peak_bytes: int


def case_of(minutes: int) -> Case:
    """A case of that many minutes: 30:2, after a third of it an advanced airway, three shocks."""
    third = 20.0 * minutes
    plan = Plan(
        id=f"growth-{minutes}",
        start=datetime(2031, 5, 5, 9, tzinfo=timezone(timedelta(hours=-6))),
        length_s=60.0 * minutes,
        first_s=20.0,
        last_s=60.0 * minutes - 20.0,
        continuous_s=third,
        shocks=((0, 200.0), (1, 200.0), (2, 200.0)),
        rhythms=((0.0, "VF"), (third, "PEA")),
        extra=(Happening(100.0, "device_on", "itd"), Happening(third, "airway_placed", "tracheal_tube")),
    )
    truth = play(plan, 40)
    signals = tuple(
        Signal(
            channel,
            UNITS[channel],
            (Piece(0.0, RATE_HZ, np.clip(channels.record(truth, channel, RATE_HZ, 40), *REACH[channel]).astype(np.float32)),),
            "monitor.edf",
            clock="monitor",
            reference="absolute" if channel == "compression_depth" else None,
            rails=REACH[channel],
        )
        for channel in CHANNELS
    )
    source = Source("monitor.edf", "edf", "monitor", "monitor", 0.0, plan.length_s)
    return Case(plan.id, plan.start, (source,), {"monitor": Clock("monitor")}, "monitor", signals)


def cost(minutes: int, *, runs: int) -> Cost:
    """Time and memory of every detector on one case."""
    case = case_of(minutes)
    protocol = pipeline.choose_protocol(case)
    pipeline.find(case, protocol)
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        pipeline.find(case, protocol)
        times.append(time.perf_counter() - start)
    tracemalloc.start()
    before = tracemalloc.get_traced_memory()[0]
    pipeline.find(case, protocol)
    peak = tracemalloc.get_traced_memory()[1] - before
    tracemalloc.stop()
    size = sum(piece.values.nbytes for signal in case.signals for piece in signal.pieces)
    return Cost(minutes, size, min(times), peak)


def table(costs: Sequence[Cost]) -> list[str]:
    """Lines to print: each length beside the first, per minute; and the exponent by which time grows between neighbours."""
    heads = ("min", "samples MB", "time s", "ms per min", "against first", "exponent", "peak MB", "x samples")
    lines = [" ".join(f"{head:>13}" for head in heads)]
    for place, one in enumerate(costs):
        per_minute, first = one.seconds / one.minutes, costs[0].seconds / costs[0].minutes
        before = costs[max(0, place - 1)]
        grown = np.log(one.seconds / before.seconds) / np.log(one.minutes / before.minutes) if place else np.nan
        numbers = (one.sample_bytes / 1e6, one.seconds, 1000 * per_minute, per_minute / first, grown, one.peak_bytes / 1e6)
        cells = [*(f"{number:13.3f}" for number in numbers), f"{one.peak_bytes / one.sample_bytes:13.2f}"]
        lines.append(" ".join([f"{one.minutes:13d}", *cells]))
    if len(costs) > 2:
        minutes, seconds = np.array([one.minutes for one in costs]), np.array([one.seconds for one in costs])
        slope, fixed = np.polyfit(minutes, seconds, 1)
        off = float(np.abs(seconds - slope * minutes - fixed).max() / seconds.max())
        lines.append(
            f"straight line: {1000 * fixed:.0f} ms + {1000 * slope:.2f} ms per min; at most {100 * off:.0f} % of the longest off it"
        )
    return lines


def in_passes(minutes: int, *, runs: int) -> list[str]:
    """What detectors and fusion cost in order-4 Butterworth band-passes over the same channels, and what the pages' extras add."""
    case = case_of(minutes)
    protocol = pipeline.choose_protocol(case)
    sos = butter(4, [0.5, 40.0], btype="bandpass", fs=RATE_HZ, output="sos")
    review = pipeline.review(case, protocol)
    works = {
        "one pass": lambda: [sosfiltfilt(sos, signal.pieces[0].values) for signal in case.signals],
        "all detectors and fusion": lambda: pipeline.find(case, protocol),
        "signal quality by second": lambda: pipeline.quality(review),
        "moments to look at (prompts for ROSC)": lambda: pipeline.to_look_at(review),
    }
    took = {name: min(_timed(work) for _ in range(runs)) for name, work in works.items()}
    total = sum(seconds for name, seconds in took.items() if name != "one pass")
    lines = [f"{name:40s} {seconds:7.3f} s {seconds / took['one pass']:6.2f} passes" for name, seconds in took.items()]
    return [*lines, f"{'together':40s} {total:7.3f} s {total / took['one pass']:6.2f} passes"]


def _timed(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmark_growth", description=__doc__)
    parser.add_argument("--minutes", type=int, nargs="+", default=MINUTES, help="lengths of the cases")
    parser.add_argument("--runs", type=int, default=7, help="runs of which the shortest counts")
    asked = parser.parse_args()
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {0})
    print(f"{len(CHANNELS)} channels at {RATE_HZ:.0f} Hz, all detectors (qi.pipeline.find), one core; exponent 1 is linear growth")
    print(*in_passes(40, runs=asked.runs), sep="\n")
    print(*table([cost(minutes, runs=asked.runs) for minutes in asked.minutes]), sep="\n")


if __name__ == "__main__":
    main()
