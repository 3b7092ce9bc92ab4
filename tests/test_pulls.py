"""Pulls are recognised by rising speed under load, and compared with probes at one lag."""

from __future__ import annotations

import numpy as np
import pytest
from plain_sessions import blocks, course

from analysis.blocks import Blocks
from analysis.lag import Lags
from analysis.pulls import find_pulls, pull_deviation

ALL = (1, 2, 3, 4)
PULL_RPM = course((30, 2000, 2000), (12, 2000, 4400), (20, 4400, 4400))


@pytest.mark.parametrize("used", [True, False])
def test_a_pull_is_found_where_it_was_put_and_says_why_it_is_used_or_not(used: bool) -> None:
    load = course((30, 50, 50), (12, 95, 95), (20, 60, 60))
    (pull,) = find_pulls(blocks(rpm=PULL_RPM, load=load), used=used)
    assert pull.kind == "pull"
    assert pull.start_s == pytest.approx(30, abs=2)
    assert pull.end_s == pytest.approx(42, abs=2)
    assert pull.rpm == pytest.approx(3200, rel=0.03)
    assert pull.load == pytest.approx(95, abs=5)
    assert pull.used is used
    assert ("nothing steadier" in pull.reason) is used


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
    assert find_pulls(blocks(rpm=rpm, load=load), used=False) == [], name


@pytest.mark.parametrize("load", [None, np.full(len(PULL_RPM), np.nan)])
def test_without_load_speed_alone_tells_and_without_speed_nothing_does(load: np.ndarray | None) -> None:
    (pull,) = find_pulls(blocks(rpm=PULL_RPM, load=load), used=False)
    assert pull.load is None
    assert find_pulls(blocks(np.full((80, 4), 700.0)), used=False) == []


TAUS_S = np.array([1.0, 1.5, 2.5, 5.0])
OWN_C = np.array([6.0, -4.0, 3.0, -5.0])


def two_pulls(lambda_: float = 0.87) -> Blocks:
    """Gas that rises by 10 °C a second in each pull; a probe of lag tau trails it by tau·10 °C once it follows."""
    rpm = np.concatenate([PULL_RPM, PULL_RPM])
    gas = 600.0 + (rpm - 2000.0) / 20.0
    egt = np.empty((len(rpm), 4))
    egt[0] = gas[0]
    for k in range(1, len(rpm)):
        egt[k] = gas[k] + (egt[k - 1] - gas[k]) * np.exp(-0.5 / TAUS_S)
    return blocks(egt + OWN_C, rpm=rpm, ln_phi={"all": np.full(len(rpm), -np.log(lambda_))})


def lags(*time_constant_s: float) -> Lags:
    return Lags(ALL, np.array(time_constant_s), np.full(4, 0.2), 2, 1.0)


def test_probes_at_one_lag_show_the_ports_and_not_their_own_slowness() -> None:
    session = two_pulls()
    found = pull_deviation(session, "all", lags(*TAUS_S))
    assert found is not None
    np.testing.assert_allclose(found.deviation_C, OWN_C, rtol=0, atol=4.0)
    raw = pull_deviation(session, "all", lags(2.0, 2.0, 2.0, 2.0))
    assert raw is not None
    assert np.abs(raw.deviation_C - OWN_C).max() > 10.0, "here the lag is what one would have read"
    assert found.lambda_mean == pytest.approx(0.87)
    assert np.all(found.noise_u_C >= 4.0 / np.sqrt(2) - 1e-9)
    assert found.deviation_C.sum() == pytest.approx(0.0, abs=1e-9)
    assert found.duration_s == pytest.approx(2 * 12, abs=6)


def test_no_pull_no_lambda_or_no_neighbour() -> None:
    calm = blocks(np.full((120, 4), 700.0), rpm=np.full(120, 2500.0))
    assert pull_deviation(calm, "all", lags(*TAUS_S)) is None
    session = two_pulls()
    assert pull_deviation(session, "all", lags(*TAUS_S).of((2,))) is None
    without = pull_deviation(session, "another bank", lags(*TAUS_S))
    assert without is not None
    assert np.isnan(without.lambda_mean)
    session.ln_phi["all"][:] = np.nan
    silent = pull_deviation(session, "all", lags(*TAUS_S))
    assert silent is not None
    assert np.isnan(silent.lambda_mean)
    session.egt_C[:, 1] = np.nan
    assert pull_deviation(session, "all", lags(*TAUS_S)) is None
