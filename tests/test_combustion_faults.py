"""Misfires and cylinders that are hot for another reason than mixture: named, and nobody else is."""

from __future__ import annotations

import re
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from plain_sessions import blocks
from test_uncertainty import ar1

from analysis.blocks import Blocks
from analysis.combustion_faults import hot_without_shift, misfires
from analysis.sweep import SweepEstimate

ALL = (1, 2, 3, 4)


def held(seed: int = 1, n: int = 160) -> np.ndarray:
    """Four cylinders with the wander of real engines, two holds of 40 s."""
    return 750 + np.array([5.0, -6.0, 2.0, -1.0]) + 1.3 * ar1(0.92, (4, n), seed).T


HOLDS = [(0, 80), (80, 160)]


def found(
    egt: np.ndarray, holds: list[tuple[int, int]] = HOLDS, cylinders: tuple[int, ...] = ALL
) -> set[int]:
    return set(misfires(blocks(egt), holds, cylinders))


def test_a_cylinder_that_is_cold_and_erratic_misfires() -> None:
    egt = held()
    egt[:, 2] -= 60 + 25 * ar1(0.8, (1, 160), 2)[0]
    faults = misfires(blocks(egt), HOLDS, ALL)
    assert set(faults) == {3}
    assert faults[3].kind == "misfire"
    said = re.search(r"cylinder 3 is (\d+) °C colder", faults[3].reason)
    assert said is not None
    assert float(said[1]) == pytest.approx(62, abs=12)
    assert "lambda read lean" in faults[3].reason


@pytest.mark.parametrize("seed", range(8))
def test_a_healthy_engine_is_not_accused(seed: int) -> None:
    assert found(held(seed)) == set()


def test_cold_alone_or_erratic_alone_is_no_misfire() -> None:
    cold, erratic = held(), held()
    cold[:, 2] -= 60
    erratic[:, 2] += 25 * ar1(0.8, (1, 160), 2)[0] + 30
    assert found(cold) == set()
    assert found(erratic) == set()


def test_a_steady_drift_is_no_misfire() -> None:
    egt = held()
    egt[:, 2] -= np.linspace(0, 80, 160)
    assert found(egt) == set()


def test_what_the_whole_engine_does_accuses_nobody() -> None:
    assert found(held() + 40 * ar1(0.8, (1, 160), 3).T) == set()


def test_nothing_is_said_without_holds_or_with_two_cylinders() -> None:
    egt = held()
    egt[:, 2] -= 60 + 25 * ar1(0.8, (1, 160), 2)[0]
    assert found(egt, holds=[]) == set()
    assert found(egt, holds=[(0, 8)]) == set()
    assert found(egt, cylinders=(1, 3)) == set()
    holed: Blocks = blocks(np.full((160, 4), np.nan))
    assert misfires(holed, HOLDS, ALL) == {}


def estimate(height_C: list[float]) -> SweepEstimate:
    fit = SimpleNamespace(height_C=np.array(height_C))
    made: Any = SimpleNamespace(cylinders=tuple(range(1, len(height_C) + 1)), fit=fit)
    return cast(SweepEstimate, made)


def test_a_curve_far_above_or_below_its_neighbours_is_a_fault_of_its_own() -> None:
    faults = hot_without_shift(estimate([3.0, -8.0, 55.0, 6.0]))
    assert set(faults) == {3}
    assert faults[3].kind == "hot"
    assert "52 °C hotter" in faults[3].reason
    cold = hot_without_shift(estimate([3.0, -48.0, 5.0, 6.0]))
    assert set(cold) == {2}
    assert cold[2].kind == "cold"
    assert "53 °C colder" in cold[2].reason


def test_the_spread_of_healthy_engines_is_no_fault() -> None:
    """References, section 11: deviations of up to 19 K from the mean, 20 to 33 K of spread."""
    for healthy in ([-2.6, 5.7, 7.5, -11.9], [-4.5, 18.6, -2.1, -12.0], [-3.5, -16.4, 7.4, 12.2]):
        assert hot_without_shift(estimate(healthy)) == {}
    assert hot_without_shift(estimate([40.0, -40.0])) == {}, "of two nobody knows which"
