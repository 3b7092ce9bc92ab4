"""Before and after a trim: movement against prediction, the slope that the trims themselves show, what remains."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest

from analysis.compare import Comparison, compare
from analysis.result import Balance, BankBalance, CylinderBalance, Finding, RegionOffset

SLOPE = 4.0  # °C per % of less fuel
BEFORE = {1: -3.0, 2: 1.0, 3: 1.0, 4: 1.0}
EVENING = {1: 3.0, 2: -1.0, 3: -1.0, 4: -1.0}


def finding(offset: float) -> Finding:
    return "even" if abs(offset) < 1 else "lean" if offset < 0 else "rich"


def balance(
    offsets: Mapping[int, float],
    u95: float = 0.4,
    rpm: float = 3000.0,
    heat_C: Mapping[int, float] | None = None,
    told: bool = True,
) -> Balance:
    """A session at one region in which deviations are those of the offsets plus each port's own heat."""
    heat = heat_C or {1: 6.0, 2: -4.0, 3: 1.0, 4: -3.0}
    deviations = {c: -SLOPE * o + heat[c] for c, o in offsets.items()}
    cylinders = tuple(
        CylinderBalance(
            c, "all", deviations[c], 6.0, o if told else None, u95 if told else None,
            finding(o) if told else "undetermined", ("said",),
        )
        for c, o in offsets.items()
    )  # fmt: skip
    regions = tuple(
        RegionOffset(f"{rpm:.0f} rpm", rpm, 60.0, None, c, d, 6.0, None, None, 0.4, 0.87)
        for c, d in deviations.items()
    )
    spread = float(np.ptp(list(deviations.values())))
    bank = BankBalance("all", tuple(offsets), 0.87, spread, "rich", SLOPE, 0.8)
    return Balance("trial", "sweep", (bank,), cylinders, (), (), regions)


def moved_by(trims: Mapping[int, float], share: float = 1.0) -> dict[int, float]:
    """Offsets after the trims, against the bank's new mean."""
    after = {c: o + share * trims.get(c, 0.0) for c, o in BEFORE.items()}
    mean = np.mean(list(after.values()))
    return {c: float(o - mean) for c, o in after.items()}


def compared(
    after: Balance, trims: Mapping[int, float] | None = None, before: Balance | None = None
) -> Comparison:
    return compare(before or balance(BEFORE), after, trims)


def verdicts(result: Comparison) -> dict[int, str]:
    return {c.cylinder: c.moved for c in result.cylinders}


def test_trims_that_did_what_they_should() -> None:
    result = compared(balance(moved_by(EVENING)), EVENING)
    assert set(verdicts(result).values()) == {"as predicted"}
    (bank,) = result.banks
    assert not bank.another_step
    assert "stop here" in bank.verdict
    first = result.cylinders[0]
    assert first.change_C == pytest.approx(-SLOPE * 3.0)
    assert first.predicted_change_C == pytest.approx(-SLOPE * 3.0)
    assert first.offset_change_percent == pytest.approx(3.0)
    assert first.offset_change_u95_percent == pytest.approx(np.hypot(0.4, 0.4))
    assert result.answered


def test_heat_and_probes_cancel_in_a_change_and_only_noise_is_left() -> None:
    """Two noises of 0.4 °C and 1.5 °C from one warm engine to the next: 2·√(2·0.16 + 2.25) = 3.2 °C."""
    result = compared(balance(moved_by(EVENING)), EVENING)
    assert result.cylinders[0].change_u95_C == pytest.approx(3.206, abs=0.01)
    hotter = {1: 30.0, 2: -25.0, 3: 9.0, 4: -14.0}
    other = compared(balance(moved_by(EVENING), heat_C=hotter), EVENING, balance(BEFORE, heat_C=hotter))
    assert other.cylinders[0].change_C == pytest.approx(result.cylinders[0].change_C)


def test_the_trims_measure_this_engine_s_slope() -> None:
    (bank,) = compared(balance(moved_by(EVENING)), EVENING).banks
    assert bank.slope_C_per_percent == pytest.approx(SLOPE)
    assert bank.slope_u95_C_per_percent is not None
    assert 0 < bank.slope_u95_C_per_percent < SLOPE


@pytest.mark.parametrize(
    ("share", "verdict"), [(0.0, "less than predicted"), (2.0, "more than predicted"), (-1.0, "wrong way")]
)
def test_trims_that_did_not_do_what_they_should(share: float, verdict: str) -> None:
    result = compared(balance(moved_by(EVENING, share)), EVENING)
    assert verdicts(result)[1] == verdict
    assert result.banks[0].another_step


def test_a_trim_that_moves_the_bank_s_mean_moves_a_cylinder_against_it_by_less() -> None:
    """All enriched alike: no offset and no deviation changes, and that is as predicted. One alone by 3 %: by 2.25."""
    everyone = dict.fromkeys(BEFORE, 2.0)
    assert set(verdicts(compared(balance(BEFORE), everyone)).values()) == {"as predicted"}
    alone = {1: 3.0, 2: 0.0, 3: 0.0, 4: 0.0}
    result = compared(balance(moved_by(alone), u95=0.3), alone, balance(BEFORE, u95=0.3))
    assert verdicts(result)[1] == "as predicted"
    assert result.cylinders[0].predicted_change_C == pytest.approx(-SLOPE * 2.25)


def test_without_offsets_the_temperatures_tell() -> None:
    before, after = balance(BEFORE, told=False), balance(moved_by(EVENING), told=False)
    result = compared(after, EVENING, before)
    assert verdicts(result)[1] == "as predicted"
    assert "sweep" in result.banks[0].verdict
    wrong = compared(balance(moved_by(EVENING, -1.0), told=False), EVENING, before)
    assert verdicts(wrong)[1] == "wrong way"


def test_without_trims_written_down_nothing_is_predicted() -> None:
    result = compared(balance(moved_by(EVENING)))
    assert set(verdicts(result).values()) == {"cannot tell"}
    assert result.banks[0].slope_C_per_percent is None
    assert result.cylinders[0].change_C is not None


def test_sessions_at_other_operating_points_are_not_compared_by_temperature() -> None:
    result = compared(balance(moved_by(EVENING), rpm=2000.0), EVENING)
    assert result.problems
    assert all(c.change_C is None for c in result.cylinders)
    assert verdicts(result)[1] == "as predicted", "by the sweeps' offsets"


def test_a_cylinder_that_was_not_there_before_is_said() -> None:
    fewer = {c: o for c, o in BEFORE.items() if c != 4}
    result = compared(balance(moved_by(EVENING)), EVENING, balance(fewer))
    assert [c.cylinder for c in result.cylinders] == [1, 2, 3]
    assert any("cylinder 4" in problem for problem in result.problems)
