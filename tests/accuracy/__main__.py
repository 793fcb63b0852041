"""The accuracy of every detector on seeded simulations: `python -m tests.accuracy [--cases N] [--jobs 2] [--loosen]`.

Writes tests/accuracy/REPORT.md and qi/detect/accuracy.toml. Refuses to replace a report whose ratchet is tighter, unless --loosen.
"""

import argparse
import os
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")

from tqdm import tqdm  # noqa: E402

from qi.detect import accuracy  # noqa: E402
from tests.accuracy import report  # noqa: E402
from tests.accuracy.groups import half_width  # noqa: E402
from tests.accuracy.scoring import Row  # noqa: E402
from tests.accuracy.scoring import row as score_case  # noqa: E402
from tests.accuracy.sensors import SENSORS, Recorded, tune, why_not  # noqa: E402
from tests.simulator.hard_draws import hard  # noqa: E402

HERE = Path(__file__).parent
REPORT = HERE / "REPORT.md"
FIRST_SEED, OTHER_SEED = 1000, 2000
MEASURES = {
    "compression_fraction": 5,
    "compression_rate": 2,
    "compression_depth_mm": 2,
    "ventilation_rate": 2,
    "breath_duration_s": 3,
    "etco2_mmhg": 2,
}


def one_case(told: tuple[int, str]) -> list[Row]:
    """One case through every detector that is there. told is its seed and the shape of its strokes."""
    seed, shape = told
    recorded = Recorded(hard(seed), seed, shape)
    return [score_case(sensor, recorded) for sensor in SENSORS if why_not(sensor, recorded.tune) is None]


def cases(count: int) -> list[tuple[int, str]]:
    """Seeds and shapes: count cases with cosine strokes, and a quarter as many with triangles and plateaus."""
    others = [(OTHER_SEED + place, ("triangle", "plateau")[place // 2 % 2]) for place in range(max(2, count // 4))]
    return [(FIRST_SEED + place, "cosine") for place in range(count)] + others


def half_widths(rows: Sequence[Row]) -> dict[str, dict[str, float]]:
    """Half-widths by channel and measure, from even seeds; a channel with several detectors gets the widest of each measure."""
    out: dict[str, dict[str, float]] = {}
    for sensor in SENSORS:
        mine = [one for one in rows if one.sensor == sensor.name and one.seed % 2 == 0]
        for measure, places in MEASURES.items():
            width = half_width([value for one in mine if (value := getattr(one, measure)) is not None])
            if width is not None:
                held = out.setdefault(sensor.channel, {})
                held[measure] = max(held.get(measure, 0.0), round(width + 0.5 * 10**-places, places))
    return out


def toml(widths: dict[str, dict[str, float]], command: str) -> str:
    """Half-widths as the text of qi/detect/accuracy.toml."""
    lines = [
        "# Half-width of what detection may be off by, in 95 % of simulated cases: a section a channel, an entry a measure,",
        "# in its unit (fractions as shares). Split-conformal: it holds for recordings like the simulated, not any monitor.",
        f"# Made by `{command}`; do not edit.",
    ]
    for channel, some in widths.items():
        lines += ["", f"[{channel}]", *(f"{name} = {value:g}" for name, value in some.items())]
    return "\n".join(lines) + "\n"


def main() -> int:
    """Run, compare with the report that stands, write."""
    parser = argparse.ArgumentParser(prog="python -m tests.accuracy", description=__doc__)
    parser.add_argument("--cases", type=int, default=200, help="cases with cosine strokes; a quarter as many with others are added")
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    parser.add_argument("--loosen", action="store_true", help="write although a sensor does worse than the report that stands")
    asked = parser.parse_args()
    todo = cases(asked.cases)
    skipped = {sensor.name: why for sensor in SENSORS if (why := why_not(sensor, tune()))}
    with ProcessPoolExecutor(asked.jobs) as pool:
        rows = [one for some in tqdm(pool.map(one_case, todo), total=len(todo), unit="case") for one in some]
    if (worse := report.worse(rows, report.committed(REPORT))) and not asked.loosen:
        print("Not written; worse than the report that stands (--loosen writes all the same):", *worse, sep="\n  ", file=sys.stderr)
        return 1
    command, widths = f"python -m tests.accuracy --cases {asked.cases}", half_widths(rows)
    REPORT.write_text(report.text(rows, skipped, widths, command), encoding="utf-8")
    accuracy.PLACE.write_text(toml(widths, command), encoding="utf-8")
    print(f"wrote {REPORT.name} and {accuracy.PLACE.name}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
