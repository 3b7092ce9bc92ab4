"""Tables for other tools: names, units, and the setup that goes with them."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import builders
import numpy as np
import pytest

from analysis.trims import propose_trims
from daq.errors import TableError
from daq.physical import PhysicalTable, Status
from daq.setupfile import parse_setup
from dashboard.compare_report import trims_set
from dashboard.export import exported, exported_setup, named
from dashboard.frames import findings_frame, physical_frame, raw_frame, stretches_frame, trims_frame
from dashboard.report import trims_csv

SETUP = """# the tug, measured by two boxes
[engine]
name = "Harbour tug"

[[instrument]]
name = "main"
[[instrument]]
name = "ecu"
baud = 57600

[[bank]]
name = "port side"  # bank of the odd cylinders
cylinders = [1, 3]

[[lambda_sensor]]
bank = "port side"
column = "ecu:o2_V"
volts = [0.5, 4.5]
lambda = [0.65, 1.45]
delay_s = 0.3

[[probe]]
cylinder = 1
column = "a_mV"
cold_junction = "cj_ohm"
tolerance = "iec-1"
id = "P01"
offset_C = 1.5

[[probe]]
cylinder = 3
column = "b_V"
amplifier = {mV_per_C = 5.0}

[[cold_junction]]
column = "cj_ohm"

[conditions]
rpm = "ecu:rpm"
load = "map_kPa"
mixture = "rpm"

[trims]
step_percent = 2.0
"""


def table() -> PhysicalTable:
    status = np.array(
        [[0, 0], [0, Status.OPEN_CIRCUIT], [Status.OUT_OF_RANGE, Status.NO_READING]], dtype=np.uint8
    )
    egt_C = np.where(status == Status.GOOD, 700.25, np.nan)
    ones = np.ones(3)
    return PhysicalTable(
        name="s",
        setup=parse_setup(SETUP),
        time_s=np.array([0.0, 0.05, 0.1]),
        cylinders=(1, 3),
        egt_C=egt_C,
        egt_status=status,
        cold_junction_C=np.full((3, 2), np.nan),
        lambda_by_bank={"port side": 0.9 * ones},
        rpm=2400 * ones,
        load=62 * ones,
        mixture=1.1 * ones,
    )


def test_a_frame_has_units_in_its_names_and_says_why_a_reading_is_missing() -> None:
    frame = physical_frame(table())
    assert list(frame.columns) == [
        "time_s", "egt1_C", "egt3_C", "egt1_status", "egt3_status", "lambda_port_side_lambda", "rpm", "map_kPa",
        "main_rpm",
    ]  # fmt: skip
    assert list(frame["egt1_status"]) == ["", "", "out of range"]
    assert list(frame["egt3_status"]) == ["", "open", ""]
    assert frame["rpm"][0] == 2400 and frame["main_rpm"][0] == 1.1  # one name at two instruments


def test_a_csv_says_it_in_the_cells() -> None:
    content = exported(table(), SETUP, "csv")
    assert list(content) == [".csv", ".setup.toml"]
    lines = content[".csv"].decode().splitlines()
    assert lines[0] == "time_s,egt1_C,egt3_C,lambda_port_side_lambda,rpm,map_kPa,main_rpm"
    assert lines[1:] == [
        "0.0,700.25,700.25,0.9,2400.0,62.0,1.1",
        "0.05,700.25,open,0.9,2400.0,62.0,1.1",
        "0.1,out of range,,0.9,2400.0,62.0,1.1",
    ]


def test_the_exported_setup_asks_for_the_exported_columns_and_nothing_twice() -> None:
    text = exported_setup(table(), SETUP)
    setup = parse_setup(text)
    asked = {column for _, column in setup.columns()}
    assert asked <= set(physical_frame(table()).columns)
    assert setup.probe[0].cold_junction is None and setup.probe[0].offset_C == 0.0
    assert setup.probe[0].tolerance == "iec-1" and setup.probe[0].id == "P01"
    assert setup.probe[1].amplifier is None
    assert setup.lambda_sensor[0].volts is None and setup.lambda_sensor[0].delay_s == 0.0
    assert [instrument.name for instrument in setup.instrument] == ["main"]
    assert setup.trims.step_percent == 2.0
    assert "# the tug, measured by two boxes" in text and "# bank of the odd cylinders" in text


@pytest.mark.parametrize(
    ("out", "contents", "names"),
    [
        ("a.csv", [".csv", ".setup.toml"], ["a.csv", "a.setup.toml"]),
        ("a.b", [".csv", ".setup.toml"], ["a.b", "a.b.setup.toml"]),
        ("a", [".parquet", ".setup.toml"], ["a", "a.setup.toml"]),
        ("a.csv", ["-main.csv", "-ecu.csv"], ["a-main.csv", "a-ecu.csv"]),
    ],
)
def test_files_are_named_after_what_was_asked_for(out: str, contents: list[str], names: list[str]) -> None:
    assert list(named(Path(out), dict.fromkeys(contents, b""))) == names


def test_result_frames_hold_numbers_with_nan_for_cannot_tell() -> None:
    trims, _ = builders.faulty_probe()
    findings = findings_frame(trims.balance)
    assert findings.loc[6, "fuel_offset_percent"] == -2.2 and np.isnan(findings.loc[4, "fuel_offset_percent"])
    steps = trims_frame(trims)
    assert steps.loc[6, "trim_percent"] == 1.7 and np.isnan(steps.loc[4, "trim_percent"])
    assert steps["trim_ms"].dtype == np.float64
    stretches = stretches_frame(trims.balance)
    assert list(stretches["used"]) == [True, True, False]
    assert stretches["lambda_port_lambda"][0] == 0.80 and np.isnan(stretches["lambda_port_lambda"][1])


def test_a_raw_frame_is_what_was_said() -> None:
    from daq.session import InstrumentTable

    said = InstrumentTable(
        "main", ("time_ms", "egt1_mV"), np.array([0.0, 0.1]), np.array([[5, 105], [1.5, np.inf]])
    )
    frame = raw_frame(said)
    assert list(frame.columns) == ["host_s", "time_ms", "egt1_mV"]
    assert frame["egt1_mV"][0] == 1.5 and np.isnan(frame["egt1_mV"][1])


def test_what_was_really_set_counts_where_it_was_written_down(tmp_path: Path) -> None:
    trims, _ = builders.single_bank()
    path = tmp_path / "trims.csv"
    path.write_text(trims_csv(trims), encoding="utf-8-sig")
    assert trims_set(path) == {1: 0.0, 2: 0.0, 3: -1.5, 4: 0.0}
    lines = trims_csv(trims).splitlines()
    lines[3] = lines[3] + "-1.25"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8-sig")
    assert trims_set(path) == {3: -1.25}


def test_a_file_that_is_no_trims_csv_is_one_line(tmp_path: Path) -> None:
    path = tmp_path / "x.csv"
    for content in ("", "cylinder,trim\n1,2\n2,3\n", "\0\0"):
        path.write_text(content)
        with pytest.raises(TableError, match=r"is not a trims\.csv") as caught:
            trims_set(path)
        assert "\n" not in str(caught.value)
    path.write_text("cylinder,trim_percent,really_set_percent\n1,2,much\n2,3,1\n3,3,1\n")
    with pytest.raises(TableError, match="'much'"):
        trims_set(path)


def test_trims_of_the_builders_agree_with_the_analysis_about_their_limits() -> None:
    """The invented steps of the report's tests keep the limits that the analysis keeps."""
    trims, made = builders.lean()
    proposed = propose_trims(dataclasses.replace(trims.balance), made.setup.trims)
    assert (proposed.step_percent, proposed.leaning_share) == (trims.step_percent, trims.leaning_share)
    for step in trims.cylinders:
        assert -3.0 * 0.5 <= (step.trim_percent or 0.0) <= 3.0
