"""Is every probe alive, the right way round, quiet, and like its neighbours when cold?

Limits are common practice, no published source, unless one is named.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np
import numpy.typing as npt

from analysis.check_item import CheckItem, Verdict
from analysis.check_ports import Warmed
from analysis.fault import Fault
from analysis.soak import SoakOffsets
from analysis.uncertainty import coverage_factor, fit_line
from daq.physical import PhysicalTable, Status
from daq.setupfile import Probe
from daq.tolerance import tolerance_C

FloatArray = npt.NDArray[np.float64]

OPEN_SHARE, MISSING_SHARE, OUT_OF_RANGE_SHARE = 0.001, 0.01, 0.01
WARMED_C = 20.0  # above the cold junction: the probe is the right way round
BELOW_C = 8.0  # below it, while the others are not: reversed
WORKSHOP_C = 20.0
NOISE_C, NOISE_FACTOR = 1.0, 3.0
GRADIENT_C, GRADIENT_CERTAIN = 1.5, 4.0

_ACTIONS = {
    Status.OPEN_CIRCUIT: "Check the plug and the cable at the probe, wiggle both while watching the live page; "
    "replace the probe if it stays open.",
    Status.NO_READING: "Check that the instrument prints this column and that its cold junction reads.",
    Status.OUT_OF_RANGE: "Check the polarity, the column's unit in the setup and the amplifier's range.",
}
EXCHANGE_WIRES = "Exchange the two wires: the negative leg of type K is the slightly magnetic one."
_SOAK_LONGER = "Record half a minute before the first start of the day, with nobody near the ports."
_ACTIONS_BY_FAULT = {
    "dead": "Look for a short circuit between the wires before the port, and that the probe is in it.",
    "frozen": "Restart the instrument; if the value stays, its channel is broken.",
    "loose": "Tighten plug and terminals, and keep the cable from chafing and from ignition leads.",
}


def check_readings(table: PhysicalTable, faults: Mapping[int, Fault]) -> Iterator[CheckItem]:
    """Open circuits, missing and impossible readings; and what a running engine shows of each probe.

    faults: of `analysis.probe_faults`, by cylinder; a reversed one is left to `check_polarity`.
    """
    fitted = {probe.cylinder for probe in table.setup.probe}
    for column, cylinder in enumerate(table.cylinders):
        subject = f"cylinder {cylinder}"
        fault = faults.get(cylinder)
        kind = fault.kind if fault is not None else ""
        if cylinder not in fitted:
            yield CheckItem(
                subject, "reading", "cannot tell", f"{subject.capitalize()} has no probe in the setup."
            )
        elif fault is not None and kind in _ACTIONS_BY_FAULT:
            action = _ACTIONS_BY_FAULT[kind]
            yield CheckItem(subject, "reading", "fault", _sentence(fault.reason), action)
        elif kind != "reversed":
            yield _worst_state(subject, table.egt_status[:, column])


def _worst_state(subject: str, status: npt.NDArray[np.uint8]) -> CheckItem:
    if status.size == 0:
        return CheckItem(subject, "reading", "cannot tell", "There is no sample.")
    limits = {
        Status.OPEN_CIRCUIT: (OPEN_SHARE, "open circuit"),
        Status.NO_READING: (MISSING_SHARE, "no reading"),
        Status.OUT_OF_RANGE: (OUT_OF_RANGE_SHARE, "outside what a type K probe can give"),
    }
    for state, (limit, words) in limits.items():
        share = float(np.mean(status == state))
        if share > limit:
            verdict: Verdict = "fault" if share > 0.5 or state == Status.OPEN_CIRCUIT else "warning"
            text = f"{subject.capitalize()}: {words} in {100 * share:.1f} % of the samples."
            return CheckItem(subject, "reading", verdict, text, _ACTIONS[state])
    return CheckItem(subject, "reading", "good", f"{subject.capitalize()} reads.")


def check_polarity(
    table: PhysicalTable, faults: Mapping[int, Fault], warmed: Sequence[Warmed]
) -> Iterator[CheckItem]:
    """The right way round: seen once a port is clearly warmer than the terminals, else nothing can be said."""
    rise_C = table.egt_C - _terminals_C(table)
    for column, cylinder in enumerate(table.cylinders):
        subject = f"cylinder {cylinder}"
        own = rise_C[np.isfinite(rise_C[:, column]), column]
        moved_C = next((w.change_C for w in warmed if w.moved == cylinder and w.cylinder is not None), 0.0)
        fault = faults.get(cylinder)
        if fault is not None and fault.kind == "reversed":
            text = _sentence(fault.reason)
        elif moved_C < 0.0:
            text = f"{subject.capitalize()} fell by {-moved_C:.0f} °C when its port was warmed: its wires are reversed."
        elif _far_below(rise_C, column):
            text = f"{subject.capitalize()} reads below its terminals, others do not: its wires are likely reversed."
        elif own.size and (np.quantile(own, 0.99) >= WARMED_C or moved_C > 0.0):
            yield CheckItem(
                subject, "polarity", "good", f"{subject.capitalize()} rises when its port gets warm."
            )
            continue
        elif own.size:
            text = f"{subject.capitalize()} never got warm, so its polarity does not show."
            action = (
                "Warm the port (a hot-air gun for a minute, engine off) or start the engine, and check again."
            )
            yield CheckItem(subject, "polarity", "cannot tell", text, action)
            continue
        else:
            continue
        yield CheckItem(subject, "polarity", "fault", text, EXCHANGE_WIRES)


def _far_below(rise_C: FloatArray, column: int) -> bool:
    """Whether a probe is clearly below its terminals while the others are not."""
    own, others = rise_C[:, column], np.delete(rise_C, column, axis=1)
    known = np.isfinite(own) & np.isfinite(others).any(axis=1)
    if known.sum() < 5:
        return False
    return (
        float(np.mean((own[known] < -BELOW_C) & (np.nanmedian(others[known], axis=1) > -BELOW_C / 2))) > 0.01
    )


def _terminals_C(table: PhysicalTable) -> FloatArray:
    """(n_samples, n_cylinders) cold junctions; a workshop's temperature where the instrument converts by itself."""
    return np.where(np.isfinite(table.cold_junction_C), table.cold_junction_C, WORKSHOP_C)


def noise_C(table: PhysicalTable) -> FloatArray:
    """(n_cylinders,) standard deviation [°C] from sample to sample, robust against jumps; NaN where too few.

    From first differences: what the engine does lasts longer than a sample and drops out.
    """
    steps = np.diff(table.egt_C, axis=0)
    found = np.full(len(table.cylinders), np.nan)
    for column in range(len(table.cylinders)):
        own = steps[:, column][np.isfinite(steps[:, column])]
        if own.size >= 20:
            found[column] = 1.4826 * np.median(np.abs(own - np.median(own))) / np.sqrt(2.0)
    return found


def check_noise(table: PhysicalTable) -> Iterator[CheckItem]:
    """Probes much noisier than their neighbours, or noisy all."""
    noise = noise_C(table)
    for column, cylinder in enumerate(table.cylinders):
        if not np.isfinite(noise[column]):
            continue
        others = np.delete(noise, column)
        others = others[np.isfinite(others)]
        usual = float(np.median(others)) if others.size else 0.0
        subject = f"cylinder {cylinder}"
        if noise[column] > NOISE_C and noise[column] > NOISE_FACTOR * usual:
            text = f"{subject.capitalize()}: {noise[column]:.1f} °C of noise, the others have {usual:.1f} °C."
            action = "Look for a grounded or chafed cable, and keep it away from ignition leads and the alternator."
            yield CheckItem(subject, "noise", "warning", text, action)
        else:
            yield CheckItem(
                subject, "noise", "good", f"{subject.capitalize()}: {noise[column]:.2f} °C of noise."
            )


def check_offsets(table: PhysicalTable, soak: SoakOffsets | None) -> Iterator[CheckItem]:
    """Alike when cold, within their class? And what `offset_C` would make them so."""
    if soak is None:
        text = "No stretch with the engine off and cold was found, so whether the probes agree cold does not show."
        yield CheckItem("session", "offset", "cannot tell", text, _SOAK_LONGER)
        return
    for probe in table.setup.probe:
        column = table.cylinders.index(probe.cylinder)
        yield _offset_item(probe, float(soak.offset_C[column]), float(soak.u_C[column]), soak.engine_C)
    yield from _terminal_gradient(table, soak)


def _offset_item(probe: Probe, offset_C: float, u_C: float, engine_C: float) -> CheckItem:
    subject = f"cylinder {probe.cylinder}"
    if not np.isfinite(offset_C):
        text = f"{subject.capitalize()} cannot be compared: missing, or more than 15 °C from the others when cold."
        action = "Mend the probe, or let the engine cool down, and check again."
        return CheckItem(subject, "offset", "cannot tell", text, action)
    u95_C = coverage_factor(np.inf) * u_C
    limit_C = float(tolerance_C(probe.tolerance, engine_C))
    said = f"{subject.capitalize()} reads {offset_C:+.2f} ± {u95_C:.2f} °C beside the median of all when cold"
    if abs(offset_C) - u95_C > limit_C:
        text = f"{said}, more than its class ({probe.tolerance}) allows, ±{limit_C:.1f} °C."
        action = f"Exchange the probe; until then offset_C = {probe.offset_C + offset_C:.2f} matches it cold."
        return CheckItem(subject, "offset", "warning", text, action)
    if u95_C > limit_C:
        return CheckItem(subject, "offset", "cannot tell", f"{said}: too uncertain to judge.", _SOAK_LONGER)
    action = f"offset_C = {probe.offset_C + offset_C:.2f} would match it." if abs(offset_C) > u95_C else ""
    return CheckItem(subject, "offset", "good", f"{said}, within its class ({probe.tolerance}).", action)


def _terminal_gradient(table: PhysicalTable, soak: SoakOffsets) -> Iterator[CheckItem]:
    """Offsets that rise along the channels of one instrument: one end of its terminal block is warmer."""
    by_instrument: dict[str, list[float]] = {}
    for probe in table.setup.probe:
        if probe.cold_junction is not None:
            of_probe_C = float(soak.offset_C[table.cylinders.index(probe.cylinder)])
            by_instrument.setdefault(table.setup.locate(probe.column)[0], []).append(of_probe_C)
    for instrument, offsets in by_instrument.items():
        offset_C = np.array(offsets)
        channel = np.flatnonzero(np.isfinite(offset_C)).astype(np.float64)
        if channel.size < 5:
            continue
        line = fit_line(channel, offset_C[np.isfinite(offset_C)])
        along_C = line.slope * float(channel[-1] - channel[0])
        if abs(along_C) > GRADIENT_C and abs(line.slope) > GRADIENT_CERTAIN * np.sqrt(line.covariance[1, 1]):
            text = (
                f"{instrument}: the offsets run from channel to channel by {along_C:+.1f} °C in all: one end of the "
                "terminal block is warmer than where the cold junction is measured."
            )
            action = "Cover the terminal block, let it come to rest, and keep it from heat and draught."
            yield CheckItem(instrument, "cold junction", "warning", text, action)


def _sentence(reason: str) -> str:
    return reason[:1].upper() + reason[1:].rstrip(".") + "."
