"""What can be asked of an unseen engine; every disturbance can be switched off by itself."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

EIGHT: Mapping[str, tuple[int, ...]] = {"port": (1, 3, 5, 7), "starboard": (2, 4, 6, 8)}
FOUR: Mapping[str, tuple[int, ...]] = {"all": (1, 2, 3, 4)}

FAULT_KINDS = (
    "misfire",
    "late-spark",
    "leaking-valve",
    "open",
    "open-intermittent",
    "reversed",
    "drifting",
    "slow",
    "loose",
    "swapped",
)


@dataclass(frozen=True)
class Fault:
    """Something wrong with one cylinder or its probe between `start_s` and `end_s`.

    size: misfire: share of cycles; late-spark, leaking-valve: °C hotter; drifting: °C per minute; slow:
    factor on the time constant; loose: mean °C of a dip; else unused. None draws a plausible one. other: the
    cylinder whose probe is exchanged with this one's (swapped).
    """

    kind: str
    cylinder: int
    start_s: float = 0.0
    end_s: float = 1e9
    size: float | None = None
    other: int | None = None

    def __post_init__(self) -> None:
        """Raises ValueError for an unknown kind."""
        if self.kind not in FAULT_KINDS:
            raise ValueError(f"unknown fault {self.kind!r}; known: {', '.join(FAULT_KINDS)}")


@dataclass(frozen=True)
class Options:
    """Sizes of everything random. Zero switches a disturbance off; `QUIET` all but the offsets.

    offsets: "random" (normal, sd `offset_sd_percent`), "even", or the offset of each cylinder in % (made
    zero-mean in its bank). air_sd_percent: how much of it comes by air; air_slope_percent: ± change of air
    per 1000 rpm. dead_time_ms: None or each cylinder's excess injector dead time, on top of the offsets.
    lost_when_hot_percent: None or the fuel that each cylinder loses once heat has reached it, about
    `hot_after_s` of running (half of it there, nearly all two minutes later).
    """

    banks: Mapping[str, tuple[int, ...]] = field(default_factory=lambda: EIGHT)
    offsets: str | Sequence[float] = "random"
    offset_sd_percent: float = 1.5
    air_sd_percent: float = 0.9
    air_slope_percent: float = 0.0
    dead_time_ms: Sequence[float] | None = None
    lost_when_hot_percent: Sequence[float] | None = None
    hot_after_s: float = 450.0
    bank_offset_percent: float = 1.5
    gain: float = 0.06
    heat_C: float = 6.0
    probe_class: float = 0.0075
    probe_floor_C: float = 2.5
    probe_tau_s: tuple[float, float] = (0.8, 4.0)
    linear_drift_C_per_min: float = 0.8
    random_walk_C_per_min: float = 0.7
    common_drift_C: float = 15.0
    wander_C: tuple[float, float] = (0.9, 1.8)
    wander_time_s: tuple[float, float] = (8.0, 19.0)
    white_noise_C: float = 0.4
    resolution_mV: float | None = None
    wall_share: float = 0.12
    condition_wander: float = 1.0
    mixture_wander_percent: float = 0.3
    lambda_scale: float = 0.02
    lambda_noise: float = 0.003
    lambda_delay_s: tuple[float, float] = (0.1, 0.8)
    lambda_lag_s: tuple[float, float] = (0.1, 0.4)
    lambda_steps: int = 4096
    cold_junction_C: float = 4.0
    terminal_gradient_C: float = 0.8
    faults: tuple[Fault, ...] = ()


QUIET: dict[str, object] = {
    "bank_offset_percent": 0.0,
    "gain": 0.0,
    "heat_C": 0.0,
    "probe_class": 0.0,
    "probe_floor_C": 0.0,
    "probe_tau_s": (1e-6, 1e-6),
    "linear_drift_C_per_min": 0.0,
    "random_walk_C_per_min": 0.0,
    "common_drift_C": 0.0,
    "wander_C": (0.0, 0.0),
    "white_noise_C": 0.0,
    "resolution_mV": 0.0,
    "wall_share": 0.0,
    "condition_wander": 0.0,
    "mixture_wander_percent": 0.0,
    "lambda_scale": 0.0,
    "lambda_noise": 0.0,
    "lambda_delay_s": (0.0, 0.0),
    "lambda_lag_s": (1e-6, 1e-6),
    "lambda_steps": 0,
    "cold_junction_C": 0.0,
    "terminal_gradient_C": 0.0,
}
