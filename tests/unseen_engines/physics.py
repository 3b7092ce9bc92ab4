"""From the operator's schedule to what each port's gas and each probe's junction really do."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .engine import EngineTruth
from .schedule import MODERATE_KPA, MODERATE_RPM, Schedule, Timeline, timeline
from .signals import correlated_noise, first_order, random_walk

FloatArray = npt.NDArray[np.float64]
DEAD_TIME_MS = 0.9
HOT_AIR_C = 120.0  # above the room, of the air that warms a port


@dataclass(frozen=True)
class Physics:
    """The true course of a session. (n_samples,), (n_samples, n_cylinders) or (n_samples, n_banks).

    offset_percent: fuel per air against the bank's mean; junction_C: what the probe's hot junction has,
    including the probe's own error; misfire: share of cycles without combustion.
    """

    line: Timeline
    rpm: FloatArray
    load_kPa: FloatArray
    flow: FloatArray
    injector_ms: FloatArray
    offset_percent: FloatArray
    bank_lambda: FloatArray
    gas_C: FloatArray
    junction_C: FloatArray
    misfire: FloatArray


def simulate(engine: EngineTruth, schedule: Schedule, rate_hz: float, noise_seed: int = 0) -> Physics:
    """Runs `engine` through `schedule`; `noise_seed` draws other noise for the same engine."""
    line = timeline(schedule, rate_hz)
    step, n = 1 / rate_hz, line.time_s.size
    wander = correlated_noise(
        engine.stream("conditions", noise_seed), n, np.array([12.0, 0.5]), np.array([9.0, 7.0]), step
    )
    wander *= engine.options.condition_wander * line.running[:, None]
    rpm, load = np.maximum(line.rpm + wander[:, 0], 0.0), line.load_kPa + wander[:, 1]
    flow = np.maximum(rpm / MODERATE_RPM * load / MODERATE_KPA, 0.02)
    phi, injector = _mixture(engine, line, rpm, load, noise_seed)
    mean_phi = np.stack(
        [phi[:, engine.in_bank(k)].mean(axis=1) for k in range(len(engine.bank_names))], axis=1
    )
    offset = 100 * (phi / mean_phi[:, engine.bank_index] - 1)
    air = 1 + engine.air_percent / 100
    bank_phi = np.stack(
        [
            np.average(phi[:, m], axis=1, weights=air[m])
            for m in map(engine.in_bank, range(len(engine.bank_names)))
        ],
        axis=1,
    )
    misfire = _misfire(engine, line, noise_seed)
    gas = _gas(engine, schedule, line, rpm, load, 1 / phi, misfire)
    junction = _junction(engine, line, gas, flow, step, noise_seed)
    return Physics(line, rpm, load, flow, injector, offset, 1 / bank_phi, gas, junction, misfire)


def _mixture(
    engine: EngineTruth, line: Timeline, rpm: FloatArray, load: FloatArray, noise_seed: int
) -> tuple[FloatArray, FloatArray]:
    """(phi of each cylinder, injector pulse width in ms): fuel, air, dead time and the bank's own offset."""
    step, n = line.time_s[1] - line.time_s[0], line.time_s.size
    sd = np.array([engine.options.mixture_wander_percent])
    wander = correlated_noise(engine.stream("mixture", noise_seed), n, sd, np.array([4.0]), step)
    phi = (1 + wander / 100) / line.lambda_[:, None]
    width = 0.062 * load / line.lambda_
    fuel = (1 + engine.fuel_percent / 100) * (1 - engine.dead_time_ms / np.maximum(width, 0.3)[:, None])
    fuel = fuel * (1 - engine.lost_when_hot_percent / 100 * _heated_through(engine, line)[:, None])
    air = 1 + (engine.air_percent + engine.air_slope_percent * (rpm[:, None] - MODERATE_RPM) / 1000) / 100
    bank = 1 + engine.bank_fuel_percent[engine.bank_index] / 100
    return phi * fuel / air * bank, np.where(line.running, width + DEAD_TIME_MS, 0.0)


def _heated_through(engine: EngineTruth, line: Timeline) -> FloatArray:
    """(n_samples,) 0..1: how far heat has come to the fuel: late, then within two minutes, as metal lets it through."""
    step = line.time_s[1] - line.time_s[0]
    run_s = np.cumsum(line.running) * step
    return np.asarray(1 / (1 + np.exp(-(run_s - engine.options.hot_after_s) / 30.0)))


def _misfire(engine: EngineTruth, line: Timeline, noise_seed: int) -> FloatArray:
    """Share of misfired cycles (n_samples, n_cylinders): erratic, in bursts, within the fault's window."""
    share = np.zeros((line.time_s.size, len(engine.cylinders)))
    step = line.time_s[1] - line.time_s[0]
    for fault in engine.options.faults:
        if fault.kind == "misfire":
            rng = engine.stream(f"misfire {fault.cylinder}", noise_seed)
            mean = rng.uniform(0.12, 0.4) if fault.size is None else fault.size
            noise = correlated_noise(rng, line.time_s.size, np.array([0.6]), np.array([4.0]), step)[:, 0]
            inside = (line.time_s >= fault.start_s) & (line.time_s < fault.end_s) & line.running
            share[:, engine.cylinders.index(fault.cylinder)] = np.clip(mean * (1 + noise), 0, 0.9) * inside
    return share


def _gas(
    engine: EngineTruth,
    schedule: Schedule,
    line: Timeline,
    rpm: FloatArray,
    load: FloatArray,
    lambda_: FloatArray,
    misfire: FloatArray,
) -> FloatArray:
    """Temperature of each port's gas [°C]: peak by condition, own height, own gain on the curve, faults."""
    level, per_rpm, per_kPa = engine.peak_C
    peak = level + per_rpm * (rpm - MODERATE_RPM) + per_kPa * (load - MODERATE_KPA)
    gas = peak[:, None] + engine.heat_C + engine.gain * engine.curve(lambda_)
    for fault in engine.options.faults:
        if fault.kind in ("late-spark", "leaking-valve"):
            rng = engine.stream(f"{fault.kind} {fault.cylinder}")
            hotter = rng.uniform(40, 80) if fault.size is None else fault.size
            share = load / MODERATE_KPA if fault.kind == "leaking-valve" else np.ones_like(load)
            inside = (line.time_s >= fault.start_s) & (line.time_s < fault.end_s)
            gas[:, engine.cylinders.index(fault.cylinder)] += hotter * share * inside
    gas -= misfire * 0.8 * np.maximum(gas - 300.0, 0.0)
    started = np.flatnonzero(line.running)
    since = line.time_s - (line.time_s[started[0]] if started.size else 0.0)
    cold = engine.options.common_drift_C * np.exp(-np.maximum(since, 0) / engine.warm_up_time_s)
    still = engine.ambient_C + HOT_AIR_C * _warmed(engine, schedule, line)
    return np.where(line.running[:, None], np.maximum(gas - cold[:, None], 150.0), still)


def _warmed(engine: EngineTruth, schedule: Schedule, line: Timeline) -> npt.NDArray[np.bool_]:
    """(n_samples, n_cylinders) whose port somebody is warming."""
    warmed = np.array([part.warmed or 0 for part in schedule])
    return np.asarray(warmed[line.segment][:, None] == np.array(engine.cylinders))


def _junction(
    engine: EngineTruth, line: Timeline, gas: FloatArray, flow: FloatArray, step: float, noise_seed: int
) -> FloatArray:
    """The hot junctions [°C]: slow wall common to all, own lag ~ flow^-0.5, wander, drift, probe error."""
    options, n = engine.options, line.time_s.size
    wall_time = np.broadcast_to((engine.wall_time_s * flow**-0.3)[:, None], gas.shape)
    wall = first_order(gas, wall_time, step)
    seen = gas + options.wall_share * (wall - gas)
    slower = np.ones(len(engine.cylinders))
    for fault in options.faults:
        if fault.kind == "slow":
            drawn = engine.stream(f"slow {fault.cylinder}").uniform(6, 12)
            slower[engine.cylinders.index(fault.cylinder)] = drawn if fault.size is None else fault.size
    wander = (
        correlated_noise(engine.stream("wander", noise_seed), n, engine.wander_C, engine.wander_time_s, step)
        * np.minimum(flow, 1.0)[:, None]
    )
    tau = engine.tau_s * slower * np.clip(flow, 0.03, None)[:, None] ** -0.5
    junction = first_order(seen, tau, step) + wander
    heated = np.clip((junction - engine.ambient_C) / 700.0, 0, 1.2)
    minutes = (line.time_s / 60)[:, None]
    drift = engine.linear_drift_C_per_min * minutes + random_walk(
        engine.stream("walk", noise_seed), n, len(engine.cylinders), options.random_walk_C_per_min, step
    )
    return junction * (1 + engine.probe_gain) + engine.probe_offset_C + drift * heated
