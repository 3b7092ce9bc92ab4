"""`evenburn setup` as somebody meets it who has just plugged the instrument in."""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from hypothesis import given
from hypothesis import strategies as st
from pty_rig import PtyInstrument

import daq.ports
from daq.ports import SerialPort, UsbIdentity
from daq.setup_draft import BankDraft, SetupDraft, guess_roles, setup_text
from daq.setupfile import Setup, check_columns, load_setup, parse_setup
from dashboard.cli import main

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals")

HEADER = "time_ms,cj_C,egt1_mV,egt2_mV,egt3_mV,egt4_mV,wideband_V,rpm,map_kPa,inj_ms"
SAMPLE = "{},24.5,30.1,30.2,30.3,30.4,2.31,2996,80.5,4.2"
Talk = Callable[..., str]


@pytest.fixture
def talk(tmp_path: Path) -> Iterator[Talk]:
    """Has an instrument say its lines over and over; gives its port."""
    devices, stop, threads = [], threading.Event(), []

    def begin(header: str | None, sample: str) -> str:
        device = PtyInstrument(tmp_path / f"port{len(devices)}")

        def say() -> None:
            number = 0
            while not stop.wait(0.02):
                lines = f"#{header}\n" if header and number % 10 == 0 else ""
                try:
                    device.say(f"{lines}{sample.format(20 * number)}\n".encode(), timeout_s=0.05)
                except (TimeoutError, OSError):
                    continue
                number += 1

        threads.append(threading.Thread(target=say))
        devices.append(device)
        threads[-1].start()
        return device.path

    yield begin
    stop.set()
    for thread, device in zip(threads, devices, strict=True):
        thread.join(5.0)
        device.unplug()


def run(out: Path, answers: Sequence[str], *options: str) -> Result:
    return CliRunner().invoke(
        main, ["setup", "--out", str(out), "--seconds", "0.5", *options], input="\n".join(answers) + "\n"
    )


def written(out: Path, answers: Sequence[str], *options: str) -> Setup:
    result = run(out, answers, *options)
    assert result.exit_code == 0, result.output
    return load_setup(out)


def test_a_four_cylinder_with_a_header_needs_little_more_than_enter(tmp_path: Path, talk: Talk) -> None:
    port, out = talk(HEADER, SAMPLE), tmp_path / "setup.toml"
    answers = [
        "harbour launch",
        "",
        "",
        "",
        "",
        "",
        "",
        "",
        "",
        "",
        "",
        "0.5 4.5",
        "0.65 1.45",
        "",
        "",
        "",
        "900",
    ]
    setup = written(out, answers, "--port", port)
    assert (setup.engine.name, setup.engine.fuel, setup.engine.egt_limit_C) == (
        "harbour launch",
        "petrol",
        900,
    )
    assert (setup.instrument[0].port, setup.instrument[0].baud) == (port, 115200)
    assert [(p.cylinder, p.column, p.cold_junction) for p in setup.probe] == [
        (n, f"egt{n}_mV", "cj_C") for n in (1, 2, 3, 4)
    ]
    (sensor,) = setup.lambda_sensor
    assert (sensor.column, sensor.volts, sensor.lambda_) == ("wideband_V", (0.5, 4.5), (0.65, 1.45))
    conditions = setup.conditions
    assert (conditions.rpm, conditions.load, conditions.injector) == ("rpm", "map_kPa", "inj_ms")
    check_columns(setup, {"main": HEADER.split(",")})


def test_what_it_heard_and_what_comes_next_is_said(tmp_path: Path, talk: Talk) -> None:
    port, out = talk(HEADER, SAMPLE), tmp_path / "setup.toml"
    said = run(out, [""] * 12 + ["0.65 1.45"] + [""] * 6, "--port", port).output
    # 30.1 mV and 1.000 mV for 25 °C: NIST has 31.213 mV at 750 °C and 0.042 mV to a degree
    assert "egt1_mV" in said and "a type K thermocouple at about 747 °C" in said
    assert f"evenburn check {port} {out}" in said
    assert f"evenburn record {out} --out NEW_FOLDER" in said


def test_two_banks_and_answers_that_do_not_fit_are_asked_again(tmp_path: Path, talk: Talk) -> None:
    sample = "{},24.5" + ",30.1" * 4 + ",0.91,0.92,2996"
    port = talk("time_ms,cj_C,egt1_mV,egt2_mV,egt3_mV,egt4_mV,port_lambda,starboard_lambda,rpm", sample)
    answers = [
        *("", "coal", "petrol", "3", "4", "4", "2"),
        *("port", "1 one", "1 1", "1 9", "1, 3", "port", "starboard", ""),
        *("y", "egt1_mV", "cj_C", "iec-7", "iec-1", "", "", "", "", "two", "none"),
    ]
    result = run(tmp_path / "setup.toml", answers, "--port", port)
    assert result.exit_code == 0, result.output
    setup = load_setup(tmp_path / "setup.toml")
    assert [(bank.name, bank.cylinders) for bank in setup.bank] == [("port", (1, 3)), ("starboard", (2, 4))]
    assert {s.bank: s.column for s in setup.lambda_sensor} == {
        "port": "port_lambda",
        "starboard": "starboard_lambda",
    }
    assert {probe.tolerance for probe in setup.probe} == {"iec-1"}
    for complaint in (
        "'coal' is not one of", "'3' is not one of '4', '2'", "write numbers with blanks", "name each cylinder once",
        "'port' is named already", "'iec-7' is not one of", "write a number of °C below 1372, or none",
    ):  # fmt: skip
        assert complaint in result.output


def test_an_instrument_without_a_header_gets_its_columns_named(tmp_path: Path, talk: Talk) -> None:
    port, out = talk(None, "{},30.25,24.50,2996"), tmp_path / "setup.toml"
    names = "time_ms,egt1_mV,cj_C,rpm"
    answers = [
        "",
        "",
        "",
        "1",
        "1",
        "",
        "",
        "time_ms,egt1_mV",
        "egt1_mV,time_ms,cj_C,rpm",
        names,
        "y",
        "",
        "",
        "",
        "",
        "",
    ]
    result = run(out, answers, "--port", port)
    assert result.exit_code == 0, result.output
    assert "it sends 4 columns, not 2" in result.output
    assert "the first column must be time_ms or time_us" in result.output
    setup = load_setup(out)
    assert setup.instrument[0].columns == tuple(names.split(","))
    assert (setup.probe[0].column, setup.probe[0].cold_junction) == ("egt1_mV", "cj_C")
    assert setup.conditions.rpm == "rpm" and not setup.lambda_sensor


def test_probes_that_are_plugged_in_otherwise_are_asked_for(tmp_path: Path, talk: Talk) -> None:
    port = talk("time_ms,egt1_C,egt2_C,rpm", "{},700.1,701.2,2996")
    answers = ["", "", "", "2", "1", "", "", "n", "egt2_C", "egt1_C", "", "", "", ""]
    setup = written(tmp_path / "setup.toml", answers, "--port", port)
    assert {p.cylinder: (p.column, p.cold_junction) for p in setup.probe} == {
        1: ("egt2_C", None),
        2: ("egt1_C", None),
    }


def test_an_amplifier_s_line_is_asked_for(tmp_path: Path, talk: Talk) -> None:
    port = talk("time_ms,egt1_V,rpm", "{},4.31,2996")
    answers = ["", "", "", "1", "1", "", "", "y", "5", "1.25", "", "none", "", "none", ""]
    setup = written(tmp_path / "setup.toml", answers, "--port", port)
    assert setup.probe[0].amplifier is not None
    assert (setup.probe[0].amplifier.mV_per_C, setup.probe[0].amplifier.volts_at_0C) == (5.0, 1.25)


def test_without_an_instrument_it_asks_for_everything(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(daq.ports, "serial_ports", tuple)
    result = run(tmp_path / "setup.toml", ["", "", "", "2", "1", "", "", "", "y", "", "", "", "", "", ""])
    assert result.exit_code == 0, result.output
    assert "There is no serial port on this computer" in result.output
    setup = load_setup(tmp_path / "setup.toml")
    assert [p.column for p in setup.probe] == ["egt1_mV", "egt2_mV"]
    assert setup.instrument[0].port is None and setup.instrument[0].columns is None


def test_an_instrument_on_usb_is_noted_by_its_identity(
    tmp_path: Path, talk: Talk, monkeypatch: pytest.MonkeyPatch
) -> None:
    port = talk("time_ms,egt1_C,rpm", "{},700.1,2996")
    listed = (
        SerialPort(port, "a board", UsbIdentity(0x1209, 1, "A17")),
        SerialPort("/dev/ttyACM9", "another board", UsbIdentity(0x1209, 1, "A18")),
    )
    monkeypatch.setattr(daq.ports, "serial_ports", lambda: listed)
    setup = written(tmp_path / "setup.toml", ["", "", "", "", "1", "1", "", "", "y", "", "", "", ""])
    assert (setup.instrument[0].usb, setup.instrument[0].port) == ("1209:0001:A17", None)


def test_a_silent_port_and_a_file_that_is_there_are_one_line(tmp_path: Path) -> None:
    device = PtyInstrument(tmp_path / "silent")
    result = run(tmp_path / "setup.toml", ["n"], "--port", device.path)
    device.unplug()
    assert result.exit_code == 130
    assert "Nothing was heard in 0.5 s" in result.output
    (tmp_path / "setup.toml").write_text("mine", encoding="utf-8")
    result = run(tmp_path / "setup.toml", [], "--port", device.path)
    assert result.exit_code == 2 and "is there already" in result.output
    assert (tmp_path / "setup.toml").read_text("utf-8") == "mine"


def test_giving_up_half_way_writes_nothing(tmp_path: Path, talk: Talk) -> None:
    result = CliRunner().invoke(
        main,
        ["setup", "--out", str(tmp_path / "s.toml"), "--seconds", "0.5", "--port", talk(HEADER, SAMPLE)],
        input="x\n",
    )
    assert result.exit_code == 130
    assert not (tmp_path / "s.toml").exists()


@pytest.mark.parametrize(
    ("columns", "banks", "probes", "junction", "lambdas"),
    [
        ("time_ms,cj_C,egt1_mV,egt2_mV,rpm", {"all": (1, 2)}, {1: "egt1_mV", 2: "egt2_mV"}, "cj_C", {}),
        ("time_ms,block_ohm,a_uV,b_uV", {"all": (1, 2)}, {1: "a_uV", 2: "b_uV"}, "block_ohm", {}),
        ("time_ms,terminal_C,t1_C,t2_C", {"all": (1, 2)}, {1: "t1_C", 2: "t2_C"}, "terminal_C", {}),
        (
            "time_us,lambda_left_V,lambda_right_V,x_mV",
            {"left": (1,), "right": (2,)},
            {},
            None,
            {"left": "lambda_left_V", "right": "lambda_right_V"},
        ),
        ("time_ms,front_afr,egt1_mV", {"all": (1,)}, {1: "egt1_mV"}, None, {"all": "front_afr"}),
        ("time_ms", {"all": (1,)}, {}, None, {}),
    ],
)  # fmt: skip
def test_roles_by_name(columns, banks, probes, junction, lambdas) -> None:
    guess = guess_roles(columns.split(","), banks)
    assert (guess.probes, guess.cold_junction, guess.lambdas) == (probes, junction, lambdas)


NAMES = st.text(st.characters(blacklist_categories=("Cs", "Cc")), min_size=1, max_size=20)


@given(
    NAMES,
    NAMES,
    st.integers(1, 12),
    st.one_of(st.none(), st.floats(1.0, 1300.0)),
    st.sampled_from(["mV", "V", "C"]),
)
def test_whatever_is_answered_the_file_is_one_that_is_accepted(
    engine: str, bank: str, cylinders: int, limit_C: float | None, unit: str
) -> None:
    members = tuple(range(1, cylinders + 1))
    draft = SetupDraft(
        engine=engine,
        banks=(BankDraft(bank, members, "l_V", (0.5, 4.5), (0.65, 1.45)),),
        probes={cylinder: f"egt{cylinder}_{unit}" for cylinder in members},
        egt_limit_C=limit_C,
        cold_junction="cj_C",
        amplifier=(5.0, 1.25) if unit == "V" else None,
        conditions={"rpm": "rpm"},
    )
    setup = parse_setup(setup_text(draft))
    assert (setup.engine.name, setup.bank[0].name, setup.cylinders) == (engine, bank, members)
    assert setup.engine.egt_limit_C == (None if limit_C is None else pytest.approx(limit_C, rel=1e-5, abs=0))


def test_the_examples_in_its_comments_are_accepted() -> None:
    """The commented sections for a CAN bus and Modbus modules, with the comment signs taken away."""
    draft = SetupDraft(engine="x", banks=(BankDraft("all", (1,)),), probes={1: "egt1_C"})
    before, _, after = setup_text(draft).partition("# Other instruments")
    examples = [line[1:].removeprefix(" ") for line in after.splitlines()[1:]]
    setup = parse_setup(before + "\n".join(examples))
    assert [instrument.name for instrument in setup.instrument] == ["main", "bus", "modules"]
    assert setup.instrument[1].known_columns == ("time_ms", "rpm", "left_lambda")
    assert setup.instrument[2].known_columns == ("time_ms", "egt1_C", "egt2_C")
