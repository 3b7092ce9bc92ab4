"""Dead time told from uneven air by how an offset follows the pulse width."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from analysis.operating_regions import region_dependence
from analysis.result import RegionOffset

WIDTHS_MS = (2.0, 3.2, 4.1, 6.0)


def offsets(
    percent: Sequence[float], widths_ms: Sequence[float | None] = WIDTHS_MS, u95: float = 0.6
) -> list[RegionOffset]:
    return [
        RegionOffset(f"{1500 + 500 * k} rpm", 1500.0 + 500 * k, None, w, 3, 0.0, 5.0, p, u95)
        for k, (p, w) in enumerate(zip(percent, widths_ms, strict=True))
    ]


def test_a_dead_time_and_a_flow_are_told_apart() -> None:
    """An injector that opens 0.08 ms late and flows 2 % more: 2 - 8/w % at w ms, by hand -2.0, -0.5, 0.05, 0.67."""
    found = region_dependence(3, offsets([-2.0, -0.5, 0.0488, 0.6667]))
    assert found is not None
    assert found.dead_time_ms == pytest.approx(0.08, abs=1e-4)
    assert found.flow_percent == pytest.approx(2.0, abs=1e-3)
    assert "+0.080" in found.sentence
    assert "dead time" in found.sentence


def test_the_dead_time_s_interval_covers() -> None:
    """1 000 draws of the offsets' own uncertainty; 95 % nominal, and only findings that are beyond doubt are shown."""
    rng = np.random.default_rng(1)
    true = 2.0 - 100 * 0.12 / np.array(WIDTHS_MS)
    inside = []
    for _ in range(1000):
        found = region_dependence(3, offsets(list(true + rng.normal(0, 0.3, 4))))
        if found is not None and found.dead_time_ms is not None and found.dead_time_u95_ms is not None:
            inside.append(abs(found.dead_time_ms - 0.12) < found.dead_time_u95_ms)
    assert len(inside) > 900
    assert np.mean(inside) == pytest.approx(0.95, abs=0.025)


def test_what_does_not_follow_the_pulse_width_is_air() -> None:
    found = region_dependence(3, offsets([0.0, 4.0, -1.0, 3.0]))
    assert found is not None
    assert found.dead_time_ms is found.flow_percent is None
    assert "-1.0 % at 2500 rpm" in found.sentence
    assert "+4.0 % at 2000 rpm" in found.sentence


@pytest.mark.parametrize(
    "widths", [(None,) * 4, (3.0, 3.1, 3.2, 3.3), (0.0, 3.2, 4.1, 6.0)], ids=["unknown", "alike", "zero"]
)
def test_without_pulse_widths_that_differ_nothing_is_said_of_dead_time(
    widths: Sequence[float | None],
) -> None:
    found = region_dependence(3, offsets([-2.0, -0.5, 0.0488, 0.6667], widths))
    assert found is not None
    assert found.dead_time_ms is None


def test_differences_within_doubt_or_not_worth_a_trim_are_no_dependence() -> None:
    assert region_dependence(3, offsets([-2.0, -0.5, 0.0, 0.7], u95=4.0)) is None
    assert region_dependence(3, offsets([0.0, 1.4, 0.2, 0.1], u95=0.1)) is None
    assert region_dependence(3, offsets([-2.0], [2.0])) is None
    assert region_dependence(3, []) is None
