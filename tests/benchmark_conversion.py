"""How fast millivolts and cold junction become °C, beside a pure-Python package and the memory's own pace.

Run it by hand: `python tests/benchmark_conversion.py`. All rows are measured in turns in one run, on one core; the
ratios are what matters. Each row is the best of several turns, since other work on the machine only ever slows one.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
from thermocouple_its90 import TypeK

from daq.thermocouple import emf_mV, hot_junction_C, temperature_C

N_SAMPLES = 8 * 50 * 3600  # eight probes at 50 Hz for an hour
N_PURE_PYTHON = 5_000
TURNS = 7


def main() -> None:
    """Measure and print."""
    random = np.random.default_rng(90)
    hot_C = random.uniform(100, 1000, N_SAMPLES)
    cold_C = random.uniform(10, 60, N_SAMPLES)
    voltage_mV = emf_mV(hot_C) - emf_mV(cold_C)
    product = np.empty(N_SAMPLES)
    few = list(zip(voltage_mV[:N_PURE_PYTHON].tolist(), cold_C[:N_PURE_PYTHON].tolist(), strict=True))

    rows: dict[str, tuple[int, Callable[[], object]]] = {
        "multiply in memory (the limit)": (N_SAMPLES, lambda: np.multiply(voltage_mV, 2.0, out=product)),
        "hot_junction_C, a cold junction per sample": (N_SAMPLES, lambda: hot_junction_C(voltage_mV, cold_C)),
        "hot_junction_C, one cold junction": (N_SAMPLES, lambda: hot_junction_C(voltage_mV, 25.0)),
        "temperature_C": (N_SAMPLES, lambda: temperature_C(voltage_mV)),
        "emf_mV, the reference function itself": (N_SAMPLES, lambda: emf_mV(cold_C)),
        "thermocouple-its90, pure Python": (
            N_PURE_PYTHON,
            lambda: [TypeK.temperature(v, reference=c) for v, c in few],
        ),
    }
    rate = dict.fromkeys(rows, 0.0)
    hot_junction_C(20.0, 25.0)  # draws the tables
    for _ in range(TURNS):
        for name, (n, run) in rows.items():
            start_s = time.perf_counter()
            run()
            rate[name] = max(rate[name], n / (time.perf_counter() - start_s))

    limit, pure = rate["multiply in memory (the limit)"], rate["thermocouple-its90, pure Python"]
    print(f"{'':44}{'million/s':>10}{'× pure Python':>15}{'share of limit':>16}")
    for name, found in rate.items():
        print(f"{name:44}{found / 1e6:10.2f}{found / pure:15.0f}{found / limit:15.1%}")
    error_C = np.max(np.abs(hot_junction_C(voltage_mV, cold_C) - hot_C))
    print(f"largest error of hot_junction_C here: {error_C:.1e} °C (target 1e-3 °C)")


if __name__ == "__main__":
    main()
