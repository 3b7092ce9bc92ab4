"""Hand-made results for tests of pages, commands and reports: nothing is estimated, every number is invented.

The engines are ours: the eight-cylinder work boat 'Harbour tug' (banks port and starboard), an inline four.
Each of the five cases of `CASES` gives (trims, table) that belong together.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.result import (
    Balance,
    BankBalance,
    BudgetLine,
    CylinderBalance,
    CylinderTrim,
    Finding,
    RegionOffset,
    Side,
    Stretch,
    SweepCurves,
    Trims,
)
from analysis.trims import CAUTIONS
from daq.physical import Mark, PhysicalTable, Status
from daq.setupfile import Setup, parse_setup

FloatArray = npt.NDArray[np.float64]


def setup_text(
    name: str = "Harbour tug",
    banks: Mapping[str, tuple[int, ...]] | None = None,
    unit: str = "mV",
    limit_C: float | None = 900,
) -> str:
    """A setup file; `unit` is that of the probes' columns ("mV" or "C")."""
    banks = banks or {"port": (1, 3, 5, 7), "starboard": (2, 4, 6, 8)}
    lines = ["[engine]", f'name = "{name}"', 'fuel = "petrol"']
    lines += [f"egt_limit_C = {limit_C}"] if limit_C else []
    for bank, cylinders in banks.items():
        lines += ["", "[[bank]]", f'name = "{bank}"', f"cylinders = {list(cylinders)}"]
        lines += ["", "[[lambda_sensor]]", f'bank = "{bank}"', f'column = "lambda_{bank}_lambda"']
    for cylinder in sorted(c for cylinders in banks.values() for c in cylinders):
        lines += [
            "",
            "[[probe]]",
            f"cylinder = {cylinder}",
            f'column = "egt{cylinder}_{unit}"',
            'tolerance = "iec-2"',
        ]
        lines += ['cold_junction = "cj_C"'] if unit == "mV" else []
    lines += ["", "[conditions]", 'rpm = "rpm"', 'load = "map_kPa"', ""]
    return "\n".join(lines)


def shared_curve_C(lambda_: FloatArray) -> FloatArray:
    """An invented temperature curve, °C relative to its peak at lambda 1.02; rounded at the top."""
    return -95.0 * (np.sqrt(1 + ((lambda_ - 1.02) / 0.06) ** 2) - 1) ** 0.9 * 0.55


def physical(setup: Setup, offsets_percent: Mapping[int, float], duration_s: float = 400.0) -> PhysicalTable:
    """A session at 5 Hz: 40 s cold, warm-up, a hold, one sweep of lambda from 0.80 to 1.08, a hold."""
    time_s = np.arange(0.0, duration_s, 0.2)
    lambda_ = np.interp(time_s, [0, 150, 300], [0.80, 0.80, 1.08])
    running = time_s > 40.0
    rise = np.where(running, 1 - np.exp(-(time_s - 40.0).clip(0) / 15.0), 0.0)
    cylinders = setup.cylinders
    columns = [
        20.0
        + rise * (730.0 + 4.0 * (i % 3) + shared_curve_C(lambda_ / (1 + offsets_percent.get(c, 0.0) / 100)))
        for i, c in enumerate(cylinders)
    ]
    egt_C = np.column_stack(columns) + np.random.default_rng(7).normal(0, 1.0, (time_s.size, len(cylinders)))
    banks = {sensor.bank: np.where(running, lambda_, np.nan) for sensor in setup.lambda_sensor}
    return PhysicalTable(
        name="harbour-trial",
        setup=setup,
        time_s=time_s,
        cylinders=cylinders,
        egt_C=egt_C,
        egt_status=np.zeros(egt_C.shape, dtype=np.uint8),
        cold_junction_C=np.full(egt_C.shape, 24.0),
        lambda_by_bank=banks,
        rpm=np.where(running, 2400.0, 0.0),
        load=np.where(running, 62.0, 100.0),
        marks=(Mark(0.0, "start", "recording began"), Mark(150.0, "operator", "sweep begins")),
    )


def budget(offset_u95: float) -> tuple[BudgetLine, ...]:
    """Three invented lines that add up (root sum of squares) to `offset_u95` / 2."""
    u = offset_u95 / 2
    return (
        BudgetLine("shift of the curves in the sweep", 0.8 * u, "%", "normal", 24.0, 1.0, 0.8 * u),
        BudgetLine("delay of the lambda sensor", 0.1, "s", "rectangular", 50.0, 0.48 * u / 0.1, 0.48 * u),
        BudgetLine("drift during the sweep", 1.2, "°C", "rectangular", 50.0, 0.36 * u / 1.2, 0.36 * u),
    )


@dataclass(frozen=True)
class Row:
    """What one cylinder of an invented case shows, and what is done about it."""

    deviation_C: float | None
    offset: float | None
    finding: Finding
    reasons: tuple[str, ...]
    trim: float | None = 0.0
    deviation_u95_C: float = 7.9
    offset_u95: float = 0.5


def _cylinder(number: int, bank: str, row: Row) -> CylinderBalance:
    known = row.offset is not None
    return CylinderBalance(
        cylinder=number,
        bank=bank,
        egt_deviation_C=row.deviation_C,
        egt_deviation_u95_C=None if row.deviation_C is None else row.deviation_u95_C,
        fuel_offset_percent=row.offset,
        fuel_offset_u95_percent=row.offset_u95 if known else None,
        finding=row.finding,
        reasons=row.reasons,
        budget=budget(row.offset_u95) if known else (),
    )


def _trim(number: int, bank: str, row: Row) -> CylinderTrim:
    after = None if row.offset is None or row.trim is None else round(row.offset + row.trim, 3)
    deviation = (
        None
        if after is None or row.deviation_C is None
        else round(row.deviation_C - 4.1 * (row.trim or 0), 2)
    )
    return CylinderTrim(
        cylinder=number,
        bank=bank,
        trim_percent=row.trim,
        trim_ms=None,
        predicted_offset_percent=after,
        predicted_deviation_C=deviation,
        predicted_deviation_u95_C=None if deviation is None else 8.4,
        reason="as far as one step goes" if row.trim else "left as it is",
    )


def _sweep(bank: str, rows: Mapping[int, Row]) -> SweepCurves | None:
    known = {c: r for c, r in rows.items() if r.offset is not None}
    if not known:
        return None
    lambda_ = np.linspace(0.80, 1.08, 36)
    offset = np.array([r.offset for r in known.values()], dtype=np.float64)
    height_C = np.array([748.0 + 6.0 * (i % 3) for i in range(len(known))])
    gain = np.array([1.0 + 0.03 * ((i % 3) - 1) for i in range(len(known))])
    rng = np.random.default_rng(3)
    egt_C = np.column_stack(
        [
            h + g * shared_curve_C(lambda_ / (1 + o / 100))
            for h, g, o in zip(height_C, gain, offset, strict=True)
        ]
    ) + rng.normal(0, 0.7, (lambda_.size, len(known)))
    curve_lambda = np.linspace(0.78, 1.10, 60)
    return SweepCurves(
        bank, tuple(known), lambda_, egt_C, offset, height_C, gain, curve_lambda, shared_curve_C(curve_lambda)
    )


def case(
    setup: Setup,
    rows: Mapping[int, Row],
    *,
    swept: bool = True,
    side: Side | None = "rich",
    next_steps: tuple[str, ...] = (),
    regions: tuple[RegionOffset, ...] = (),
    problems: tuple[str, ...] = (),
) -> tuple[Trims, PhysicalTable]:
    """(trims, table) of an invented session in which each cylinder shows its row."""
    banks, curves = [], []
    after: dict[str, float | None] = {}
    for bank in setup.bank:
        members = {c: rows[c] for c in bank.cylinders}
        deviations = [r.deviation_C for r in members.values() if r.deviation_C is not None]
        spread = round(max(deviations) - min(deviations), 2) if deviations else None
        after[bank.name] = (
            None if not any(r.trim for r in members.values()) or spread is None else round(spread / 2, 2)
        )
        slope = (-4.1, 0.6) if swept else (None, None)
        banks.append(
            BankBalance(bank.name, bank.cylinders, 0.87 if side == "rich" else 0.99, spread, side, *slope)
        )
        sweep = _sweep(bank.name, members) if swept else None
        curves += [sweep] if sweep else []
    lambdas = {bank.name: 0.80 for bank in setup.bank}
    stretches = (
        Stretch("steady", 90.0, 150.0, 2400.0, 62.0, lambdas),
        Stretch(
            "sweep", 150.0, 300.0, 2400.0, 62.0, {}, swept, "" if swept else "lambda did not move far enough"
        ),
        Stretch(
            "steady", 40.0, 55.0, 2400.0, 62.0, lambdas, False, "temperatures still rising after the start"
        ),
    )
    balance = Balance(
        session="harbour-trial",
        method="sweep" if swept else "steady",
        banks=tuple(banks),
        cylinders=tuple(_cylinder(c, setup.bank_of(c).name, rows[c]) for c in setup.cylinders),
        stretches=stretches,
        sweeps=tuple(curves),
        regions=regions,
        next_steps=next_steps,
        problems=problems,
    )
    trims = Trims(
        balance=balance,
        cylinders=tuple(_trim(c, setup.bank_of(c).name, rows[c]) for c in setup.cylinders),
        step_percent=3.0,
        leaning_share=0.5,
        threshold_percent=1.0,
        spread_before_C={b.bank: b.spread_C for b in banks},
        spread_after_C=after,
        spread_after_u95_C={name: None if value is None else 9.0 for name, value in after.items()},
        cautions=CAUTIONS,
    )
    return trims, physical(setup, {c: r.offset or 0.0 for c, r in rows.items()})


def little(cylinder: int) -> float:
    """An offset of no importance; the four of a bank sum to zero."""
    return 0.1 if (cylinder - 1) // 2 % 2 else -0.1


SMALL = ("The offset's interval includes zero or stays under the threshold of 1 %.",)


def lean() -> tuple[Trims, PhysicalTable]:
    """Cylinder 5 gets 4.2 % too little, its bank's others a little too much; two regions were seen."""
    setup = parse_setup(setup_text())
    rows = {c: Row(0.4 * c - 3, little(c), "even", SMALL) for c in setup.cylinders}
    rows[5] = Row(17.6, -4.2, "lean", ("Its curve in the sweep lies 4.2 % further lean.",), trim=3.0)
    rows[1] = Row(-6.0, 1.5, "rich", ("Its curve in the sweep lies 1.5 % further rich.",), trim=-1.1)
    rows[3], rows[7] = (
        Row(-5.0, 1.4, "rich", ("Its curve lies 1.4 % further rich.",), trim=-1.0),
        Row(-4.1, 1.3, "rich", ("Its curve lies 1.3 % further rich.",), trim=-0.9),
    )
    regions = tuple(
        RegionOffset(
            name, rpm, load, None, c, (rows[c].deviation_C or 0) * k, 8.0, (rows[c].offset or 0) * k, 0.7
        )
        for name, rpm, load, k in (
            ("2400 rpm, 62 kPa", 2400.0, 62.0, 1.0),
            ("3000 rpm, 80 kPa", 3000.0, 80.0, 0.9),
        )
        for c in (5, 7)
    )
    return case(
        setup,
        rows,
        regions=regions,
        next_steps=("Set the step, then record the same sweep again and run compare.",),
    )


def even() -> tuple[Trims, PhysicalTable]:
    """Nothing to do."""
    setup = parse_setup(setup_text())
    rows = {c: Row(1.1 * (c - 4.5), little(c), "even", SMALL) for c in setup.cylinders}
    return case(setup, rows)


def near_peak() -> tuple[Trims, PhysicalTable]:
    """Holds at the top of the curve only: nobody can tell."""
    setup = parse_setup(setup_text(limit_C=None))
    why = ("Held within 3 % of the hottest mixture, where temperature says nothing about fuel.",)
    rows = {c: Row(3.0 * (c - 4.5), None, "undetermined", why, trim=None) for c in setup.cylinders}
    return case(
        setup,
        rows,
        swept=False,
        side="near-peak",
        next_steps=(
            "Hold at lambda 0.85 for two minutes at moderate load, or log one sweep from 0.80 to 1.08.",
        ),
    )


def faulty_probe() -> tuple[Trims, PhysicalTable]:
    """Cylinder 4's probe went open after 60 s; the others are even, one is lean."""
    setup = parse_setup(setup_text())
    rows = {c: Row(0.5 * c - 2, little(c), "even", SMALL) for c in setup.cylinders}
    rows[4] = Row(None, None, "probe-fault", ("The probe read open circuit for 340 s of 400 s.",), trim=None)
    rows[6] = Row(9.0, -2.2, "lean", ("Its curve in the sweep lies 2.2 % further lean.",), trim=1.7)
    rows[2], rows[8] = (
        Row(-4.0, 1.1, "rich", ("1.1 % further rich.",), trim=-0.9),
        Row(-4.5, 1.1, "rich", ("1.1 % further rich.",), trim=-0.8),
    )
    trims, table = case(
        setup,
        rows,
        next_steps=("Look at the probe of cylinder 4 and its plug, then record again.",),
        problems=("main.csv: 12 lines failed their checksum and were left out.",),
    )
    index = table.cylinders.index(4)
    egt_C, status = table.egt_C.copy(), table.egt_status.copy()
    egt_C[table.time_s > 60.0, index] = np.nan
    status[table.time_s > 60.0, index] = Status.OPEN_CIRCUIT
    return trims, PhysicalTable(**{**table.__dict__, "egt_C": egt_C, "egt_status": status})


def single_bank() -> tuple[Trims, PhysicalTable]:
    """An inline four with one sensor; cylinder 3 is rich."""
    setup = parse_setup(setup_text("Pump engine, inline four", {"all": (1, 2, 3, 4)}))
    rows = {c: Row(3.0, -0.8, "even", SMALL, trim=0.0) for c in setup.cylinders}
    rows[3] = Row(-9.0, 2.4, "rich", ("Its curve in the sweep lies 2.4 % further rich.",), trim=-1.5)
    return case(setup, rows)


CASES: dict[str, Callable[[], tuple[Trims, PhysicalTable]]] = {
    "even": even,
    "lean": lean,
    "near-peak": near_peak,
    "faulty-probe": faulty_probe,
    "single-bank": single_bank,
}
