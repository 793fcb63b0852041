"""The accuracy report as text: demands met or missed, tables by sensor and artefact, published figures, and the ratchet."""

import math
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path

from tests.accuracy.groups import COMMON, EVERY, OWN, Figures, Group, figures
from tests.accuracy.scoring import Row
from tests.accuracy.sensors import SENSORS, Sensor

HERE = Path(__file__).parent
RATCHET_CASES = (*((seed, "cosine") for seed in range(1000, 1006)), (2000, "triangle"), (2002, "plateau"))
RATCHET_SEEDS = tuple(seed for seed, _ in RATCHET_CASES)
SLACK = (1e-4, 0.01)  # F1 and error: another processor may round another way
RATCHET_HEAD = "## Ratchet"
WORDS = {
    "f1": ("F1", "at least"),
    "rate_error": ("rate error, median [1/min]", "at most"),
    "fraction_error": ("compression fraction, median error [pp]", "at most"),
    "fraction_bias": ("compression fraction, bias [pp]", "at most"),
    "fraction_limits": ("compression fraction, 95 % limits within ± [pp]", "at most"),
    "depth_median": ("depth error of single compressions, median [mm]", "at most"),
    "depth_95": ("depth error of single compressions, 95 % [mm]", "at most"),
    "breath_error": ("breath duration, median error [s]", "at most"),
    "bounds": ("share of cases whose bounds hold the truth", "at least"),
    "false_per_hour": ("false alarms per hour", "at most"),
}
INTRO = """# Accuracy of the detectors

Made by `{command}`. Do not edit: run it again.

{cases} simulated cases (seeds fixed; magnitudes of the project's notes on signals, section 7) and {others} with other shapes of the
stroke. They say what the detectors do to *our simulator*, which no patient has seen: a real recording can be worse in ways that
nobody wrote down. Events match within ± 0.15 s (compressions), ± 0.5 s (pressure, flow), ± 1.0 s (capnogram, impedance) or
± 1.5 s (shocks), after one constant lag per sensor and case. Counted is the time in which the detector says that it can see;
"known" is its share. Rates, fractions, durations: found minus true over the same known time. Fractions in percentage points (pp).
Depth from acceleration is the stroke and is held against the stroke. Bounds are asked twice: alone (missing time only), and with
the half-width of `qi/detect/accuracy.toml` added, which is drawn from even seeds and asked of odd ones.
"""


def text(rows: Sequence[Row], skipped: Mapping[str, str], widths: Mapping[str, Mapping[str, float]], command: str) -> str:
    """The whole report."""
    ours = [one for one in rows if one.shape == "cosine"]
    counts = (len({one.seed for one in ours}), len({one.seed for one in rows if one.shape != "cosine"}))
    parts = [INTRO.format(command=command, cases=counts[0], others=counts[1])]
    parts += [f"Left out: {name}, since {why}.\n" for name, why in skipped.items()]
    parts += [_demands(rows, widths), _half_widths(widths)]
    for sensor in SENSORS:
        mine = [one for one in rows if one.sensor == sensor.name]
        if mine:
            parts += [_table(sensor, mine, widths), _published(sensor)]
    return "\n".join([*parts, ratchet(rows)])


def groups(sensor: Sensor) -> tuple[Group, ...]:
    """The groups that say something of a sensor."""
    return (*COMMON, *OWN.get(sensor.channel, ()))


def group_figures(sensor: Sensor, rows: Sequence[Row], group: Group, widths: Mapping[str, Mapping[str, float]]) -> Figures:
    """Figures of the cases of one group; groups other than those by shape hold cosine strokes only."""
    by_shape = group.label.endswith("strokes")
    mine = [one for one in rows if group.holds(one) and (by_shape or one.shape == "cosine")]
    return figures(mine, widths.get(sensor.channel, {}).get("compression_fraction"))


def missed(value: float, wanted: float, figure: str) -> bool:
    """Whether a figure does not meet what is demanded; a figure that is not known does not."""
    if math.isnan(value):
        return True
    return value < wanted if WORDS[figure][1] == "at least" else abs(value) > wanted


def demand_rows(rows: Sequence[Row], widths: Mapping[str, Mapping[str, float]]) -> list[tuple[str, str, str, float, float]]:
    """Every demand with what was reached: sensor, cases, figure, demanded, reached."""
    out = []
    for entry in tomllib.loads((HERE / "demand.toml").read_text(encoding="utf-8"))["demand"]:
        for sensor in [one for one in SENSORS if one.name in entry["sensors"]]:
            mine = [one for one in rows if one.sensor == sensor.name]
            label = entry.get("cases", EVERY)
            (group,) = [one for one in groups(sensor) if one.label == label]
            reached = group_figures(sensor, mine, group, widths)
            out += [(sensor.name, label, key, entry[key], getattr(reached, key)) for key in WORDS if key in entry and mine]
    return out


def _demands(rows: Sequence[Row], widths: Mapping[str, Mapping[str, float]]) -> str:
    lines = [
        "## Accuracy to demand\n",
        "Source of the demands: the project's notes on signals, section 6 (engineering choice there).\n",
    ]
    lines += ["| sensor | cases | figure | demanded | reached | |", "|---|---|---|---|---|---|"]
    for sensor, label, figure, wanted, reached in demand_rows(rows, widths):
        word = "**missed**" if missed(reached, wanted, figure) else "met"
        lines.append(f"| {sensor} | {label} | {WORDS[figure][0]} | {WORDS[figure][1]} {wanted:g} | {_n(reached, 3)} | {word} |")
    return "\n".join(lines) + "\n"


def _half_widths(widths: Mapping[str, Mapping[str, float]]) -> str:
    lines = [
        "## Half-widths\n",
        "95 % of cases are off by no more (split-conformal over even seeds of both sets; `accuracy.toml`).\n",
    ]
    lines += ["| channel | measure | half-width |", "|---|---|---|"]
    lines += [f"| {channel} | {name} | {value:g} |" for channel, some in widths.items() for name, value in some.items()]
    return "\n".join(lines) + "\n"


def _table(sensor: Sensor, rows: Sequence[Row], widths: Mapping[str, Mapping[str, float]]) -> str:
    head, cells = _columns(sensor)
    lines = [f"## {sensor.name[0].upper()}{sensor.name[1:]}\n", "| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    for group in groups(sensor):
        found = group_figures(sensor, rows, group, widths)
        if found.cases:
            lines.append("| " + " | ".join([group.label, str(found.cases), *cells(found)]) + " |")
    return "\n".join(lines) + "\n"


def _columns(sensor: Sensor):
    """Heads of a sensor's table, and the cells of one group of cases."""
    head = ["cases with", "n", "Se %", "PPV %", "F1", "lag s, mean ± SD of cases", "scatter s", "known %"]

    def common(one: Figures) -> list[str]:
        lag = f"{_n(one.lag_s, 3)} ± {_n(one.lag_sd_s, 3)}"
        return [
            _n(100 * one.sensitivity, 2),
            _n(100 * one.ppv, 2),
            _n(one.f1, 4),
            lag,
            _n(one.scatter_s, 3),
            _n(100 * one.known, 1),
        ]

    def rates(one: Figures) -> list[str]:
        return [f"{_n(one.rate_error, 2)} ({_n(one.rate_error_95, 2)})"]

    def pressed(one: Figures) -> list[str]:
        limits = f"{_n(one.fraction_bias, 2)} ({_n(one.fraction_low, 2)} to {_n(one.fraction_high, 2)})"
        holds = f"{_n(100 * one.bounds_alone, 0)} / {_n(100 * one.bounds, 0)}"
        return [*common(one), *rates(one), limits, holds, f"{_n(one.depth_median, 1)} ({_n(one.depth_95, 1)})"]

    def breathed(one: Figures) -> list[str]:
        return [*common(one), *rates(one), _n(one.breath_bias, 3), _n(one.etco2_error, 2)]

    rate = "rate error /min, median (95 %)"
    if sensor.kind == "compressions":
        fraction = "fraction bias pp (95 % limits)"
        return [*head, rate, fraction, "bounds hold %, alone / with half-width", "depth error mm, median (95 %)"], pressed
    if sensor.kind == "ventilations":
        return [*head, rate, "breath duration bias s", "EtCO2 error mmHg, median"], breathed
    return [*head, "false per hour"], lambda one: [*common(one), _n(one.false_per_hour, 3)]


def _published(sensor: Sensor) -> str:
    found = tomllib.loads((HERE / "published.toml").read_text(encoding="utf-8"))["figure"]
    lines = [f"| {one['data']} | {one['figure']} | {one['source']} |" for one in found if one["sensor"] == sensor.name]
    if not lines:
        return "Published figures on this sensor: none read.\n"
    head = [
        "Published (read in abstracts or excerpts; other data, other matching):\n",
        "| data | figure | source |",
        "|---|---|---|",
    ]
    return "\n".join([*head, *lines]) + "\n"


def ratchet(rows: Sequence[Row]) -> str:
    """What the fast test holds later runs to: the same few cases, which may only get better."""
    lines = [
        f"{RATCHET_HEAD}\n",
        f"Seeds {', '.join(map(str, RATCHET_SEEDS))}, held by `test_accuracy.py`; it may only tighten.\n",
    ]
    lines += ["| sensor | F1 | median size of the fraction or rate error |", "|---|---|---|"]
    for sensor in SENSORS:
        mine = [one for one in rows if one.sensor == sensor.name and one.seed in RATCHET_SEEDS]
        if mine:
            f1, error = ratchet_figures(mine)
            lines.append(f"| {sensor.name} | {f1:.5f} | {error:.5f} |")
    return "\n".join(lines) + "\n"


def ratchet_figures(rows: Sequence[Row]) -> tuple[float, float]:
    """Pooled F1, and median size of the compression-fraction error [pp] (for breaths: of the rate [1/min]; 0 for shocks)."""
    found = figures(rows, None)
    error = found.rate_error if math.isnan(found.fraction_error) else found.fraction_error
    return (1.0 if math.isnan(found.f1) else found.f1), (0.0 if math.isnan(error) else error)


def committed(report: Path) -> dict[str, tuple[float, float]]:
    """The ratchet of a report that stands on disk; empty where there is none."""
    if not report.exists():
        return {}
    told = report.read_text(encoding="utf-8").split(RATCHET_HEAD)[-1]
    cells = [[cell.strip() for cell in line.strip("|").split("|")] for line in told.splitlines() if line.startswith("| ")][1:]
    return {name: (float(f1), float(error)) for name, f1, error in cells}


def worse(rows: Sequence[Row], kept: Mapping[str, tuple[float, float]]) -> list[str]:
    """Which sensors do worse on the ratchet's cases than was committed, in words."""
    out = []
    for name, (f1, error) in kept.items():
        mine = [one for one in rows if one.sensor == name and one.seed in RATCHET_SEEDS]
        if not mine:
            out.append(f"{name}: no longer asked")
            continue
        now, off = ratchet_figures(mine)
        if now < f1 - SLACK[0] or off > error + SLACK[1]:
            out.append(f"{name}: F1 {now:.5f} (was {f1:.5f}), error {off:.5f} (was {error:.5f})")
    return out


def _n(value: float, places: int) -> str:
    return "–" if math.isnan(value) else f"{value + 0.0:.{places}f}"
