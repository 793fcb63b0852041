"""Respiration, ECG and pulse from neurokit2's simulators, with neurokit2's own breath peaks and troughs.

Written with neurokit2 0.2.13, numpy as it asks for, by

    python tests/data/neurokit2/make.py

in an environment of its own (neurokit2 needs pandas < 3): pip install neurokit2==0.2.13. Seeds 7, 8, 9 and 20 to 24 below. The CSV
and NPZ files beside this script are the output; the tests read those and need no neurokit2.

living.npz holds 20 minutes of people with circulation, five stretches of 4 minutes at other heart and breathing rates one after the
other: ecg [mV, 100 per s], pleth [1, 50 per s] and respiration [1, 25 per s], all as whole numbers of `step`; ecg_rate and
pleth_rate are neurokit2's own rates [1/min] of each stretch, from the median interval of its ecg_peaks and ppg_findpeaks.
"""

from pathlib import Path

import neurokit2
import numpy as np

PLACE = Path(__file__).parent
RATE_HZ = 25
SECONDS = 240
LIVING = ((60, 12), (75, 14), (90, 18), (110, 22), (130, 28))  # heart rate, breathing rate [1/min]
STEP = 0.002


def main():
    """Write respiration.csv, breaths.csv, heart.csv and living.npz."""
    living()
    breath = neurokit2.rsp_simulate(
        duration=SECONDS, sampling_rate=RATE_HZ, respiratory_rate=14, noise=0.01, method="breathmetrics", random_state=7
    )
    breath = np.asarray(breath)
    _, about = neurokit2.rsp_peaks(neurokit2.rsp_clean(breath, sampling_rate=RATE_HZ), sampling_rate=RATE_HZ)
    np.savetxt(PLACE / "respiration.csv", breath, fmt="%.4f", header="respiration[1], 25 per s", comments="")
    rows = [(sample / RATE_HZ, "peak") for sample in about["RSP_Peaks"]]
    rows += [(sample / RATE_HZ, "trough") for sample in about["RSP_Troughs"]]
    lines = [f"{time:.2f},{kind}" for time, kind in sorted(rows)]
    (PLACE / "breaths.csv").write_text("\n".join(["time_s,kind", *lines]) + "\n", encoding="utf-8")
    ecg = neurokit2.ecg_simulate(duration=60, sampling_rate=250, heart_rate=72, noise=0.02, random_state=8)
    pulse = neurokit2.ppg_simulate(duration=60, sampling_rate=250, heart_rate=72, random_state=9)
    both = np.column_stack([ecg[:15000], pulse[:15000]])[::2]
    np.savetxt(PLACE / "heart.csv", both, fmt="%.3f", delimiter=",", header="ecg[mV],pleth[1], 125 per s", comments="")


def living():
    """Write living.npz."""
    waves, rates = {"ecg": [], "pleth": [], "respiration": []}, {"ecg_rate": [], "pleth_rate": []}
    for seed, (heart, breathing) in enumerate(LIVING, start=20):
        ecg = neurokit2.ecg_simulate(
            duration=SECONDS, sampling_rate=250, heart_rate=heart, heart_rate_std=2, noise=0.02, random_state=seed
        )
        pleth = neurokit2.ppg_simulate(duration=SECONDS, sampling_rate=250, heart_rate=heart, random_state=seed)
        breath = neurokit2.rsp_simulate(
            duration=SECONDS,
            sampling_rate=RATE_HZ,
            respiratory_rate=breathing,
            noise=0.01,
            method="breathmetrics",
            random_state=seed,
        )
        _, beats = neurokit2.ecg_peaks(neurokit2.ecg_clean(ecg, sampling_rate=250), sampling_rate=250)
        pulses = neurokit2.ppg_findpeaks(neurokit2.ppg_clean(pleth, sampling_rate=250), sampling_rate=250)
        rates["ecg_rate"].append(60 * 250 / np.median(np.diff(beats["ECG_R_Peaks"])))
        rates["pleth_rate"].append(60 * 250 / np.median(np.diff(pulses["PPG_Peaks"])))
        at = np.arange(SECONDS * 100) / 100
        waves["ecg"].append(np.interp(at, np.arange(len(ecg)) / 250, ecg))
        waves["pleth"].append(np.asarray(pleth)[: SECONDS * 250 : 5])
        waves["respiration"].append(np.asarray(breath)[: SECONDS * RATE_HZ])
    whole = {name: np.rint(np.concatenate(parts) / STEP).astype(np.int16) for name, parts in waves.items()}
    np.savez_compressed(PLACE / "living.npz", step=STEP, **whole, **rates)


if __name__ == "__main__":
    main()
