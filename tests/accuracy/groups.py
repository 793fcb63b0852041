"""Groups of cases by what was done to the recording, and the figures of a group."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from tests.accuracy.scoring import Row

EVERY = "all cases, cosine strokes"


@dataclass(frozen=True)
class Group:
    """A label, and which cases are in it."""

    label: str
    holds: Callable[[Row], bool]


COMMON = (
    Group(EVERY, lambda row: row.shape == "cosine"),
    Group("triangle strokes", lambda row: row.shape == "triangle"),
    Group("plateau strokes", lambda row: row.shape == "plateau"),
    Group("hands", lambda row: row.hands == "hands"),
    Group("machine", lambda row: row.hands == "machine"),
    Group("hands, then machine", lambda row: row.hands == "hands, then machine"),
    Group("no dropouts", lambda row: row.loss == "none"),
    Group("with dropouts", lambda row: row.loss != "none"),
    Group("samples missing", lambda row: row.loss == "missing"),
    Group("filled with zero", lambda row: row.loss == "zero"),
    Group("value held", lambda row: row.loss == "held"),
    Group("pads off", lambda row: row.loss == "pads off"),
)
OWN = {
    "chest_acceleration": (
        Group("firm surface", lambda row: not row.mattress),
        Group("mattress", lambda row: row.mattress),
    ),
    "thoracic_impedance": (
        Group("1.2 ohm", lambda row: row.swing_ohm == 1.2),
        Group("0.6 ohm", lambda row: row.swing_ohm == 0.6),
        Group("0.6 ohm and more", lambda row: row.swing_ohm >= 0.6),
        Group("0.3 ohm", lambda row: row.swing_ohm == 0.3),
        Group("pads still", lambda row: not row.moved),
        Group("pads moved 60 times", lambda row: row.moved),
    ),
    "co2": (
        Group("no ripple", lambda row: row.ripple == "none"),
        Group("ripple I", lambda row: row.ripple == "I"),
        Group("ripple II", lambda row: row.ripple == "II"),
        Group("ripple III", lambda row: row.ripple == "III"),
    ),
    "ecg": (
        Group("no look-alikes", lambda row: not row.look_alikes),
        Group("pacing, self-test, pad off", lambda row: row.look_alikes),
    ),
}


@dataclass(frozen=True)
class Figures:
    """What a group of cases came to. Shares 0 to 1, rates per min, times in s, fractions in percentage points; NaN: unknown."""

    cases: int
    sensitivity: float
    ppv: float
    f1: float
    lag_s: float
    lag_sd_s: float
    scatter_s: float
    known: float
    rate_error: float
    rate_error_95: float
    fraction_error: float
    fraction_error_95: float
    fraction_bias: float
    fraction_low: float
    fraction_high: float
    bounds_alone: float
    bounds: float
    depth_median: float
    depth_95: float
    breath_bias: float
    breath_error: float
    etco2_error: float
    false_per_hour: float

    @property
    def fraction_limits(self) -> float:
        """The further of the two 95 % limits of agreement [percentage points]."""
        return float(max(abs(self.fraction_low), abs(self.fraction_high)))


def figures(rows: Sequence[Row], half_width: float | None) -> Figures:
    """Figures of a group.

    Parameters: rows, one a case; half_width, what detection may make the compression fraction off by, as a share: bounds are also
    asked with this added, in cases that it was not drawn from (odd seeds).
    """
    hits, misses, false = (sum(getattr(row, name) for row in rows) for name in ("hits", "misses", "false"))
    rate = np.abs(_of(rows, "compression_rate") if len(_of(rows, "compression_rate")) else _of(rows, "ventilation_rate"))
    share = 100 * _of(rows, "compression_fraction")
    lags, breath = _of(rows, "lag_s"), _of(rows, "breath_duration_s")
    depth = np.array([value for row in rows for value in row.each_depth_mm])
    spread = 1.96 * share.std(ddof=1) if len(share) > 1 else np.nan
    return Figures(
        cases=len(rows),
        sensitivity=_share(hits, hits + misses),
        ppv=_share(hits, hits + false),
        f1=_share(2 * hits, 2 * hits + misses + false),
        lag_s=_mean(lags),
        lag_sd_s=float(lags.std()) if len(lags) else np.nan,
        scatter_s=float(np.sqrt(np.mean(_of(rows, "off_sd_s") ** 2))) if len(lags) else np.nan,
        known=_mean(_of(rows, "known_share")),
        rate_error=_quantile(rate, 0.5),
        rate_error_95=_quantile(rate, 0.95),
        fraction_error=_quantile(np.abs(share), 0.5),
        fraction_error_95=_quantile(np.abs(share), 0.95),
        fraction_bias=_mean(share),
        fraction_low=_mean(share) - spread,
        fraction_high=_mean(share) + spread,
        bounds_alone=_hold(rows, 0.0),
        bounds=_hold([row for row in rows if row.seed % 2], half_width) if half_width is not None else np.nan,
        depth_median=_quantile(depth, 0.5),
        depth_95=_quantile(depth, 0.95),
        breath_bias=_mean(breath),
        breath_error=_quantile(np.abs(breath), 0.5),
        etco2_error=_quantile(np.abs(_of(rows, "etco2_mmhg")), 0.5),
        false_per_hour=_share(false, sum(row.hours for row in rows)),
    )


def half_width(errors: Sequence[float]) -> float | None:
    """Split-conformal half-width: the smallest that holds 95 % of further cases like these; None for fewer than 19 cases."""
    sizes = np.sort(np.abs(np.asarray(errors, dtype=float)))
    place = int(np.ceil((len(sizes) + 1) * 0.95))
    return float(sizes[place - 1]) if place <= len(sizes) else None


def _of(rows: Sequence[Row], name: str) -> np.ndarray:
    values = np.array([getattr(row, name) for row in rows if getattr(row, name) is not None], dtype=float)
    return values[np.isfinite(values)]


def _hold(rows: Sequence[Row], more: float) -> float:
    """Share of cases whose bounds, widened by that much, hold the true compression fraction; rounding aside."""
    held = [row.bounds[0] - more - 1e-9 <= row.bounds[2] <= row.bounds[1] + more + 1e-9 for row in rows if row.bounds]
    return float(np.mean(held)) if held else np.nan


def _share(part: float, whole: float) -> float:
    return part / whole if whole else float("nan")


def _mean(values: np.ndarray) -> float:
    return float(values.mean()) if len(values) else float("nan")


def _quantile(values: np.ndarray, share: float) -> float:
    return float(np.quantile(values, share)) if len(values) else float("nan")
