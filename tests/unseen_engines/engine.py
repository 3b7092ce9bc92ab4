"""An unseen engine: everything about it drawn once, by seed, and known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .options import QUIET, Options
from .shapes import SHAPES, Curve, make_curve

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class EngineTruth:
    """What is true of an engine, its probes and its lambda sensors. Arrays are (n_cylinders,) or (n_banks,).

    fuel_percent, air_percent: how much more fuel and air than commanded each cylinder gets;
    air_slope_percent: change of that air per 1000 rpm above 3000; dead_time_ms: excess injector dead time;
    lost_when_hot_percent: fuel lost when the engine is hot through;
    heat_C and gain: the cylinder's own height and own scale of the curve; probe_gain and probe_offset_C:
    error of the probe at temperature T is probe_gain*T + probe_offset_C; tau_s: time constant of the probe at
    the moderate condition.
    """

    shape: str
    seed: int
    options: Options
    curve: Curve
    cylinders: tuple[int, ...]
    bank_names: tuple[str, ...]
    bank_index: npt.NDArray[np.int64]
    fuel_percent: FloatArray
    air_percent: FloatArray
    air_slope_percent: FloatArray
    dead_time_ms: FloatArray
    lost_when_hot_percent: FloatArray
    heat_C: FloatArray
    gain: FloatArray
    probe_gain: FloatArray
    probe_offset_C: FloatArray
    tau_s: FloatArray
    linear_drift_C_per_min: FloatArray
    wander_C: FloatArray
    wander_time_s: FloatArray
    terminal_C: FloatArray
    bank_fuel_percent: FloatArray
    lambda_scale: FloatArray
    lambda_delay_s: FloatArray
    lambda_lag_s: FloatArray
    peak_C: tuple[float, float, float]
    wall_time_s: float
    warm_up_time_s: float
    ambient_C: float
    resolution_mV: float

    def in_bank(self, bank: int) -> npt.NDArray[np.int64]:
        """Indices of the cylinders of bank number `bank`."""
        return np.flatnonzero(self.bank_index == bank)

    def stream(self, name: str, noise_seed: int = 0) -> np.random.Generator:
        """The random numbers of one disturbance, the same whatever else is switched on or off."""
        return _stream(self.seed, f"{name}/{noise_seed}")


def _stream(seed: int, name: str) -> np.random.Generator:
    return np.random.default_rng([seed, *name.encode()])


def zero_mean_in_banks(values: FloatArray, bank_index: npt.NDArray[np.int64]) -> FloatArray:
    """`values` less the mean of their own bank."""
    sums = np.bincount(bank_index, weights=values)
    return values - (sums / np.bincount(bank_index))[bank_index]


def _offsets(options: Options, bank_index: npt.NDArray[np.int64], seed: int) -> tuple[FloatArray, FloatArray]:
    """(fuel, air) in % of each cylinder, so that fuel per air is off by exactly what the options say."""
    n = bank_index.size
    air = _stream(seed, "air").normal(0.0, 1.0, n) * options.air_sd_percent
    if isinstance(options.offsets, str):
        if options.offsets not in ("random", "even"):
            raise ValueError(f"offsets must be 'random', 'even' or numbers, not {options.offsets!r}")
        sd = options.offset_sd_percent if options.offsets == "random" else 0.0
        wanted = _stream(seed, "offsets").normal(0.0, 1.0, n) * sd
    else:
        wanted = np.asarray(options.offsets, dtype=np.float64)
    wanted = zero_mean_in_banks(wanted, bank_index)
    fuel = 100 * ((1 + wanted / 100) * (1 + air / 100) - 1)
    return fuel, air


def _probe_errors(options: Options, n: int, seed: int) -> tuple[FloatArray, FloatArray]:
    """(gain, offset °C) of each probe: rectangular within the class at 800 °C, the offset alone when cold."""
    rng = _stream(seed, "probe")
    at_800_C = rng.uniform(-1, 1, n) * options.probe_class * 800.0
    offset = rng.uniform(0, 1, n) * rng.uniform(-1, 1, n) * options.probe_floor_C
    return (at_800_C - offset) / 800.0, offset


def make_engine(shape: str, seed: int, quiet: bool = False, **changes: object) -> EngineTruth:
    """An engine with the curve `shape`, everything else drawn by `seed`; `changes` are fields of `Options`.

    quiet=True switches off every disturbance except the fuel offsets (fields in `changes` win). Raises
    ValueError for an unknown shape, TypeError for an unknown option.
    """
    options = Options(**({**QUIET, **changes} if quiet else changes))  # type: ignore[arg-type]
    if shape not in SHAPES:
        raise ValueError(f"unknown shape {shape!r}; known: {', '.join(SHAPES)}")
    pairs = [(c, k) for k, members in enumerate(options.banks.values()) for c in members]
    cylinders = tuple(c for c, _ in pairs)
    bank_index = np.array([k for _, k in pairs])
    n, banks = len(cylinders), len(options.banks)
    fuel, air = _offsets(options, bank_index, seed)
    probe_gain, probe_offset = _probe_errors(options, n, seed)

    def uniform(name: str, size: int, half_range: float) -> FloatArray:
        return _stream(seed, name).uniform(-1, 1, size) * half_range

    def between(name: str, size: int, limits: tuple[float, float]) -> FloatArray:
        return _stream(seed, name).uniform(*limits, size)

    body = _stream(seed, "body")
    log_tau = between("tau", n, (np.log(options.probe_tau_s[0]), np.log(options.probe_tau_s[1])))
    ramp = np.linspace(-1, 1, n) * body.choice([-1, 1]) * body.uniform(0.3, 1)
    return EngineTruth(
        shape=shape,
        seed=seed,
        options=options,
        curve=make_curve(shape, _stream(seed, f"curve {shape}")),
        cylinders=cylinders,
        bank_names=tuple(options.banks),
        bank_index=bank_index,
        fuel_percent=fuel,
        air_percent=air,
        air_slope_percent=uniform("air slope", n, options.air_slope_percent),
        dead_time_ms=np.zeros(n) if options.dead_time_ms is None else np.asarray(options.dead_time_ms, float),
        lost_when_hot_percent=np.zeros(n)
        if options.lost_when_hot_percent is None
        else np.asarray(options.lost_when_hot_percent, float),
        heat_C=uniform("heat", n, options.heat_C),
        gain=1 + uniform("gain", n, options.gain),
        probe_gain=probe_gain,
        probe_offset_C=probe_offset,
        tau_s=np.exp(log_tau),
        linear_drift_C_per_min=uniform("drift", n, options.linear_drift_C_per_min),
        wander_C=between("wander", n, options.wander_C),
        wander_time_s=between("wander time", n, options.wander_time_s),
        terminal_C=ramp * options.terminal_gradient_C,
        bank_fuel_percent=uniform("bank", banks, options.bank_offset_percent),
        lambda_scale=1 + uniform("lambda scale", banks, options.lambda_scale),
        lambda_delay_s=between("lambda delay", banks, options.lambda_delay_s),
        lambda_lag_s=between("lambda lag", banks, options.lambda_lag_s),
        peak_C=(body.uniform(700, 800), body.uniform(0.05, 0.09), body.uniform(1.2, 2.2)),
        wall_time_s=float(body.uniform(25, 60)),
        warm_up_time_s=float(body.uniform(40, 90)),
        ambient_C=float(body.uniform(8, 30)),
        resolution_mV=float(body.choice([0.001, 0.005, 0.0104]))
        if options.resolution_mV is None
        else options.resolution_mV,
    )
