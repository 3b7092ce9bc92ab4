"""Live values are those of the session: the same conversion, of the last moment."""

import math

import pytest

from daq.live_values import LiveValues, restrict
from daq.physical import physical_table
from daq.session import SessionWriter, open_session
from daq.setupfile import parse_setup

SETUP = """
[engine]
name = "work boat"
[[instrument]]
name = "main"
[[instrument]]
name = "wideband"
[[bank]]
name = "port"
cylinders = [1, 3]
[[bank]]
name = "starboard"
cylinders = [2]
[[lambda_sensor]]
bank = "port"
column = "wideband:lambda_port_V"
volts = [0.5, 4.5]
lambda = [0.65, 1.45]
delay_s = 0.25
[[probe]]
cylinder = 1
column = "egt1_mV"
cold_junction = "cj_ohm"
offset_C = 2.5
[[probe]]
cylinder = 2
column = "egt2_mV"
cold_junction = "cj_ohm"
[[probe]]
cylinder = 3
column = "egt3_C"
[conditions]
load = "map_kPa"
rpm = "wideband:rpm"
"""
MAIN = ("time_ms", "cj_ohm", "egt1_mV", "egt2_mV", "egt3_C", "map_kPa")
ROW = ("100", "109.73", "31.2", "30.9", "741.5", "82.0")


@pytest.fixture
def live():
    values = LiveValues(parse_setup(SETUP))
    values.columns("main", MAIN)
    values.columns("wideband", ("time_us", "lambda_port_V", "rpm"))
    return values


def test_a_live_value_is_what_the_session_will_say(live, tmp_path):
    undelayed = SETUP.replace("delay_s = 0.25\n", "")
    with SessionWriter.create(tmp_path / "session", undelayed) as writer:
        writer.header("main", MAIN)
        writer.header("wideband", ("time_us", "lambda_port_V", "rpm"))
        for i in range(50):
            writer.append("main", [i * 0.02], [(str(i * 20), *ROW[1:])])
            writer.append("wideband", [i * 0.02], [(str(i * 20_000), "1.75", "2998")])
    table = physical_table(open_session(tmp_path / "session"))
    live.samples("main", 0.98, [ROW])
    live.samples("wideband", 0.98, [("98000", "1.75", "2998")])
    seen = live.observe(1.0)
    for i, cylinder in enumerate(table.cylinders):
        assert seen.egt_C[cylinder] == pytest.approx(table.egt_C[25, i], abs=1e-9, rel=0)
    assert seen.lambda_by_bank["port"] == pytest.approx(table.lambda_by_bank["port"][25], abs=1e-12, rel=0)
    assert seen.lambda_by_bank["port"] == pytest.approx(0.90, abs=1e-12, rel=0)
    assert (seen.load, seen.rpm) == (82.0, 2998.0)
    assert seen.silent_s == {"main": pytest.approx(0.02), "wideband": pytest.approx(0.02)}


def test_one_spike_in_a_moment_is_not_seen_and_neither_is_one_open(live):
    rows = [list(ROW) for _ in range(5)]
    rows[2][2], rows[3][3] = "54.0", "open"
    live.samples("main", 0.1, rows)
    seen = live.observe(0.1)
    live.samples("main", 0.3, [ROW])
    assert live.observe(0.3).egt_C == seen.egt_C
    assert seen.lost_share == {1: 0.0, 2: 0.0, 3: 0.0}


@pytest.mark.parametrize("text", ["open", "", "nan", "99.9"])
def test_a_probe_without_a_temperature_is_lost(live, text):
    live.samples("main", 0.1, [(*ROW[:2], text, *ROW[3:])] * 3)
    seen = live.observe(0.1)
    assert seen.lost_share == {1: 1.0, 2: 0.0, 3: 0.0}
    assert math.isnan(seen.egt_C[1]) and not math.isnan(seen.egt_C[2])


def test_a_value_is_held_for_a_slow_instrument_and_then_unknown_not_lost(live):
    live.samples("main", 1.0, [ROW])
    live.samples("wideband", 1.0, [("0", "1.75", "2998")])
    live.observe(1.0)
    held = live.observe(2.5)
    assert held.lambda_by_bank["port"] == pytest.approx(0.9) and held.load == 82.0
    old = live.observe(3.5)
    assert math.isnan(old.lambda_by_bank["port"]) and math.isnan(old.load)
    assert old.silent_s["main"] == 2.5


def test_before_any_header_only_silence_is_seen():
    live = LiveValues(parse_setup(SETUP))
    seen = live.observe(4.0)
    assert (seen.egt_C, seen.lost_share, seen.lambda_by_bank) == ({}, {}, {})
    assert seen.silent_s == {"main": 4.0, "wideband": 4.0}


def test_what_the_setup_names_and_nobody_prints_is_left_out():
    columns = {"main": ("cj_ohm", "egt1_mV", "egt3_C", "rpm")}
    left = restrict(parse_setup(SETUP), columns)
    assert [probe.cylinder for probe in left.probe] == [1, 3]
    assert left.lambda_sensor == () and left.conditions.load is None
    assert restrict(parse_setup(SETUP), {"main": ("egt1_mV",)}).probe == ()
