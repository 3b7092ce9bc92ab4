"""The virtual engine: its stream is what the contract says, and its truth can be had back out of it."""

from __future__ import annotations

from pathlib import Path

import msgspec
import numpy as np
import pytest
from scipy.optimize import brentq

from daq.checksum import crc16, xor_checksum
from daq.errors import SetupError
from daq.setupfile import Setup, parse_setup
from daq.thermocouple import hot_junction_C
from daq.virtual_engine import HEADER_EVERY_S, VirtualEngine
from daq.virtual_scenario import Curve, Disturbance, Scenario, load_scenario, scenario_names

SILENT = Disturbance(
    wander_C=0, white_C=0, rpm=0, load_kPa=0, mixture_percent=0, lambda_delay_s=0, lambda_lag_s=0, lambda_V=0,
    cold_start_C=0,
)  # fmt: skip


def columns_of(stream: bytes) -> dict[str, np.ndarray]:
    """The stream's samples by column, read here without the project's own parser; checksums cut off."""
    lines = stream.decode("ascii").split("\r\n")
    names = lines[0].removeprefix("#").split(",")
    rows = [line.partition("*")[0].split(",") for line in lines if line and not line.startswith("#")]
    return dict(zip(names, np.array(rows, dtype=np.float64).T, strict=True))


@pytest.fixture(scope="module", params=scenario_names())
def shipped(request: pytest.FixtureRequest) -> tuple[Scenario, Setup, bytes]:
    scenario, setup_text = load_scenario(request.param)
    return scenario, parse_setup(setup_text, request.param), VirtualEngine(scenario).stream()


def test_there_is_a_work_boat_and_an_inline_four() -> None:
    assert scenario_names() == ("inline-four", "work-boat")


def test_the_setup_fits_the_stream(shipped: tuple[Scenario, Setup, bytes]) -> None:
    scenario, setup, stream = shipped
    header = stream.split(b"\r\n")[0].decode().removeprefix("#").split(",")
    assert {column for _, column in setup.columns()} <= set(header)
    assert {b.name: set(b.cylinders) for b in setup.bank} == {
        bank: {c.number for c in scenario.cylinder if c.bank == bank} for bank in scenario.banks
    }
    assert scenario.name == setup.engine.name


def test_lines_are_as_the_contract_says(shipped: tuple[Scenario, Setup, bytes]) -> None:
    scenario, _, stream = shipped
    assert stream.endswith(b"\r\n")
    lines = stream.split(b"\r\n")[:-1]
    headers = [line for line in lines if line.startswith(b"#time_ms")]
    assert lines[0] == headers[0]
    assert len(set(headers)) == 1
    assert len(headers) == np.ceil(scenario.duration_s / HEADER_EVERY_S)
    remarks = [line[2:].decode() for line in lines if line.startswith(b"# ")]
    assert remarks == [phase.remark for phase in scenario.phase]
    check = crc16 if scenario.checksum == "crc" else xor_checksum
    samples = [line.split(b"*") for line in lines if not line.startswith(b"#")]
    assert all(int(code, 16) == check(text) for text, code in samples)
    assert {len(code) for _, code in samples} == {4 if scenario.checksum == "crc" else 2}
    assert len(samples) == round(scenario.duration_s * scenario.rate_hz)


def test_the_same_engine_always_prints_the_same() -> None:
    scenario, _ = load_scenario("inline-four")
    engine = VirtualEngine(scenario)
    assert engine.stream() == engine.stream()


def test_fuel_offsets_come_back_by_inverting_the_engine_s_equation() -> None:
    """Without disturbance the offset follows from one temperature by solving the docstring's formula."""
    scenario, _ = load_scenario("work-boat")
    slow_sweep = msgspec.structs.replace(scenario.phase[-2], seconds=4000.0)
    cylinders = tuple(msgspec.structs.replace(c, lag_s=0.01, drift_C_per_min=0.0) for c in scenario.cylinder)
    scenario = msgspec.structs.replace(
        scenario, disturbance=SILENT, phase=(slow_sweep,), cylinder=cylinders, rate_hz=0.05
    )
    data = columns_of(VirtualEngine(scenario).stream())
    row = int(np.argmin(np.abs(data["lambda_port_V"] - np.interp(0.85, (0.65, 1.45), (0.5, 4.5)))))
    curve, seen = scenario.curve, {}
    for cylinder in cylinders:
        shown = float(hot_junction_C(data[f"egt{cylinder.number}_mV"][row], data["cj_C"][row]))
        junction = scenario.ambient_C + (shown - scenario.ambient_C) / (
            1 + cylinder.probe_error_percent / 100
        )
        fall = (curve.peak_C + cylinder.heat_C - junction) / cylinder.gain
        seen[cylinder.number] = brentq(lambda x, fall=fall: fall_C(curve, x) - fall, 0.6, 0.99)
    for bank in scenario.banks:
        members = [c.number for c in cylinders if c.bank == bank]
        phi = np.array([1 / seen[number] for number in members])
        found = 100 * (phi / phi.mean() - 1)
        truth = [scenario.true_offsets_percent()[number] for number in members]
        # 0.001 mV and 0.01 °C of the printed digits are 0.03 °C, at 4.6 °C per % about 0.007 %
        np.testing.assert_allclose(found, truth, rtol=0, atol=0.02)


def fall_C(curve: Curve, lambda_: float) -> float:
    """k·w·ln cosh(x/w) with x = 100·ln(lambda/peak): the engine's formula, written down a second time."""
    width = curve.rounding_percent
    return (
        curve.slope_C_per_percent * width * np.log(np.cosh(100 * np.log(lambda_ / curve.peak_lambda) / width))
    )


def test_bank_lambda_is_that_of_the_mean_fuel() -> None:
    scenario, _ = load_scenario("work-boat")
    scenario = msgspec.structs.replace(scenario, disturbance=SILENT, phase=scenario.phase[3:5])
    data = columns_of(VirtualEngine(scenario).stream())
    shown = np.interp(data["lambda_starboard_V"][200:390], (0.5, 4.5), (0.65, 1.45))
    fuel = np.mean([1 + c.fuel_percent / 100 for c in scenario.cylinder if c.bank == "starboard"])
    np.testing.assert_allclose(shown, 0.90 / fuel, rtol=0, atol=2e-4)


def test_true_offsets_sum_to_zero_in_each_bank() -> None:
    for name in scenario_names():
        scenario, _ = load_scenario(name)
        offsets = scenario.true_offsets_percent()
        for bank in scenario.banks:
            total = sum(offsets[c.number] for c in scenario.cylinder if c.bank == bank)
            assert total == pytest.approx(0.0, abs=1e-9)


def test_with_the_engine_off_every_probe_shows_the_room() -> None:
    scenario, _ = load_scenario("inline-four")
    data = columns_of(VirtualEngine(scenario).stream())
    cold = data["time_ms"] < data["time_ms"][0] + 25_000
    assert not data["rpm"][cold].any()
    for number in (1, 2, 3, 4):
        shown = hot_junction_C(data[f"egt{number}_mV"][cold], data["cj_C"][cold])
        assert np.mean(shown) == pytest.approx(scenario.ambient_C, abs=0.1)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("name = 'x'", "cylinder"),
        ("name = 'x'\ncylinder = []\nphase = []", "at least one"),
        ("name = 'x'\nspeed = 3\ncylinder = []\nphase = []", "speed"),
        ("name = ", "cannot be used"),
    ],
)
def test_a_wrong_scenario_is_one_clear_line(tmp_path: Path, text: str, says: str) -> None:
    (tmp_path / "e.toml").write_text(text, encoding="utf-8")
    (tmp_path / "e.setup.toml").write_text("", encoding="utf-8")
    with pytest.raises(SetupError, match=says) as raised:
        load_scenario(tmp_path / "e.toml")
    assert "\n" not in str(raised.value)


def test_an_unknown_name_lists_the_known_ones() -> None:
    with pytest.raises(SetupError, match="inline-four, work-boat"):
        load_scenario("submarine")
