"""A table from another program as the samples of a session: which column is what, in which unit.

This part decides what each column is; `daq.table_samples` reads them. A column is found by its name without unit,
case and punctuation ('EGT 1 [°F]' is the setup's `egt1_C`), or told. Nothing is guessed: a unit or a column that
the file leaves open is `Undecided`.
"""

from __future__ import annotations

import fnmatch
from collections.abc import Mapping
from dataclasses import dataclass, field

from daq.errors import TableError
from daq.setupfile import Setup
from daq.table_text import CLOCK, TableText, Undecided, is_missing
from daq.table_units import FACTORS, Name, accepted_units, take_apart, target_unit, unit_of

TIME_NAMES = frozenset({"time", "t", "timestamp", "host", "elapsed", "elapsedtime", "datetime", "clock"})


@dataclass(frozen=True)
class Source:
    """Where a column of the session comes from: `target` as the setup writes it, `header` in the table, units."""

    target: str
    header: str
    unit: str
    target_unit: str

    @property
    def said(self) -> str:
        """In words, for the user to check."""
        change = "" if self.unit == self.target_unit else f", {self.unit} becomes {self.target_unit}"
        return f"{self.target} from {self.header!r}{change}"


@dataclass(frozen=True)
class Plan:
    """What a table is understood to be. time: its column; `time.unit` is 'clock' for times of day."""

    time: Source
    columns: tuple[Source, ...]
    unused: tuple[str, ...]


@dataclass(frozen=True)
class Told:
    """What the user told: columns target -> header ('time' is the time's), units header pattern -> unit."""

    columns: Mapping[str, str] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)


def plan_import(table: TableText, setup: Setup, told: Told) -> Plan:
    """Which column of `table` is what. Raises TableError, and Undecided where the user has to tell."""
    for target in told.columns:
        if target != "time" and target not in _targets(setup):
            raise TableError(f"the setup names no column {target!r}; it names {', '.join(_targets(setup))}")
    time = _time_source(table, told)
    columns = tuple(_source(table, target, told, time.header) for target in _targets(setup))
    used = {time.header, *(source.header for source in columns)}
    return Plan(time, columns, tuple(h for h in table.headers if h and h not in used))


def _targets(setup: Setup) -> tuple[str, ...]:
    return tuple(dict.fromkeys(column for _, column in setup.columns()))


def _time_source(table: TableText, told: Told) -> Source:
    header = told.columns.get("time")
    if header is None:
        named = [h for h in table.headers if take_apart(h).key in TIME_NAMES]
        if len(named) != 1:
            why = "several columns may be the time" if named else "no column is named as the time"
            options = named or [h for h in table.headers if h]
            raise Undecided(
                f"{why}; say which with --map 'time=HEADER' (there are: {', '.join(options)})",
                "column", "time", options,
            )  # fmt: skip
        header = named[0]
    index = _index(table, header)
    if _told_unit(told, header) == "" and _is_clock(table, index):
        return Source("time", header, "clock", "s")
    unit = _stated_unit(table, header, told)
    if unit not in FACTORS["s"]:
        what = f"states {unit!r}" if unit else "states no unit"
        raise Undecided(
            f"the time column {header!r} {what}; say with --unit '{header}=s' (or ms, us, min)",
            "unit", header, tuple(FACTORS["s"]),
        )  # fmt: skip
    return Source("time", header, unit, "s")


def _is_clock(table: TableText, index: int) -> bool:
    first = next(
        (row[index] for _, row in table.rows() if index < len(row) and not is_missing(row[index])), ""
    )
    return bool(CLOCK.fullmatch(first))


def _source(table: TableText, target: str, told: Told, time_header: str) -> Source:
    column = target.rpartition(":")[2]
    header = told.columns.get(target)
    if header is None:
        key = take_apart(column).key
        same = [h for h in table.headers if h == column]
        near = same or [h for h in table.headers if h != time_header and _key(h) in (key, _whole_key(column))]
        if len(near) != 1:
            why = f"several columns may be {target}" if near else f"no column is named as {target}"
            options = near or [h for h in table.headers if h and h != time_header]
            raise Undecided(
                f"{why}; say which with --map '{target}=HEADER' (there are: {', '.join(options)})",
                "column", target, options,
            )  # fmt: skip
        header = near[0]
    _index(table, header)
    wanted = target_unit(column)
    return Source(target, header, _unit(table, header, told, wanted, target), wanted)


def _key(header: str) -> str:
    return take_apart(header).key


def _whole_key(column: str) -> str:
    return Name(column, "").key


def _unit(table: TableText, header: str, told: Told, wanted: str, target: str) -> str:
    unit = _stated_unit(table, header, told)
    if not unit and wanted in ("lambda", "afr"):
        said = [word for word in ("lambda", "λ", "afr") if word in header.casefold()]
        unit = unit_of(said[0]) if len(said) == 1 else ""
    if not unit and wanted == "rpm":
        unit = "rpm"
    if unit in accepted_units(wanted):
        return unit
    options = accepted_units(wanted)
    if unit:
        raise TableError(
            f"column {header!r} is in {unit!r}, which cannot become {target} (that takes {', '.join(options)}); "
            "name another column in the setup, or tell the unit with --unit"
        )
    raise Undecided(
        f"column {header!r} states no unit; say with --unit '{header}={options[0]}' (or {', '.join(options[1:])})",
        "unit", header, options,
    )  # fmt: skip


def _stated_unit(table: TableText, header: str, told: Told) -> str:
    """The unit told, or in the header, or in the row of units; '' for none. Raises TableError if they disagree."""
    given = _told_unit(told, header)
    if given:
        return given
    in_header, in_row = take_apart(header).unit, unit_of(table.units[_index(table, header)])
    if in_header and in_row and in_header != in_row:
        raise TableError(f"column {header!r}: its name says {in_header}, the row of units says {in_row}")
    return in_header or in_row


def _told_unit(told: Told, header: str) -> str:
    for pattern, unit in told.units.items():
        if pattern == header or fnmatch.fnmatchcase(header, pattern):
            if not unit_of(unit):
                raise TableError(f"--unit {pattern}={unit}: the unit {unit!r} is not known")
            return unit_of(unit)
    return ""


def _index(table: TableText, header: str) -> int:
    """Where the column `header` is. Raises TableError where it is not, or is there twice."""
    places = [i for i, name in enumerate(table.headers) if name == header]
    if len(places) == 1:
        return places[0]
    if places:
        raise TableError(f"{len(places)} columns are named {header!r}; give each its own name")
    raise TableError(f"no column is named {header!r}; there are: {', '.join(h for h in table.headers if h)}")
