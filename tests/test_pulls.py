"""Pulls are recognised by rising speed under load, and listed as not used."""

from __future__ import annotations

import numpy as np
import pytest
from plain_sessions import blocks, course

from analysis.pulls import find_pulls


def test_a_pull_is_found_where_it_was_put_and_says_why_it_is_not_used() -> None:
    rpm = course((30, 2000, 2000), (12, 2000, 4400), (20, 4400, 4400))
    load = course((30, 50, 50), (12, 95, 95), (20, 60, 60))
    (pull,) = find_pulls(blocks(rpm=rpm, load=load))
    assert pull.kind == "pull"
    assert pull.start_s == pytest.approx(30, abs=2)
    assert pull.end_s == pytest.approx(42, abs=2)
    assert pull.rpm == pytest.approx(3200, rel=0.03)
    assert pull.load == pytest.approx(95, abs=5)
    assert not pull.used
    assert pull.reason


@pytest.mark.parametrize(
    ("name", "rpm", "load"),
    [
        (
            "revved without load",
            course((30, 1000, 1000), (12, 1000, 4000)),
            course((30, 95, 95), (12, 20, 20)),
        ),
        ("too small a rise", course((30, 3000, 3000), (12, 3000, 3700)), course((42, 90, 90))),
        ("too short", course((30, 2000, 2000), (1, 2000, 3200), (20, 3200, 3200)), course((51, 90, 90))),
        ("falling", course((30, 4000, 4000), (12, 4000, 2000)), course((42, 90, 90))),
    ],
)
def test_what_is_no_pull(name: str, rpm: np.ndarray, load: np.ndarray) -> None:
    assert find_pulls(blocks(rpm=rpm, load=load)) == [], name


def test_without_load_speed_alone_tells_and_without_speed_nothing_does() -> None:
    rpm = course((30, 2000, 2000), (12, 2000, 4400), (20, 4400, 4400))
    (pull,) = find_pulls(blocks(rpm=rpm))
    assert pull.load is None
    assert find_pulls(blocks(np.full((80, 4), 700.0))) == []
