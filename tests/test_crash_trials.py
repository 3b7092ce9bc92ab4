"""A short version of the crash trials; the long one is `python tests/crash_trials.py --count 1000`."""

from __future__ import annotations

import pytest
from crash_trials import run


@pytest.mark.parametrize(("kind", "count"), [("kill", 8), ("power", 8), ("cut", 60)])
def test_every_session_opens_and_no_value_is_wrong(kind: str, count: int) -> None:
    assert len(run(kind, count, seed=7)) == count  # each trial makes its own assertions
