"""The exposure of an invented year of minutes for eight activation energies, by
numpy: the yardstick of internal/kinetics, which runs this. Prints the sums in
days, and the least processor time a sample and energy took in several runs.

python3 exposure.py  (Debian: python3-scipy brings numpy)
"""

import json
import time

import numpy as np

R = 8.314462618e-3  # kJ/(mol K), CODATA 2018
REFERENCE = 21 + 273.15

n = 365 * 24 * 60
# Whole thousandths of a degree between 10 and 26 °C, the same in Go.
celsius = 10 + (np.arange(n, dtype=np.int64) * 7919 % 16001) / 1000.0
energies = 40 + np.arange(8) * 80.0 / 7


def sums():
    x = 1 / REFERENCE - 1 / (celsius + 273.15)
    return [float(np.exp(e / R * x).sum() / 1440) for e in energies]


least = None
for _ in range(7):
    began = time.process_time()
    days = sums()
    took = time.process_time() - began
    least = took if least is None else min(least, took)

print(json.dumps({"numpy": np.__version__, "days": days, "ns": least / (n * len(energies)) * 1e9}))
