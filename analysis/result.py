"""What the analysis says: frozen results, from a session to findings to trims to a comparison."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
Finding = Literal["even", "lean", "rich", "undetermined", "probe-fault", "combustion-fault"]
FAULTS: tuple[Finding, ...] = ("probe-fault", "combustion-fault")
Method = Literal["sweep", "steady", "pull", "mixed"]
Side = Literal["rich", "near-peak", "lean", "mixed"]
Kind = Literal["steady", "sweep", "pull"]


@dataclass(frozen=True)
class Stretch:
    """A part of the session at comparable conditions; `used` says whether the result rests on it, `reason` why."""

    kind: Kind
    start_s: float
    end_s: float
    rpm: float | None
    load: float | None
    lambda_by_bank: dict[str, float] = field(default_factory=dict)
    used: bool = True
    reason: str = ""


@dataclass(frozen=True)
class BudgetLine:
    """One line of an uncertainty budget (JCGM 100:2008): contribution = |sensitivity|·u, in the result's unit."""

    source: str
    u: float
    unit: str
    distribution: str
    degrees_of_freedom: float
    sensitivity: float
    contribution: float


@dataclass(frozen=True)
class BankBalance:
    """A bank as a whole. `spread_C` [°C] is largest minus smallest deviation of its healthy cylinders.

    slope: °C per % of less fuel. lambda_lead: how much earlier than the probes the lambda sensor answers [s], as the
    sweep itself tells it (both directions or a pause are needed to tell it well); negative where it answers later.
    """

    bank: str
    cylinders: tuple[int, ...]
    lambda_mean: float | None
    spread_C: float | None
    side: Side | None
    slope_C_per_percent: float | None = None
    slope_u95_C_per_percent: float | None = None
    lambda_lead_s: float | None = None
    lambda_lead_u95_s: float | None = None


@dataclass(frozen=True)
class CylinderBalance:
    """A cylinder's finding. Deviations [°C] and offsets [% fuel per air] are against the bank's own mean.

    Offsets are None where the data cannot tell; `reasons` then says why. `budget` adds up to the offset's standard
    uncertainty (or the deviation's where there is no offset). flow_offset_percent, dead_time_ms: only where offsets at
    several pulse widths tell flow from dead time. depends_on_region: its offset changes with the operating point
    otherwise. changed_in_session: two sweeps disagree about it beyond doubt; the offset is the last one's.
    """

    cylinder: int
    bank: str
    egt_deviation_C: float | None
    egt_deviation_u95_C: float | None
    fuel_offset_percent: float | None
    fuel_offset_u95_percent: float | None
    finding: Finding
    reasons: tuple[str, ...]
    budget: tuple[BudgetLine, ...] = ()
    flow_offset_percent: float | None = None
    dead_time_ms: float | None = None
    dead_time_u95_ms: float | None = None
    depends_on_region: bool = False
    changed_in_session: bool = False


@dataclass(frozen=True)
class SweepCurves:
    """A bank's sweep as measured and as fitted, for the picture that convinces.

    lambda_: (n_points,) the bank's lambda at each block of the sweep. egt_C: (n_points, n_cylinders) measured °C.
    height_C, gain, offset_percent: (n_cylinders,) of each cylinder; shifting a cylinder's lambda by its offset and
    taking height and gain off lays it on the shared curve (curve_lambda, curve_C), °C relative to the curve's peak.
    """

    bank: str
    cylinders: tuple[int, ...]
    lambda_: FloatArray
    egt_C: FloatArray
    offset_percent: FloatArray
    height_C: FloatArray
    gain: FloatArray
    curve_lambda: FloatArray
    curve_C: FloatArray

    def shifted(self) -> tuple[FloatArray, FloatArray]:
        """Each cylinder's own lambda and its temperature laid on the shared curve; both (n_points, n_cylinders).

        A cylinder with x % more fuel per air than the mean burns at lambda / (1 + x/100); its temperature less its
        height, divided by its gain, is °C relative to the curve's peak.
        """
        own_lambda = self.lambda_[:, None] / (1.0 + self.offset_percent[None, :] / 100.0)
        return own_lambda, (self.egt_C - self.height_C[None, :]) / self.gain[None, :]


@dataclass(frozen=True)
class RegionOffset:
    """A cylinder at one operating region: where the engine ran and what the cylinder showed there.

    noise_u_C: standard uncertainty of the deviation from wander and noise alone, which is all that is left of it in a
    difference between two regions or sessions with the same probes.
    """

    region: str
    rpm: float | None
    load: float | None
    injector_ms: float | None
    cylinder: int
    egt_deviation_C: float
    egt_deviation_u95_C: float
    fuel_offset_percent: float | None
    fuel_offset_u95_percent: float | None
    noise_u_C: float = 0.0
    lambda_mean: float | None = None


@dataclass(frozen=True)
class Balance:
    """The whole answer for one session."""

    session: str
    method: Method
    banks: tuple[BankBalance, ...]
    cylinders: tuple[CylinderBalance, ...]
    stretches: tuple[Stretch, ...]
    sweeps: tuple[SweepCurves, ...] = ()
    regions: tuple[RegionOffset, ...] = ()
    next_steps: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()

    @property
    def answered(self) -> bool:
        """Whether any cylinder got an answer (exit status 0 of the command, else 1)."""
        return any(c.finding != "undetermined" for c in self.cylinders)

    def cylinder(self, number: int) -> CylinderBalance:
        """The entry of cylinder `number`. Raises KeyError where the engine has no such cylinder."""
        for entry in self.cylinders:
            if entry.cylinder == number:
                return entry
        raise KeyError(number)


@dataclass(frozen=True)
class CylinderTrim:
    """What to multiply a cylinder's injected fuel by, minus 1 [%], and what that should do."""

    cylinder: int
    bank: str
    trim_percent: float | None
    trim_ms: float | None
    predicted_offset_percent: float | None
    predicted_deviation_C: float | None
    predicted_deviation_u95_C: float | None
    reason: str


@dataclass(frozen=True)
class RegionTrim:
    """A step for one cylinder at one operating region, for a controller that trims by region [%]."""

    region: str
    rpm: float | None
    load: float | None
    cylinder: int
    fuel_offset_percent: float
    fuel_offset_u95_percent: float
    trim_percent: float


@dataclass(frozen=True)
class Trims:
    """A trim step: one entry per cylinder, the predicted spread of each bank, cautions for the person who sets it.

    lambda_target: what each bank's mean is moved towards as well; None: the mean stays.
    """

    balance: Balance
    cylinders: tuple[CylinderTrim, ...]
    step_percent: float
    leaning_share: float
    threshold_percent: float
    spread_before_C: dict[str, float | None]
    spread_after_C: dict[str, float | None]
    spread_after_u95_C: dict[str, float | None]
    cautions: tuple[str, ...]
    regions: tuple[RegionTrim, ...] = ()
    lambda_target: float | None = None

    @property
    def any_trim(self) -> bool:
        """Whether any cylinder is to be changed."""
        return any(c.trim_percent for c in self.cylinders)
