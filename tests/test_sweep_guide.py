"""The guided sweep on invented engines: it asks in order, sees a wrong pace, and stops where it should."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from analysis.live_deviation import LiveSample
from analysis.sweep_guide import CAUTIONS, HOLD_S, LONGEST_S, PAST_PEAK_C, RANGE_WANTED, SweepGuide

Signal = Callable[[float], float]
STEP_S = 0.5


def drive(
    guide: SweepGuide,
    lambda_: Signal,
    seconds: float,
    rpm: Signal = lambda t: 2400.0,
    load: Signal = lambda t: 60.0,
    alarms: Callable[[float], tuple[str, ...]] = lambda t: (),
    curvature_C: float = 4000.0,
) -> list[tuple[str, str]]:
    """Let the guide watch; returns (phase, said) whenever either changed."""
    seen: list[tuple[str, str]] = []
    recent: list[LiveSample] = []
    for i in range(int(seconds / STEP_S)):
        t = i * STEP_S
        values = np.array([lambda_(t), lambda_(t) + 0.002])
        egt_C = (
            750.0 - curvature_C * (lambda_(t) - np.linspace(0.98, 1.0, 8)) ** 2
        )  # hottest near lambda 0.99
        recent.append(LiveSample(t, egt_C, np.zeros(8, np.uint8), values, rpm(t), load(t)))
        recent = [s for s in recent if t - s.time_s <= HOLD_S]
        guide.watch(recent, alarms(t))
        if not seen or seen[-1] != (guide.phase, guide.said):
            seen.append((guide.phase, guide.said))
    return seen


def ramp(start_s: float, per_s: float, first: float = 0.82) -> Signal:
    """Lambda 0.92 until 10 s, then `first`, then leaner from `start_s` on."""
    return lambda t: 0.92 if t < 10 else first * float(np.exp(per_s * max(0.0, t - start_s)))


def test_a_good_sweep_goes_through_every_phase_and_ends_with_the_way_back() -> None:
    guide = SweepGuide()
    seen = drive(guide, ramp(20.0, 0.0025), 150.0)
    assert list(dict.fromkeys(phase for phase, _ in seen)) == ["hold", "rich", "lean", "enough"]
    assert guide.range_share >= RANGE_WANTED
    assert guide.past_peak_C >= PAST_PEAK_C
    assert "Go back to the rich start" in guide.said
    assert guide.as_message(150.0)["progress"] == 1.0


def test_a_wide_sweep_that_stays_rich_of_the_hottest_point_is_not_enough() -> None:
    guide = SweepGuide()
    drive(guide, lambda t: min(ramp(20.0, 0.0025, first=0.75)(t), 0.97), 200.0)
    assert guide.range_share > RANGE_WANTED
    assert guide.phase == "lean"
    assert guide.as_message(200.0)["progress"] < 0.7


def test_a_probe_that_breaks_is_not_taken_for_the_far_side_of_the_peak() -> None:
    guide = SweepGuide()
    drive(guide, ramp(20.0, 0.0025), 60.0)
    before = guide.past_peak_C
    egt_C = np.full(8, np.nan)
    egt_C[0] = 750.0
    guide._watch_temperatures([LiveSample(61.0, egt_C, np.zeros(8, np.uint8), np.ones(2), 2400.0, 60.0)])
    assert guide.past_peak_C <= before


def test_it_asks_for_no_more_than_a_lean_end_where_no_peak_shows() -> None:
    guide = SweepGuide()
    drive(guide, ramp(20.0, 0.004), 120.0, curvature_C=0.0)
    assert guide.phase == "enough" and guide.past_peak_C == 0.0
    assert guide.greatest_lambda == pytest.approx(1.10, abs=0.01)


def test_target_leads_from_the_rich_start_at_the_even_pace() -> None:
    guide = SweepGuide()
    drive(guide, ramp(30.0, 0.0), 30.0)
    assert guide.phase == "lean" and guide.lean_since_s is not None
    now, later = (guide.target_lambda(guide.lean_since_s + t) for t in (0.0, 20.0))
    assert now is not None and later is not None
    assert later / now == pytest.approx(np.exp(0.05), rel=1e-6)
    assert SweepGuide().target_lambda(0.0) is None


def test_too_fast_and_too_slow_are_said() -> None:
    fast, slow = SweepGuide(), SweepGuide()
    assert any("Too fast" in said for _, said in drive(fast, ramp(20.0, 0.012), 35.0))
    assert any("a little further" in said for _, said in drive(slow, ramp(20.0, 0.0), 60.0))


def test_speed_or_load_that_moves_is_said_and_the_range_waits() -> None:
    guide = SweepGuide()
    seen = drive(guide, ramp(20.0, 0.0025), 60.0, rpm=lambda t: 2400.0 if t < 40 else 2900.0)
    assert "Speed or load has moved" in guide.said and "2400 1/min" in guide.said
    assert any(phase == "lean" for phase, _ in seen)
    assert guide.range_share < 0.06


def test_an_alarm_ends_it_at_once_for_good() -> None:
    guide = SweepGuide()
    drive(guide, ramp(20.0, 0.0025), 60.0, alarms=lambda t: ("cylinder 5 is hot",) if 40 < t < 41 else ())
    assert guide.phase == "stopped"
    assert "An alarm" in guide.said


def test_it_does_not_go_on_for_ever() -> None:
    guide = SweepGuide()
    drive(guide, ramp(20.0, 0.00001), LONGEST_S + 60.0)
    assert guide.phase == "stopped"


def test_no_lambda_is_said() -> None:
    guide = SweepGuide()
    drive(guide, lambda t: float("nan"), 30.0)
    assert guide.phase == "rich" and "No lambda" in guide.said


def test_unsteady_operation_never_begins() -> None:
    guide = SweepGuide()
    drive(guide, ramp(20.0, 0.0025), 60.0, rpm=lambda t: 2000.0 + 30.0 * t)
    assert guide.phase == "hold"


def test_without_speed_and_load_the_operator_is_told_to_hold_them() -> None:
    guide = SweepGuide()
    nothing = lambda t: float("nan")  # noqa: E731
    seen = drive(guide, ramp(20.0, 0.0025), 12.0, rpm=nothing, load=nothing)
    assert any("hold both still yourself" in said for _, said in seen)


def test_cautions_name_heat_load_protection_and_qualified_practice() -> None:
    text = " ".join(CAUTIONS)
    for word in ("burn", "Moderate load only", "protects nothing", "exhaust is led away", "local codes"):
        assert word in text
