"""Frames to values: the ready-made definitions on published examples, the user's own DBC, and what is refused."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.can_signals import READY_MADE, SignalTable
from daq.errors import SetupError
from daq.setupfile import CanBus

DBC = """\
VERSION ""
NS_ :
BS_:
BU_: Controller
BO_ 256 Motorola: 8 Controller
 SG_ Speed : 7|16@0+ (0.25,0) [0|0] "rpm" Vector__XXX
 SG_ Oil : 23|8@0- (1,40) [0|0] "degC" Vector__XXX
BO_ 257 Intel: 8 Controller
 SG_ ExhaustF : 0|16@1+ (1,0) [0|0] "degF" Vector__XXX
 SG_ Boost : 16|16@1+ (0.001,-1) [0|0] "bar" Vector__XXX
 SG_ Odd : 32|8@1+ (1,0) [0|0] "furlong" Vector__XXX
BO_ 2147484161 Other: 8 Controller
 SG_ Speed : 0|16@1+ (1,0) [0|0] "rpm" Vector__XXX
"""


def table(
    folder: Path | None = None,
    dbc: tuple[str, ...] = ("own.dbc",),
    address: int | None = None,
    **signals: str,
):
    if folder is not None:
        (folder / "own.dbc").write_text(DBC, encoding="utf-8")
    return SignalTable(CanBus(signals=signals, dbc=dbc, source_address=address), folder or Path())


def ports(address: int | None = None) -> SignalTable:
    signals = {f"egt{number}_C": f"ExhaustPort{number}Temperature" for number in range(1, 21)}
    return table(None, ("j1939-exhaust-ports",), address, **signals, rpm="EngineSpeed")


# --- SAE J1939-71: SPN 1137 to 1156 in PGN 65187 to 65183, 0.03125 °C a bit, offset −273 °C, −273…1735 °C (an SPN
# table published in a public repository). The order of bytes and the ranges of error and "not available" are
# from memory; the published upper end of 1735 °C is where they begin.
@pytest.mark.parametrize(("raw", "t_C"), [(0x8620, 800.0), (0, -273.0), (0xFAFF, 1734.96875), (8736, 0.0)])
def test_j1939_exhaust_port_scaling(raw: int, t_C: float) -> None:
    data = raw.to_bytes(2, "little") + b"\xff" * 6
    found = ports().values(0x18FEA300, True, data)
    assert found["egt1_C"] == t_C
    assert math.isnan(found["egt2_C"]) and math.isnan(found["egt3_C"]) and math.isnan(found["egt4_C"])


@pytest.mark.parametrize("raw", [0xFB00, 0xFDFF, 0xFE00, 0xFEFF, 0xFF00, 0xFFFF])
def test_j1939_reserved_error_and_not_available_are_no_reading(raw: int) -> None:
    assert math.isnan(ports().values(0x18FEA300, True, raw.to_bytes(2, "little") * 4)["egt1_C"])


@pytest.mark.parametrize(("group", "first"), [(65187, 1), (65186, 5), (65185, 9), (65184, 13), (65183, 17)])
def test_j1939_groups_hold_four_ports_each(group: int, first: int) -> None:
    raw = b"".join((0x8620 + 32 * place).to_bytes(2, "little") for place in range(4))
    found = ports().values(6 << 26 | group << 8 | 0x21, True, raw)
    assert found == {f"egt{first + place}_C": 800.0 + place for place in range(4)}


def test_j1939_priority_does_not_matter_and_engine_speed_is_an_eighth_of_a_turn() -> None:
    """PGN 61444, SPN 190, bytes 4 and 5, 0.125 1/min a bit, 0…8031.875 1/min (a published message table)."""
    for identifier in (0x0CF00400, 0x18F00400, 0x00F00400):
        assert ports().values(identifier, True, bytes.fromhex("ffffff4038ffffff")) == {"rpm": 0x3840 / 8}
    assert ports().values(0x0CF00400, True, bytes.fromhex("fffffffffaffffff")) == {"rpm": 8031.875}


def test_an_eleven_bit_frame_with_the_same_low_bits_is_somebody_elses() -> None:
    assert ports().values(0x300, False, bytes(8)) == {}
    assert ports().values(0x18FEA000 | 0xFF00, True, bytes(8)) == {}


def test_two_engines_on_one_bus_are_not_mixed() -> None:
    first = ports()
    hot, cold = (0x8620).to_bytes(2, "little") * 4, (0x4000).to_bytes(2, "little") * 4
    assert first.values(0x18FEA300, True, hot)["egt1_C"] == 800.0
    assert first.values(0x18FEA301, True, cold) == {}
    assert first.values(0x18FEA300, True, hot)["egt1_C"] == 800.0
    assert first.values(0x18FEA301, True, cold) == {}
    assert first.remarks == [
        "parameter group 65187 comes from address 0 and from 1: only 0 is read; "
        "set source_address in the setup to choose"
    ]
    chosen = ports(address=1)
    assert chosen.values(0x18FEA300, True, hot) == {}
    assert chosen.values(0x18FEA301, True, cold)["egt1_C"] == 239.0
    assert chosen.remarks == []


# --- ISO 15031-5 (SAE J1979)
def lambda_table() -> SignalTable:
    names = [f"Bank{bank}Sensor{sensor}" for bank in (1, 2) for sensor in (1, 2, 3, 4)]
    signals = {f"{n}_current_lambda": f"{n}LambdaOfCurrent" for n in names}
    signals |= {f"{n}_voltage_lambda": f"{n}LambdaOfVoltage" for n in names}
    signals |= {f"{n}_mA": f"{n}Current" for n in names} | {f"{n}_V": f"{n}Voltage" for n in names}
    return table(None, ("iso-15031-5-lambda",), **signals, wanted_lambda="CommandedEquivalenceRatio")


def test_the_published_answer_to_pid_34() -> None:
    """34 7B D1 7F CC: lambda 0.967, current −0.203125 mA (printed in a public thread on this standard)."""
    found = lambda_table().values(0x7E8, False, bytes.fromhex("0641347BD17FCC00"))
    assert found["Bank1Sensor1_current_lambda"] == pytest.approx(0.96732, rel=0, abs=5e-6)
    assert found["Bank1Sensor1_mA"] == -0.203125
    assert len(found) == 2


@pytest.mark.parametrize("place", range(8))
@pytest.mark.parametrize("kind", ["voltage", "current"])
def test_wide_range_lambda_is_two_in_65536_steps_on_every_pid(place: int, kind: str) -> None:
    """lambda = (256A + B)·2/65536; mA = (256C + D)/256 − 128; V = (256C + D)·8/65536."""
    pid = (0x24 if kind == "voltage" else 0x34) + place
    name = f"Bank{place // 4 + 1}Sensor{place % 4 + 1}"
    found = lambda_table().values(0x7E8, False, bytes([6, 0x41, pid, 0x80, 0x00, 0x80, 0x00, 0]))
    second = {f"{name}_V": 4.0} if kind == "voltage" else {f"{name}_mA": 0.0}
    assert found == {f"{name}_{kind}_lambda": 1.0, **second}
    top = lambda_table().values(0x7E8, False, bytes([6, 0x41, pid, 0xFF, 0xFF, 0xFF, 0xFF, 0]))
    assert top[f"{name}_{kind}_lambda"] == pytest.approx(1.99997, rel=0, abs=5e-6)


def test_commanded_ratio_and_other_answers() -> None:
    table = lambda_table()
    assert table.values(0x7E8, False, bytes.fromhex("0441448000")) == {"wanted_lambda": 1.0}
    for other in ("037F0112", "0441050000000000", "06", "", "0642347BD17FCC00"):
        assert table.values(0x7E8, False, bytes.fromhex(other)) == {}
    assert table.values(0x7E9, False, bytes.fromhex("0641347BD17FCC00")) == {}


# --- the user's own file
def test_names_scales_and_byte_orders_of_the_users_file(tmp_path: Path) -> None:
    own = table(tmp_path, rpm="Motorola.Speed", oil_C="Oil", egt1_C="ExhaustF", boost_kPa="Boost", odd="Odd")
    # by hand: 0x2EE0 = 12000, a quarter of it 3000; 0xEC = −20, plus 40
    assert own.values(256, False, bytes.fromhex("2EE0EC")) == {"rpm": 3000.0, "oil_C": 20.0}
    # 0x05DC = 1500 °F = 815.56 °C; 0x0BB8 = 3000, 3.000 − 1 bar = 200 kPa
    found = own.values(257, False, bytes.fromhex("DC05B80B07000000"))
    assert found["egt1_C"] == pytest.approx((1500 - 32) / 1.8, rel=0, abs=1e-9)
    assert found["boost_kPa"] == pytest.approx(200.0, rel=0, abs=1e-9)
    assert found["odd"] == 7.0
    assert own.columns == ("rpm", "oil_C", "egt1_C", "boost_kPa", "odd")
    assert own.values(513, True, bytes(8)) == {}
    assert own.sources[0].startswith("own.dbc (CRC-32 ")


def test_only_wanted_messages_are_let_through(tmp_path: Path) -> None:
    own = table(tmp_path, rpm="Other.Speed")
    assert own.filters == [{"can_id": 513, "can_mask": 0x1FFFFFFF, "extended": True}]
    (speed,) = [f for f in ports().filters if f["can_id"] == 0xF00400]
    assert 0x0CF00423 & speed["can_mask"] == speed["can_id"] & speed["can_mask"]


@pytest.mark.parametrize(
    ("dbc", "column", "signal", "said"),
    [
        ("own.dbc", "rpm", "Sped", "signal 'Sped': no DBC file of the setup has it; did you mean 'Speed'?"),
        ("own.dbc", "rpm", "Speed", "several messages have it; write one of 'Motorola.Speed', 'Other.Speed'"),
        ("own.dbc", "rpm", "Intel.Speed", "signal 'Intel.Speed': no DBC file of the setup has it"),
        ("own.dbc", "oil", "Oil", "signal 'Oil': is in degC by its DBC file, but the column 'oil' is a plain count"),
        ("own.dbc", "oil_kPa", "Oil", "is in degC by its DBC file, but the column 'oil_kPa' is in kPa"),
        ("none.dbc", "rpm", "Speed", "none.dbc cannot be read (No such file or directory); ready-made are iso-15031-5"),
        ("text.dbc", "rpm", "Speed", "dbc 'text.dbc': is not a DBC file ("),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_one_line(tmp_path: Path, dbc: str, column: str, signal: str, said: str) -> None:
    (tmp_path / "text.dbc").write_bytes(b"BO_ not at all \xff\n\nSG_")
    with pytest.raises(SetupError) as error:
        table(tmp_path, (dbc, "own.dbc") if dbc == "text.dbc" else (dbc,), **{column: signal})
    assert said in str(error.value)
    assert "\n" not in str(error.value)


def test_a_file_in_an_old_encoding_is_read(tmp_path: Path) -> None:
    (tmp_path / "old.dbc").write_bytes(DBC.replace("degC", "°C").encode("cp1252"))
    old = SignalTable(CanBus(signals={"oil_C": "Oil"}, dbc=("old.dbc",)), tmp_path)
    assert old.values(256, False, bytes(3)) == {"oil_C": 40.0}


@given(st.integers(0, 0x1FFFFFFF), st.booleans(), st.binary(max_size=64))
def test_no_frame_raises_and_every_value_is_a_number_or_none(
    identifier: int, extended: bool, data: bytes
) -> None:
    for made in (PORTS, LAMBDAS):
        for value in made.values(identifier, extended, data).values():
            assert isinstance(value, float)


@given(st.sampled_from([0x18FEA300, 0x0CF00400, 0x18FE9F00]), st.binary(max_size=64))
def test_no_content_of_a_known_frame_raises(identifier: int, data: bytes) -> None:
    for value in PORTS.values(identifier, True, data).values():
        assert math.isnan(value) or -273.0 <= value <= 8031.875
    for value in LAMBDAS.values(0x7E8, False, data).values():
        assert -128.0 <= value < 128.0


PORTS, LAMBDAS = ports(), lambda_table()


def test_the_ready_made_definitions_are_those_that_are_documented() -> None:
    assert sorted(READY_MADE) == ["iso-15031-5-lambda", "j1939-exhaust-ports"]
