"""What a port says, and guesses that do not claim more than they can."""

import math
import threading

import pytest
from pty_rig import PtyInstrument, wait_for

from daq.checksum import crc16
from daq.port_probe import describe, guess_columns, probe_port
from daq.setupfile import parse_setup

HEADER = ("time_ms", "cj_C", "egt1_mV", "lambda_left_V", "rpm")
ROWS = [(str(1000 + 20 * i), "24.5", f"{31.2 + 0.01 * i:.3f}", "1.832", "2998") for i in range(100)]


def stream(rows, header=None, end="\n"):
    head = [] if header is None else ["#" + ",".join(header)]
    return "".join(line + end for line in [*head, *(",".join(row) for row in rows)]).encode()


def test_a_header_names_the_columns_and_the_values_are_explained():
    said = describe("/dev/ttyACM0", 115200, b"5,31.2\n" + stream(ROWS, HEADER, "\r\n"), 2.0)
    assert said.header == HEADER and said.samples == 100 and said.advice == ""
    assert said.line_rate_Hz == 51.0
    assert [c.name for c in said.columns] == list(HEADER)
    assert said.columns[0].guess == "the instrument's counter, by 20 a line"
    # 31.7 mV + E(25 °C) = 32.7 mV; the NIST table of type K has 32.661 mV at 785 °C and 32.703 at 786 °C
    assert "at about 786 °C" in said.columns[2].guess
    assert (said.columns[2].lowest, said.columns[2].highest) == (31.2, 32.19)
    assert said.lines[-1] == ",".join(ROWS[-1])


def test_without_a_header_the_setup_line_that_would_do_is_given():
    said = describe("p", 115200, stream(ROWS), 2.0)
    assert said.header is None and said.samples == 99
    assert [c.name for c in said.columns] == ["time_ms", "column2_C", "column3_mV", "column4_V", "column5"]
    line = said.advice.partition("such as ")[2].rstrip(".")
    setup = parse_setup(
        f'[engine]\nname = "boat"\n[[instrument]]\n{line}\n[[bank]]\nname = "all"\ncylinders = [1]\n'
        '[[probe]]\ncylinder = 1\ncolumn = "column3_mV"\ncold_junction = "column2_C"\n'
    )
    assert setup.instrument[0].columns == tuple(c.name for c in said.columns)


def test_checked_lines_are_read_without_their_checksum():
    lines = "".join(f"{text}*{crc16(text.encode()):04X}\n" for text in (",".join(row) for row in ROWS))
    said = describe("p", 115200, lines.encode(), 1.0)
    assert (said.samples, said.dropped) == (100, {})
    assert said.columns[4].highest == 2998.0


@pytest.mark.parametrize(
    ("data", "advice"),
    [
        (b"", "Nothing was heard"),
        (bytes([0x80, 0xFE, 0x00, 0xE0]) * 500, "probably not the rate"),
        (b"hello world\nready\n" * 20, "holds no line of numbers"),
        (b"#time_ms,egt1_mV\n", "holds no line of numbers"),
    ],
)
def test_what_is_wrong_is_said(data, advice):
    said = describe("p", 9600, data, 1.0)
    assert advice in said.advice
    assert said.columns == ()


@pytest.mark.parametrize(
    ("texts", "unit", "guess"),
    [
        (["0.85", "0.91"], "_lambda", "lambda, or volts"),
        (["1.2", "4.1"], "_V", "volts"),
        (["24.9", "25.1"], "_C", "cold junction"),
        (["open", "31.2", "33.0"], "_mV", "open circuit was reported"),
        (["open", "open"], "_mV", "a thermocouple with an open circuit"),
        (["101.2", "45.0"], "_kPa", "pressure"),
        (["640", "812"], "_C", "has converted, or rpm"),
        (["850", "6200"], "", "rpm"),
        (["", "nan"], "", "held no number"),
    ],
)
def test_values_alone_are_guessed_from(texts, unit, guess):
    column = guess_columns([(str(i), text) for i, text in enumerate(texts)], None)[1]
    assert column.name == f"column2{unit}" and guess in column.guess
    assert math.isnan(column.lowest) == all(t in ("", "nan", "open") for t in texts)


@pytest.mark.parametrize(("step", "name"), [(20, "time_ms"), (20_000, "time_us")])
def test_a_counter_is_told_by_its_steps(step, name):
    assert guess_columns([(str(i * step),) for i in range(5)], None)[0].name == name
    assert "does not go up" in guess_columns([("7",)] * 5, None)[0].guess


def test_a_real_port_is_listened_to(tmp_path):
    instrument, heard = PtyInstrument(tmp_path / "port"), []
    thread = threading.Thread(target=lambda: heard.append(probe_port(instrument.path, 115200, 0.4)))
    thread.start()
    while thread.is_alive():  # what is sent before the port is open is thrown away
        instrument.say(stream(ROWS, HEADER))
        thread.join(0.02)
    instrument.unplug()
    assert heard[0].header == HEADER and heard[0].samples >= 100


def test_a_port_that_goes_away_is_reported_with_what_it_said(tmp_path):
    instrument, heard = PtyInstrument(tmp_path / "port"), []
    thread = threading.Thread(target=lambda: heard.append(probe_port(instrument.path, 115200, 30.0)))
    thread.start()
    for _ in range(20):
        instrument.say(stream(ROWS, HEADER))
        thread.join(0.02)
    instrument.unplug()
    wait_for(lambda: heard, "the report")
    thread.join(5.0)
    assert heard[0].header == HEADER
