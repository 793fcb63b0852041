"""The patient's chest, lung and CO2 stores: a handful of physical equations for the schedule and the sensors of the simulator."""

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from tests.simulator.schedule import Breath, Compression, Plan, Truth

# Force = b·depth + g·depth², b in N/mm, g in N/mm². Published b 54.9 ± 29.4 N/cm, g 10.8 ± 4.1 N/cm² (Tsitlik 1983); within that
# scatter this pair also meets 29.8 kgf at 38 mm (men) of the same notes.
STIFFNESS = (4.6, 0.08)
DAMPING_N_S_PER_MM2 = 0.0012
# Gas moved by one compression of 50 mm: about 27 mL (Morin 2024). The rest is ours: gas in the airways that gives way, and the
# resistances in and out that put the recoil pressure where Plaisance 2005 measured it.
GAS_ML_PER_MM = 0.54
AIRWAY_ML_PER_CMH2O = 2.2
OUT_CMH2O_S_PER_ML = 0.026
IN_CMH2O_S_PER_ML = 0.011
ITD_IN_CMH2O_S_PER_ML = 0.17
ITD_OPENS_CMH2O = -16.0
# Breath mechanics: compliance 37 to 40 mL/cmH2O, resistance 20 ± 5 cmH2O·s/L (Charbonney 2018, Cordioli 2016 via Morin 2024).
LUNG_ML_PER_CMH2O = 38.0
BAG_CMH2O_S_PER_ML = 0.015
VALVE_CMH2O_S_PER_ML = 0.006
EXHALE_TAU_S = 0.6
LEAK_SHARE = 0.43
# CO2: exchange with venous blood in 1/s at a given flow, lung gas that dilutes it. Ours, set to meet EtCO2 about 20 mmHg in CPR.
VENOUS_MMHG = 60.0
LUNG_ML = 2000.0
DEAD_SPACE_ML = 150.0
CPR_PER_S = 0.011
PULSE_PER_S = 0.045
STILL_PER_S = 0.0006


def static_force_n(depth_mm: np.ndarray | float, stiffness: tuple[float, float] = STIFFNESS) -> np.ndarray | float:
    """Force that holds the chest at a depth."""
    return stiffness[0] * depth_mm + stiffness[1] * depth_mm * depth_mm


def strokes(x: np.ndarray, shape: str) -> np.ndarray:
    """Share of the way to the next level after share x of the time: cosine, triangle (even speed), plateau (quick, then held)."""
    if shape == "triangle":
        return x
    if shape == "plateau":
        x = np.clip(1.5 * x, 0, 1)
    elif shape != "cosine":
        raise ValueError(f"shape {shape} is not known; choose from cosine, plateau, triangle")
    return 0.5 - 0.5 * np.cos(np.pi * x)


def chest_depth_mm(truth: "Truth", times_s: np.ndarray, *, shape: str = "cosine") -> np.ndarray:
    """How far the sternum stands below its uncompressed level at each time."""
    depth = np.zeros(len(times_s))
    before, last_release = 0.0, -np.inf
    for one in truth.compressions:
        if one.onset_s - last_release > 1.0:
            before = 0.0
        a, b, c = np.searchsorted(times_s, [one.onset_s, one.time_s, one.release_s])
        depth[a:b] = before + (one.depth_mm - before) * strokes((times_s[a:b] - one.onset_s) / (one.time_s - one.onset_s), shape)
        up = 1 - (times_s[b:c] - one.time_s) / (one.release_s - one.time_s)
        depth[b:c] = one.residual_mm + (one.depth_mm - one.residual_mm) * strokes(up, shape)
        if one.residual_mm > 0:
            depth[c : np.searchsorted(times_s, one.release_s + 0.35)] = one.residual_mm
        before, last_release = one.residual_mm, one.release_s
    return depth


def airway_swing_cmh2o(depth_mm: np.ndarray, step_s: float, inward: np.ndarray) -> np.ndarray:
    """Airway pressure that compressions alone make: gas squeezed out through one resistance, drawn back through another.

    inward is the resistance to inflow at each time; an ITD makes it large until its valve opens.
    """
    push = np.diff(depth_mm, prepend=depth_mm[:1]) * (GAS_ML_PER_MM / AIRWAY_ML_PER_CMH2O)
    out = 1 / (1 + step_s / (OUT_CMH2O_S_PER_ML * AIRWAY_ML_PER_CMH2O))
    back = (1 / (1 + step_s / (inward * AIRWAY_ML_PER_CMH2O))).tolist()
    pressure, now = [], 0.0
    for moved, held in zip(push.tolist(), back, strict=True):
        now += moved
        now = now * out if now > 0 else max(now * held, ITD_OPENS_CMH2O)
        pressure.append(now)
    return np.array(pressure)


def reaches_ml(plan: "Plan", breath: "Breath") -> float:
    """Volume that gets into the lung: a leaking mask loses about 43 % of a bag's stroke (manikin figures of the same notes)."""
    return breath.volume_ml * (1 - LEAK_SHARE if any(a <= breath.time_s < b for a, b in plan.leak_spans) else 1.0)


def lung_gas(truth: "Truth", times_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """What the bag does: volume above rest in the lung [mL] and pressure at the airway opening [cmH2O]; breaths stack."""
    volume, pressure = np.zeros(len(times_s)), np.zeros(len(times_s))
    kept = 0.0
    starts = [breath.time_s for breath in truth.breaths] + [times_s[-1] + 1.0]
    for breath, following in zip(truth.breaths, starts[1:], strict=True):
        into = reaches_ml(truth.plan, breath)
        a, b, c = np.searchsorted(times_s, [breath.time_s, breath.time_s + breath.insufflation_s, following])
        x = (times_s[a:b] - breath.time_s) / breath.insufflation_s
        volume[a:b] = kept + into * strokes(x, "cosine")
        flow = into * np.pi / 2 / breath.insufflation_s * np.sin(np.pi * x)
        pressure[a:b] = volume[a:b] / LUNG_ML_PER_CMH2O + BAG_CMH2O_S_PER_ML * flow
        gone = np.exp(-(times_s[b:c] - breath.time_s - breath.insufflation_s) / EXHALE_TAU_S)
        volume[b:c] = (kept + into) * gone
        pressure[b:c] = VALVE_CMH2O_S_PER_ML * volume[b:c] / EXHALE_TAU_S
        kept = (kept + into) * float(np.exp(-(following - breath.time_s - breath.insufflation_s) / EXHALE_TAU_S))
    return volume, pressure


def end_tidal_mmhg(
    plan: "Plan", compressions: "list[Compression]", breaths: "list[Breath]", pulse: list[tuple[float, float]]
) -> list[float]:
    """CO2 at the end of each breath's exhalation: venous blood feeds the lung, each breath dilutes it (one compartment)."""
    if not breaths:
        return []
    step, blood = 0.5, 0.0
    times = np.arange(0.0, plan.length_s, step)
    flow = np.zeros(len(times))
    for one in compressions:
        at = int(one.time_s / step)
        flow[at] += (one.release_s - one.onset_s) / (step * 0.86) * CPR_PER_S * plan.co2_gain * (0.5 + one.depth_mm / 100)
    for start, end in pulse:
        flow[(times >= start) & (times < end)] = PULSE_PER_S
    at_breath = {int(breath.time_s / step): reaches_ml(plan, breath) for breath in breaths}
    lung, track = 34.0 * plan.co2_gain, []
    for now, wanted in enumerate(flow.tolist()):
        blood += (max(wanted, STILL_PER_S) - blood) * step / 12.0
        lung += step * blood * (VENOUS_MMHG - lung)
        if now in at_breath:
            fresh = max(0.0, at_breath[now] - DEAD_SPACE_ML)
            lung *= LUNG_ML / (LUNG_ML + fresh)
        track.append(lung)
    ends = [breath.time_s for breath in breaths[1:]] + [min(plan.length_s - 1, breaths[-1].time_s + 8.0)]
    out = []
    for breath, end in zip(breaths, ends, strict=True):
        plateau = np.interp(end, times, track) if end - breath.time_s < 2 else track[max(int(end / step) - 1, 0)]
        exhaled = max(0.0, end - breath.time_s - breath.insufflation_s - 0.2)
        out.append(float(plateau * (1 - np.exp(-exhaled / 0.2))))
    return out
