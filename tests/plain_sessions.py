"""Small noise-free sessions by formula, for tests of single steps of the analysis: an inline four of our own."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
from builders import setup_text

from analysis.blocks import Blocks
from daq.physical import PhysicalTable, Status
from daq.setupfile import parse_setup

FloatArray = npt.NDArray[np.float64]

SETUP = parse_setup(setup_text("Harbour launch", {"all": (1, 2, 3, 4)}, unit="C"))


def table(
    time_s: FloatArray, egt_C: FloatArray, lambda_: FloatArray | None = None, **more: Any
) -> PhysicalTable:
    """A table of as many cylinders as `egt_C` has columns, one bank called "all"; a bare constant is spread out."""
    cylinders = tuple(range(1, egt_C.shape[1] + 1))
    setup = parse_setup(setup_text("Harbour launch", {"all": cylinders}, unit="C"))
    fields = {k: np.full(len(time_s), v) if isinstance(v, float) else v for k, v in more.items()}
    status = np.where(np.isfinite(egt_C), Status.GOOD, Status.NO_READING).astype(np.uint8)
    return PhysicalTable(
        **{
            "name": "harbour launch",
            "setup": setup,
            "time_s": time_s,
            "cylinders": cylinders,
            "egt_C": egt_C,
            "egt_status": status,
            "cold_junction_C": np.full(egt_C.shape, 20.0),
            "lambda_by_bank": {} if lambda_ is None else {"all": lambda_},
            **fields,
        }
    )


def blocks(
    egt_C: FloatArray | None = None,
    *,
    rpm: FloatArray | None = None,
    load: FloatArray | None = None,
    ln_phi: Mapping[str, FloatArray] | None = None,
    length_s: float = 0.5,
) -> Blocks:
    """Blocks as they are, without samples behind them; `egt_C` (n_blocks, n_cylinders), by default 700 °C each."""
    given = [v for v in (egt_C, rpm, load, *(ln_phi or {}).values()) if v is not None]
    n = len(given[0])
    egt_C = np.full((n, 4), 700.0) if egt_C is None else egt_C
    return Blocks(
        time_s=(np.arange(n) + 0.5) * length_s,
        length_s=length_s,
        cylinders=tuple(range(1, egt_C.shape[1] + 1)),
        egt_C=egt_C,
        coverage=np.isfinite(egt_C).astype(float),
        scatter_C=np.full(egt_C.shape, 0.5),
        ln_phi=ln_phi or {},
        rpm=rpm,
        load=load,
        injector_ms=None,
    )


def course(*pieces: tuple[float, float, float], step_s: float = 0.5) -> FloatArray:
    """Pieces (duration s, from, to) of straight lines one after the other, sampled every `step_s`."""
    return np.concatenate([np.linspace(a, b, round(duration / step_s)) for duration, a, b in pieces])
