"""One trim step: bounds, the bank's mean, uncertain and faulty cylinders, predictions; by hand and as properties."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.findings import judge
from analysis.result import Balance, BankBalance, CylinderBalance, CylinderTrim, Finding, Trims
from analysis.trims import CAUTIONS, propose_trims, solve_step
from daq.setupfile import TrimLimits

LIMITS = TrimLimits()  # 3 % at most, leaning at most half of it, from 1 % on: the defaults
FloatArray = np.ndarray


def entry(
    cylinder: int,
    offset: float | None,
    finding: Finding | None = None,
    u95: float | None = 0.4,
    deviation_C: float | None = None,
    **more: Any,
) -> CylinderBalance:
    """A cylinder of bank "all"; without a finding, the one that a narrow interval gives."""
    if finding is None:
        assert offset is not None
        finding = "even" if abs(offset) < 1 else "lean" if offset < 0 else "rich"
    return CylinderBalance(
        cylinder,
        "all",
        deviation_C,
        None if deviation_C is None else 5.0,
        offset,
        u95,
        finding,
        ("said",),
        **more,
    )


def step_of(
    *entries: CylinderBalance, limits: TrimLimits = LIMITS, bank: BankBalance | None = None
) -> dict[int, CylinderTrim]:
    return {t.cylinder: t for t in trims_of(*entries, limits=limits, bank=bank).cylinders}


def trims_of(
    *entries: CylinderBalance, limits: TrimLimits = LIMITS, bank: BankBalance | None = None
) -> Trims:
    numbers = tuple(e.cylinder for e in entries)
    bank = bank or BankBalance("all", numbers, 0.87, 20.0, "rich", 4.0, 0.8)
    return propose_trims(Balance("trial", "sweep", (bank,), entries, ()), limits)


def mean_fuel(entries: list[CylinderBalance], steps: dict[int, CylinderTrim]) -> float:
    """Change of the bank's mean fuel [%] by the steps."""
    before = np.array([1 + (e.fuel_offset_percent or 0) / 100 for e in entries])
    factor = np.array([1 + (steps[e.cylinder].trim_percent or 0) / 100 for e in entries])
    return float(100 * ((before * factor).mean() / before.mean() - 1))


def test_small_certain_offsets_are_taken_off_whole() -> None:
    """(1 + offset)·(1 + trim) = 1 by hand: 1/0.98 - 1 = 2.041 %, 1/1.014 - 1 = -1.381 %."""
    entries = [entry(1, -2.0), entry(2, 1.4), entry(3, 1.0), entry(4, -0.4)]
    steps = step_of(*entries)
    assert steps[1].trim_percent == pytest.approx(2.041, abs=0.15)
    assert steps[2].trim_percent == pytest.approx(-1.381, abs=0.15)
    assert steps[3].trim_percent == pytest.approx(-0.990, abs=0.15)
    # the uncertain one takes what is over, and stops at even
    assert 0.0 <= (steps[4].trim_percent or 0.0) <= 0.41
    assert mean_fuel(entries, steps) == pytest.approx(0.0, abs=0.01)


def test_leaning_is_held_to_half_of_what_enriching_may_be() -> None:
    rich = [entry(1, 4.5), entry(2, -1.5), entry(3, -1.5), entry(4, -1.5)]
    steps = step_of(*rich)
    assert steps[1].trim_percent == pytest.approx(-1.5)
    assert "leaned by at most 1.5 %" in steps[1].reason
    assert "+2.9 % remain" in steps[1].reason
    # what one gives up, three share: 1.5·1.045/(3·0.985)
    for c in (2, 3, 4):
        assert steps[c].trim_percent == pytest.approx(0.53, abs=0.02)
    assert mean_fuel(rich, steps) == pytest.approx(0.0, abs=0.01)


def test_a_lean_cylinder_is_enriched_by_no_more_than_a_step() -> None:
    steps = step_of(entry(1, -9.0), entry(2, 3.0), entry(3, 3.0), entry(4, 3.0))
    assert steps[1].trim_percent == pytest.approx(3.0)
    assert "first step of at most 3.0 %" in steps[1].reason
    assert "-6.3 % remain" in steps[1].reason
    assert steps[1].predicted_offset_percent == pytest.approx(100 * (0.91 * 1.03 - 1), abs=0.01)


def test_a_step_that_ends_at_its_limit_says_so_however_wide_the_interval() -> None:
    """Holds only: ±8 % is honest there, and 3 % of 11 is still a first step, not the whole way."""
    steps = step_of(
        entry(1, -11.0, "lean", 8.7), entry(2, 5.0, "rich", 4.5), entry(3, 3.0, "even"), entry(4, 3.0, "even")
    )
    assert steps[1].trim_percent == pytest.approx(3.0)
    assert "remain" in steps[1].reason


def test_a_lean_cylinder_among_others_that_cannot_be_judged_is_still_enriched() -> None:
    """Nobody is there to give fuel up, and the lean side is the dangerous one."""
    unknown = [entry(c, 2.0, "undetermined", 4.0) for c in (2, 3, 4)]
    steps = step_of(entry(1, -6.0, "lean", 4.0), *unknown)
    assert steps[1].trim_percent == pytest.approx(3.0)
    for c in (2, 3, 4):
        assert steps[c].trim_percent is None
        assert "cannot be told" in steps[c].reason


def test_two_rich_cylinders_are_not_evened_out_by_enriching_one() -> None:
    """The lean ones of the bank cannot be judged; nobody who can be judged may take the fuel."""
    unknown = [entry(c, -1.7, "undetermined", 4.0) for c in (3, 4)]
    steps = step_of(entry(1, 1.2), entry(2, 2.2), *unknown)
    assert steps[1].trim_percent == pytest.approx(0.0, abs=0.01)
    assert steps[2].trim_percent == pytest.approx(0.0, abs=0.01)


def test_a_rich_cylinder_among_others_that_cannot_be_judged_is_not_leaned_alone() -> None:
    """Leaning it would lean the bank: nothing known says that the bank can take it."""
    unknown = [entry(c, -2.0, "undetermined", 4.0) for c in (2, 3, 4)]
    assert step_of(entry(1, 6.0, "rich", 4.0), *unknown)[1].trim_percent == pytest.approx(0.0, abs=0.01)


def test_even_cylinders_give_only_what_the_bank_s_mean_needs() -> None:
    """The certain two even each other out; the uncertain two have nothing to do with it."""
    steps = step_of(entry(1, 1.5), entry(2, -1.5), entry(3, 0.8), entry(4, -0.8))
    assert steps[1].trim_percent == pytest.approx(-1.48, abs=0.06)
    assert steps[2].trim_percent == pytest.approx(1.52, abs=0.06)
    assert steps[3].trim_percent == steps[4].trim_percent == 0.0


def test_what_can_be_given_up_is_given_up_also_where_it_is_not_enough() -> None:
    """A cylinder 0.9 % rich gives its 0.9 %; the lean one gets its whole step all the same."""
    unknown = entry(3, 5.1, "undetermined", 6.0)
    steps = step_of(entry(1, -6.0, "lean", 4.0), entry(2, 0.9), unknown)
    assert steps[1].trim_percent == pytest.approx(3.0)
    assert steps[2].trim_percent == pytest.approx(-0.9, abs=0.01)


def test_even_cylinders_alone_are_left_alone() -> None:
    steps = step_of(entry(1, 0.6), entry(2, -0.9), entry(3, 0.3), entry(4, 0.0))
    assert [s.trim_percent for s in steps.values()] == [0.0] * 4
    assert not trims_of(entry(1, 0.6), entry(2, -0.6)).any_trim
    assert trims_of(entry(1, 2.0), entry(2, -2.0)).any_trim


@pytest.mark.parametrize("finding", ["probe-fault", "combustion-fault"])
def test_a_faulty_cylinder_is_not_touched_and_does_not_weigh(finding: Finding) -> None:
    faulty = entry(4, 8.0 if finding == "combustion-fault" else None, finding)
    steps = step_of(entry(1, -2.0), entry(2, 1.0), entry(3, 1.0), faulty)
    assert steps[4].trim_percent is None
    assert steps[4].predicted_deviation_C is None
    assert steps[4].reason == "no trim: mend the fault first"
    assert steps[1].trim_percent == pytest.approx(2.0, abs=0.1)
    healthy = [entry(1, -2.0), entry(2, 1.0), entry(3, 1.0)]
    assert mean_fuel(healthy, steps) == pytest.approx(0.0, abs=0.01)


def test_a_bank_without_any_offset_gets_no_trim() -> None:
    nothing = [entry(c, None, "undetermined", None) for c in (1, 2)]
    trims = trims_of(*nothing)
    assert [t.trim_percent for t in trims.cylinders] == [None, None]
    assert trims.spread_after_C == {"all": None}
    assert not trims.any_trim


def test_a_finding_below_the_threshold_is_not_trimmed() -> None:
    limits = TrimLimits(threshold_percent=2.5)
    steps = step_of(entry(1, -2.0, "lean"), entry(2, 2.0, "rich"), limits=limits)
    assert [s.trim_percent for s in steps.values()] == [0.0, 0.0]


def test_banks_are_kept_apart() -> None:
    one, other = entry(1, -2.0), entry(3, 2.0)
    entries = (one, other, CylinderBalance(2, "b", None, None, 0.2, 0.4, "even", ("",)))
    banks = tuple(BankBalance(b, c, None, None, None) for b, c in (("all", (1, 3)), ("b", (2,))))
    trims = propose_trims(Balance("trial", "sweep", banks, entries, ()), LIMITS)
    assert [t.cylinder for t in trims.cylinders] == [1, 3, 2]
    assert trims.cylinders[2].trim_percent == 0.0
    assert set(trims.spread_before_C) == set(trims.spread_after_C) == {"all", "b"}


@pytest.mark.parametrize(("target", "move"), [(0.85, 2.353), (0.80, 3.0), (0.88, -1.136), (0.95, -1.5)])
def test_a_bank_is_moved_towards_its_lambda_target_as_far_as_a_step_may(target: float, move: float) -> None:
    """From lambda 0.87: fuel by 0.87/target - 1, held to +3 and -1.5 %."""
    bank = BankBalance("all", (1, 2, 3), 0.87, 20.0, "rich", 4.0, 0.8)
    entries = (
        entry(1, 0.1, deviation_C=2.0),
        entry(2, -0.1, deviation_C=-2.0),
        entry(3, None, "probe-fault"),
    )
    steps = step_of(*entries, limits=TrimLimits(lambda_target=target), bank=bank)
    assert steps[1].trim_percent == pytest.approx(move, abs=0.001)
    assert steps[2].trim_percent == pytest.approx(move, abs=0.001)
    assert steps[3].trim_percent is None
    # what all get together moves none of them within the bank
    assert steps[1].predicted_offset_percent == pytest.approx(0.1, abs=0.01)
    assert steps[1].predicted_deviation_C == pytest.approx(2.0, abs=0.1)


def test_dead_time_is_handed_on_in_milliseconds_and_only_its_flow_part_in_per_cent() -> None:
    """Of -3 % at this point, 1 % is flow and the rest an injector that opens 0.03 ms late."""
    late = entry(1, -3.0, flow_offset_percent=-1.0, dead_time_ms=0.03, dead_time_u95_ms=0.01)
    steps = step_of(late, entry(2, 1.0, flow_offset_percent=1.0), entry(3, 1.0), entry(4, 1.0))
    assert steps[1].trim_ms == pytest.approx(0.03)
    assert steps[1].trim_percent == pytest.approx(1.5, abs=0.15), "recentred: -1 against +0.5"
    assert steps[2].trim_ms is None


def test_predicted_temperatures_follow_the_slope_of_the_side_by_hand() -> None:
    """4.0 ± 0.8 °C per % of less fuel: +2 % of fuel cools by 8 °C on the rich side and heats as much on the lean."""
    for slope, side in ((4.0, "rich"), (-4.0, "lean")):
        bank = BankBalance("all", (1, 2), 0.87, 20.0, side, slope, 0.8)  # type: ignore[arg-type]
        trims = trims_of(entry(1, -2.0, deviation_C=9.0), entry(2, 2.0, deviation_C=-9.0), bank=bank)
        first, second = trims.cylinders
        assert first.trim_percent is not None
        assert second.trim_percent is not None
        assert first.predicted_deviation_C == pytest.approx(9.0 - slope * first.trim_percent)
        assert first.predicted_deviation_u95_C == pytest.approx(np.hypot(5.0, 0.8 * first.trim_percent))
        spread = abs(first.predicted_deviation_C - (-9.0 - slope * second.trim_percent))
        assert trims.spread_after_C["all"] == pytest.approx(spread)
        assert trims.spread_before_C["all"] == 20.0
        assert (spread < 18.0) == (side == "rich")
        u95 = np.hypot(*(t.predicted_deviation_u95_C for t in trims.cylinders))
        assert trims.spread_after_u95_C["all"] == pytest.approx(u95)


def test_the_predicted_spread_is_from_the_hottest_to_the_coldest_wherever_they_stand() -> None:
    rows = ((1, 2.0), (2, 11.0), (3, -7.0), (4, 1.0))
    trims = trims_of(*(entry(c, 0.0, deviation_C=d) for c, d in rows))
    assert trims.spread_after_C["all"] == pytest.approx(18.0)
    assert trims.spread_after_u95_C["all"] == pytest.approx(np.hypot(5.0, 5.0))


def test_without_a_slope_only_untouched_cylinders_have_a_prediction() -> None:
    bank = BankBalance("all", (1, 2, 3), None, 20.0, None)
    steps = step_of(
        entry(1, -2.0, deviation_C=9.0),
        entry(2, 2.0, deviation_C=-9.0),
        entry(3, 0.0, deviation_C=1.0),
        bank=bank,
    )
    assert steps[1].predicted_deviation_C is None
    assert (steps[3].predicted_deviation_C, steps[3].predicted_deviation_u95_C) == (1.0, 5.0)


def test_cautions_speak_of_heat_full_load_and_whose_answer_it_is() -> None:
    said = " ".join(trims_of(entry(1, 0.0), entry(2, 0.0)).cautions)
    assert trims_of(entry(1, 0.0), entry(2, 0.0)).cautions == CAUTIONS
    for word in ("full load", "hot", "local codes", "qualified practice", "no engine protection"):
        assert word in said


offsets = st.lists(st.floats(-12, 12), min_size=2, max_size=8)
limits = st.builds(
    TrimLimits,
    step_percent=st.floats(0.5, 10),
    leaning_share=st.floats(0, 1),
    threshold_percent=st.floats(0, 3),
)


@given(offsets, st.data(), limits)
def test_no_step_breaks_a_bound_moves_the_mean_or_leads_away_from_even(
    values: list[float], data: st.DataObject, limits: TrimLimits
) -> None:
    offset = np.array(values) - np.mean(values)
    certain = np.array(data.draw(st.lists(st.booleans(), min_size=len(values), max_size=len(values))))
    step = solve_step(offset, certain, limits)
    assert step.min() >= -limits.step_percent * limits.leaning_share
    assert step.max() <= limits.step_percent
    fuel = 1 + offset / 100
    assert abs((fuel * step).mean()) < 2e-3, "mean fuel kept"
    after = offset + fuel * step
    assert np.all(step * offset <= 1e-12), "towards even"
    assert np.all(after * offset >= -1e-6), "and not beyond"
    assert (after**2).sum() <= (offset**2).sum() + 1e-3, "the bank does not get more uneven"


@given(offsets)
def test_solutions_do_not_depend_on_the_order_and_do_nothing_for_an_even_bank(values: list[float]) -> None:
    offset = np.array(values) - np.mean(values)
    certain = np.abs(offset) >= 1
    step = solve_step(offset, certain, LIMITS)
    np.testing.assert_allclose(solve_step(offset[::-1], certain[::-1], LIMITS)[::-1], step, rtol=0, atol=2e-3)
    even = solve_step(np.zeros(len(values)), np.ones(len(values), dtype=bool), LIMITS)
    np.testing.assert_allclose(even, 0.0, rtol=0, atol=1e-6)


CYLINDER = st.tuples(st.floats(-9, 9), st.floats(0.1, 6), st.sampled_from([True, True, True, False]))


@given(st.lists(CYLINDER, min_size=1, max_size=8), limits)
def test_whatever_was_found_the_step_is_safe_and_complete(
    rows: list[tuple[float, float, bool]], limits: TrimLimits
) -> None:
    """Offsets that sum to zero over the sound cylinders, findings as their intervals make them, some probes broken."""
    mean = np.mean([offset for offset, _, sound in rows if sound] or [0.0])
    entries = [
        entry(k, offset - mean, judge(offset - mean, u95, limits.threshold_percent), u95)
        if sound
        else entry(k, None, "probe-fault", None)
        for k, (offset, u95, sound) in enumerate(rows, start=1)
    ]
    steps = step_of(*entries, limits=limits)
    assert list(steps) == [e.cylinder for e in entries]
    for e in entries:
        step = steps[e.cylinder]
        assert step.reason
        if e.finding in ("undetermined", "probe-fault"):
            assert step.trim_percent is None
            assert step.predicted_offset_percent is None
            continue
        assert step.trim_percent is not None
        assert e.fuel_offset_percent is not None
        assert step.predicted_offset_percent is not None
        assert -limits.step_percent * limits.leaning_share - 1e-9 <= step.trim_percent
        assert step.trim_percent <= limits.step_percent + 1e-9
        assert step.trim_percent == 0.0 or abs(step.trim_percent) >= 0.05
        assert step.trim_percent * e.fuel_offset_percent <= 1e-6, "never away from even"
        if "brings it" in step.reason:
            assert abs(step.predicted_offset_percent) <= max(e.fuel_offset_u95_percent or 0, 0.05)
    assert mean_fuel(entries, steps) > -0.06, "no bank is ever made leaner (by more than the smallest step)"
