"""Respiration, ECG and pulse from neurokit2's simulators, with neurokit2's own breath peaks and troughs.

Written with neurokit2 0.2.13, numpy as it asks for, by

    python tests/data/neurokit2/make.py

in an environment of its own (neurokit2 needs pandas < 3): pip install neurokit2==0.2.13. Seeds 7, 8 and 9 below. The CSV files
beside this script are the output; the tests read those and need no neurokit2.
"""

from pathlib import Path

import neurokit2
import numpy as np

PLACE = Path(__file__).parent
RATE_HZ = 25
SECONDS = 240


def main():
    """Write respiration.csv, breaths.csv and heart.csv."""
    breath = neurokit2.rsp_simulate(
        duration=SECONDS, sampling_rate=RATE_HZ, respiratory_rate=14, noise=0.01, method="breathmetrics", random_state=7
    )
    breath = np.asarray(breath)
    _, about = neurokit2.rsp_peaks(neurokit2.rsp_clean(breath, sampling_rate=RATE_HZ), sampling_rate=RATE_HZ)
    np.savetxt(PLACE / "respiration.csv", breath, fmt="%.4f", header="respiration[1], 25 per s", comments="")
    rows = [(sample / RATE_HZ, "peak") for sample in about["RSP_Peaks"]]
    rows += [(sample / RATE_HZ, "trough") for sample in about["RSP_Troughs"]]
    lines = [f"{time:.2f},{kind}" for time, kind in sorted(rows)]
    (PLACE / "breaths.csv").write_text("\n".join(["time_s,kind", *lines]) + "\n")
    ecg = neurokit2.ecg_simulate(duration=60, sampling_rate=250, heart_rate=72, noise=0.02, random_state=8)
    pulse = neurokit2.ppg_simulate(duration=60, sampling_rate=250, heart_rate=72, random_state=9)
    both = np.column_stack([ecg[:15000], pulse[:15000]])[::2]
    np.savetxt(PLACE / "heart.csv", both, fmt="%.3f", delimiter=",", header="ecg[mV],pleth[1], 125 per s", comments="")


if __name__ == "__main__":
    main()
