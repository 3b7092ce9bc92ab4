"""Bytes of engines nobody has seen, through replay, physical table and balance: the acceptance of the main job."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import numpy as np
import pytest
from unseen_engines import Fault, as_line_stream, make_engine, run

from analysis.balance import balance
from daq.physical import PhysicalTable, Status, physical_table
from daq.replay import replay
from daq.session import open_session


def replayed(tmp_path: Path, stream: bytes, setup_text: str) -> PhysicalTable:
    (tmp_path / "setup.toml").write_text(setup_text, encoding="utf-8")
    (tmp_path / "stream.txt").write_bytes(stream)
    session = replay(tmp_path / "setup.toml", tmp_path / "stream.txt", tmp_path / "session")
    return physical_table(open_session(session))


@pytest.mark.parametrize("checksum", [None, "xor", "crc"])
def test_the_stream_becomes_the_same_table_as_the_rig_s_own(
    tmp_path: Path, checksum: Literal["xor", "crc"] | None
) -> None:
    engine = make_engine("kinked", 8, faults=(Fault("open", 3, start_s=100.0), Fault("reversed", 8)))
    stream, setup_text, _ = as_line_stream(engine, "holds", rate_hz=20.0, checksum=checksum)
    expected, _ = run(engine, "holds", rate_hz=20.0)
    table = replayed(tmp_path, stream, setup_text)
    assert table.cylinders == expected.cylinders
    np.testing.assert_allclose(table.time_s, expected.time_s, rtol=0, atol=1e-6)
    np.testing.assert_array_equal(table.egt_status, expected.egt_status)
    # printed to 0.0001 mV and 0.01 °C, at 35 to 43 µV/K
    good = expected.egt_status == Status.GOOD
    np.testing.assert_allclose(table.egt_C[good], expected.egt_C[good], rtol=0, atol=0.02)
    np.testing.assert_allclose(table.rpm, expected.rpm, rtol=0, atol=0.5)
    for bank, lambda_ in expected.lambda_by_bank.items():
        np.testing.assert_allclose(table.lambda_by_bank[bank], lambda_, rtol=0, atol=1e-4)


@pytest.mark.parametrize(
    ("shape", "seed", "checksum"),
    [("kinked", 21, None), ("rounded", 22, "xor"), ("equilibrium", 23, "crc"), ("shouldered", 24, "crc")],
)
def test_every_offset_within_six_tenths_and_the_lean_one_named(
    tmp_path: Path, shape: str, seed: int, checksum: Literal["xor", "crc"] | None
) -> None:
    """8 cylinders in 2 banks, 20 Hz, 40 s of soak, holds, one sweep from lambda 0.78 to 1.10 in 150 s."""
    offsets = (0.8, 0.3, -2.6, 1.5, -0.4, 0.9, -0.2, -0.3)
    engine = make_engine(shape, seed, offsets=offsets)
    stream, setup_text, truth = as_line_stream(engine, "standard", rate_hz=20.0, checksum=checksum)
    result = balance(replayed(tmp_path, stream, setup_text))
    found = {c.cylinder: c for c in result.cylinders}
    for cylinder, offset in truth.offset_percent.items():
        assert found[cylinder].fuel_offset_percent == pytest.approx(offset, abs=0.6), cylinder
    assert found[5].finding == "lean"
    lean = {c for c in found if found[c].finding == "lean"}
    assert all(truth.offset_percent[c] < 0 for c in lean), "nobody is named the wrong way round"
    assert lean - {5} <= {c for c in found if abs(found[c].fuel_offset_percent or 0.0) < 1.0}, (
        "nor for a trim"
    )
