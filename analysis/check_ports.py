"""Which probe sits in which port: found by warming one port at a time, engine off, and seeing which probe moves first.

A mark of kind `warm` with `cylinder`, or an operator's mark or remark such as "warming port 3", says which one it is.
Without such marks the order in which probes moved is told, to be compared with what was done.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.blocks import Blocks, make_blocks
from analysis.check_item import CheckItem
from analysis.soak import TURNING_RPM
from daq.physical import Mark, PhysicalTable

FloatArray = npt.NDArray[np.float64]

# Common practice, no published source.
MOVED_C, NOISES, LASTING_BLOCKS = 3.0, 6.0, 4
BEFORE_S, LONGEST_S = 5.0, 120.0
AHEAD_SHARE = 0.5  # when the first has moved, no other may have moved by this share of it
_WARM_TEXT = re.compile(r"\bwarm(?:ing|ed)?\s+(?:port|cylinder)?\s*(\d+)\b", re.IGNORECASE)


@dataclass(frozen=True)
class Warmed:
    """One port warmed from `start_s` [s] on: marked as `cylinder` (None without a mark); `moved` is the first probe.

    moved is None where no probe moved, or several at once. change_C: by how much [°C], negative for a reversed one.
    """

    cylinder: int | None
    start_s: float
    moved: int | None
    change_C: float


def warmed_ports(table: PhysicalTable) -> tuple[Warmed, ...]:
    """What each `warm` mark, or without marks each probe that moved alone, shows."""
    blocks = make_blocks(table)
    marked = [
        (mark.time_s, cylinder) for mark in table.marks if (cylinder := _warm_cylinder(mark)) is not None
    ]
    if not marked:
        return tuple(_moved_alone(blocks))
    ends = [time_s for time_s, _ in marked[1:]] + [np.inf]
    return tuple(
        _first_mover(blocks, cylinder, start_s, min(end_s, start_s + LONGEST_S))
        for (start_s, cylinder), end_s in zip(marked, ends, strict=True)
    )


def check_ports(warmed: Sequence[Warmed]) -> Iterator[CheckItem]:
    """Does each probe sit where the setup says?"""
    how = (
        "Add a mark 'warm N', warm port N alone with a hot-air gun for a minute, engine off; port after port."
    )
    if not any(w.cylinder is not None for w in warmed):
        alone = [str(w.moved) for w in warmed if w.moved is not None]
        text = "Which probe sits in which port does not show: no port was warmed alone with a mark."
        if alone:
            text = f"Probes moved alone in this order: cylinder {', '.join(alone)}."
            how = "Compare this with the order in which the ports were warmed."
        yield CheckItem("session", "port", "cannot tell", text, how)
        return
    for w in warmed:
        yield _port_item(w, how)


def _port_item(warmed: Warmed, how: str) -> CheckItem:
    subject = f"cylinder {warmed.cylinder}"
    if warmed.moved is None:
        text = f"Port {warmed.cylinder} was marked as warmed, but no single probe moved first."
        return CheckItem(subject, "port", "cannot tell", text, how)
    if warmed.moved == warmed.cylinder:
        text = f"Warming port {warmed.cylinder} moves its own probe first."
        return CheckItem(subject, "port", "good", text)
    text = f"Warming port {warmed.cylinder} moves the probe that the setup calls cylinder {warmed.moved}'s."
    action = (
        f"Exchange the plugs, or in the setup give cylinder {warmed.cylinder} the column that cylinder "
        f"{warmed.moved} has now; earlier sessions can be analysed again with the corrected setup."
    )
    return CheckItem(subject, "port", "fault", text, action)


def _warm_cylinder(mark: Mark) -> int | None:
    if mark.kind == "warm":
        value = mark.details.get("cylinder")
        if isinstance(value, int):
            return value
    if mark.kind in ("warm", "mark", "remark"):
        match = _WARM_TEXT.search(mark.text)
        return int(match[1]) if match else None
    return None


def _first_mover(blocks: Blocks, cylinder: int, start_s: float, end_s: float) -> Warmed:
    """Which probe leaves its level before `start_s` first, until `end_s`."""
    before = (blocks.time_s >= start_s - BEFORE_S) & (blocks.time_s <= start_s)
    during = (blocks.time_s > start_s) & (blocks.time_s <= end_s)
    if before.sum() < 2 or not during.any():
        return Warmed(cylinder, start_s, None, 0.0)
    change = _changes(blocks, before, during)
    moved, change_C = _earliest(blocks, change)
    return Warmed(cylinder, start_s, moved, change_C)


def _changes(blocks: Blocks, before: npt.NDArray[np.bool_], during: npt.NDArray[np.bool_]) -> FloatArray:
    """(n_blocks, n_cylinders) °C since `before`, 0 where unknown or within the noise."""
    level = np.array([_median(column) for column in blocks.egt_C[before].T])
    spread = np.array([_spread(column) for column in blocks.egt_C[before].T])
    change: FloatArray = np.nan_to_num(blocks.egt_C[during] - level)
    change[np.abs(change) < np.maximum(MOVED_C, NOISES * spread)] = 0.0
    lasting = np.ones_like(change, dtype=bool)
    for later in range(1, LASTING_BLOCKS):
        lasting[:-later] &= np.sign(change[later:]) == np.sign(change[:-later])
    change[~lasting] = 0.0  # a spike of a loose connection moves no port
    return change


def _earliest(blocks: Blocks, change: FloatArray) -> tuple[int | None, float]:
    """(cylinder that moves first, by how much in the end); None where none does or others go along."""
    moving = np.flatnonzero(np.any(change != 0.0, axis=1))
    if moving.size == 0:
        return None, 0.0
    first = int(np.argmax(np.abs(change[moving[0]])))
    others = np.delete(np.abs(change[moving[0]]), first)
    if others.size and others.max() > AHEAD_SHARE * abs(change[moving[0], first]):
        return None, 0.0
    furthest = change[np.argmax(np.abs(change[:, first])), first]
    return blocks.cylinders[first], float(furthest)


def _moved_alone(blocks: Blocks) -> Iterator[Warmed]:
    """Probes that leave the level of the first seconds alone while the engine is off, in order of time."""
    off = np.ones(len(blocks.time_s), dtype=bool) if blocks.rpm is None else ~(blocks.rpm > TURNING_RPM)
    stop = int(np.argmin(off)) if not off.all() else len(off)
    first = blocks.time_s[:stop] <= (blocks.time_s[0] + BEFORE_S if stop else 0.0)
    if first.sum() < 2:
        return
    change = np.zeros_like(blocks.egt_C)
    inside = np.arange(len(off)) < stop
    change[:stop] = _changes(blocks, inside & np.pad(first, (0, len(off) - stop)), inside)
    starts = {column: np.flatnonzero(change[:, column]) for column in range(change.shape[1])}
    for column, moving in sorted(starts.items(), key=lambda entry: entry[1][0] if entry[1].size else np.inf):
        if moving.size == 0:
            continue
        others = np.delete(np.abs(change[moving[0]]), column)
        if np.count_nonzero(others) <= others.size / 2:
            furthest = change[np.argmax(np.abs(change[:, column])), column]
            yield Warmed(None, float(blocks.time_s[moving[0]]), blocks.cylinders[column], float(furthest))


def _median(values: FloatArray) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else np.nan


def _spread(values: FloatArray) -> float:
    known = values[np.isfinite(values)]
    return float(np.std(known)) if known.size else 0.0
