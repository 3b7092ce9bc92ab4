"""What the instrument makes of it: lambda volts, thermocouple millivolts, cold junction, faulty wiring."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from daq.thermocouple import emf_mV

from .engine import EngineTruth
from .options import Fault
from .physics import Physics
from .signals import correlated_noise, delayed, first_order, quantised

FloatArray = npt.NDArray[np.float64]
LAMBDA_VOLTS, LAMBDA_RANGE = (0.5, 4.5), (0.65, 1.45)
FULL_SCALE_V = 5.0


@dataclass(frozen=True)
class Readings:
    """The instrument's own columns: (n_samples,) or (n_samples, n_cylinders | n_banks).

    open_circuit says where the front end reports a broken thermocouple.
    """

    time_s: FloatArray
    cold_junction_C: FloatArray
    egt_mV: FloatArray
    open_circuit: npt.NDArray[np.bool_]
    lambda_V: FloatArray
    rpm: FloatArray
    load_kPa: FloatArray
    injector_ms: FloatArray


def read(engine: EngineTruth, physics: Physics, noise_seed: int = 0) -> Readings:
    """The columns that an instrument on `engine` would print."""
    line = physics.line
    block, measured = _cold_junction(engine, physics, noise_seed)
    junction, open_circuit = _wiring(engine, physics, noise_seed)
    white = engine.stream("white", noise_seed).standard_normal(junction.shape) * engine.options.white_noise_C
    emf = emf_mV(np.clip(junction + white, -50.0, 1370.0)) - emf_mV(block)
    for fault in engine.options.faults:
        if fault.kind == "reversed":
            emf[_inside(fault, line.time_s), engine.cylinders.index(fault.cylinder)] *= -1
    emf = quantised(emf, engine.resolution_mV)
    for fault in engine.options.faults:
        if fault.kind == "swapped":
            pair = [engine.cylinders.index(fault.cylinder), engine.cylinders.index(_other(fault))]
            emf[:, pair], open_circuit[:, pair] = emf[:, pair[::-1]], open_circuit[:, pair[::-1]]
    return Readings(
        time_s=line.time_s,
        cold_junction_C=quantised(measured, 0.01 if engine.resolution_mV > 0 else 0.0),
        egt_mV=np.where(open_circuit, np.nan, emf),
        open_circuit=open_circuit,
        lambda_V=_lambda_volts(engine, physics, noise_seed),
        rpm=np.round(physics.rpm),
        load_kPa=quantised(physics.load_kPa, 0.1),
        injector_ms=quantised(physics.injector_ms, 0.001),
    )


def _other(fault: Fault) -> int:
    if fault.other is None:
        raise ValueError("a swapped probe needs the other cylinder: Fault('swapped', 3, other=5)")
    return fault.other


def _inside(fault: Fault, time_s: FloatArray) -> npt.NDArray[np.bool_]:
    return (time_s >= fault.start_s) & (time_s < fault.end_s)


def _cold_junction(engine: EngineTruth, physics: Physics, noise_seed: int) -> tuple[FloatArray, FloatArray]:
    """(true °C of each terminal, measured °C): warms by a few degrees, a gradient grows across the block."""
    time_s = physics.line.time_s
    n, step = time_s.size, time_s[1] - time_s[0]
    warmed = 1 - np.exp(-time_s / 150.0)
    amount = engine.options.cold_junction_C
    noise = correlated_noise(
        engine.stream("block", noise_seed), n, np.array([0.03 * amount]), np.array([60.0]), step
    )[:, 0]
    block = engine.ambient_C + amount * warmed + noise
    terminals = block[:, None] + engine.terminal_C * (0.3 + 0.7 * warmed)[:, None]
    error = engine.stream("block sensor").uniform(-0.2, 0.2) * amount
    return terminals, block + error


def _lambda_volts(engine: EngineTruth, physics: Physics, noise_seed: int) -> FloatArray:
    """Volts of each bank's sensor: transport ~ 1/flow, lag, scale error, noise, unburnt oxygen, steps."""
    line, options = physics.line, engine.options
    step = line.time_s[1] - line.time_s[0]
    volts = np.empty_like(physics.bank_lambda)
    noise = engine.stream("lambda", noise_seed).standard_normal(volts.shape) * options.lambda_noise
    for bank in range(volts.shape[1]):
        # A misfired cycle's oxygen goes past the sensor with only part of its fuel oxidised: it reads lean.
        unburnt = physics.misfire[:, engine.in_bank(bank)].mean(axis=1)
        gas = np.where(line.running, physics.bank_lambda[:, bank] * (1 + 0.6 * unburnt), 5.0)
        delay = engine.lambda_delay_s[bank] / np.clip(physics.flow, 0.15, None)
        arrived = delayed(line.time_s, gas, delay)[:, None]
        lag = np.full_like(arrived, engine.lambda_lag_s[bank])
        shown = first_order(arrived, lag, step)[:, 0] * engine.lambda_scale[bank] + noise[:, bank]
        volts[:, bank] = np.interp(shown, LAMBDA_RANGE, LAMBDA_VOLTS)
    return quantised(volts, FULL_SCALE_V / options.lambda_steps if options.lambda_steps else 0.0)


def _wiring(
    engine: EngineTruth, physics: Physics, noise_seed: int
) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    """(junction °C with drifting and loose probes, open circuit): faults of the probe and its wires."""
    junction, time_s = physics.junction_C.copy(), physics.line.time_s
    open_circuit = np.zeros(junction.shape, dtype=bool)
    for fault in engine.options.faults:
        rng = engine.stream(f"{fault.kind} {fault.cylinder}", noise_seed)
        column, inside = engine.cylinders.index(fault.cylinder), _inside(fault, time_s)
        if fault.kind == "open":
            open_circuit[inside, column] = True
        elif fault.kind == "open-intermittent":
            open_circuit[:, column] = inside & _bursts(rng, time_s, every_s=6.0, length_s=1.5)
        elif fault.kind == "drifting":
            rate = rng.choice([-1, 1]) * rng.uniform(8, 20) if fault.size is None else fault.size
            hot = np.clip((junction[:, column] - 100) / 500, 0, 1)
            junction[:, column] += rate / 60 * np.clip(time_s - fault.start_s, 0, None) * hot
        elif fault.kind == "loose":
            dip = rng.uniform(25, 80) if fault.size is None else fault.size
            loose = inside & _bursts(rng, time_s, every_s=3.0, length_s=0.4)
            junction[loose, column] += rng.normal(-dip, dip, int(loose.sum()))
            open_circuit[:, column] |= loose & (rng.uniform(size=time_s.size) < 0.2)
    return junction, open_circuit


def _bursts(
    rng: np.random.Generator, time_s: FloatArray, every_s: float, length_s: float
) -> npt.NDArray[np.bool_]:
    """Random bursts, exponentially spaced and exponentially long."""
    count = int(time_s[-1] / every_s) + 5
    begins = np.cumsum(rng.exponential(every_s, count))
    ends = begins + rng.exponential(length_s, count)
    last = np.searchsorted(begins, time_s, side="right") - 1
    return (last >= 0) & (time_s < ends[np.maximum(last, 0)])
