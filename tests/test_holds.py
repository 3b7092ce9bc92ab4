"""A bank in its holds: deviation, side and slope at every operating region, by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from plain_sessions import course, table

from analysis.balance import look
from analysis.curve import CurveBasis
from analysis.holds import Hold, best_hold, find_holds, region_offsets
from analysis.session_view import SessionView
from analysis.sweep import SweepEstimate

AWAY_C = np.array([9.0, -3.0, -6.0, 0.0])
CYLINDERS = (1, 2, 3, 4)


def view(lambda_: float = 0.86, injector_ms: float = 3.0) -> SessionView:
    """Two minutes at 2000 1/min and three at 3000, at one mixture; cylinders stand AWAY_C from their mean."""
    time_s = np.arange(0.0, 300.0, 0.1)
    rpm = np.where(time_s < 120.0, 2000.0, 3000.0)
    rng = np.random.default_rng(3)
    level = 650.0 + course((120.0, 0.0, 0.0), (180.0, 40.0, 40.0), step_s=0.1)
    egt = level[:, None] + AWAY_C + rng.normal(0.0, 0.3, (len(time_s), 4))
    made = table(time_s, egt, np.full(len(time_s), lambda_), rpm=rpm, load=60.0, injector_ms=injector_ms)
    return look(made)


def sweep(heights_C: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0), slope: float = 6.0) -> SweepEstimate:
    """A sweep whose curve falls by `slope` °C per % of fuel, known to ±0.5, with these heights and no gains."""
    basis = CurveBasis.over(-0.3, 0.5)
    fit = SimpleNamespace(
        basis=basis,
        curve=np.zeros(basis.size),
        height_C=np.array(heights_C),
        gain=np.ones(4),
        data=SimpleNamespace(x=np.array([-0.05, 0.25])),
        slope_at=lambda x: (-slope, 0.5),
    )
    made: Any = SimpleNamespace(cylinders=CYLINDERS, fit=fit)
    return cast(SweepEstimate, made)


def test_one_hold_per_operating_region_with_its_deviations() -> None:
    holds = find_holds(view(), "all", CYLINDERS, None)
    assert [round(hold.region[0].rpm or 0.0) for hold in holds] in ([3000, 2000], [2000, 3000])
    for hold in holds:
        assert hold.deviation.deviation_C == pytest.approx(AWAY_C, abs=0.1)
        assert hold.deviation.lambda_mean == pytest.approx(0.86)
        assert hold.side == "rich"
        assert hold.slope is not None
        assert "assumed" in hold.slope.source


def test_a_healthy_part_of_the_bank_is_compared_with_itself_alone() -> None:
    hold = best_hold(find_holds(view(), "all", (2, 3, 4), None))
    assert hold is not None
    assert hold.deviation.cylinders == (2, 3, 4)
    assert hold.deviation.deviation_C == pytest.approx([0.0, -3.0, 3.0], abs=0.1)


def test_the_engine_s_own_slope_is_used_where_the_sweep_saw_that_mixture() -> None:
    """At another speed and load than the sweep's it may be 30 % off: ±hypot(0.5, 0.3·6)."""
    seen = find_holds(view(0.86), "all", CYLINDERS, sweep())
    richer = find_holds(view(0.70), "all", CYLINDERS, sweep())
    assert len(seen) == len(richer) == 2
    for hold in seen:
        assert hold.slope is not None
        assert hold.slope.C_per_percent == pytest.approx(6.0)
        assert hold.slope.u_C_per_percent == pytest.approx(np.hypot(0.5, 1.8))
    for hold in richer:
        assert hold.slope is not None
        assert "assumed" in hold.slope.source, "the sweep began at lambda 0.78"


def test_without_lambda_there_is_no_side_and_no_slope() -> None:
    holds = find_holds(view(np.nan), "all", CYLINDERS, None)
    assert [(hold.side, hold.slope, hold.telling) for hold in holds] == [(None, None, False)] * 2


def test_the_best_hold_is_the_longest_that_tells() -> None:
    def hold(duration_s: float, telling: bool) -> Hold:
        made: Any = SimpleNamespace(deviation=SimpleNamespace(duration_s=duration_s), telling=telling)
        return cast(Hold, made)

    short, long, blind = hold(20.0, True), hold(60.0, True), hold(600.0, False)
    assert best_hold([short, long, blind]) is long
    assert best_hold([blind]) is blind
    assert best_hold([]) is None


def test_a_sweep_takes_the_cylinder_s_own_heat_off_an_offset_at_another_point() -> None:
    """Heights 9, -3, -6, 4: cylinder 4 stands 4 °C below what its heat makes (less the mean's share): by hand."""
    seen = view()
    told = sweep((9.0, -3.0, -6.0, 4.0))
    holds = find_holds(seen, "all", CYLINDERS, told)
    found = region_offsets(seen, holds, told)
    assert len(found) == 8
    assert {entry.injector_ms for entry in found} == {3.0}
    assert {entry.region for entry in found} == {"2000 rpm · load 60 kPa", "3000 rpm · load 60 kPa"}
    for entry in found:
        left_C = {4: -3.0}.get(entry.cylinder, 1.0)
        assert entry.fuel_offset_percent == pytest.approx(-left_C / 6.0, abs=0.03)
        # 4 °C that heat may change between two points (common practice), noise, and the slope's own doubt
        u_C = np.hypot(entry.noise_u_C or 0.0, 4.0)
        u = np.hypot(u_C, entry.fuel_offset_percent * np.hypot(0.5, 1.8)) / 6.0
        assert entry.fuel_offset_u95_percent == pytest.approx(2.0 * u, rel=0.01)


def test_without_a_sweep_an_offset_carries_probe_and_heat() -> None:
    seen = view()
    holds = find_holds(seen, "all", CYLINDERS, None)
    first = next(entry for entry in region_offsets(seen, holds, None) if entry.cylinder == 1)
    assert first.fuel_offset_percent == pytest.approx(-9.0 / 4.8, abs=0.05)
    assert first.fuel_offset_u95_percent is not None
    assert first.fuel_offset_u95_percent > 2.0
