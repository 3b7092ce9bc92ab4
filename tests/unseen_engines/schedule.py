"""What the operator does with the engine: segments of speed, load and mixture, one after the other."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

MODERATE_RPM, MODERATE_KPA = 3000.0, 62.0


@dataclass(frozen=True)
class Segment:
    """`duration_s` of a held or linearly moved condition, reached from the one before within `ramp_s`.

    kind: off, start, idle, warm-up, hold, sweep or pull; rpm, load_kPa, lambda_: (begin, end). warmed: the cylinder
    whose port is warmed from outside meanwhile, as somebody does who looks which probe sits where.
    """

    kind: str
    duration_s: float
    rpm: tuple[float, float]
    load_kPa: tuple[float, float]
    lambda_: tuple[float, float]
    ramp_s: float = 4.0
    warmed: int | None = None


Schedule = tuple[Segment, ...]


def hold(
    rpm: float, load_kPa: float, lambda_: float, duration_s: float = 25.0, kind: str = "hold"
) -> Segment:
    """A steady hold."""
    return Segment(kind, duration_s, (rpm, rpm), (load_kPa, load_kPa), (lambda_, lambda_))


def sweep(
    begin: float,
    end: float,
    duration_s: float,
    kind: str = "sweep",
    rpm: float = MODERATE_RPM,
    load_kPa: float = MODERATE_KPA,
) -> Segment:
    """A mixture sweep at constant speed and load, moderate ones unless said otherwise."""
    return Segment(kind, duration_s, (rpm, rpm), (load_kPa, load_kPa), (begin, end))


def opening(soak_s: float = 40.0) -> Schedule:
    """Soak with the engine off, cold start, idle, warm-up."""
    off = Segment("off", soak_s, (0.0, 0.0), (100.0, 100.0), (1.0, 1.0), ramp_s=0.1)
    start = Segment("start", 8.0, (1100.0, 1000.0), (45.0, 38.0), (0.80, 0.90), ramp_s=1.0)
    return (off, start, hold(1000, 36, 0.96, 15.0, "idle"), hold(1800, 45, 0.94, 50.0, "warm-up"))


def warmed_ports(cylinders: tuple[int, ...], each_s: float = 25.0) -> Schedule:
    """One port after the other warmed by hot air, engine off, with a pause between them."""
    off, pause = opening(each_s)[0], opening(10.0)[0]
    return tuple(part for cylinder in cylinders for part in (replace(off, warmed=cylinder), pause))


def standard_holds(lambda_: float = 0.88) -> Schedule:
    """Holds at several speeds, loads and mixtures on the rich side."""
    return (
        hold(2200, 50, lambda_ + 0.02),
        hold(2600, 55, lambda_),
        hold(3400, 75, lambda_ - 0.02),
        hold(3000, 62, lambda_ - 0.03),
    )


CLOSING: Schedule = (hold(1000, 36, 0.96, 15.0, "idle"),)


def staircase(levels: npt.ArrayLike, dwell_s: float = 12.0) -> Schedule:
    """A sweep with pauses: `levels` of lambda, each held."""
    return tuple(
        replace(hold(MODERATE_RPM, MODERATE_KPA, float(level), dwell_s, "sweep"), ramp_s=2.0)
        for level in np.atleast_1d(levels)
    )


def _named(main: Schedule, holds: bool = True) -> Schedule:
    return (*opening(), *(standard_holds() if holds else ()), *main, *CLOSING)


SCHEDULES: dict[str, Schedule] = {
    "standard": _named((sweep(0.78, 0.78, 10.0, "hold"), sweep(0.78, 1.10, 150.0))),
    "return": _named((sweep(0.78, 0.78, 10.0, "hold"), sweep(0.78, 1.10, 120.0), sweep(1.10, 0.78, 120.0))),
    "staircase": _named(staircase(np.arange(0.78, 1.101, 0.02), 10.0)),
    "narrow": _named((sweep(0.80, 0.80, 10.0, "hold"), sweep(0.80, 0.92, 90.0))),
    "sweep-only": (*opening(), sweep(0.78, 0.78, 20.0, "hold"), sweep(0.78, 1.10, 150.0)),
    "holds": _named((hold(3000, 62, 0.84), hold(3000, 62, 0.88), hold(2600, 70, 0.86, 40.0))),
    "near-peak": _named(
        (hold(2400, 50, 1.0, 40.0), hold(3000, 62, 0.99, 40.0), hold(2700, 55, 1.0, 40.0)), holds=False
    ),
    "lean": _named(
        (hold(2400, 50, 1.14, 40.0), hold(3000, 62, 1.12, 40.0), hold(2700, 55, 1.16, 40.0)), holds=False
    ),
    "three-points": (
        *opening(),
        hold(3000, 62, 0.80, 12.0),
        sweep(0.80, 1.10, 120.0),
        hold(2200, 34, 0.82, 20.0),
        sweep(0.82, 1.08, 110.0, rpm=2200, load_kPa=34),
        hold(2200, 34, 0.88, 30.0),
        hold(3600, 80, 0.86, 35.0),
        hold(2600, 48, 0.87, 30.0),
        *CLOSING,
    ),
    "cold-and-hot": _named(
        (
            sweep(0.78, 0.78, 10.0, "hold"),
            sweep(0.78, 1.10, 150.0),
            hold(MODERATE_RPM, MODERATE_KPA, 0.88, 420.0),
            sweep(0.78, 0.78, 10.0, "hold"),
            sweep(0.78, 1.10, 150.0),
        ),
        holds=False,
    ),
    "warmed": (*opening(20.0)[:1], *warmed_ports((1, 2, 3, 4, 5, 6, 7, 8))),
    "pulls": _named(
        tuple(
            part
            for _ in range(4)
            for part in (
                hold(2000, 80, 0.87, 12.0),
                Segment("pull", 14.0, (2000, 4400), (88, 95), (0.87, 0.85), ramp_s=1.5),
            )
        ),
        holds=False,
    ),
}


@dataclass(frozen=True)
class Timeline:
    """A schedule on a time base: all (n_samples,). `segment` is the index of the running segment."""

    time_s: FloatArray
    rpm: FloatArray
    load_kPa: FloatArray
    lambda_: FloatArray
    running: npt.NDArray[np.bool_]
    segment: npt.NDArray[np.int64]


def timeline(schedule: Schedule, rate_hz: float) -> Timeline:
    """`schedule` sampled at `rate_hz`; each segment is reached from the one before by a linear ramp."""
    ends = np.cumsum([part.duration_s for part in schedule])
    time_s = np.arange(round(ends[-1] * rate_hz)) / rate_hz
    segment = np.minimum(np.searchsorted(ends, time_s, side="right"), len(schedule) - 1)
    knots: list[tuple[float, float, float, float]] = []
    for part, end in zip(schedule, ends, strict=True):
        ramp = min(part.ramp_s, part.duration_s / 2) if knots else 0.0
        knots.append((end - part.duration_s + ramp, part.rpm[0], part.load_kPa[0], part.lambda_[0]))
        knots.append((end - 1e-6, part.rpm[1], part.load_kPa[1], part.lambda_[1]))
    at, rpm, load, lambda_ = (np.array(column) for column in zip(*knots, strict=True))
    off = np.array([part.kind == "off" for part in schedule])
    return Timeline(
        time_s=time_s,
        rpm=np.interp(time_s, at, rpm),
        load_kPa=np.interp(time_s, at, load),
        lambda_=np.interp(time_s, at, lambda_),
        running=~off[segment],
        segment=segment,
    )


def segment_times(schedule: Schedule, kind: str) -> list[tuple[float, float]]:
    """(begin, end) [s] of every segment of `kind`, after its ramp; for a staircase step the whole step."""
    ends = np.cumsum([part.duration_s for part in schedule])
    return [
        (float(end - part.duration_s + min(part.ramp_s, part.duration_s / 2)), float(end))
        for part, end in zip(schedule, ends, strict=True)
        if part.kind == kind
    ]
