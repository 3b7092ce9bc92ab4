"""The evidence behind a report, as blocks: curves, findings, stretches, uncertainty, origin."""

from __future__ import annotations

import platform
from importlib import metadata

from analysis.probe_check import ProbeCheck
from analysis.result import Balance, BudgetLine, Trims
from daq.physical import PhysicalTable
from dashboard.check_wording import CHECK_COLUMNS, check_rows, item_sentence
from dashboard.display import MISSING
from dashboard.report_document import (
    HTML_FONT,
    PDF_FONT,
    Block,
    Bullets,
    Facts,
    Heading,
    Listing,
    Paragraph,
    Picture,
    Table,
)
from dashboard.report_pictures import sweep_panels
from dashboard.report_session_picture import session_picture
from dashboard.session_files import SessionFiles
from dashboard.wording import (
    FINDING_WORDS,
    SIDE_WORDS,
    reasons_by_cylinders,
    with_interval,
)

DEVIATIONS_ONLY = "deviation, °C (no offset)"


def evidence(
    trims: Trims, table: PhysicalTable, files: SessionFiles | None, check: ProbeCheck | None
) -> list[Block]:
    """Everything that the first page rests on."""
    balance = trims.balance
    return [
        *_curves(balance),
        *_findings(balance),
        *_regions(balance, table),
        *_stretches(balance, table),
        *_budget(balance),
        *_probe_check(check),
        *_marks(balance, table),
        *_origin(table, files),
    ]


def _curves(balance: Balance) -> list[Block]:
    if not balance.sweeps:
        why = "This session holds no mixture sweep that could be used, so there are no curves to compare."
        return [Heading("Evidence: curves", new_page=True), Paragraph(why)]
    svg = [
        sweep_panels(balance.sweeps, balance, font, panel_width=360.0, panel_height=300.0)
        for font in (HTML_FONT, PDF_FONT)
    ]
    caption = (
        "Left: temperature against the bank's lambda as measured. Right: each cylinder's curve moved by "
        "its own fuel offset, its height taken off, divided by its gain; the broad grey line is the curve "
        "they share. Heights and gains hold what is not fuel: the probe, its place, the cylinder's heat."
    )
    return [Heading("Evidence: curves", new_page=True), Picture(svg[0], svg[1], caption)]


def _findings(balance: Balance) -> list[Block]:
    banks = Table(
        columns=("Bank", "Mean lambda", "Spread, °C", "Where it ran", "Slope, °C per % fuel"),
        rows=tuple(
            (
                b.bank,
                MISSING if b.lambda_mean is None else f"{b.lambda_mean:.3f}",
                MISSING if b.spread_C is None else f"{b.spread_C:.0f}",
                MISSING if b.side is None else SIDE_WORDS[b.side],
                with_interval(b.slope_C_per_percent, b.slope_u95_C_per_percent),
            )
            for b in balance.banks
        ),
        align="lrrlr",
        widths=(16.0, 13.0, 12.0, 36.0, 23.0),
    )
    words = {c.cylinder: FINDING_WORDS[c.finding] for c in balance.cylinders}
    reasons = Table(
        columns=("Cylinder", "Finding", "Reason"),
        rows=tuple(
            (", ".join(str(n) for n in numbers), ", ".join(dict.fromkeys(words[n] for n in numbers)), reason)
            for numbers, reason in reasons_by_cylinders(balance)
        ),
        align="lll",
        widths=(16.0, 18.0, 66.0),
    )
    return [Heading("Evidence: findings and their reasons"), banks, reasons]


def _regions(balance: Balance, table: PhysicalTable) -> list[Block]:
    if not balance.regions:
        return []
    rows = tuple(
        (
            r.region,
            str(r.cylinder),
            MISSING if r.injector_ms is None else f"{r.injector_ms:.2f}",
            with_interval(r.egt_deviation_C, r.egt_deviation_u95_C),
            with_interval(r.fuel_offset_percent, r.fuel_offset_u95_percent),
        )
        for r in balance.regions
    )
    columns = ("Region", "Cyl.", "Injector, ms", "Deviation, °C", "Fuel offset, %")
    return [
        Heading("Evidence: by operating region"),
        Table(columns=columns, rows=rows, align="llrrr", widths=(38.0, 8.0, 14.0, 20.0, 20.0)),
    ]


def _stretches(balance: Balance, table: PhysicalTable) -> list[Block]:
    load = table.setup.conditions.load or "load"
    rows = tuple(
        (
            s.kind,
            f"{s.start_s:.0f}",
            f"{s.end_s:.0f}",
            MISSING if s.rpm is None else f"{s.rpm:.0f}",
            MISSING if s.load is None else f"{s.load:.1f}",
            ", ".join(f"{bank} {value:.3f}" for bank, value in s.lambda_by_bank.items()) or MISSING,
            "yes" if s.used else "refused",
            s.reason,
        )
        for s in balance.stretches
    )
    columns = ("Stretch", "From, s", "To, s", "Speed, rpm", f"Load, {load}", "Lambda", "Used", "Why")
    svg = [session_picture(table, balance, font) for font in (HTML_FONT, PDF_FONT)]
    return [
        Heading("Evidence: the session and its stretches"),
        Picture(svg[0], svg[1], "The whole session: least and greatest reading of each moment."),
        Table(
            columns=columns,
            rows=rows,
            align="lrrrrlll",
            widths=(9.0, 8.0, 8.0, 9.0, 11.0, 22.0, 9.0, 24.0),
            strong_rows=tuple(i for i, s in enumerate(balance.stretches) if s.used),
        ),
    ]


def _budget(balance: Balance) -> list[Block]:
    rows = tuple(
        _budget_row(entry.cylinder, line, "%" if entry.fuel_offset_percent is not None else "°C")
        for entry in balance.cylinders
        for line in entry.budget
    )
    if not rows:
        return [Heading("Evidence: uncertainty"), Paragraph("No result, so no uncertainty to account for.")]
    said = (
        "Standard uncertainties after JCGM 100:2008. A cylinder's contributions add up as the root of the "
        "sum of squares, of its fuel offset (%) or, where there is none, of its deviation (°C); the "
        "interval on the first page is that times the coverage factor of the effective degrees of freedom "
        "for about 95 %."
    )
    columns = ("Cyl.", "Source", "u", "Distribution", "Degrees of freedom", "Sensitivity", "Contribution")
    return [
        Heading("Evidence: uncertainty budget"),
        Paragraph(said, tone="small"),
        Table(columns=columns, rows=rows, align="llrlrrr", widths=(6.0, 36.0, 12.0, 14.0, 12.0, 11.0, 13.0)),
    ]


def _budget_row(cylinder: int, line: BudgetLine, unit: str) -> tuple[str, ...]:
    degrees = "∞" if line.degrees_of_freedom > 9999 else f"{line.degrees_of_freedom:.0f}"
    return (
        str(cylinder),
        line.source,
        f"{line.u:.3g} {line.unit.removeprefix('1')}".strip(),
        line.distribution,
        degrees,
        f"{line.sensitivity:.3g}".replace("-", "−"),
        f"{line.contribution:.3f} {unit}",
    )


def _probe_check(check: ProbeCheck | None) -> list[Block]:
    if check is None:
        return []
    said = tuple(item_sentence(item) for item in check.items if item.verdict != "good")
    if check.soak is None:
        soak = "The session holds no cold soak, so it does not show whether the probes are alike."
    else:
        soak = (
            f"Cold soak from {check.soak.start_s:.0f} to {check.soak.end_s:.0f} s at {check.soak.engine_C:.1f} °C: "
            "each probe beside the median of all, against the limit of its class."
        )
    return [
        Heading("Evidence: probe check"),
        Paragraph(soak, tone="small"),
        Table(
            columns=CHECK_COLUMNS,
            rows=tuple(check_rows(check)),
            align="llllrrrrr",
            widths=(5.0, 11.0, 12.0, 12.0, 10.0, 10.0, 15.0, 11.0, 14.0),
            strong_rows=tuple(i for i, p in enumerate(check.probes) if p.verdict != "good"),
        ),
        Bullets(said) if said else Paragraph("Nothing else was found."),
    ]


def _marks(balance: Balance, table: PhysicalTable) -> list[Block]:
    blocks: list[Block] = [Heading("Evidence: marks and problems")]
    problems = tuple(dict.fromkeys((*table.problems, *balance.problems)))
    blocks.append(
        Bullets(problems) if problems else Paragraph("No problem with the session's files is known.")
    )
    gaps = tuple(("", f"{start:.1f} to {end:.1f}", "gap without samples") for start, end in table.gaps_s)
    rows = (*((m.kind, f"{m.time_s:.1f}", m.text) for m in table.marks), *gaps)
    if rows:
        blocks.append(Table(("Mark", "Time, s", "Text"), rows, align="lll", widths=(18.0, 18.0, 64.0)))
    return blocks


def _origin(table: PhysicalTable, files: SessionFiles | None) -> list[Block]:
    started = next((m for m in table.marks if m.kind == "start"), None)
    recorded_by = started.details.get("version") if started else None
    versions = Facts(
        (
            ("Made by", f"evenburn {metadata.version('evenburn')}"),
            ("Recorded by", f"evenburn {recorded_by}" if recorded_by else "not noted"),
            ("Python", platform.python_version()),
            (
                "Libraries",
                ", ".join(f"{name} {metadata.version(name)}" for name in ("numpy", "scipy", "pandas")),
            ),
        )
    )
    blocks: list[Block] = [Heading("Evidence: origin"), versions]
    if files is None:
        return [*blocks, Paragraph("This session was not read from files, so it has no checksum.")]
    rows = tuple((name, f"{size}", digest) for name, size, digest in files.files)
    return [
        *blocks,
        Paragraph(f"SHA-256 of the session (of the list below as sha256sum prints it): {files.checksum}"),
        Table(("File", "Bytes", "SHA-256"), rows, align="lrl", widths=(18.0, 12.0, 70.0)),
        Heading("The setup, as it was read", level=2),
        Listing(files.setup_text),
    ]
