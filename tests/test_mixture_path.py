"""Holds, sweeps and jumps of a mixture that was drawn by hand."""

from __future__ import annotations

import numpy as np
import pytest
from plain_sessions import blocks, course

from analysis.conditions import Span
from analysis.mixture_path import engine_ln_phi, parts, settled

FloatArray = np.ndarray


def found_parts(x: FloatArray, ready: FloatArray | None = None) -> list[tuple[str, float, float]]:
    """(kind, begin s, end s) of the parts of one span over all of `x`."""
    session = blocks(ln_phi={"all": x}, egt_C=np.full((len(x), 4), 700.0))
    span = Span(0, len(x), 3000.0, 60.0)
    ready = np.ones(len(x), dtype=bool) if ready is None else ready
    return [(p.kind, p.start / 2, p.stop / 2) for p in parts(session, span, ready)]


def about(
    found: list[tuple[str, float, float]], expected: list[tuple[str, float, float]], room_s: float
) -> None:
    assert [kind for kind, *_ in found] == [kind for kind, *_ in expected]
    times, wanted = (np.array([row[1:] for row in rows]) for rows in (found, expected))
    np.testing.assert_allclose(times, wanted, rtol=0, atol=room_s)


def test_the_engine_s_mixture_is_the_mean_of_the_banks_that_are_known() -> None:
    nan = np.nan
    both = {"port": np.array([0.1, 0.2, nan, nan]), "starboard": np.array([0.3, nan, 0.4, nan])}
    found = engine_ln_phi(blocks(ln_phi=both, egt_C=np.full((4, 4), 700.0)))
    np.testing.assert_allclose(found, [0.2, 0.2, 0.4, nan], rtol=0, atol=1e-12)
    assert np.isnan(engine_ln_phi(blocks(np.full((3, 4), 700.0)))).all()


def test_hold_sweep_hold() -> None:
    about(
        found_parts(course((40, 0.25, 0.25), (150, 0.25, -0.1), (40, -0.1, -0.1))),
        [("steady", 0, 40), ("sweep", 40, 190), ("steady", 190, 230)],
        room_s=8.0,
    )


def test_there_and_back_are_two_sweeps() -> None:
    """The rate's window of 16 s is blind at the turn for half its length."""
    about(
        found_parts(course((120, 0.25, -0.1), (120, -0.1, 0.25))),
        [("sweep", 0, 120), ("sweep", 120, 240)],
        room_s=8.0,
    )


def test_a_drift_of_two_per_cent_is_a_hold() -> None:
    assert found_parts(course((120, 0.10, 0.12))) == [("steady", 0.0, 120.0)]


def test_two_mixtures_are_two_holds() -> None:
    x = course((40, 0.2, 0.2), (40, 0.1, 0.1))
    ready = np.ones(len(x), dtype=bool)
    ready[78:100] = False
    about(found_parts(x, ready), [("steady", 0, 39), ("steady", 50, 80)], room_s=0.1)


def test_a_creep_through_five_per_cent_is_cut_into_holds_of_two() -> None:
    """Slower than a sweep (0.03 % a second), yet not one mixture."""
    x = course((200, 0.2, 0.15))
    found = found_parts(x)
    assert {kind for kind, *_ in found} == {"steady"}
    for _, begin, end in found:
        piece = x[int(2 * begin) : int(2 * end)]
        assert np.ptp(piece) < 0.026
    assert sum(end - begin for _, begin, end in found) == pytest.approx(200, abs=5)


def test_without_lambda_what_is_settled_is_one_hold() -> None:
    x = np.full(100, np.nan)
    ready = np.ones(100, dtype=bool)
    ready[:20] = False
    assert found_parts(x, ready) == [("steady", 10.0, 50.0)]


def test_a_piece_too_short_to_compare_is_dropped() -> None:
    ready = np.zeros(100, dtype=bool)
    ready[10:16] = True
    assert found_parts(np.full(100, 0.1), ready) == []


def test_the_probes_are_waited_for_at_a_span_s_start_but_not_at_the_record_s() -> None:
    x = np.full(200, 0.1)
    session = blocks(ln_phi={"all": x}, egt_C=np.full((200, 4), 700.0))
    late = settled(session, Span(50, 150, 3000.0, 60.0), settle_s=9.0)
    assert np.flatnonzero(~late).tolist() == list(range(18))
    assert settled(session, Span(0, 100, 3000.0, 60.0), settle_s=9.0).all()
    short = settled(session, Span(50, 60, 3000.0, 60.0), settle_s=9.0)
    assert len(short) == 10
    assert not short.any()


def test_the_probes_are_waited_for_after_a_jump_and_not_in_a_sweep() -> None:
    x = course((60, 0.2, 0.2), (1, 0.2, 0.1), (60, 0.1, 0.1))
    ready = settled(
        blocks(ln_phi={"all": x}, egt_C=np.full((len(x), 4), 700.0)), Span(0, len(x), None, None), 9.0
    )
    blind = np.flatnonzero(~ready) / 2
    assert blind.min() == pytest.approx(60, abs=6)
    assert blind.max() == pytest.approx(61 + 9, abs=3)
    assert np.all(np.diff(np.flatnonzero(~ready)) == 1)
    sweep = course((150, 0.25, -0.1))
    slow = settled(
        blocks(ln_phi={"all": sweep}, egt_C=np.full((300, 4), 700.0)), Span(0, 300, None, None), 9.0
    )
    assert slow.all()
