"""The setup file: what is right is read, what is wrong is one clear line with file, key and what would be right."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.errors import SetupError
from daq.setup_sections import Conditions
from daq.setupfile import Setup, check_columns, load_setup, parse_setup

SETUP = """
[engine]
name = "work boat"
fuel = "petrol"
strokes = 4
firing_order = [1, 3, 4, 2]
egt_limit_C = 900

[[instrument]]
name = "main"
baud = 115200
port = "/dev/ttyACM0"

[[instrument]]
name = "lambda"

[[bank]]
name = "port side"
cylinders = [1, 2]

[[bank]]
name = "starboard"
cylinders = [3, 4]

[[lambda_sensor]]
bank = "port side"
column = "lambda:left_V"
volts = [0.5, 4.5]
lambda = [0.65, 1.45]
delay_s = 0.25

[[lambda_sensor]]
bank = "starboard"
column = "lambda:right_lambda"

[[probe]]
cylinder = 1
column = "egt1_mV"
cold_junction = "cj_C"
tolerance = "iec-1"
id = "P07"

[[probe]]
cylinder = 2
column = "egt2_uV"
cold_junction = "terminal_ohm"
tolerance = 4

[[probe]]
cylinder = 3
column = "egt3_V"
amplifier = {mV_per_C = 5.0, volts_at_0C = 1.25}

[[probe]]
cylinder = 4
column = "egt4_C"
offset_C = -1.5

[[cold_junction]]
column = "terminal_ohm"
sensor = "thermistor"
R25_ohm = 10000
B_K = 3950

[conditions]
rpm = "rpm"
load = "map_kPa"
injector = "injector_ms"
"""

MAIN_COLUMNS = (
    "time_ms", "cj_C", "terminal_ohm", "egt1_mV", "egt2_uV", "egt3_V", "egt4_C", "rpm", "map_kPa", "injector_ms"
)  # fmt: skip
COLUMNS = {"main": MAIN_COLUMNS, "lambda": ("time_ms", "left_V", "right_lambda")}


def problem_of(text: str) -> str:
    with pytest.raises(SetupError) as caught:
        parse_setup(text, "boat.toml")
    message = str(caught.value)
    assert message.startswith("boat.toml: ")
    assert "\n" not in message
    return message.removeprefix("boat.toml: ")


def changed(before: str, after: str) -> str:
    assert SETUP.count(before) >= 1
    return SETUP.replace(before, after, 1)


def test_a_whole_setup_is_read() -> None:
    setup = parse_setup(SETUP)
    assert setup.cylinders == (1, 2, 3, 4)
    assert setup.bank_of(3).name == "starboard"
    assert setup.locate("egt1_mV") == ("main", "egt1_mV")
    assert setup.locate("lambda:left_V") == ("lambda", "left_V")
    assert [probe.tolerance for probe in setup.probe] == ["iec-1", 4.0, "iec-2", "iec-2"]
    assert setup.probe[2].amplifier is not None
    assert setup.probe[2].amplifier.volts_at_0C == 1.25
    assert setup.probe[3].offset_C == -1.5
    assert setup.lambda_sensor[0].lambda_ == (0.65, 1.45)
    assert setup.conditions.mixture is None
    check_columns(setup, COLUMNS)


def test_what_may_be_left_out() -> None:
    setup = parse_setup(
        '[engine]\nname = "four"\n[[bank]]\nname = "only"\ncylinders = [1, 2]\n'
        '[[probe]]\ncylinder = 2\ncolumn = "egt2_C"\n'
    )
    assert (setup.engine.fuel, setup.engine.strokes) == ("petrol", 4)
    assert (setup.instrument[0].name, setup.instrument[0].baud) == ("main", 115200)
    assert setup.lambda_sensor == ()
    assert (setup.trims.step_percent, setup.trims.leaning_share, setup.trims.threshold_percent) == (
        3.0,
        0.5,
        1.0,
    )


# what is changed in SETUP, and the line that must result
WRONG = [
    ('name = "work boat"', 'nmae = "work boat"', "engine: unknown key 'nmae'; did you mean 'name'?"),
    (
        "egt_limit_C = 900",
        "egt_limit_F = 1650",
        "engine: unknown key 'egt_limit_F'; did you mean 'egt_limit_C'?",
    ),
    ("egt_limit_C = 900", "egt_limit_C = -1", "engine, egt_limit_C: expected a number > 0.0"),
    ("[conditions]", "[wheels]", "unknown key 'wheels'; allowed here: assumptions, bank, cold_junction,"),
    (
        "volts_at_0C = 1.25",
        "offset = 1",
        "probe number 3, amplifier: unknown key 'offset'; allowed here: cold_junction_uV_per_C, mV_per_C",
    ),
    ('name = "work boat"', "", "engine: the key 'name' is missing"),
    ("[[probe]]", "[probe]", "is not valid TOML"),
    ("strokes = 4", "strokes = 3", "engine, strokes: 3 is not one of 2, 4"),
    (
        "cylinders = [3, 4]",
        'cylinders = [3, "4"]',
        "bank number 2, cylinders number 2: expected a whole number, got te",
    ),
    ("baud = 115200", "baud = 0", "instrument number 1, baud: expected a whole number >= 1"),
    ("offset_C = -1.5", "offset_C = nan", "probe number 4, offset_C: nan is not a number that can be used"),
    (
        "volts = [0.5, 4.5]",
        "volts = [0.5, inf]",
        "lambda_sensor number 1, volts number 2: inf is not a number that",
    ),
    (
        'sensor = "thermistor"',
        'sensor = "ntc"',
        "cold_junction number 1, sensor: 'ntc' is not one of 'pt100', 'therm",
    ),
    ('fuel = "petrol"', 'fuel = "coal"', "engine: fuel 'coal' is not known; known: petrol, e5, e10, e85,"),
    ("[1, 3, 4, 2]", "[1, 3, 4]", "engine: firing_order must name each of the cylinders [1, 2, 3, 4] once"),
    (
        "[1, 3, 4, 2]",
        "[1, 3, 4, 2, 2]",
        "engine: firing_order must name each of the cylinders [1, 2, 3, 4] once",
    ),
    (
        "cylinders = [3, 4]",
        "cylinders = []",
        "bank 'starboard': no cylinder; write e.g. cylinders = [1, 2, 3, 4]",
    ),
    (
        "cylinders = [3, 4]\n",
        "cylinders = [2, 3, 4]\n",
        "bank: cylinder 2 is listed twice (bank 'port side' and 'starboard'); list it once, in one bank",
    ),
    (
        'name = "starboard"',
        'name = "port side"',
        "bank: two banks are named 'port side'; give each its own name",
    ),
    (
        'name = "lambda"',
        'name = "Main"',
        "instrument: two instruments are named 'main'; give each its own name",
    ),
    (
        'name = "lambda"',
        'name = "../x"',
        "instrument: name '../x' must be letters, digits, _ or -; it names a file",
    ),
    ('name = "lambda"', 'name = ""', "instrument: name '' must be letters, digits, _ or -; it names a file"),
    (
        'name = "lambda"',
        'name = "lambda"\ncolumns = ["left_V"]',
        "instrument 'lambda': columns: the first column must be time_ms or time_us, the instrument's own counter",
    ),
    (
        'name = "lambda"',
        'name = "lambda"\ncolumns = ["time_ms", "left1_V", "right_lambda"]',
        "lambda_sensor of bank 'port side': column = 'lambda:left_V': instrument 'lambda' sends no such column; "
        "did you mean 'left1_V'?",
    ),
    (
        "lambda:left_V",
        "lamda:left_V",
        "lambda_sensor of bank 'port side': column = 'lamda:left_V': no instrument is named 'lamda'; known: 'main', "
        "'lambda'",
    ),
    (
        "cylinder = 4",
        "cylinder = 5",
        "probe of cylinder 5: no bank has this cylinder; the banks have [1, 2, 3, 4]",
    ),
    ("cylinder = 4", "cylinder = 3", "probe: cylinder 3 has two probes; each cylinder takes one"),
    (
        '"egt4_C"',
        '"egt1_mV"',
        "probe: column 'egt1_mV' is used by two probes; each probe has a column of its own",
    ),
    (
        '"egt4_C"',
        '"main:egt1_mV"',
        "probe: column 'egt1_mV' is used by two probes; each probe has a column of its own",
    ),
    (
        "offset_C = -1.5",
        'id = "P07"',
        "probe: id 'P07' is used by two probes; a physical probe sits in one port",
    ),
    (
        '"iec-1"',
        '"iec1"',
        "probe of cylinder 1: tolerance 'iec1' is not one of iec-1, iec-2, astm-special, astm-stan",
    ),
    (
        '"iec-1"',
        '"iec-3"',
        "probe of cylinder 1: tolerance 'iec-3' is not one of iec-1, iec-2, astm-special, astm-s",
    ),
    (
        "tolerance = 4",
        "tolerance = -4",
        "probe of cylinder 2: tolerance must not be negative; write a number of °C",
    ),
    ('"egt1_mV"', '"egt1"', "probe of cylinder 1: column 'egt1' must end in _mV, _uV or _C (its unit)"),
    (
        '"egt3_V"',
        '"egt3_mV"',
        "probe of cylinder 3: an amplifier's column is in volts; 'egt3_mV' must end in _V",
    ),
    (
        "amplifier = {mV_per_C = 5.0, volts_at_0C = 1.25}",
        "",
        "probe of cylinder 3: column 'egt3_V' is in volts; add amplifier = {mV_per_C = …, volts_at_0C = …}",
    ),
    (
        'cold_junction = "cj_C"\n',
        "",
        "probe of cylinder 1: 'egt1_mV' is the thermocouple itself; name its cold_junction column, e.g. \"cj_C\"",
    ),
    ('"cj_C"', '"cj_mV"', "probe of cylinder 1: cold_junction 'cj_mV' must end in _C or _ohm (its unit)"),
    (
        "cylinders = [3, 4]",
        'cylinders = [3, 4]\n[[bank]]\nname = "c"\ncylinders = [5, 6]',
        "engine: firing_order",
    ),
    (
        'bank = "starboard"',
        'bank = "port side"',
        "lambda_sensor: bank 'port side' has two sensors; a bank takes one",
    ),
    (
        'bank = "starboard"',
        'bank = "left"',
        "lambda_sensor of bank 'left': no bank has this name; known: 'port side', 'starboard'",
    ),
    (
        '"lambda:right_lambda"',
        '"lambda:right_lambda"\nvolts = [0, 5]',
        "lambda_sensor of bank 'starboard': column 'lambda:right_lambda' is lambda or AFR already; leave volts and",
    ),
    (
        "left_V",
        "left",
        "lambda_sensor of bank 'port side': column 'lambda:left' must end in _V, _mV, _lambda or _afr",
    ),
    (
        "lambda = [0.65, 1.45]",
        "lambda = [0.65]",
        "lambda_sensor of bank 'port side': give volts and lambda as lists",
    ),
    (
        "volts = [0.5, 4.5]",
        "volts = [4.5, 0.5]",
        "lambda_sensor of bank 'port side': volts must increase from left",
    ),
    (
        "lambda = [0.65, 1.45]",
        "lambda = [0, 1.45]",
        "lambda_sensor of bank 'port side': lambda must be positive",
    ),
    (
        "B_K = 3950",
        "",
        "cold_junction 'terminal_ohm': a thermistor needs steinhart_hart = [A, B, C], or B_K and R25_o",
    ),
    (
        '[[cold_junction]]\ncolumn = "terminal_ohm"',
        '[[cold_junction]]\ncolumn = "terminals_ohm"',
        "cold_junction 'terminals_ohm': no probe names this column as its cold_junction",
    ),
    ('"injector_ms"', '"injector_us"', "conditions: injector 'injector_us' must end in _ms (its unit)"),
]


@pytest.mark.parametrize(("before", "after", "line"), WRONG)
def test_a_mistake_is_one_line_that_says_what_would_be_right(before: str, after: str, line: str) -> None:
    assert problem_of(changed(before, after)).startswith(line)


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("", "the section [engine] is missing"),
        ('[engine]\nname = "x"', "the section [[bank]] is missing"),
        ('engine = "x"', "engine: expected a table, got text in quotes"),
        ('[[engine]]\nname = "x"', "engine: expected a table, got a list; write [engine]"),
        ('[engine]\nname = "x"\n[bank]\nname = "b"', "bank: expected a list, got a table; write [[bank]]"),
        ("[engine\n", "is not valid TOML: "),
        ('"a\\nb" = 1', "unknown key 'a\\nb'; allowed here: assumptions"),
        (
            '[engine]\nname = "x"\n[[probe]]\ncylinder = "a\\nb"',
            "probe number 1, cylinder: expected a whole number",
        ),
        (
            'cold_junction = [{column = "x", sensor = "a\\nb"}]',
            "cold_junction number 1, sensor: 'a\\nb' is not one of",
        ),
        ("a = " + "9" * 5000, "is not valid TOML: "),
        ("a = " + "[" * 5000, "is not valid TOML: "),
        (
            'probe = []\nbank = []\n[engine]\nname = "x"',
            "bank: there is none; write [[bank]] with a name and e.g. cyl",
        ),
        (
            'probe = []\n[engine]\nname = "x"\n[[bank]]\nname = "b"\ncylinders = [2, 1]',
            "probe: bank 'b' has no probe; add [[probe]] sections for cylinders [1, 2]",
        ),
    ],
)
def test_a_file_that_is_no_setup_at_all(text: str, line: str) -> None:
    assert problem_of(text).startswith(line)


def test_a_file_that_cannot_be_read_is_named(tmp_path: Path) -> None:
    path = tmp_path / "boat.toml"
    path.write_text("\ufeff" + SETUP, encoding="utf-8")  # as some editors save it
    assert load_setup(path) == parse_setup(SETUP)
    path.write_bytes(b"\xff\xfe[\x00")
    with pytest.raises(SetupError, match=r"boat\.toml: is not a text file in UTF-8"):
        load_setup(path)
    with pytest.raises(SetupError, match=r"none\.toml: cannot be read \(No such file or directory\)"):
        load_setup(tmp_path / "none.toml")
    with pytest.raises(SetupError, match="cannot be read"):
        load_setup(tmp_path)


@pytest.mark.parametrize(
    ("sent", "line"),
    [
        (
            {**COLUMNS, "main": tuple("egt01_mV" if c == "egt1_mV" else c for c in MAIN_COLUMNS)},
            "boat.toml: probe of cylinder 1: column = 'egt1_mV': instrument 'main' sends no such column; did you mean "
            "'egt01_mV'",
        ),
        (
            {**COLUMNS, "lambda": ("time_ms", "spare")},
            "boat.toml: lambda_sensor of bank 'port side': column = 'lambda:left_V': instrument 'lambda' "
            "sends no such column; it sends: time_ms, spare",
        ),
        (
            {"main": MAIN_COLUMNS},
            "boat.toml: lambda_sensor of bank 'port side': column = 'lambda:left_V': nothing came from the instrument "
            "'lambda'; there is: main",
        ),
        (
            {**COLUMNS, "lambda": ()},
            "boat.toml: lambda_sensor of bank 'port side': column = 'lambda:left_V': instrument 'lambda' "
            "sends no such column; it sends: none",
        ),
        (
            {**COLUMNS, "main": MAIN_COLUMNS[:-1]},
            "boat.toml: conditions: injector = 'injector_ms': instrument 'main' sends no such column; "
            "it sends: time_ms",
        ),
    ],
)
def test_a_column_that_no_instrument_sends(sent: dict[str, tuple[str, ...]], line: str) -> None:
    with pytest.raises(SetupError) as caught:
        check_columns(parse_setup(SETUP), sent, "boat.toml")
    assert str(caught.value).startswith(line)


@given(st.data())
def test_any_damage_to_the_text_is_a_setup_or_one_line(data: st.DataObject) -> None:
    start = data.draw(st.integers(0, len(SETUP)))
    length = data.draw(st.integers(0, 40))
    text = SETUP[:start] + data.draw(st.text(max_size=8)) + SETUP[start + length :]
    try:
        assert isinstance(parse_setup(text), Setup)
    except SetupError as error:
        assert "\n" not in str(error)


VALUES = st.recursive(
    st.sampled_from(["1979-05-27", "true", "nan", "-inf", "1e400", "[]", "{}", "''", "9" * 400])
    | st.integers(-(10**20), 10**20).map(str) | st.floats().map(repr),
    lambda inner: st.lists(inner, max_size=3).map(lambda items: f"[{', '.join(items)}]"),
    max_leaves=4,
)  # fmt: skip


@given(st.integers(0, SETUP.count(" = ") - 1), VALUES)
def test_any_value_for_any_key_is_a_setup_or_one_line(which: int, value: str) -> None:
    lines = SETUP.splitlines()
    keyed = [number for number, line in enumerate(lines) if " = " in line]
    number = keyed[which % len(keyed)]
    lines[number] = f"{lines[number].partition(' = ')[0]} = {value}"
    try:
        assert isinstance(parse_setup("\n".join(lines)), Setup)
    except SetupError as error:
        assert "\n" not in str(error)


@pytest.mark.parametrize(
    ("column", "unit"), [("map_kPa", "kPa"), ("throttle_pct", "%"), ("load", ""), (None, "")]
)
def test_the_load_s_unit_is_what_its_column_s_name_ends_in(column: str | None, unit: str) -> None:
    assert Conditions(load=column).load_unit == unit
