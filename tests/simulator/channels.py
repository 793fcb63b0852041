"""What each sensor records of a truth: physics of the patient first, then the sensor's own lag, noise and reach.

None of these equations is used by a detector: chest and lung follow body.py, the heart is drawn beat by beat.
"""

import zlib
from collections.abc import Callable

import numpy as np

from tests.simulator import body, troubles
from tests.simulator.schedule import Truth

CHANNELS = (
    "compression_depth",
    "compression_force",
    "airway_pressure",
    "co2",
    "ecg",
    "thoracic_impedance",
    "chest_acceleration",
    "airway_flow",
)
FINE_HZ = 200.0
ECG_RAIL_MV = 5.0
IMPEDANCE_RAIL_OHM = 250.0


def record(truth: Truth, channel: str, rate_hz: float, seed: int, *, shape: str = "cosine", losses: bool = True) -> np.ndarray:
    """Samples of one channel from time 0 on, every 1/rate_hz seconds, in the channel's own unit.

    Parameters: channel, one of CHANNELS; rate_hz [Hz]; seed, of the sensor's noise; shape, course of a stroke (cosine, triangle,
    plateau); losses, whether the plan's gaps become NaN, its flat stretches the last value before them, and its troubles happen.
    Raises: KeyError for a channel that the simulator does not have.
    """
    times = np.arange(round(truth.plan.length_s * rate_hz)) / rate_hz * (1 - 1e-6 * truth.plan.clock_ppm)
    rng = np.random.default_rng([seed, zlib.crc32(channel.encode())])
    sensors: dict[str, Callable[[], np.ndarray]] = {
        "compression_depth": lambda: _depth(truth, times, rng, shape),
        "compression_force": lambda: _force(truth, times, rng, shape),
        "airway_pressure": lambda: _pressure(truth, times, rng, shape),
        "airway_flow": lambda: _flow(truth, times, rng),
        "co2": lambda: _capnogram(truth, times, rng, shape),
        "ecg": lambda: _ecg(truth, times, rng, shape),
        "thoracic_impedance": lambda: _impedance(truth, times, rng, shape),
        "chest_acceleration": lambda: _acceleration(truth, times, rng, shape),
    }
    samples = sensors[channel]()
    if losses:
        troubles.spoil(samples, times, channel, truth.plan.troubles, rng)
        for name, start, end in truth.plan.flats:
            if name == channel:
                a, b = np.searchsorted(times, [start, end])
                samples[a:b] = samples[a]
        for start, end in truth.plan.gaps:
            samples[(times >= start) & (times < end)] = np.nan
    return samples


def _wander(rng: np.random.Generator, times: np.ndarray, every_s: float, size: float) -> np.ndarray:
    """Slow drift: a random value every so many seconds, joined by straight lines."""
    knots = np.arange(0.0, times[-1] + 2 * every_s, every_s)
    return np.interp(times, knots, rng.normal(0, size, len(knots)))


def _lagged(samples: np.ndarray, step_s: float, tau_s: float) -> np.ndarray:
    """First-order sensor: what it shows runs after what is there."""
    keep, now, out = float(np.exp(-step_s / tau_s)), float(samples[0]), []
    for value in samples.tolist():
        now = value + (now - value) * keep
        out.append(now)
    return np.array(out)


def _fine(truth: Truth) -> np.ndarray:
    return np.arange(round(truth.plan.length_s * FINE_HZ)) / FINE_HZ


def _depth(truth: Truth, times: np.ndarray, rng: np.random.Generator, shape: str) -> np.ndarray:
    return body.chest_depth_mm(truth, times, shape=shape) + rng.normal(0, 0.25, len(times)) + _wander(rng, times, 20.0, 0.2)


def _force(truth: Truth, times: np.ndarray, rng: np.random.Generator, shape: str) -> np.ndarray:
    """Spring that stiffens with depth, damper that grows with depth; hands push, they never pull."""
    depth = body.chest_depth_mm(truth, times, shape=shape)
    speed = np.gradient(depth, times)
    force = body.static_force_n(depth, truth.plan.stiffness) + body.DAMPING_N_S_PER_MM2 * depth * speed
    return np.maximum(force, 0) + rng.normal(0, 1.5, len(times)) + _wander(rng, times, 30.0, 0.8)


def _inward(truth: Truth, times: np.ndarray) -> np.ndarray:
    """Resistance that gas meets on its way back in: small when open, large behind an ITD that seals."""
    inward = np.full(len(times), body.IN_CMH2O_S_PER_ML)
    placed = min([*truth.at("airway_placed", "supraglottic"), *truth.at("airway_placed", "tracheal_tube")], default=np.inf)
    for on, off in truth.device_spans("itd"):
        sealed = np.where(times < placed, 0.5, 1.0) * truth.plan.itd_seal
        here = (times >= on) & (times < off)
        inward[here] = (body.ITD_IN_CMH2O_S_PER_ML * sealed)[here]
    for start, end in truth.plan.leak_spans:
        here = (times >= start) & (times < end)
        inward[here] = np.minimum(inward[here], 0.8 * body.IN_CMH2O_S_PER_ML)
    return inward


def _pressure(truth: Truth, times: np.ndarray, rng: np.random.Generator, shape: str) -> np.ndarray:
    fine = _fine(truth)
    chest = body.chest_depth_mm(truth, fine, shape=shape)
    total = body.airway_swing_cmh2o(chest, 1 / FINE_HZ, _inward(truth, fine)) + body.lung_gas(truth, fine)[1]
    if truth.plan.gasps_after_rosc:
        total += _gasps(truth, fine, rng)
    return np.interp(times, fine, _lagged(total, 1 / FINE_HZ, 0.012)) + rng.normal(0, 0.15, len(times))


def _gasps(truth: Truth, times: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Weak breaths of the patient's own with a pulse: each pulls against the ITD while it is on, and hardly shows without it."""
    out = np.zeros(len(times))
    held = truth.device_spans("itd")
    for start, end in truth.pulse:
        at = start + 25.0
        while at < end - 3:
            pull = 8.0 if any(on <= at < off for on, off in held) else 1.0
            a, b = np.searchsorted(times, [at, at + 0.9])
            out[a:b] -= pull * rng.uniform(0.8, 1.2) * np.sin(np.pi * (times[a:b] - at) / 0.9)
            at += rng.uniform(7, 13)
    return out


def _flow(truth: Truth, times: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Airway flow, into the patient positive [L/min]."""
    fine = _fine(truth)
    flow = np.gradient(body.lung_gas(truth, fine)[0], fine) * 0.06
    chest = np.gradient(body.chest_depth_mm(truth, fine), fine) * body.GAS_ML_PER_MM * 0.06
    return np.interp(times, fine, _lagged(flow - chest, 1 / FINE_HZ, 0.01)) + rng.normal(0, 0.3, len(times))


def _capnogram(truth: Truth, times: np.ndarray, rng: np.random.Generator, shape: str) -> np.ndarray:
    """CO2 at the airway: fresh gas in, dead space, rise and plateau out; recoil that draws fresh gas past the sensor."""
    fine = np.arange(round(truth.plan.length_s * 100.0)) / 100.0
    co2, ripple = np.zeros(len(fine)), np.zeros(len(fine))
    breaths = [breath for breath in truth.breaths if breath.time_s >= truth.plan.capnography_s]
    ends = [breath.time_s for breath in breaths[1:]] + [truth.plan.length_s]
    for breath, following in zip(breaths, ends, strict=True):
        a, b, c = np.searchsorted(fine, [breath.time_s + 0.05, breath.time_s + breath.insufflation_s + 0.2, following + 0.05])
        co2[a:b] = (co2[a - 1] if a else 0.0) * np.exp(-(fine[a:b] - breath.time_s - 0.05) / 0.07)
        out = fine[b:c] - fine[min(b, len(fine) - 1)]
        top = breath.etco2_mmhg / (1 - np.exp(-max(following - breath.time_s - breath.insufflation_s - 0.2, 0.3) / 0.2))
        co2[b:c] = (
            top
            * (1 - np.exp(-out / 0.2))
            * (0.94 + 0.06 * np.minimum(1.0, out / max(following - fine[min(b, len(fine) - 1)], 0.5)))
        )
        if truth.plan.ripple_kind:
            share = rng.uniform(0.2, 0.9) if rng.random() < truth.plan.ripple_share else 0.0
            ripple[a:c] = share * breath.etco2_mmhg
        else:
            ripple[b:c] = rng.uniform(0.15, 0.5) if rng.random() < truth.plan.ripple_share else 0.02
    chest = body.chest_depth_mm(truth, fine, shape=shape)
    if truth.plan.ripple_kind:
        shown = _lagged(troubles.rippled(co2, chest, ripple, truth.plan.ripple_kind), 0.01, 0.08)
    else:
        drawn = np.clip(-np.gradient(chest, fine) / 350.0, 0, 1) * ripple
        shown = _lagged(co2 * (1 - drawn), 0.01, 0.08)
    delayed = np.interp(times - truth.plan.co2_delay_s, fine, shown, left=0.0)
    return np.maximum(0.0, np.round(delayed + rng.normal(0, 0.1, len(times)), 1)) + 0.0


def _flutter(rng: np.random.Generator, times: np.ndarray) -> np.ndarray:
    """VF: a few oscillators whose frequencies wander between 3 and 7 Hz and whose strengths come and go."""
    step = times[1] - times[0]
    out = np.zeros(len(times))
    for centre in (3.6, 4.4, 5.3):
        pitch = np.clip(centre + _wander(rng, times, 1.5, 0.5), 3.0, 7.0)
        out += np.abs(_wander(rng, times, 2.5, 0.35)) * np.sin(2 * np.pi * np.cumsum(pitch) * step + rng.uniform(0, 6.3))
    return out


def _hump(times: np.ndarray, out: np.ndarray, at: float, width: float, size: float) -> None:
    a, b = np.searchsorted(times, [at - width / 2, at + width / 2])
    out[a:b] += size * np.cos(np.pi * (times[a:b] - at) / width) ** 2


def _beats(rng: np.random.Generator, times: np.ndarray, rate: float, *, wide: bool) -> np.ndarray:
    """Ventricular complexes one by one, from humps: wide and slow, or narrow with a P and a T wave."""
    out = np.zeros(len(times))
    if not len(times):
        return out
    at = float(times[0]) + 0.4
    while at < times[-1] - 0.6:
        waves = (
            ((0.0, 0.20, 0.8), (0.16, 0.22, -0.5))
            if wide
            else ((-0.17, 0.1, 0.12), (0.0, 0.07, 1.1), (0.045, 0.06, -0.3), (0.28, 0.2, 0.3))
        )
        for lag, width, size in waves:
            _hump(times, out, at + lag, width, size * rng.uniform(0.9, 1.1))
        at += 60 / rate * (1 + rng.normal(0, 0.04))
    return out


def _heart(truth: Truth, times: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """The patient's own ECG by the rhythm of the plan, and a sinus rhythm while there is a pulse."""
    turns = sorted([*truth.plan.rhythms, *((start, "pulse") for start, _ in truth.pulse)])
    out = np.zeros(len(times))
    for (since, word), until in zip(turns, [*(since for since, _ in turns[1:]), np.inf], strict=True):
        a, b = np.searchsorted(times, [since, until])
        if b - a < 2:
            continue
        if word in ("VF", "pVT"):
            out[a:b] = _flutter(rng, times[a:b])
        elif word == "PEA":
            out[a:b] = _beats(rng, times[a:b], 52.0, wide=True)
        elif word in ("pulse", "organised"):
            out[a:b] = _beats(rng, times[a:b], 98.0, wide=False)
        else:
            out[a:b] = _wander(rng, times[a:b], 0.6, 0.02)
    return out


def _ecg(truth: Truth, times: np.ndarray, rng: np.random.Generator, shape: str) -> np.ndarray:
    chest = body.chest_depth_mm(truth, times, shape=shape)
    speed = np.gradient(chest, times) / 300.0
    jolt = np.gradient(np.gradient(chest, times), times) / 6000.0
    if shape != "cosine":  # electrodes on skin do not follow a corner of the stroke
        width = max(1, round(0.08 / (times[1] - times[0])))
        jolt = np.convolve(jolt, np.full(width, 1.0 / width), "same")
    strength = 0.5 * (1 + 0.4 * np.tanh(_wander(rng, times, 10.0, 1.0)))
    ecg = _heart(truth, times, rng) + strength * (0.9 * speed + 0.5 * jolt) + _wander(rng, times, 3.0, 0.04)
    ecg += rng.normal(0, 0.015, len(times))
    for at in truth.at("shock"):
        a, b, c = np.searchsorted(times, [at, at + 0.016, at + 2.5])
        ecg[b:c] += -3.2 * np.exp(-(times[b:c] - at - 0.016) / 0.45)
        ecg[a:b] = ECG_RAIL_MV
    return np.clip(ecg, -ECG_RAIL_MV, ECG_RAIL_MV)


def _impedance(truth: Truth, times: np.ndarray, rng: np.random.Generator, shape: str) -> np.ndarray:
    """Pads impedance: 0.5 ohm per 250 mL of breath (Idris 2023), a share of the stroke, a little of each heartbeat, shocks."""
    chest = body.chest_depth_mm(truth, times, shape=shape) / 50.0
    volume = np.interp(times, _fine(truth), body.lung_gas(truth, _fine(truth))[0])
    hands = 0.7 * chest - 0.35 * chest**2 + 0.25 * np.gradient(chest, times) / 7.0
    if truth.plan.impedance_ohm is not None:
        hands *= truth.plan.impedance_ohm / troubles.usual_swing(hands, times, truth.compressions)
    ohm = 82.0 + 0.002 * volume + hands * (1 + _wander(rng, times, 25.0, 0.12)) + _wander(rng, times, 12.0, 0.3)
    for start, end in truth.pulse:
        a, b = np.searchsorted(times, [start, end])
        ohm[a:b] += 0.02 * np.sin(2 * np.pi * 98 / 60 * times[a:b])
    for at in truth.at("shock"):
        a, b = np.searchsorted(times, [at, at + 0.2])
        ohm[a:] -= 1.6 * np.exp(-(times[a:] - at) / 1.2)
        ohm[a:b] = IMPEDANCE_RAIL_OHM
    return np.clip(ohm + rng.normal(0, 0.04, len(times)), 0, IMPEDANCE_RAIL_OHM)


def _acceleration(truth: Truth, times: np.ndarray, rng: np.random.Generator, shape: str) -> np.ndarray:
    """Second derivative of the chest's way, down positive, with a leak of gravity by tilt [m/s2]."""
    chest = body.chest_depth_mm(truth, times, shape=shape) / 1000.0
    if truth.plan.mattress_share:
        chest += truth.plan.mattress_share * _lagged(chest, times[1] - times[0], 0.04)
    tilt = 9.81 * (1 - np.cos(np.deg2rad(6 + _wander(rng, times, 8.0, 3.0))))
    return np.gradient(np.gradient(chest, times), times) - tilt + rng.normal(0, 0.2, len(times))
