"""From raw columns to °C, lambda and conditions on one time base."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from session_rig import SETUP, write_session

from daq.errors import SetupError
from daq.physical import PhysicalTable, Status, physical_table
from daq.session import InstrumentTable, Session, open_session
from daq.setupfile import parse_setup

FloatArray = npt.NDArray[np.float64]
TWO_PROBES = """\
[engine]
name = "harbour launch"
fuel = "petrol"
[[bank]]
name = "only"
cylinders = [1, 2]
"""


def table(name: str, host_s: Sequence[float] | FloatArray, **columns: object) -> InstrumentTable:
    """An instrument without a counter, so that arrivals are its samples' times."""
    times = np.asarray(host_s, dtype=float)
    values = np.array([np.broadcast_to(np.asarray(v, dtype=float), times.shape) for v in columns.values()])
    return InstrumentTable(name, tuple(columns), times, values)


def physical(setup_text: str, *tables: InstrumentTable, **start: object) -> PhysicalTable:
    return physical_table(Session(Path("s"), setup_text, {t.instrument: t for t in tables}, ()))


def probes(*lines: str) -> str:
    return TWO_PROBES + "".join(f"[[probe]]\n{line}\n" for line in lines)


# Voltage, cold junction and temperature: the first from the documentation of thermocouples_reference (49.907928),
# the third from NIST's table (33.275 mV at 800 °C less 0.798 mV at 20 °C), the others computed beside it.
@pytest.mark.parametrize(
    ("mV", "cold_junction_C", "t_C"),
    [(1.100, 23.0, 49.908), (30.000, 25.0, 744.862), (32.477, 20.0, 799.994), (35.000, -10.0, 832.634)],
)
def test_voltage_and_cold_junction_become_the_published_temperature(
    mV: float, cold_junction_C: float, t_C: float
) -> None:
    setup = probes(
        'cylinder = 1\ncolumn = "egt1_mV"\ncold_junction = "cj_C"',
        'cylinder = 2\ncolumn = "egt2_uV"\ncold_junction = "cj_C"',
    )
    found = physical(setup, table("main", [0, 1], cj_C=cold_junction_C, egt1_mV=mV, egt2_uV=1000 * mV))
    np.testing.assert_allclose(found.egt_C, t_C, rtol=0, atol=0.001)
    np.testing.assert_array_equal(found.cold_junction_C, cold_junction_C)
    assert (found.egt_status == Status.GOOD).all()
    assert found.cylinders == (1, 2)


def test_instruments_that_convert_by_themselves() -> None:
    setup = probes(
        'cylinder = 1\ncolumn = "egt1_C"',
        'cylinder = 2\ncolumn = "egt2_V"\namplifier = {mV_per_C = 5.0, volts_at_0C = 1.25}',
    )
    found = physical(setup, table("main", [0, 1], egt1_C=812.5, egt2_V=1.25 + 0.005 * 700))
    np.testing.assert_allclose(found.egt_C, [[812.5, 700.0]] * 2, rtol=0, atol=1e-9)
    assert np.isnan(found.cold_junction_C).all()


def test_the_probes_offset_is_subtracted() -> None:
    setup = probes(
        'cylinder = 1\ncolumn = "egt1_C"\noffset_C = 2.5', 'cylinder = 2\ncolumn = "egt2_C"\noffset_C = -1.0'
    )
    found = physical(setup, table("main", [0, 1], egt1_C=800.0, egt2_C=800.0))
    np.testing.assert_allclose(found.egt_C, [[797.5, 801.0]] * 2, rtol=0, atol=1e-9)


# Pt100 and thermistors: values of IEC 60751 (109.7347 ohm at 25 °C) and of the two thermistor equations as computed
# beside the project (10 kohm at 25 °C, B 3950: 5301.5 ohm at 40 °C; the printed Steinhart-Hart example: 8000 ohm is
# 29.8811 °C).
@pytest.mark.parametrize(
    ("section", "ohm", "t_C"),
    [
        ("", 109.7347, 25.0),
        ('sensor = "pt100"\nR0_ohm = 1000.0', 1097.347, 25.0),
        ('sensor = "thermistor"\nR25_ohm = 10000.0\nB_K = 3950.0', 5301.5, 40.0),
        (
            'sensor = "thermistor"\nsteinhart_hart = [2.10850817e-3, 7.97920473e-5, 6.53507631e-7]',
            8000.0,
            29.8811,
        ),
    ],
)
def test_cold_junction_sensors(section: str, ohm: float, t_C: float) -> None:
    setup = probes('cylinder = 1\ncolumn = "egt1_mV"\ncold_junction = "cj_ohm"')
    setup += f'[[cold_junction]]\ncolumn = "cj_ohm"\n{section}\n' if section else ""
    found = physical(setup, table("main", [0, 1], cj_ohm=ohm, egt1_mV=0.0))
    np.testing.assert_allclose(found.cold_junction_C[:, 0], t_C, rtol=0, atol=0.001)
    np.testing.assert_allclose(
        found.egt_C[:, 0], t_C, rtol=0, atol=0.002
    )  # no voltage: as hot as its terminals


def test_why_a_temperature_is_missing() -> None:
    setup = probes(
        'cylinder = 1\ncolumn = "egt1_mV"\ncold_junction = "cj_C"', 'cylinder = 2\ncolumn = "egt2_C"'
    )
    found = physical(
        setup,
        table(
            "main",
            [0, 1, 2, 3, 4],
            cj_C=[25, 25, 25, 25, np.nan],
            egt1_mV=[30, np.nan, np.inf, 56.0, 30],
            egt2_C=[20, np.nan, np.inf, 1373.0, -271.0],
        ),
    )
    good, missing, opened, beyond = Status.GOOD, Status.NO_READING, Status.OPEN_CIRCUIT, Status.OUT_OF_RANGE
    assert found.egt_status[:, 0].tolist() == [good, missing, opened, beyond, missing]
    assert found.egt_status[:, 1].tolist() == [good, missing, opened, beyond, beyond]
    np.testing.assert_array_equal(np.isnan(found.egt_C), found.egt_status != good)


def test_a_cylinder_without_a_probe_has_no_reading() -> None:
    found = physical(probes('cylinder = 2\ncolumn = "egt2_C"'), table("main", [0, 1], egt2_C=700.0))
    assert np.isnan(found.egt_C[:, 0]).all()
    assert (found.egt_status[:, 0] == Status.NO_READING).all()
    np.testing.assert_array_equal(found.egt_C[:, 1], 700.0)


@pytest.mark.parametrize(
    ("column", "table_", "raw", "expected"),
    [
        ("x_V", "volts = [0.5, 4.5]\nlambda = [0.65, 1.45]", 2.5, 1.05),
        ("x_mV", "volts = [0.5, 4.5]\nlambda = [0.65, 1.45]", 2500.0, 1.05),
        ("x_lambda", "", 0.87, 0.87),
        ("x_afr", "", 14.7, 1.0),
    ],
)
def test_lambda_in_every_unit(column: str, table_: str, raw: float, expected: float) -> None:
    setup = probes('cylinder = 1\ncolumn = "egt1_C"')
    setup += f'[[lambda_sensor]]\nbank = "only"\ncolumn = "{column}"\n{table_}\n'
    found = physical(setup, table("main", [0, 1], egt1_C=700.0, **{column: raw}))
    np.testing.assert_allclose(
        found.lambda_by_bank["only"], expected, rtol=0.01
    )  # AFR of petrol: 14.6 to 14.7
    if not column.endswith("afr"):
        np.testing.assert_allclose(found.lambda_by_bank["only"], expected, rtol=1e-12)


LAMBDA = '[[lambda_sensor]]\nbank = "only"\ncolumn = "{column}"\n{delay}\n'
SECOND = '[[instrument]]\nname = "main"\n[[instrument]]\nname = "second"\n'


@pytest.mark.parametrize("prefix", ["", "second:"])
def test_lambda_is_shown_when_the_probes_saw_that_gas(prefix: str) -> None:
    """A sensor that is 0.4 s late shows at 10.4 s what the probes saw at 10 s."""
    setup = SECOND + probes('cylinder = 1\ncolumn = "egt1_C"')
    setup += LAMBDA.format(column=f"{prefix}o2_lambda", delay="delay_s = 0.4")
    main_s, second_s = np.arange(0, 20, 0.1), np.arange(0, 20, 0.05)
    main = {"egt1_C": 700.0} | ({} if prefix else {"o2_lambda": 0.8 + 0.01 * (main_s - 0.4)})
    second = {"o2_lambda": 0.8 + 0.01 * (second_s - 0.4)}
    found = physical(setup, table("main", main_s, **main), table("second", second_s, **second))
    seen = found.time_s < 19.5
    np.testing.assert_allclose(
        found.lambda_by_bank["only"][seen], 0.8 + 0.01 * found.time_s[seen], rtol=0, atol=1e-12
    )
    assert np.isnan(found.lambda_by_bank["only"][-3:]).all()  # the sensor had not yet told


def test_instruments_of_different_rates_meet_on_the_thermocouples_times() -> None:
    setup = SECOND + probes(
        'cylinder = 1\ncolumn = "second:egt1_C"', 'cylinder = 2\ncolumn = "second:egt2_C"'
    )
    setup += '[conditions]\nrpm = "rpm"\nload = "map_kPa"\ninjector = "pw_ms"\nmixture = "second:fuel_pct"\n'
    slow_s, fast_s = np.arange(1.0, 9.0, 0.5), np.arange(0.0, 10.0, 0.02)
    found = physical(
        setup,
        table("main", slow_s, rpm=1000 + 10 * slow_s, map_kPa=80.0, pw_ms=5 + slow_s),
        table("second", fast_s, egt1_C=700.0, egt2_C=710.0, fuel_pct=fast_s),
    )
    np.testing.assert_allclose(found.time_s, fast_s, rtol=0, atol=1e-9)
    inside = (fast_s >= 1.0) & (fast_s <= slow_s[-1])
    assert found.rpm is not None and found.load is not None and found.injector_ms is not None
    np.testing.assert_allclose(found.rpm[inside], 1000 + 10 * fast_s[inside], rtol=1e-12)
    np.testing.assert_allclose(found.injector_ms[inside], 5 + fast_s[inside], rtol=1e-12)
    for values in (found.rpm, found.load, found.injector_ms):
        assert np.isnan(values[~inside]).all()
    np.testing.assert_allclose(found.mixture, fast_s, rtol=0, atol=1e-9)


def test_nothing_is_invented_across_a_gap_of_either_instrument() -> None:
    setup = SECOND + probes('cylinder = 1\ncolumn = "egt1_C"') + '[conditions]\nrpm = "second:rpm"\n'
    main_s = np.concatenate([np.arange(0, 5, 0.1), np.arange(8, 20, 0.1)])
    second_s = np.concatenate([np.arange(0, 10, 0.25), np.arange(13, 20, 0.25)])
    found = physical(setup, table("main", main_s, egt1_C=700.0), table("second", second_s, rpm=3000.0))
    assert found.gaps_s == (pytest.approx((4.9, 8.0)),)
    assert found.rpm is not None
    silent = (found.time_s > 9.75) & (found.time_s < 13.0)
    assert silent.any()
    np.testing.assert_array_equal(np.isnan(found.rpm), silent | (found.time_s > second_s[-1]))


def test_probes_on_two_instruments() -> None:
    """The instrument with most probes leads; the others' states come from their nearest sample."""
    setup = SECOND + TWO_PROBES.replace("[1, 2]", "[1, 2, 3]")
    setup += "".join(f'[[probe]]\ncylinder = {k}\ncolumn = "egt{k}_C"\n' for k in (1, 2))
    setup += '[[probe]]\ncylinder = 3\ncolumn = "second:egt3_mV"\ncold_junction = "cj_C"\n'
    main_s, second_s = np.arange(0, 10, 0.1), np.arange(0.03, 9, 0.2)
    third = np.where((second_s > 4) & (second_s < 6), np.inf, 30.0)
    found = physical(
        setup,
        table("main", main_s, egt1_C=700.0, egt2_C=700.0, cj_C=25.0),
        table("second", second_s, egt3_mV=third),
    )
    opened = found.egt_status[:, 2] == Status.OPEN_CIRCUIT
    nearest_s = second_s[np.argmin(np.abs(main_s[:, np.newaxis] - second_s), axis=1)]
    np.testing.assert_array_equal(opened, (nearest_s > 4) & (nearest_s < 6))
    good = found.egt_status[:, 2] == Status.GOOD
    np.testing.assert_allclose(found.egt_C[good, 2], 744.862, rtol=0, atol=0.001)
    np.testing.assert_array_equal(np.isnan(found.egt_C[:, 2]), ~good)
    assert (found.egt_status[main_s > second_s[-1] + 0.5, 2] == Status.NO_READING).all()


def test_an_instrument_that_said_nothing_yet() -> None:
    setup = SECOND + probes(
        'cylinder = 1\ncolumn = "egt1_C"',
        'cylinder = 2\ncolumn = "second:egt2_mV"\ncold_junction = "second:cj_C"',
    )
    setup += '[conditions]\nrpm = "second:rpm"\n'
    silent = table("second", [], egt2_mV=[], cj_C=[], rpm=[])
    found = physical(setup, table("main", [0, 1], egt1_C=700.0), silent)
    np.testing.assert_array_equal(found.egt_C, [[700.0, np.nan]] * 2)
    assert (found.egt_status[:, 1] == Status.NO_READING).all()
    assert found.rpm is not None and np.isnan(found.rpm).all()
    nothing = physical(setup, table("main", [], egt1_C=[]), silent)
    assert nothing.time_s.size == 0 and nothing.egt_C.shape == (0, 2) and nothing.gaps_s == ()


def test_a_missing_column_or_instrument_is_one_clear_line() -> None:
    setup = probes('cylinder = 1\ncolumn = "egt1_mV"\ncold_junction = "cj_C"')
    with pytest.raises(SetupError, match="egt1_mV") as caught:
        physical(setup, table("main", [0, 1], cj_C=25.0, egt_1_mV=30.0))
    assert "\n" not in str(caught.value) and "egt_1_mV" in str(caught.value)
    with pytest.raises(SetupError, match="main"):
        physical(setup, table("other", [0, 1], cj_C=25.0, egt1_mV=30.0))


def test_a_session_from_disk_with_a_damaged_part(tmp_path: Path) -> None:
    folder = write_session(tmp_path / "s")
    whole = physical_table(open_session(folder))
    assert whole.problems == () and whole.gaps_s == ()
    content = bytearray((folder / "main.csv").read_bytes())
    content[len(content) // 2 + 40] ^= 1
    (folder / "main.csv").write_bytes(content)
    harmed = physical_table(open_session(folder))
    assert len(harmed.problems) == 1
    assert len(harmed.gaps_s) == 1
    kept = np.isin(np.rint(1e5 * whole.time_s), np.rint(1e5 * harmed.time_s))
    assert kept.sum() == 150
    np.testing.assert_array_equal(whole.egt_C[kept], harmed.egt_C)


def test_a_corrected_setup_reads_the_same_session_anew(tmp_path: Path) -> None:
    session = open_session(write_session(tmp_path / "s"))
    swapped = SETUP.replace("egt1_mV", "x").replace("egt2_mV", "egt1_mV").replace('x"', 'egt2_mV"')
    own, corrected = physical_table(session), physical_table(session, parse_setup(swapped))
    np.testing.assert_array_equal(own.egt_C, corrected.egt_C[:, ::-1])
    shutil.rmtree(tmp_path / "s")


def test_marks_and_name_come_along(tmp_path: Path) -> None:
    session = open_session(write_session(tmp_path / "monday"))
    found = physical_table(session)
    assert found.name == "monday"
    assert found.marks == session.marks
