"""The guided sweep: from a rich start slowly leaner at one operating point, and when that is enough.

It asks, watches and says so; it never asks for high load, and it ends with the engine back where it began. A sweep
has to cross the hottest mixture: on the rich side alone the curves are so straight that a shift and a height look
alike (on the sample sessions ± 4 % stopped before the peak, 1.2 % at it, 0.5 % once 10 °C past it). The other numbers
are common practice, no published source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from analysis.live_deviation import LiveSample

Phase = Literal["hold", "rich", "lean", "enough", "stopped"]
CAUTIONS = (
    "Exhaust parts burn skin at once and for a long time after; keep hands, leads and clothing off them.",
    "Stay clear of everything that turns. Run the engine only where its exhaust is led away: it kills unseen.",
    "Moderate load only. Leaning a cylinder under high load can destroy the engine within seconds.",
    "This page protects nothing. Its alarms are late and may fail; the engine's own protection must be in order.",
    "Stop at once at knock, misfire, or a temperature that runs away, and go back to the rich start.",
    "Qualified practice and your local codes come before anything on this page.",
)
HOLD_S = 8.0
SETTLED_SHARE = {"rpm": 0.025, "load": 0.05}
RICH_BELOW_LAMBDA = 0.86
LEAN_END_LAMBDA = 1.10
PAST_PEAK_C = 10.0
BRIEFLY_S = 1.0
PACE_PER_S = 0.0025
FASTEST_PER_S = 0.006
RANGE_WANTED = 0.16
LONGEST_S = 420.0


@dataclass
class SweepGuide:
    """Where the sweep stands. Times in s since the recording began, mixture as ln(lambda) of the banks' mean."""

    phase: Phase = "hold"
    began_s: float | None = None
    lean_since_s: float | None = None
    rpm: float = float("nan")
    load: float = float("nan")
    least_lambda: float = float("nan")
    greatest_lambda: float = float("nan")
    past_peak_C: float = 0.0
    said: str = ""
    hottest_C: npt.NDArray[np.float64] | None = None
    history: list[tuple[float, float]] = field(default_factory=list)

    def watch(self, recent: Sequence[LiveSample], alarms: Sequence[str] = ()) -> None:
        """Take the samples of the last HOLD_S seconds (oldest first) and move on if it is time."""
        if not recent or self.phase in {"enough", "stopped"}:
            return
        now = recent[-1]
        if alarms:
            self._stop("An alarm came on. Go back to the rich start, take load off, and look at the cause.")
        elif self.phase == "hold":
            self._watch_hold(recent)
        elif not self._steady(recent):
            self.said = f"Speed or load has moved. Bring it back to {self._point()} and hold it there."
        elif self.phase == "rich":
            self._watch_rich(now)
        else:
            self._watch_temperatures(recent)
            self._watch_lean(now)

    @property
    def range_share(self) -> float:
        """How far lambda has gone since the rich start, as ln of the ratio; 0 before."""
        if not self.least_lambda < self.greatest_lambda:
            return 0.0
        return float(np.log(self.greatest_lambda / self.least_lambda))

    @property
    def done_share(self) -> float:
        """How much of the sweep is done, 0 to 1: half is the range, half to get past the hottest mixture."""
        past = min(1.0, max(0.0, self.past_peak_C) / PAST_PEAK_C)
        return 0.5 * min(1.0, self.range_share / RANGE_WANTED) + 0.5 * past

    def target_lambda(self, time_s: float) -> float | None:
        """Where lambda should be now: the rich start first, then leaner at the even pace."""
        if self.phase == "rich":
            return RICH_BELOW_LAMBDA - 0.02
        if self.phase == "lean" and self.lean_since_s is not None:
            wanted = self.least_lambda * np.exp(PACE_PER_S * (time_s - self.lean_since_s))
            return float(min(wanted, LEAN_END_LAMBDA))
        return None

    def as_message(self, time_s: float) -> dict[str, Any]:
        """The guide's state for the page."""
        target = self.target_lambda(time_s)
        return {
            "phase": self.phase,
            "said": self.said,
            "target": None if target is None else round(target, 3),
            "progress": round(self.done_share, 2),
        }

    def _watch_hold(self, recent: Sequence[LiveSample]) -> None:
        long_enough = recent[-1].time_s - recent[0].time_s > 0.8 * HOLD_S
        if _mean([s.rpm for s in recent]) is None and _mean([s.load for s in recent]) is None:
            self.said = "Neither speed nor load is measured: hold both still yourself."
        else:
            self.said = "Hold one speed and a moderate load."
        if not long_enough:
            return
        self.rpm = _mean([s.rpm for s in recent]) or float("nan")
        self.load = _mean([s.load for s in recent]) or float("nan")
        if self._steady(recent):
            self.phase, self.began_s = "rich", recent[-1].time_s
            self.said = (
                f"Steady at {self._point()}. Now enrich slowly to lambda {RICH_BELOW_LAMBDA} or richer."
            )

    def _watch_rich(self, now: LiveSample) -> None:
        lambda_ = _mean(now.lambda_)
        if lambda_ is None:
            self.said = "No lambda is being measured; a sweep needs it."
        elif lambda_ <= RICH_BELOW_LAMBDA:
            self.phase, self.lean_since_s = "lean", now.time_s
            self.least_lambda = self.greatest_lambda = lambda_
            self.said = "Rich enough. Now lean out slowly and evenly: follow the target."
        else:
            self.said = f"Enrich slowly to lambda {RICH_BELOW_LAMBDA} or richer; now {lambda_:.2f}."

    def _watch_temperatures(self, recent: Sequence[LiveSample]) -> None:
        """How far the cylinders are past their hottest: the median of them, so that a lost probe does not count."""
        brief = np.array([s.egt_C for s in recent if recent[-1].time_s - s.time_s <= BRIEFLY_S])
        good = np.isfinite(brief)
        count = good.sum(axis=0)
        now_C = np.where(count > 0, np.where(good, brief, 0.0).sum(axis=0) / np.maximum(count, 1), np.nan)
        self.hottest_C = now_C if self.hottest_C is None else np.fmax(self.hottest_C, now_C)
        fall_C = (self.hottest_C - now_C)[np.isfinite(now_C)]
        self.past_peak_C = float(np.median(fall_C)) if fall_C.size else 0.0

    def _watch_lean(self, now: LiveSample) -> None:
        lambda_ = _mean(now.lambda_)
        if lambda_ is None or self.lean_since_s is None:
            self.said = "Lambda is missing; wait."
            return
        self.least_lambda = min(self.least_lambda, lambda_)
        self.greatest_lambda = max(self.greatest_lambda, lambda_)
        self.history = [(t, v) for t, v in self.history if now.time_s - t < HOLD_S] + [(now.time_s, lambda_)]
        pace = self._pace_per_s()
        if self.done_share >= 1.0 or lambda_ >= LEAN_END_LAMBDA:
            self.phase = "enough"
            self.said = "Enough. Go back to the rich start now, take load off, and let the engine cool."
        elif now.time_s - self.lean_since_s > LONGEST_S:
            self._stop(
                "This has taken too long to compare the beginning with the end. Go back and begin again."
            )
        elif pace > FASTEST_PER_S:
            self.said = "Too fast for the probes to follow. Slower."
        elif pace < 0.2 * PACE_PER_S and now.time_s - self.lean_since_s > HOLD_S:
            self.said = "Lean out a little further."
        else:
            past = self.range_share >= RANGE_WANTED and self.past_peak_C <= 0.2 * PAST_PEAK_C
            self.said = "Good pace. Go on past the hottest point." if past else "Good pace. Go on."

    def _pace_per_s(self) -> float:
        if len(self.history) < 2 or self.history[-1][0] - self.history[0][0] < 2.0:
            return PACE_PER_S
        (t0, v0), (t1, v1) = self.history[0], self.history[-1]
        return float(np.log(v1 / v0) / (t1 - t0))

    def _steady(self, recent: Sequence[LiveSample]) -> bool:
        """Whether speed and load are near the operating point now and were so over the last seconds."""
        for name, held in (("rpm", self.rpm), ("load", self.load)):
            values = np.array([getattr(s, name) for s in recent])
            values = values[np.isfinite(values)]
            if values.size and np.isfinite(held):
                half = max(1, values.size // 2)
                ends = abs(values[-half:].mean() - held), abs(values[:half].mean() - values[-half:].mean())
                if max(ends) > SETTLED_SHARE[name] * abs(held):
                    return False
        return True

    def _stop(self, said: str) -> None:
        self.phase, self.said = "stopped", said

    def _point(self) -> str:
        parts = [f"{self.rpm:.0f} 1/min"] if np.isfinite(self.rpm) else []
        parts += [f"load {self.load:.0f}"] if np.isfinite(self.load) else []
        return ", ".join(parts) or "this operating point"


def _mean(values: Any) -> float | None:
    there = np.asarray(values, dtype=np.float64)
    there = there[np.isfinite(there)]
    return float(there.mean()) if there.size else None
