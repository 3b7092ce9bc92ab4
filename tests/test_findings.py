"""From intervals to findings: every side of every limit, and sentences that say the direction."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.findings import judge, steady_finding, steady_reason, sweep_reason


@pytest.mark.parametrize(
    ("offset", "u95", "finding"),
    [
        (-2.0, 0.5, "lean"),
        (2.0, 0.5, "rich"),
        (1.0, 0.5, "rich"),  # from the threshold on
        (0.9, 0.5, "rich"),  # certain, and within its uncertainty easily worth a trim
        (0.8, 0.5, "even"),  # certain, but hardly worth a trim
        (0.2, 0.5, "even"),
        (2.0, 3.0, "undetermined"),
        (0.0, 3.0, "undetermined"),  # a zero that may be anything is not even
        (3.1, 3.0, "rich"),  # wide, yet clearly away from zero
    ],
)
def test_a_difference_counts_when_it_is_certain_and_worth_a_trim(
    offset: float, u95: float, finding: str
) -> None:
    assert judge(offset, u95, 1.0) == finding


@given(st.floats(-20, 20), st.floats(0.01, 20), st.floats(0.1, 5))
def test_judgements_are_the_same_for_lean_and_rich(offset: float, u95: float, threshold: float) -> None:
    mirrored = {"lean": "rich", "rich": "lean"}
    found = judge(offset, u95, threshold)
    assert judge(-offset, u95, threshold) == mirrored.get(found, found)
    if found in mirrored:
        assert abs(offset) + u95 / 3 >= threshold
        assert abs(offset) > u95
        assert (found == "lean") == (offset < 0)
    if found == "even":
        assert u95 <= 1.25 * threshold or abs(offset) < u95


@pytest.mark.parametrize(
    ("deviation", "u95_C", "offset", "u95", "finding"),
    [
        (40.0, 20.0, -8.0, 9.0, "lean"),  # surely a difference, though its size is not sure
        (-40.0, 20.0, 8.0, 9.0, "rich"),
        (40.0, 20.0, 8.0, 9.0, "rich"),  # lean side of the peak: hotter is richer
        (15.0, 20.0, -3.0, 4.0, "undetermined"),
        (2.0, 3.0, -0.4, 0.9, "even"),
        (4.0, 3.0, -0.8, 0.9, "even"),
    ],
)
def test_held_temperatures_tell_whether_the_slope_tells_how_much(
    deviation: float, u95_C: float, offset: float, u95: float, finding: str
) -> None:
    assert steady_finding(deviation, u95_C, offset, u95, 1.0) == finding


def test_sentences_name_the_cylinder_the_amount_and_the_direction() -> None:
    lean = sweep_reason(5, -3.1, 0.5, 1.0, "lean")
    assert "cylinder 5" in lean
    assert "3.1 ± 0.5 % less fuel" in lean
    assert "still rich" in lean
    assert "more fuel" in sweep_reason(5, 3.1, 0.5, 1.0, "rich")
    assert "too wide" in sweep_reason(5, 0.5, 3.0, 1.0, "undetermined")
    assert "below the 1.0 % worth a trim" in sweep_reason(5, 0.8, 0.5, 1.0, "even")
    assert "within 0.5 %" in sweep_reason(5, 0.2, 0.5, 1.0, "even")
    steady = steady_reason(2, 41.0, 20.0, -8.0, 9.0, "rich", "lean")
    for words in ("cylinder 2", "+41 °C", "rich side", "±20 °C", "8 ± 9 % less fuel", "sweep would tell"):
        assert words in steady
    assert "may be anywhere in -3.0 ± 4.0 %" in steady_reason(
        2, 15.0, 20.0, -3.0, 4.0, "rich", "undetermined"
    )
