"""A bank's sweeps: whether their curves bend, and whether two of them agree."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from types import SimpleNamespace
from typing import Any, cast

import msgspec
import numpy as np
import pytest
from plain_sessions import blocks
from unseen_engines import Fault, Segment, Truth, make_engine, run
from unseen_engines.schedule import CLOSING, MODERATE_KPA, MODERATE_RPM, hold, opening, sweep

from analysis import findings
from analysis.balance import balance, look
from analysis.bank_sweep import MOST_TRIES, PASSES_APART_S, bank_sweep, changes, passes
from analysis.operating_regions import region_dependence
from analysis.result import Balance
from analysis.sweep import SweepEstimate, estimate_sweep
from analysis.sweep_fit import SweepFit
from analysis.sweep_model import SweepData
from analysis.trims import propose_trims
from daq.physical import PhysicalTable

FIFTH_LOSES = (0.0, 0.0, 3.0, 0.0, 0.0, 0.0, 0.0, 0.0)  # cylinder 5 of 1, 3, 5, 7, 2, 4, 6, 8


@cache
def session(
    shape: str = "kinked", seed: int = 3, schedule: str | tuple[Segment, ...] = "cold-and-hot", **options: Any
) -> tuple[PhysicalTable, Truth]:
    return run(make_engine(shape, seed, **{"offsets": "even", **options}), schedule)


def changed(result: Balance) -> list[int]:
    return [c.cylinder for c in result.cylinders if c.changed_in_session]


@pytest.mark.parametrize("lost", [3.0, 6.0])
def test_a_cylinder_that_loses_fuel_with_heat_is_told_with_both_offsets(lost: float) -> None:
    """Neither the mean of both sweeps nor a drifting probe: the last sweep's offset, and how it was before."""
    options = {"lost_when_hot_percent": tuple(lost / 3.0 * x for x in FIFTH_LOSES)}
    table, truth = session(**options)
    result = balance(table)
    assert changed(result) == [5]
    five = result.cylinder(5)
    assert five.finding == "lean"
    begin, end = truth.sweeps_s[-1]
    at_the_end = truth.offset_course_percent[(table.time_s >= begin) & (table.time_s < end)].mean(axis=0)
    assert at_the_end[2] < -0.7 * lost, "the rig's own course"
    offsets = np.array([result.cylinder(c).fuel_offset_percent for c in table.cylinders], dtype=float)
    assert np.abs(offsets - at_the_end).max() < 0.6
    assert "changed within the session: " in five.reasons[1]
    assert any("cylinder 5" in step and "before it is trimmed" in step for step in result.next_steps)
    cautions = propose_trims(result, table.setup.trims).cautions
    assert [c for c in cautions if "changed within" in c] == [cautions[0]]


@pytest.mark.parametrize(
    "options",
    [
        {},
        {"offsets": (0.8, 0.3, -2.6, 1.5, -0.4, 0.9, -0.2, -0.3)},
        {"faults": (Fault("drifting", 5, size=2.0),)},
        {"faults": (Fault("drifting", 5, size=9.0),)},
        {"faults": (Fault("late-spark", 5, size=20.0, start_s=400.0),)},
        {"lost_when_hot_percent": tuple(3.0 for _ in FIFTH_LOSES)},
    ],
    ids=["even", "lean all the time", "slow drift", "drift", "hotter later", "all lose alike"],
)
@pytest.mark.parametrize(("shape", "seed"), [("kinked", 3), ("equilibrium", 8)])
def test_two_sweeps_of_an_engine_that_did_not_change_agree(
    shape: str, seed: int, options: dict[str, Any]
) -> None:
    assert changed(balance(session(shape, seed, **options)[0])) == []


def test_without_lambda_a_sweep_is_not_taken_for_drifting_probes() -> None:
    """Cylinders that are fuelled unevenly move apart while the mixture moves, and nobody sees it move."""
    offsets = (2.5, -2.0, -2.6, 2.1, -3.0, 3.0, -2.0, 2.0)
    table, _ = session("kinked", 3, schedule="standard", offsets=offsets)
    result = balance(replace(table, lambda_by_bank={}))
    assert {c.finding for c in result.cylinders} == {"undetermined"}


def test_one_sweep_cannot_disagree_with_itself() -> None:
    result = balance(session(schedule="return", lost_when_hot_percent=FIFTH_LOSES)[0])
    assert result.method == "sweep"
    assert changed(result) == []


def test_what_time_changed_does_not_pass_for_an_operating_point() -> None:
    """Held at one speed when cool and at another when hot, what heat does would be laid to uneven air."""
    turned = (
        *opening(),
        sweep(0.78, 0.78, 10.0, "hold"),
        sweep(0.78, 1.10, 120.0),
        hold(2200, 45, 0.84, 60.0),
        hold(3000, 62, 0.88, 400.0),
        hold(3600, 75, 0.82, 60.0),
        sweep(0.78, 0.78, 10.0, "hold"),
        sweep(0.78, 1.10, 120.0),
        *CLOSING,
    )
    loses_twice_that = tuple(2 * x for x in FIFTH_LOSES)
    result = balance(session("kinked", 4, schedule=turned, lost_when_hot_percent=loses_twice_that)[0])
    assert changed(result) == [5]
    own = [o for o in result.regions if o.cylinder == 5]
    assert region_dependence(5, own) is not None, "else this session would show nothing"
    assert result.cylinder(5).dead_time_ms is None
    assert not result.cylinder(5).depends_on_region


def test_a_sweep_over_a_straight_flank_tells_the_slope_and_not_who_is_shifted() -> None:
    offsets = (0.8, 0.3, -2.6, 1.5, -0.4, 0.9, -0.2, -0.3)
    engine = make_engine("kinked", 7, offsets=offsets)
    table, truth = run(engine, "narrow")
    result = balance(table)
    assert result.method == "steady"
    for bank in result.banks:
        assert bank.slope_C_per_percent == pytest.approx(engine.curve.slope_C_per_percent, rel=0.35)
        assert bank.slope_u95_C_per_percent is not None
        assert bank.slope_C_per_percent is not None
        share = bank.slope_u95_C_per_percent / bank.slope_C_per_percent
        assert 0.6 < share < 0.75, "30 % at another point, twice; what is assumed of any engine is 4.4 of 4.8"
    for entry in result.cylinders:
        assert entry.fuel_offset_percent is not None
        assert entry.fuel_offset_u95_percent is not None
        assert (
            abs(entry.fuel_offset_percent - truth.offset_percent[entry.cylinder])
            < entry.fuel_offset_u95_percent
        )
    assert findings.WIDER_ADVICE in result.next_steps


def test_a_straight_flank_without_a_hold_says_why_nothing_is_told() -> None:
    off, start, *_ = opening()
    result = balance(session("kinked", 3, schedule=(off, start, sweep(0.78, 0.93, 60.0)))[0])
    assert {c.finding for c in result.cylinders} == {"undetermined"}
    assert {c.reasons for c in result.cylinders} == {(findings.NO_BEND,)}


def test_a_probe_s_own_class_says_how_far_its_height_may_be_off() -> None:
    """±20 °C instead of a class: rectangular, beside 1.5 times the heat that ports are assumed to differ by."""
    table, _ = session(schedule="standard")
    setup = table.setup
    probes = [msgspec.structs.replace(probe, tolerance=20.0) for probe in setup.probe]
    view = look(replace(table, setup=msgspec.structs.replace(setup, probe=probes)))
    found = bank_sweep(view, "port", {}).estimate
    assert found is not None
    expected_C = np.hypot(1.5 * setup.assumptions.heat_u_C, 20.0 / np.sqrt(3.0))
    assert found.fit.data.height_u_C == pytest.approx(expected_C)


def estimate(offset: list[float], u95: float = 0.3, minute: float = 4.0) -> SweepEstimate:
    made: Any = SimpleNamespace(
        cylinders=tuple(range(1, len(offset) + 1)),
        offset_percent=np.array(offset),
        u95_percent=np.full(len(offset), u95),
        fit=SimpleNamespace(data=SimpleNamespace(time_s=np.array([60.0 * minute]))),
    )
    return cast(SweepEstimate, made)


def test_a_change_is_one_beyond_doubt_and_worth_a_trim() -> None:
    told = changes(estimate([0.1, -0.6, 0.6, 0.0]), estimate([-2.4, 0.3, 1.4, 0.8], minute=14.0), 1.0)
    assert set(told) == {1}, "it moves the mean of the other three"
    assert "+0.1 ± 0.3 % in the sweep at 4 min, -2.4 ± 0.3 % in the one at 14 min" in told[1]
    assert set(changes(estimate([0.1, -0.1]), estimate([-0.9, 0.9]), 1.0)) == {1, 2}, (
        "of two nobody knows which"
    )
    # three standard deviations of the difference are 3·hypot(1.2, 1.2)/2 = 2.55 %
    assert changes(estimate([0.1, -0.1], 1.2), estimate([-2.4, 2.4], 1.2), 1.0) == {}
    assert set(changes(estimate([0.1, -0.1], 1.1), estimate([-2.4, 2.4], 1.1), 1.0)) == {1, 2}
    assert set(changes(estimate([-0.3, 0.1, 0.2]), estimate([-1.2, 0.5, 0.7]), 1.0)) == {1}, (
        "1.3 % against the median"
    )


def test_of_many_sweeps_that_do_not_bend_by_themselves_only_a_few_are_fitted(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Whether a mixture changed from one to another is asked of sweeps that bend; a fit is most of an analysis."""
    rest = hold(MODERATE_RPM, MODERATE_KPA, 0.78, 2 * PASSES_APART_S)
    table, _ = session("kinked", 3, schedule=(*opening(), rest, *(8 * (sweep(0.78, 1.0, 60.0), rest))))
    # as on a gentle curve, whose bend only all sweeps together show
    monkeypatch.setattr(SweepFit, "bend", lambda fit: (float(np.ptp(fit.data.time_s) > 300.0), 0.1))
    tried: list[str] = []

    def counted(data: SweepData, name: str) -> SweepEstimate:
        tried.append(name)
        return estimate_sweep(data, name)

    monkeypatch.setattr("analysis.bank_sweep.estimate_sweep", counted)
    assert balance(table).method == "sweep"
    assert len(tried) == 2 * (1 + MOST_TRIES), "of two banks all at once, then the first few"


def test_passes_lie_apart_in_time_and_a_hold_is_none() -> None:
    """Half-second blocks: a sweep and straight back, a hold long after, another sweep long after that."""
    rise = np.linspace(-0.1, 0.25, 200)
    rest = int(2 * PASSES_APART_S / 0.5)
    still = np.full(100, 0.1)
    x = np.concatenate([rise, rise[::-1], np.zeros(rest), still, np.zeros(rest), rise])
    made = blocks(ln_phi={"all": x})
    points = np.concatenate(
        [np.arange(400), 400 + rest + np.arange(100), 500 + 2 * rest + np.arange(200)]
    ).astype(np.int64)
    found = passes(made, points, "all")
    assert [(int(p[0]), int(p[-1]) + 1) for p in found] == [(1, 400), (500 + 2 * rest, 700 + 2 * rest)]
