"""Probes told from cylinders after an exchange: exact without noise, covering with it, silent where it cannot tell."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.swap_test import Reading, SwapResult, swap_test

CYLINDER_C = {1: 8.0, 2: -5.0, 3: 2.0, 4: -5.0}
PROBE_C = {"A": 3.0, "B": -4.0, "C": 0.0, "D": 1.0}


def session(name: str, probes: str, shift_C: float = 0.0, noise: np.ndarray | None = None) -> list[Reading]:
    """Cylinders 1 to 4 with these probes, in order; the whole session shifted by `shift_C`."""
    noise = np.zeros(4) if noise is None else noise
    return [
        Reading(name, c, p, CYLINDER_C[c] + PROBE_C[p] + shift_C + e, 0.5)
        for c, p, e in zip(CYLINDER_C, probes, noise, strict=True)
    ]


def values(result: SwapResult) -> tuple[dict[str, float | None], dict[str, float | None]]:
    return ({e.name: e.value_C for e in result.cylinders}, {e.name: e.value_C for e in result.probes})


def test_a_ring_of_exchanges_tells_every_cylinder_and_every_probe() -> None:
    """Both sum to zero by convention: that is how the numbers above were chosen."""
    result = swap_test(session("first", "ABCD") + session("second", "BCDA", shift_C=6.0))
    cylinders, probes = values(result)
    assert cylinders == pytest.approx({str(c): v for c, v in CYLINDER_C.items()}, abs=1e-6)
    assert probes == pytest.approx(PROBE_C, abs=1e-6)


def test_two_probes_exchanged_tell_these_two_and_not_the_rest() -> None:
    """Cylinders 3 and 4 keep their probes: there the sum alone is known."""
    result = swap_test(session("first", "ABCD") + session("second", "BACD"))
    cylinders, probes = values(result)
    assert [cylinders["3"], cylinders["4"], probes["C"], probes["D"]] == [None] * 4
    assert all(effect.u95_C is None for effect in result.cylinders if effect.value_C is None)


def test_intervals_cover_and_an_additive_world_has_no_misfit() -> None:
    """300 draws: 95 % nominal; three sessions leave degrees of freedom to be contradicted by."""
    rng = np.random.default_rng(2)
    inside, misfits = [], []
    for _ in range(300):
        noise = rng.normal(0, 0.5, (3, 4))
        result = swap_test(
            session("1", "ABCD", 0.0, noise[0])
            + session("2", "BCDA", 2.0, noise[1])
            + session("3", "CDAB", -1.0, noise[2])
        )
        for effect in result.cylinders:
            assert effect.value_C is not None
            assert effect.u95_C is not None
            inside.append(abs(effect.value_C - CYLINDER_C[int(effect.name)]) < effect.u95_C)
        assert result.misfit is not None
        misfits.append(result.misfit)
    assert np.mean(inside) == pytest.approx(0.95, abs=0.03)
    assert np.mean(misfits) == pytest.approx(1.0, abs=0.15)


def test_a_probe_that_changed_between_the_sessions_shows_as_misfit() -> None:
    readings = session("1", "ABCD") + session("2", "BCDA") + session("3", "CDAB")
    aged = replace(readings[-2], deviation_C=readings[-2].deviation_C + 8)
    assert (aged.session, aged.probe) == ("3", "A")
    result = swap_test([*readings[:-2], aged, readings[-1]])
    assert result.misfit is not None
    assert result.misfit > 5


def test_one_session_or_no_exchange_tells_nothing() -> None:
    with pytest.raises(ValueError, match="two sessions"):
        swap_test(session("first", "ABCD"))
    result = swap_test(session("first", "ABCD") + session("second", "ABCD"))
    cylinders, probes = values(result)
    assert {*cylinders.values(), *probes.values()} == {None}
