"""How well sample times are recovered from delayed arrivals, beside least squares and plain arrival.

Simulated transport as on a USB serial port: a delay of 0 to 16 ms at random, a stall of 200 ms about every
15 s that holds up what follows, stamps of whole milliseconds, 50 Hz, a clock that is 50 ppm fast or slow.

    python tests/benchmark_clock.py
"""

from __future__ import annotations

import time

import numpy as np
import numpy.typing as npt

from daq.clock import sample_times
from daq.session import InstrumentTable

FloatArray = npt.NDArray[np.float64]


def simulated_arrivals(
    duration_s: float,
    drift_ppm: float,
    seed: int,
    rate_Hz: float = 50.0,
    largest_delay_s: float = 0.016,
    stall_s: float = 0.2,
    stall_every_s: float = 15.0,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """(true time [s], counter [ms], arrival [s]) of each sample, (n_samples,) each."""
    rng = np.random.default_rng(seed)
    true_s = np.arange(0.0, duration_s, 1.0 / rate_Hz) + rng.uniform(0.0, 1.0 / rate_Hz)
    counter_ms = np.floor(1000.0 * (5.0 + true_s * (1.0 + 1e-6 * drift_ppm)))
    arrival_s = true_s + rng.uniform(0.0, largest_delay_s, true_s.size)
    stalls = np.cumsum(rng.exponential(stall_every_s, int(2 * duration_s / stall_every_s) + 10))
    for start_s in stalls[stalls < duration_s]:
        held = (arrival_s >= start_s) & (arrival_s < start_s + stall_s)
        arrival_s[held] = start_s + stall_s
    return true_s, counter_ms, np.maximum.accumulate(arrival_s)


def as_table(counter_ms: FloatArray, arrival_s: FloatArray) -> InstrumentTable:
    """The arrivals as the table of an instrument that prints nothing but its counter."""
    return InstrumentTable("main", ("time_ms",), arrival_s, counter_ms[np.newaxis, :])


def errors_ms(duration_s: float, drift_ppm: float, seed: int) -> dict[str, FloatArray]:
    """Method -> (n_samples,) error [ms] of each sample's time."""
    true_s, counter_ms, arrival_s = simulated_arrivals(duration_s, drift_ppm, seed)
    fitted = sample_times(as_table(counter_ms, arrival_s))
    line = np.polynomial.Polynomial.fit(counter_ms, arrival_s, 1)
    return {
        "arrival": 1e3 * (arrival_s - true_s),
        "least squares": 1e3 * (line(counter_ms) - true_s),
        "earliest arrivals": 1e3 * (fitted.time_s - true_s[fitted.kept]),
    }


def main() -> None:
    print(f"{'length':>8} {'drift':>8}  {'method':<18} {'median':>8} {'p95 |.|':>8} {'worst':>8}  [ms]")
    for duration_s in (10.0, 60.0, 600.0, 3600.0):
        for drift_ppm in (-50.0, 50.0):
            runs = [errors_ms(duration_s, drift_ppm, seed) for seed in range(10)]
            for method in runs[0]:
                error = np.concatenate([run[method] for run in runs])
                p95, worst = np.quantile(np.abs(error), 0.95), np.max(np.abs(error))
                print(
                    f"{duration_s:6.0f} s {drift_ppm:+4.0f} ppm  {method:<18} {np.median(error):8.2f} "
                    f"{p95:8.2f} {worst:8.2f}"
                )
    true_s, counter_ms, arrival_s = simulated_arrivals(36_000.0, 50.0, 1)
    started = time.perf_counter()
    sample_times(as_table(counter_ms, arrival_s))
    print(f"10 h at 50 Hz ({true_s.size} samples): {time.perf_counter() - started:.2f} s")


if __name__ == "__main__":
    main()
