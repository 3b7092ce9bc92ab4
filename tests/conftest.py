"""For every test: the small matrices of the analysis on one thread, as `balance` itself does it."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from threadpoolctl import threadpool_limits

# scripts run by hand: they measure, or need what the tests do not
collect_ignore_glob = ["benchmark_*.py", "evaluate_*.py", "fuzz_*.py", "mutation_*.py"]


@pytest.fixture(scope="session", autouse=True)
def one_thread_of_linear_algebra() -> Iterator[None]:
    """Threads that wait for each other make matrices of this size several times slower."""
    with threadpool_limits(1):
        yield
