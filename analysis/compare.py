"""Before and after a trim: did each cylinder move as predicted, what does that say of the engine, what remains.

Between two sessions with the same probes in the same ports, the probes' errors and the ports' own heat cancel: a
change of deviation is known to its noise alone. So a trim step also measures this engine's °C per per cent.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.result import Balance, CylinderBalance, RegionOffset

Moved = Literal[
    "as predicted", "less than predicted", "more than predicted", "wrong way", "untouched", "cannot tell"
]

SAME_RPM, SAME_LOAD, SAME_LAMBDA = 0.03, 0.06, 0.015
BETWEEN_SESSIONS_U_C = (
    1.5  # probes and heat from one warm engine to the next; common practice, no published source
)
WORTH_ANOTHER_PERCENT = 1.0


@dataclass(frozen=True)
class CylinderComparison:
    """One cylinder before and after; changes in °C and % fuel, each with its expanded uncertainty or None."""

    cylinder: int
    bank: str
    trim_percent: float | None
    deviation_before_C: float | None
    deviation_after_C: float | None
    change_C: float | None
    change_u95_C: float | None
    predicted_change_C: float | None
    predicted_change_u95_C: float | None
    offset_before_percent: float | None
    offset_after_percent: float | None
    offset_change_percent: float | None
    offset_change_u95_percent: float | None
    moved: Moved
    finding_after: str
    reason: str


@dataclass(frozen=True)
class BankComparison:
    """A bank before and after. slope: °C per % of less fuel that the trims themselves showed, None if they cannot."""

    bank: str
    spread_before_C: float | None
    spread_after_C: float | None
    slope_C_per_percent: float | None
    slope_u95_C_per_percent: float | None
    another_step: bool
    verdict: str


@dataclass(frozen=True)
class Comparison:
    """Two sessions of one engine, a trim between them."""

    before: Balance
    after: Balance
    cylinders: tuple[CylinderComparison, ...]
    banks: tuple[BankComparison, ...]
    region: str
    problems: tuple[str, ...]

    @property
    def answered(self) -> bool:
        """Whether anything could be compared."""
        return any(c.change_C is not None or c.offset_change_percent is not None for c in self.cylinders)


def compare(before: Balance, after: Balance, trims_percent: Mapping[int, float] | None = None) -> Comparison:
    """Compare two balances; trims_percent: cylinder -> trim that was really set [%], where known."""
    trims = dict(trims_percent or {})
    pairs, region, problems = _matched_regions(before, after)
    cylinders = []
    for entry in after.cylinders:
        earlier = next((c for c in before.cylinders if c.cylinder == entry.cylinder), None)
        if earlier is None:
            problems.append(f"cylinder {entry.cylinder} is not in the session before")
            continue
        slope = _slope_before(before, earlier.bank)
        # offsets and deviations are against the bank's mean: what all cylinders got together does not show in them
        bank = [trims.get(c.cylinder, 0.0) for c in after.cylinders if c.bank == entry.bank]
        trim, shared = trims.get(entry.cylinder), float(np.mean(bank))
        cylinders.append(_cylinder(earlier, entry, pairs.get(entry.cylinder), trim, shared, slope))
    banks = tuple(_bank(before, after, bank.bank, cylinders) for bank in after.banks)
    return Comparison(before, after, tuple(cylinders), banks, region, tuple(problems))


def _matched_regions(
    before: Balance, after: Balance
) -> tuple[dict[int, tuple[RegionOffset, RegionOffset]], str, list[str]]:
    """Each cylinder's entries at the operating region that both sessions visited longest alike."""
    pairs: dict[int, tuple[RegionOffset, RegionOffset]] = {}
    names: list[str] = []
    for later in after.regions:
        alike = [r for r in before.regions if r.cylinder == later.cylinder and _same(r, later)]
        known = pairs.get(later.cylinder)
        quietest = min(alike, key=lambda r: r.noise_u_C, default=None)
        if quietest is not None and (known is None or later.noise_u_C < known[1].noise_u_C):
            pairs[later.cylinder] = (quietest, later)
            names.append(later.region)
    problems = (
        []
        if pairs
        else ["the two sessions have no operating region in common: speed, load or mixture differ"]
    )
    return pairs, max(set(names), key=names.count) if names else "", problems


def _same(a: RegionOffset, b: RegionOffset) -> bool:
    def close(x: float | None, y: float | None, share: float) -> bool:
        return x is None or y is None or abs(x - y) <= share * max(abs(x), abs(y))

    return (
        close(a.rpm, b.rpm, SAME_RPM)
        and close(a.load, b.load, SAME_LOAD)
        and close(a.lambda_mean, b.lambda_mean, SAME_LAMBDA)
    )


def _slope_before(before: Balance, bank: str) -> tuple[float, float] | None:
    entry = next((b for b in before.banks if b.bank == bank), None)
    if entry is None or entry.slope_C_per_percent is None:
        return None
    return entry.slope_C_per_percent, entry.slope_u95_C_per_percent or 0.0


def _cylinder(
    earlier: CylinderBalance,
    later: CylinderBalance,
    pair: tuple[RegionOffset, RegionOffset] | None,
    trim: float | None,
    shared: float,
    slope: tuple[float, float] | None,
) -> CylinderComparison:
    change = change_u95 = predicted = predicted_u95 = None
    if pair is not None:
        change = pair[1].egt_deviation_C - pair[0].egt_deviation_C
        change_u95 = 2.0 * float(
            np.sqrt(pair[0].noise_u_C ** 2 + pair[1].noise_u_C ** 2 + BETWEEN_SESSIONS_U_C**2)
        )
    if trim is not None and slope is not None:
        predicted, predicted_u95 = -slope[0] * (trim - shared), abs(slope[1] * (trim - shared))
    offset_change, offset_u95 = _offset_change(earlier, later)
    moved = _moved(trim, shared, offset_change, offset_u95, change, change_u95, predicted, predicted_u95)
    return CylinderComparison(
        cylinder=later.cylinder,
        bank=later.bank,
        trim_percent=trim,
        deviation_before_C=pair[0].egt_deviation_C if pair else earlier.egt_deviation_C,
        deviation_after_C=pair[1].egt_deviation_C if pair else later.egt_deviation_C,
        change_C=change,
        change_u95_C=change_u95,
        predicted_change_C=predicted,
        predicted_change_u95_C=predicted_u95,
        offset_before_percent=earlier.fuel_offset_percent,
        offset_after_percent=later.fuel_offset_percent,
        offset_change_percent=offset_change,
        offset_change_u95_percent=offset_u95,
        moved=moved,
        finding_after=later.finding,
        reason=_reason(later, trim, moved),
    )


def _offset_change(earlier: CylinderBalance, later: CylinderBalance) -> tuple[float | None, float | None]:
    if earlier.fuel_offset_percent is None or later.fuel_offset_percent is None:
        return None, None
    u95 = float(np.hypot(earlier.fuel_offset_u95_percent or 0.0, later.fuel_offset_u95_percent or 0.0))
    return later.fuel_offset_percent - earlier.fuel_offset_percent, u95


def _moved(
    trim: float | None,
    shared: float,
    offset_change: float | None,
    offset_u95: float | None,
    change: float | None,
    change_u95: float | None,
    predicted: float | None,
    predicted_u95: float | None,
) -> Moved:
    """By the offsets where both sessions told them well enough, else by the temperatures."""
    if trim is None:
        return "cannot tell"
    if trim == 0.0:
        return "untouched"
    if offset_change is not None and offset_u95 is not None and offset_u95 < abs(trim):
        return _against(offset_change, offset_u95, trim - shared, 0.0)
    if None not in (change, change_u95, predicted, predicted_u95):
        assert (
            change is not None
            and change_u95 is not None
            and predicted is not None
            and predicted_u95 is not None
        )
        if float(np.hypot(change_u95, predicted_u95)) < 1.5 * abs(predicted):
            return _against(change, change_u95, predicted, predicted_u95)
    return "cannot tell"


def _against(seen: float, seen_u95: float, expected: float, expected_u95: float) -> Moved:
    if abs(seen - expected) <= np.hypot(seen_u95, expected_u95):
        return "as predicted"
    if seen * expected < 0 and abs(seen) > seen_u95:
        return "wrong way"
    return "less than predicted" if abs(seen) < abs(expected) else "more than predicted"


def _reason(later: CylinderBalance, trim: float | None, moved: Moved) -> str:
    if trim is None:
        return "no trim was written down for this cylinder"
    return {
        "as predicted": "it moved as its trim predicts",
        "less than predicted": "it moved less than its trim predicts: was the trim set, and on this cylinder?",
        "more than predicted": "it moved more than its trim predicts: another cause moved with it",
        "wrong way": "it moved the wrong way: the wrong cylinder was trimmed, its probe sits in another port, or the "
        "bank ran on the other side of the peak",
        "untouched": "not trimmed",
        "cannot tell": "the sessions do not tell its movement well enough",
    }[moved]


def _bank(before: Balance, after: Balance, name: str, cylinders: list[CylinderComparison]) -> BankComparison:
    own = [c for c in cylinders if c.bank == name]
    slope, slope_u95 = _implied_slope(own)
    earlier = next((b.spread_C for b in before.banks if b.bank == name), None)
    later = next((b.spread_C for b in after.banks if b.bank == name), None)
    remaining = [c.cylinder for c in own if c.finding_after in ("lean", "rich")]
    undecided = any(c.finding_after == "undetermined" for c in own)
    if remaining:
        named = ", ".join(str(c) for c in remaining)
        verdict = f"cylinder {named} still differs by more than a trim is worth: another step"
    elif undecided:
        verdict = "cannot tell for every cylinder: log a sweep before another step"
    else:
        verdict = "even within what a trim is worth: stop here"
    return BankComparison(name, earlier, later, slope, slope_u95, bool(remaining), verdict)


def _implied_slope(own: list[CylinderComparison]) -> tuple[float | None, float | None]:
    """Least squares of change = -slope·(trim - bank's mean trim), weighted by the changes' uncertainty."""
    known = [
        (c.trim_percent, c.change_C, c.change_u95_C)
        for c in own
        if c.trim_percent is not None and c.change_C is not None
    ]
    if len(known) < 2:
        return None, None
    trim, change, u95 = (np.array(column, dtype=float) for column in zip(*known, strict=True))
    trim, change = trim - trim.mean(), change - change.mean()
    weight = (u95 / 2.0) ** -2
    information = float((weight * trim**2).sum())
    if information * 1.0**2 < 1.0:
        return None, None  # trims too small: the slope would be known no better than ±1 °C per %
    return -float((weight * trim * change).sum()) / information, 2.0 * information**-0.5
