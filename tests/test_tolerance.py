"""Tolerance classes of type K, as therncway.net, docslib 13409891 (IEC 60584), scribd 351458932 and
jms-se.com (ASTM E230) print them."""

from __future__ import annotations

import math

import numpy as np
import pytest

from daq.tolerance import CLASSES, rectangular_standard_uncertainty, tolerance_C

# (class, °C, limit °C): the absolute part, the crossover (375, 333 and −167 °C), the relative part, 800 °C
ROWS = [
    ("iec-1", 20.0, 1.5), ("iec-1", 375.0, 1.5), ("iec-1", 800.0, 3.2), ("iec-1", 1000.0, 4.0),
    ("iec-2", -40.0, 2.5), ("iec-2", 1000.0 / 3.0, 2.5), ("iec-2", 800.0, 6.0), ("iec-2", 1200.0, 9.0),
    ("iec-3", 40.0, 2.5), ("iec-3", -500.0 / 3.0, 2.5), ("iec-3", -200.0, 3.0),
    ("astm-special", 0.0, 1.1), ("astm-special", 275.0, 1.1), ("astm-special", 800.0, 3.2),
    ("astm-standard", 0.0, 2.2), ("astm-standard", 800.0, 6.0), ("astm-standard", 1260.0, 9.45),
    ("astm-standard", -200.0, 4.0),  # the wider of two sources
]  # fmt: skip


@pytest.mark.parametrize(("name", "t_C", "limit_C"), ROWS)
def test_published_limits(name: str, t_C: float, limit_C: float) -> None:
    assert tolerance_C(name, t_C) == pytest.approx(limit_C, rel=0, abs=1e-9)


@pytest.mark.parametrize(
    ("name", "outside_C"),
    [("iec-1", (-40.1, 1000.1)), ("iec-2", (-40.1, 1200.1)), ("iec-3", (-200.1, 40.1)),
     ("astm-special", (-0.1, 1260.1)), ("astm-standard", (-200.1, 1260.1))],
)  # fmt: skip
def test_outside_its_range_a_class_promises_nothing(name: str, outside_C: tuple[float, float]) -> None:
    assert tolerance_C(name, np.array([*outside_C, np.inf, -np.inf])).tolist() == [math.inf] * 4


def test_a_number_holds_everywhere() -> None:
    assert tolerance_C(6.0, 1300.0) == 6.0
    assert tolerance_C(0.0, np.array([-100.0, 800.0])).tolist() == [0.0, 0.0]


@pytest.mark.parametrize("tolerance", [*CLASSES, 4.0])
def test_vector_is_scalar_and_no_reading_has_no_limit(tolerance: str | float) -> None:
    t_C = np.array([[-30.0, 20.0, 900.0], [np.nan, 380.0, 2000.0]])
    limits = tolerance_C(tolerance, t_C)
    assert limits.shape == t_C.shape
    assert math.isnan(limits[1, 0])
    for index in [(0, 0), (0, 1), (0, 2), (1, 1), (1, 2)]:
        assert limits[index] == tolerance_C(tolerance, float(t_C[index]))
    assert isinstance(tolerance_C(tolerance, 20.0), float)


def test_an_unknown_class_is_an_error() -> None:
    with pytest.raises(KeyError):
        tolerance_C("iec-4", 800.0)


def test_rectangular_distribution() -> None:
    """JCGM 100:2008, 4.3.7: a/√3; its example in 4.3.8 and EA-4/02 S5 use 0.3/√3 = 0.173."""
    assert rectangular_standard_uncertainty(0.3) == pytest.approx(0.173, rel=0, abs=0.0005)
    width = np.array([0.0, 6.0, np.inf])
    assert rectangular_standard_uncertainty(width) == pytest.approx([0.0, 3.4641016, math.inf], rel=1e-8)
