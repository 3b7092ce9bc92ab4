"""A virtual engine that prints the line stream: a test rig and the demo, with known fuel errors. Not the
truth.

Its equations are its own and simple; nothing in `analysis` may know them. Exhaust temperature of a cylinder
falls off from a peak as -k·w·ln cosh(x/w), x the distance of its own mixture from the peak in per cent; its
probe follows with a lag that shortens with the square root of the gas flow. On top: heat that is not mixture,
an error and a drift of the probe, wander, noise, and a lambda sensor with transport delay, lag and noise.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from daq.checksum import crc16, xor_checksum
from daq.thermocouple import emf_mV
from daq.virtual_scenario import Disturbance, Phase, Scenario

FloatArray = npt.NDArray[np.float64]

LAMBDA_VOLTS, LAMBDA_RANGE = (0.5, 4.5), (0.65, 1.45)
HEADER_EVERY_S = 10.0
AIR_LAMBDA = 5.0  # engine off: the sensor sees air and stays at its end
BLOCK_WARMS_C, BLOCK_TIME_S = 4.0, 120.0  # the terminal block in the warmth of the running engine
POWERED_BEFORE_MS = 1500  # the instrument's counter does not start with the recording


@dataclass(frozen=True)
class Line:
    """A line of the stream, line end included, and the engine time [s] at which it is printed."""

    time_s: float
    data: bytes


@dataclass(frozen=True)
class _Condition:
    rpm: float
    load_kPa: float
    lambda_: float
    phase: int

    @property
    def running(self) -> bool:
        return self.rpm > 0


class VirtualEngine:
    """The engine of a scenario. `lines()` starts it from cold each time, and always prints the same."""

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        cylinders = scenario.cylinder
        self._banks = np.array([scenario.banks.index(c.bank) for c in cylinders])
        self._fuel = np.array([1 + c.fuel_percent / 100 for c in cylinders])
        self._heat_C = np.array([c.heat_C for c in cylinders])
        self._gain = np.array([c.gain for c in cylinders])
        self._probe = np.array([1 + c.probe_error_percent / 100 for c in cylinders])
        self._lag_s = np.array([c.lag_s for c in cylinders])
        self._drift_C_per_s = np.array([c.drift_C_per_min / 60 for c in cylinders])
        self._open_after_s = [math.inf if c.open_after_s is None else c.open_after_s for c in cylinders]

    @property
    def duration_s(self) -> float:
        """Engine time from the first to the last line [s]."""
        return self.scenario.duration_s

    def stream(self) -> bytes:
        """The whole session as bytes, as a terminal program would have captured it."""
        return b"".join(line.data for line in self.lines())

    def lines(self) -> Iterator[Line]:
        """Header, samples and remarks in their order, the header again every 10 s."""
        scenario = self.scenario
        header = _text("#" + ",".join(scenario.columns))
        next_header_s, phase = 0.0, -1
        for time_s, condition, values in self._samples():
            if time_s >= next_header_s:
                yield Line(time_s, header)
                next_header_s += HEADER_EVERY_S
            if condition.phase != phase:
                phase = condition.phase
                remark = scenario.phase[phase].remark
                if remark:
                    yield Line(time_s, _text(f"# {remark}"))
            yield Line(time_s, self._sample_line(time_s, values))

    def _samples(self) -> Iterator[tuple[float, _Condition, list[str]]]:
        """(time, condition, fields after the counter) at the scenario's rate."""
        scenario = self.scenario
        state = _State(scenario)
        for number in range(round(scenario.duration_s * scenario.rate_hz)):
            time_s = number * state.step_s
            state.unsteady = _wandering(state.unsteady, 3.0, state)
            condition = _disturbed(self._condition(time_s), state.unsteady, scenario.disturbance)
            yield time_s, condition, self._advance(state, time_s, condition)

    def _advance(self, state: _State, time_s: float, condition: _Condition) -> list[str]:
        """One step of the engine, its probes and sensors; the fields that the instrument prints of it."""
        scenario, noise, step, rng = self.scenario, self.scenario.disturbance, state.step_s, state.rng
        flow = self._flow(condition)
        phi = self._fuel / condition.lambda_
        gas = self._gas_C(condition, 1 / phi, state.running_s)
        state.junction_C += (1 - np.exp(-step * math.sqrt(flow) / self._lag_s)) * (gas - state.junction_C)
        state.wander = _wandering(state.wander, noise.wander_time_s, state)
        shown = self._shown_C(state.junction_C, time_s) + rng.normal(0, noise.white_C, phi.size)
        shown += state.wander * noise.wander_C * min(flow, 1.0)
        warmer = BLOCK_WARMS_C if condition.running else 0.0
        state.block_C += step / BLOCK_TIME_S * (scenario.ambient_C + warmer - state.block_C)
        state.running_s += step * condition.running
        volts = [
            sensor.volts(1 / phi[self._banks == bank].mean() if condition.running else AIR_LAMBDA, flow, rng)
            for bank, sensor in enumerate(state.sensors)
        ]
        millivolts = [
            "open" if time_s >= open_after_s else f"{value:.3f}"
            for value, open_after_s in zip(
                emf_mV(shown) - emf_mV(state.block_C), self._open_after_s, strict=True
            )
        ]
        return _fields(state.block_C, millivolts, volts, condition)

    def _condition(self, time_s: float) -> _Condition:
        """What the operator asks for at `time_s`: a phase, reached from the one before by a ramp."""
        begin_s, before = 0.0, self.scenario.phase[0]
        for number, phase in enumerate(self.scenario.phase):
            if time_s < begin_s + phase.seconds or number == len(self.scenario.phase) - 1:
                return _ramped(before, phase, time_s - begin_s, number)
            begin_s, before = begin_s + phase.seconds, phase
        raise AssertionError("a scenario has at least one phase")

    def _flow(self, condition: _Condition) -> float:
        """Gas flow relative to the reference condition; still air when the engine is off."""
        curve = self.scenario.curve
        flow = condition.rpm / curve.reference_rpm * condition.load_kPa / curve.reference_kPa
        return max(flow, 0.03)

    def _gas_C(self, condition: _Condition, lambda_: FloatArray, running_s: float) -> FloatArray:
        """Exhaust gas temperature of each port [°C]."""
        curve = self.scenario.curve
        if not condition.running:
            return np.full(lambda_.size, self.scenario.ambient_C)
        from_peak = 100 * np.log(lambda_ / curve.peak_lambda) / curve.rounding_percent
        fall = curve.slope_C_per_percent * curve.rounding_percent * np.log(np.cosh(from_peak))
        fall *= np.where(from_peak > 0, curve.lean_ratio, 1.0)
        peak = curve.peak_C + curve.per_1000rpm_C * (condition.rpm - curve.reference_rpm) / 1000
        peak += curve.per_kPa_C * (condition.load_kPa - curve.reference_kPa)
        cold = self.scenario.disturbance.cold_start_C * math.exp(-running_s / 40.0)
        return np.asarray(peak - cold + self._heat_C - self._gain * fall)

    def _shown_C(self, junction_C: FloatArray, time_s: float) -> FloatArray:
        """What the probe makes of its junction: an error in proportion and a drift once it is hot."""
        ambient = self.scenario.ambient_C
        hot = np.clip((junction_C - ambient) / 600.0, 0.0, 1.0)
        return np.asarray(ambient + (junction_C - ambient) * self._probe + self._drift_C_per_s * time_s * hot)

    def _sample_line(self, time_s: float, values: list[str]) -> bytes:
        text = ",".join([str(POWERED_BEFORE_MS + round(1000 * time_s)), *values])
        if self.scenario.checksum == "xor":
            text += f"*{xor_checksum(text.encode('ascii')):02X}"
        elif self.scenario.checksum == "crc":
            text += f"*{crc16(text.encode('ascii')):04X}"
        return _text(text)


class _State:
    """What changes while the engine runs; its noises are in units of their own standard deviation."""

    def __init__(self, scenario: Scenario) -> None:
        self.step_s = 1 / scenario.rate_hz
        self.rng = np.random.default_rng(scenario.seed)
        self.junction_C = np.full(len(scenario.cylinder), scenario.ambient_C)
        self.wander = np.zeros(len(scenario.cylinder))
        self.unsteady = np.zeros(3)  # rpm, load, mixture
        self.block_C = scenario.ambient_C
        self.running_s = 0.0
        self.sensors = [_LambdaSensor(scenario, self.step_s) for _ in scenario.banks]


class _LambdaSensor:
    """A bank's lambda sensor: transport delay that shortens with flow, first-order lag, noise; volts."""

    def __init__(self, scenario: Scenario, step_s: float) -> None:
        self._noise, self._step_s = scenario.disturbance, step_s
        self._past: deque[float] = deque(maxlen=1 + round(20 * self._noise.lambda_delay_s / step_s))
        self._lagged: float | None = None

    def volts(self, lambda_: float, flow: float, rng: np.random.Generator) -> float:
        self._past.append(lambda_)
        back = round(self._noise.lambda_delay_s / max(flow, 0.05) / self._step_s)
        arrived = self._past[-1 - min(back, len(self._past) - 1)]
        share = 1 - math.exp(-self._step_s / max(self._noise.lambda_lag_s, 1e-3))
        before = arrived if self._lagged is None else self._lagged
        self._lagged = before + share * (arrived - before)
        ideal = float(np.interp(self._lagged, LAMBDA_RANGE, LAMBDA_VOLTS))
        return ideal + rng.normal(0.0, self._noise.lambda_V)


def _wandering(value: FloatArray, time_s: float, state: _State) -> FloatArray:
    """The next value of noise with unit standard deviation that forgets itself within `time_s`."""
    keep = math.exp(-state.step_s / time_s)
    return keep * value + math.sqrt(1 - keep**2) * state.rng.standard_normal(value.size)


def _ramped(before: Phase, phase: Phase, since_s: float, number: int) -> _Condition:
    share = min(since_s / min(phase.ramp_s, phase.seconds), 1.0)
    target = phase.lambda_[0] + (phase.lambda_[1] - phase.lambda_[0]) * since_s / phase.seconds
    start = before.lambda_[1] if number else phase.lambda_[0]
    return _Condition(
        rpm=before.rpm + share * (phase.rpm - before.rpm) if phase.rpm else 0.0,
        load_kPa=before.load_kPa + share * (phase.load_kPa - before.load_kPa),
        lambda_=start + share * (target - start),
        phase=number,
    )


def _disturbed(planned: _Condition, unsteady: FloatArray, noise: Disturbance) -> _Condition:
    if not planned.running:
        return planned
    return _Condition(
        rpm=planned.rpm + noise.rpm * float(unsteady[0]),
        load_kPa=planned.load_kPa + noise.load_kPa * float(unsteady[1]),
        lambda_=planned.lambda_ * (1 + noise.mixture_percent / 100 * float(unsteady[2])),
        phase=planned.phase,
    )


def _fields(block_C: float, millivolts: list[str], volts: list[float], condition: _Condition) -> list[str]:
    """Everything after the counter, with the digits an instrument would print."""
    width = 0.9 + 0.058 * condition.load_kPa / condition.lambda_ if condition.running else 0.0
    return [
        f"{block_C:.2f}",
        *millivolts,
        *(f"{value:.3f}" for value in volts),
        f"{condition.rpm:.0f}",
        f"{condition.load_kPa:.1f}",
        f"{width:.3f}",
    ]


def _text(line: str) -> bytes:
    return (line + "\r\n").encode("ascii", errors="replace")
