"""What the trim report says, as blocks: the first page, then the evidence. No analysis is made here."""

from __future__ import annotations

from importlib import metadata

import numpy as np

from analysis.probe_check import ProbeCheck
from analysis.result import Balance, BankBalance, CylinderTrim, Trims
from analysis.trims import mean_fuel_step_percent
from daq.physical import PhysicalTable
from dashboard.display import signed
from dashboard.report_document import (
    HTML_FONT,
    PDF_FONT,
    Block,
    Bullets,
    Document,
    Facts,
    Heading,
    Notice,
    Paragraph,
    Picture,
    Table,
)
from dashboard.report_evidence import evidence
from dashboard.report_pictures import offsets_picture, sweep_panels
from dashboard.session_files import SessionFiles
from dashboard.wording import (
    FINDING_WORDS,
    METHOD_WORDS,
    UNEQUAL_HEAT,
    duration,
    listed,
    reason_sentence,
    reasons_by_cylinders,
    sentence,
    signed_or_missing,
    typeset,
    verdict,
    with_interval,
)


def trims_document(
    trims: Trims, table: PhysicalTable, files: SessionFiles | None, check: ProbeCheck | None = None
) -> Document:
    """The trim report. `files` is None for a session that is not on disk; the report then says so."""
    return Document(
        title=f"Fuel trims for {table.setup.engine.name}",
        footer=f"Session {table.name} · evenburn {metadata.version('evenburn')}",
        blocks=(*_first_page(trims, table, files), *evidence(trims, table, files, check)),
    )


def _first_page(trims: Trims, table: PhysicalTable, files: SessionFiles | None) -> list[Block]:
    balance = trims.balance
    blocks: list[Block] = [
        Facts(_session_facts(balance, table, files)),
        Paragraph(verdict(balance), tone="verdict"),
        _trims_table(trims),
        Paragraph(
            "Offset: fuel per air against the mean of the cylinder's own bank, lean is negative. "
            "Deviation: exhaust temperature against that mean. ± is an interval of about 95 % coverage. – "
            "means: cannot tell. " + UNEQUAL_HEAT,
            tone="small",
        ),
    ]
    blocks.append(Notice("Before anyone turns a screw or a key", trims.cautions))
    unanswered = reasons_by_cylinders(balance, only_unanswered=True)
    if unanswered:
        blocks += [
            Heading("Why there is no answer for some", level=2),
            Bullets(tuple(reason_sentence(*pair) for pair in unanswered)),
        ]
    blocks.append(_offsets(trims))
    if balance.sweeps:
        blocks.append(_curves(balance))
    blocks += [Heading("Limits kept by this step", level=2), Bullets(_limits(trims, table))]
    blocks += [
        Heading("What to log next", level=2),
        Bullets(tuple(map(sentence, balance.next_steps)) or ("No further recording is asked for.",)),
    ]
    return blocks


def _session_facts(
    balance: Balance, table: PhysicalTable, files: SessionFiles | None
) -> tuple[tuple[str, str], ...]:
    span_s = float(table.time_s[-1] - table.time_s[0]) if table.time_s.size else 0.0
    engine = table.setup.engine
    return (
        ("Engine", engine.name),
        ("Session", table.name),
        ("Cylinders", ", ".join(str(c) for c in table.cylinders)),
        ("Length", duration(span_s)),
        ("Fuel", engine.fuel),
        ("Recorded", _recorded(table)),
        ("Method", METHOD_WORDS[balance.method]),
        ("SHA-256", f"{files.checksum[:16]}… (whole at the end)" if files else "not from files"),
    )


def _recorded(table: PhysicalTable) -> str:
    """When the session was recorded, or what it was imported from."""
    started = next((m for m in table.marks if m.kind == "start"), None)
    if started is None:
        return "not noted"
    if "imported_from" in started.details:
        return f"imported from {started.details['imported_from']}"
    day, _, time = str(started.details.get("wall_clock", "not noted")).partition("T")
    return f"{day} {time[:5]}".strip()


def _trims_table(trims: Trims) -> Table:
    steps = {step.cylinder: step for step in trims.cylinders}
    with_ms = any(step.trim_ms is not None for step in trims.cylinders)
    rows, strong = [], []
    for index, entry in enumerate(trims.balance.cylinders):
        step = steps[entry.cylinder]
        row = [
            str(entry.cylinder),
            entry.bank,
            FINDING_WORDS[entry.finding],
            with_interval(entry.fuel_offset_percent, entry.fuel_offset_u95_percent),
            _trim_text(step),
            with_interval(entry.egt_deviation_C, entry.egt_deviation_u95_C),
            with_interval(step.predicted_deviation_C, step.predicted_deviation_u95_C),
            "",
        ]
        if with_ms:
            row.insert(5, signed_or_missing(step.trim_ms, 3))
        rows.append(tuple(row))
        strong += [index] if entry.finding != "even" else []
    columns = ["Cyl.", "Bank", "Finding", "Fuel offset, %", "Trim to set, %", "Deviation now,\u00a0°C",
               "Deviation expected after,\u00a0°C", "Really set, %"]  # fmt: skip
    widths = [6.0, 12.0, 15.0, 13.0, 10.0, 14.0, 16.0, 14.0]
    if with_ms:
        columns.insert(5, "and trim, ms")
        widths.insert(5, 9.0)
    return Table(
        columns=tuple(columns),
        rows=tuple(rows),
        align="lll" + "r" * (len(columns) - 4) + "l",
        widths=tuple(widths),
        strong_rows=tuple(strong),
        blank_columns=(len(columns) - 1,),
    )


def _trim_text(step: CylinderTrim) -> str:
    return "none" if step.trim_percent == 0 else signed_or_missing(step.trim_percent, 1)


def _offsets(trims: Trims) -> Picture:
    predicted = {t.cylinder: t.predicted_offset_percent if t.trim_percent else None for t in trims.cylinders}
    svg = [
        offsets_picture(trims.balance, predicted, trims.threshold_percent, f) for f in (HTML_FONT, PDF_FONT)
    ]
    return Picture(svg[0], svg[1], "Each cylinder's fuel offset with its interval of about 95 % coverage.")


def _curves(balance: Balance) -> Picture:
    width, height = (180.0, 150.0) if len(balance.sweeps) > 1 else (360.0, 190.0)
    svg = [
        sweep_panels(balance.sweeps, balance, font, panel_width=width, panel_height=height)
        for font in (HTML_FONT, PDF_FONT)
    ]
    caption = (
        "The proof: each cylinder's curve in the sweep, and the same curves moved by the offsets above. "
        "Where they fall onto one another, the offsets are right."
    )
    return Picture(svg[0], svg[1], caption)


def _limits(trims: Trims, table: PhysicalTable) -> tuple[str, ...]:
    leanest = trims.step_percent * trims.leaning_share
    said = [
        f"No cylinder is given more than {trims.step_percent:g} % or loses more than {leanest:g} % of its "
        f"fuel in one step; an offset within ± {trims.threshold_percent:g} %, or smaller than its interval, "
        "is left alone, but for its share "
        "in keeping its bank's mean.",
    ]
    said += [_bank_limit(trims, bank) for bank in trims.balance.banks]
    grouped: dict[str, list[int]] = {}
    for step in trims.cylinders:
        if step.trim_percent and step.reason:
            grouped.setdefault(step.reason, []).append(step.cylinder)
    said += [
        f"{listed(numbers).capitalize()}: {typeset(reason.rstrip('.'))}."
        for reason, numbers in grouped.items()
    ]
    return (*said, _hottest(table))


def _bank_limit(trims: Trims, bank: BankBalance) -> str:
    steps = {t.cylinder: t.trim_percent for t in trims.cylinders if t.bank == bank.bank}
    if not any(steps.values()):
        return f"Bank {bank.bank}: nothing is changed."
    mean = mean_fuel_step_percent(list(steps.values()), [trims.balance.cylinder(c) for c in steps])
    kept = "keep its mean fuel" if abs(mean) < 0.05 else f"move its mean fuel by {signed(mean, 1)} %"
    now = trims.spread_before_C.get(bank.bank)
    after, u95 = trims.spread_after_C.get(bank.bank), trims.spread_after_u95_C.get(bank.bank)
    spreads = "" if now is None else f"; spread {now:.0f} °C now"
    if after is not None:
        spreads += f", {with_interval(after, u95, 0).removeprefix('+')} °C expected"
    return f"Bank {bank.bank}: the trims {kept}{spreads}."


def _hottest(table: PhysicalTable) -> str:
    limit = table.setup.engine.egt_limit_C
    named = (
        f"the setup's limit is {limit:g} °C" if limit else "the setup names no limit (engine, egt_limit_C)"
    )
    if not np.isfinite(table.egt_C).any():
        return f"No exhaust temperature was read; {named}."
    row, column = np.unravel_index(int(np.nanargmax(table.egt_C)), table.egt_C.shape)
    return (
        f"Hottest reading of the session: {table.egt_C[row, column]:.0f} °C, cylinder "
        f"{table.cylinders[column]}, at {table.time_s[row]:.0f} s; {named}."
    )
